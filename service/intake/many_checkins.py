"""Take in many check-ins: one transaction around a batch, a guard around each."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import datetime

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.orm import Session

from service.domain.diary import NewCheckin
from service.domain.validation import Refused
from service.intake.checkins import record_checkin, try_checkin
from service.intake.outcomes import Outcome
from service.store.audit import Actor
from service.store.quarantine import place, quarantine
from service.store.session import read_session, write_session

log = structlog.get_logger(__name__)


def record_checkins(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewCheckin],
    actor: Actor,
    now: datetime,
    *,
    may_correct: bool,
) -> list[Outcome | Refused]:
    """Take in a batch, and say of each check-in what became of it, in the order given."""

    def take(session: Session, one: NewCheckin) -> Outcome:
        return record_checkin(session, clinic_id, one, actor, now, may_correct=may_correct).outcome

    try:
        with write_session(engine) as session:
            return [_guarded(session, one, take) for one in new]
    except (OperationalError, InterfaceError):
        raise  # the database is away: no check-in is to blame
    except Exception as error:
        log.warning("batch refused, now one by one", kind="checkin", rows=len(new), error=place(error))
    return [_alone(engine, one, take, now) for one in new]


def try_checkins(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewCheckin], now: datetime, *, may_correct: bool
) -> list[Outcome | Refused]:
    """What `record_checkins` would answer of each by itself, without writing anything."""

    def take(session: Session, one: NewCheckin) -> Outcome:
        return try_checkin(session, clinic_id, one, now, may_correct=may_correct)

    with read_session(engine) as session:
        return [_guarded(session, one, take) for one in new]


def _guarded(session: Session, one: NewCheckin, take: Callable[[Session, NewCheckin], Outcome]) -> Outcome | Refused:
    try:
        with session.begin_nested():
            return take(session, one)
    except Refused as refusal:
        return refusal


def _alone(
    engine: Engine, one: NewCheckin, take: Callable[[Session, NewCheckin], Outcome], now: datetime
) -> Outcome | Refused:
    try:
        with write_session(engine) as session:
            return take(session, one)
    except Refused as refusal:
        return refusal
    except (OperationalError, InterfaceError):
        raise
    except Exception as error:
        subject = ("new_checkin", uuid.uuid4())
        log.error("parked", kind=subject[0], id=str(subject[1]), error=place(error))
        with write_session(engine) as session:
            quarantine(session, subject, error, now)
        return Refused(
            "checkin", None, f"one that the service can write; this is a fault of ours, noted as {subject[1]}"
        )
