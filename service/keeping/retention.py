"""What is let go of after some months, where the operator says so: one table of kinds, tried dry or done.

What grows with every day of everybody lies by month on PostgreSQL (`store.months`): there a month goes whole once all
of it is over, up to a month later than it would row by row, and only what is left of it row by row.

Promises that no clinical row goes by it; that a message under way, an open task and a session that is good never do;
that it is done a portion at a time, so that nobody waits for it, and may be broken off anywhere; and that each clinic
has an audit line of what a run took from it. Without a setting everything is kept: how long a law asks for is no
default of ours.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import Engine, Select, String, cast, delete, func, select, update
from sqlalchemy.orm import Session

from service.domain.retention import MONTH, Retained
from service.domain.vocabulary import MessageState, StepState
from service.store import chain, months
from service.store.audit import Act, Actor
from service.store.guarded import Tally
from service.store.months import Stays
from service.store.session import may_take_away, read_session, rows, write_session
from service.store.tables import (
    AuditLine,
    Clinic,
    Contact,
    Conversation,
    InboundText,
    Message,
    MessageEvent,
    Staff,
    StaffSession,
    Step,
)

log = structlog.get_logger(__name__)
PORTION = 1000
UNDER_WAY = (MessageState.QUEUED, MessageState.CLAIMED, MessageState.HANDING_OVER)
LONGEST_SESSION = timedelta(hours=12)  # accounts.sessions: none is good for longer
_SETTLED = Message.state.not_in(UNDER_WAY)


@dataclass(frozen=True)
class Part:
    """Rows of one table that go, or, with `blank`, lose their words: found by the clinic, by `at`, and by more."""

    table: Any
    at: Any
    of_clinic: Callable[[Select[Any], uuid.UUID], Select[Any]]
    also: tuple[Any, ...] = ()
    blank: Mapping[str, Any] | None = None
    stays: Stays | None = None  # where it lies by month

    def old(self, what: tuple[Any, ...], clinic_id: uuid.UUID, before: datetime) -> Select[Any]:
        return self.of_clinic(select(*what).select_from(self.table), clinic_id).where(self.at < before, *self.also)


@dataclass(frozen=True)
class WhatIsKept:
    """What goes, in words, and where it lies; the audit trail is dropped by its own chain (`store.chain`)."""

    what: str
    parts: tuple[Part, ...] = ()

    def ends(self, engine: Engine, before: datetime) -> datetime:
        """Before when its rows are over."""
        return months.whole_before(engine, before) if any(part.stays for part in self.parts) else before


_WORDS: Mapping[str, Any] = {"params": {}, "said": None, "provider_ref": None}
_WAITS = f"t.state IN ({', '.join(repr(state.value) for state in UNDER_WAY)})"
_EVENTS = Part(
    MessageEvent,
    Message.created_at,
    lambda query, clinic_id: query.join(Message, Message.id == MessageEvent.message_id).where(
        Message.clinic_id == clinic_id
    ),
    (_SETTLED,),
    stays=Stays(f"t.at >= :before OR t.message_id IN (SELECT t.id FROM messages t WHERE {_WAITS})"),  # noqa: S608 - ours
)
KINDS: Mapping[Retained, WhatIsKept] = {
    Retained.DELIVERY: WhatIsKept(
        "each step of a message's delivery; that it was sent, and how it ended, stays", (_EVENTS,)
    ),
    Retained.MESSAGES: WhatIsKept(
        "messages, their delivery and the steps of follow-up; that a day was missed, and why, stays with the day",
        (
            _EVENTS,
            Part(Message, Message.created_at, lambda query, clinic_id: query.where(Message.clinic_id == clinic_id),
                 (_SETTLED,), stays=Stays("t.created_at >= :before", _WAITS)),
            Part(Step, Step.due_at, lambda query, clinic_id: query.where(Step.clinic_id == clinic_id),
                 (Step.state != StepState.PENDING,), stays=Stays("t.due_at >= :before", "t.state = 'pending'")),
        ),
    ),
    Retained.TEXTS: WhatIsKept(
        "the words of messages, and what came of texts; that there was one, and when, stays in messages and diary",
        (
            Part(Message, Message.created_at, lambda query, clinic_id: query.where(Message.clinic_id == clinic_id),
                 (_SETTLED, cast(Message.params, String) != "{}"), _WORDS),
            Part(InboundText, InboundText.received_at,
                 lambda query, clinic_id: query.join(Contact).where(Contact.clinic_id == clinic_id)),
            Part(Conversation, Conversation.last_at,
                 lambda query, clinic_id: query.where(Conversation.clinic_id == clinic_id),
                 (Conversation.closed_at.is_not(None),)),
        ),
    ),
    Retained.SESSIONS: WhatIsKept(
        "sessions of browsers that ran out and were not signed out",
        (
            Part(StaffSession, StaffSession.begun_at,
                 lambda query, clinic_id: query.join(Staff, Staff.id == StaffSession.staff_id)
                 .where(Staff.clinic_id == clinic_id)),
        ),
    ),
    Retained.AUDIT: WhatIsKept("who did what, whole days of it: a sealed row stays in their place"),
}  # fmt: skip


@dataclass(frozen=True)
class IsOver:
    """What would go of one kind: how many rows, and of when the oldest is; None where there is none."""

    kind: Retained
    rows: int
    oldest: datetime | None


def look(engine: Engine, keep: Mapping[Retained, int], now: datetime) -> list[IsOver]:
    """What a run would take, by kind; writes nothing."""
    with read_session(engine) as session:
        session.connection()  # a database that is not there is told also where nothing is named
        ends = {kind: KINDS[kind].ends(engine, now - number * MONTH) for kind, number in keep.items()}
        return [_due(session, kind, before) for kind, before in ends.items()]


def apply(engine: Engine, keep: Mapping[Retained, int], actor: Actor, now: datetime) -> Tally:
    """Let go of it. How many rows."""
    with read_session(engine) as session:
        clinics: list[uuid.UUID | None] = [*session.scalars(select(Clinic.id).order_by(Clinic.id))]
        may = {kind for kind in keep if _may(session, kind)}
    gone = 0
    for kind, number in keep.items():
        if kind not in may:
            log.warning("only the database's owner may let go of this: neaptide retention --apply", kind=kind.value)
            continue
        before = KINDS[kind].ends(engine, now - number * MONTH)
        if kind is Retained.AUDIT:  # writes its own lines, and looks at each; a month that it has emptied goes
            gone += sum(chain.drop_before(engine, clinic_id, before, now, actor) for clinic_id in [*clinics, None])
            months.drop_before(engine, AuditLine.__tablename__, before, Stays("true"))
            continue
        of_clinics = Counter[uuid.UUID | None]()
        for part in KINDS[kind].parts:
            if part.stays is not None:
                of_clinics += months.drop_before(engine, part.table.__tablename__, before, part.stays)
        for clinic_id in clinics:
            if clinic_id is not None and (
                taken := of_clinics[clinic_id] + sum(_take(engine, kind, clinic_id, before, now))
            ):
                gone += taken
                with write_session(engine) as session:
                    told = {"kind": kind.value, "rows": taken, "before": before.date()}
                    Act(session, actor, clinic_id, now).note("retention.apply", ("clinic", clinic_id), **told)
    return Tally(done=gone)


def _may(session: Session, kind: Retained) -> bool:
    tables = [part.table.__tablename__ for part in KINDS[kind].parts if part.blank is None]
    return all(may_take_away(session, name) for name in (tables or ["audit_lines"]))


def _take(engine: Engine, kind: Retained, clinic_id: uuid.UUID, before: datetime, now: datetime) -> Iterator[int]:
    """How many rows each portion took."""
    before = min(before, now - LONGEST_SESSION)
    for part in KINDS[kind].parts:
        portion = part.old((part.table.id,), clinic_id, before).order_by(part.table.id).limit(PORTION)
        after: uuid.UUID | None = None
        while True:
            with write_session(engine) as session:
                its = portion if after is None else portion.where(part.table.id > after)
                ids = list(rows(session).scalars(its))
                where = part.table.id.in_(ids)
                done = delete(part.table) if part.blank is None else update(part.table).values(part.blank)
                rows(session).execute(done.where(where))
            yield len(ids)
            if len(ids) < PORTION:
                break
            after = ids[-1]


def _due(session: Session, kind: Retained, before: datetime) -> IsOver:
    number, oldest = 0, []
    for clinic_id in session.scalars(select(Clinic.id)):
        if kind is Retained.AUDIT:
            number += chain.droppable(session, clinic_id, before)
            first = select(func.min(AuditLine.at)).where(AuditLine.clinic_id == clinic_id, AuditLine.at < before)
            oldest.append(session.scalar(first))
        for part in KINDS[kind].parts:
            some, first_at = session.execute(part.old((func.count(), func.min(part.at)), clinic_id, before)).one()
            number += some
            oldest.append(first_at)
    return IsOver(kind, number, min((at for at in oldest if at is not None), default=None))
