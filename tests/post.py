"""A clinic with a patient (two telephones), a caregiver and a gateway that serves them: for tests of delivery."""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.clock import FixedClock
from service.delivery import receiving, sending
from service.delivery.facts import MessageFacts
from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, TaskKind
from service.store import outbox
from service.store.guarded import Tally
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Contact, Message, MessageEvent, Task
from tests.builder import Builder, building
from tests.faulty import FaultyGateway

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
PATIENT_PHONE, SECOND_PHONE, CAREGIVER_PHONE = "+447700900001", "+447700900002", "+447700900003"


def link_of(_session: Session, facts: MessageFacts, _now: datetime) -> str:
    """The link of a message: the same for whichever worker makes it."""
    return f"https://calls.example/{facts.kind.value}"


class Post:
    def __init__(self, engine: Engine, path: Path) -> None:
        self.engine = engine
        self.clock = FixedClock(NOON)
        self.gateway_path = path
        self.gateway = FaultyGateway(path, self.clock.now, hang_seconds=0.05)
        self.transports: Mapping[Channel, Any] = {Channel.TEXT: self.gateway}
        with building(engine, NOON) as build:
            self.clinic = build.clinic()
            self.patient = build.patient(self.clinic, ref="F-1", phones=(PATIENT_PHONE, SECOND_PHONE), consent=None)
            self.caregiver = build.caregiver(self.patient, phones=(CAREGIVER_PHONE,), allowed=None, agreed=None)
            self.consent(build.session, ConsentKind.MESSAGES, True)
            self.consent(build.session, ConsentKind.MESSAGES, True, self.caregiver)
            self.consent(build.session, ConsentKind.CAREGIVER, True, self.caregiver)
            # They know who writes: no message of these is the first.
            build.session.execute(update(Contact).values(introduced_by=uuid.uuid4()))

    def consent(self, session: Session, kind: ConsentKind, given: bool, caregiver: Caregiver | None = None) -> None:
        self.clock.advance(timedelta(seconds=1))
        Builder(session, self.clock.now()).consent(self.patient, kind, given, caregiver)

    def write(
        self, kind: MessageKind, *, to: str = PATIENT_PHONE, lasts: timedelta = timedelta(hours=3), **more: Any
    ) -> uuid.UUID:
        now = self.clock.now()
        with write_session(self.engine) as session:
            contact = session.scalars(select(Contact).where(Contact.address == to)).one()
            message_id = outbox.enqueue(
                session,
                outbox.NewMessage(
                    **{
                        "clinic_id": self.patient.clinic_id,
                        "contact_id": contact.id,
                        "kind": kind,
                        "channel": contact.channel,
                        "dedupe_key": f"test:{uuid.uuid4()}",
                        "due_at": now,
                        "expires_at": now + lasts,
                        "patient_id": self.patient.id,
                        "caregiver_id": contact.caregiver_id,
                        **more,
                    }
                ),
                now,
            )
        assert message_id is not None
        return message_id

    def deliver(self, at: Callable[[Boundary], None] = lambda _: None, **options: Any) -> Tally:
        return sending.deliver(
            self.engine, self.transports, link_of, self.clock, at=at, chance=random.Random(1), **options
        )

    def listen(self, take_text: Callable[..., object] | None = None) -> Tally:
        return receiving.listen(self.engine, self.transports, self.clock, take_text)

    def message(self, message_id: uuid.UUID) -> Message:
        with read_session(self.engine) as session:
            return session.get_one(Message, message_id)

    def events(self, message_id: uuid.UUID) -> list[str]:
        with read_session(self.engine) as session:
            rows = session.scalars(
                select(MessageEvent.event).where(MessageEvent.message_id == message_id).order_by(MessageEvent.at)
            )
            return list(rows)

    def tasks(self) -> list[TaskKind]:
        with read_session(self.engine) as session:
            return list(session.scalars(select(Task.kind).order_by(Task.raised_at)))


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    return Post(engine, tmp_path / "gateway.sqlite3")
