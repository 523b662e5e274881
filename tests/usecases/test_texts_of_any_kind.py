"""Whatever anybody texts, from whatever number, at whatever stage: taken in, and nothing changes that should not."""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select, text
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, MessageState, Role
from service.enrolling import people, plans
from service.intake.texts.receiving import take_text
from service.intake.texts.replies import TextOutcome
from service.scheduling import closing, opening, steps
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Base, Contact, Message, Staff
from tests.domain.test_texting import AROUND, STOPPING
from tests.post import CAREGIVER_PHONE, PATIENT_PHONE, Post

STAFF_PHONE, UNKNOWN, SHARED = "+447700900004", "+447700900999", "+447700900005"
NUMBERS = (PATIENT_PHONE, CAREGIVER_PHONE, STAFF_PHONE, SHARED)
REFS = itertools.count()
# Half of a surrogate pair comes from a provider's JSON; hypothesis leaves it out unless asked.
ANY_TEXT = st.one_of(
    st.text(max_size=300),
    st.text(st.characters(categories=None), max_size=60),
    st.text(alphabet="0123456789bpswn.,+-/ ?yesnoSTARTOPHELP\n\x00\u200b", max_size=40),
    st.lists(
        st.sampled_from(
            ["82.4", "b3", "stop", "START", "help", "chest pain", "no", "hospital", "3", "until", "12 Dec", "10 days",
             "hasta el", "31/12", "fin", "skip", "0", "?", "999999999999", "1e9", "٣", "①"]
        ),
        max_size=6,
    ).map(" ".join),
)  # fmt: skip


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    """The caregiver was nudged two hours ago about a window that closed; a nurse has a telephone; one is shared."""
    post = Post(engine, tmp_path / "gateway.sqlite3")
    with write_session(engine) as session:
        now = post.clock.now()
        for number in (STAFF_PHONE, SHARED):
            nurse = Staff(
                id=uuid.uuid4(), clinic_id=post.clinic.id, email=f"{number}@fernmoor.example", name="Petra Invented",
                roles=[Role.NURSE], grants=[], password_hash="", password_set_at=now, created_at=now,
            )  # fmt: skip
            session.add(nurse)
            session.flush()
            people.add_contact(
                Act(session, OPERATOR, nurse.clinic_id, now), nurse, people.NewContact(Channel.TEXT, number)
            )
        for owner in (post.patient, post.caregiver):
            people.add_contact(
                Act(session, OPERATOR, owner.clinic_id, now), owner, people.NewContact(Channel.TEXT, SHARED)
            )
        rule = plans.NewPlan(*(time(hour) for hour in (7, 9, 11)))
        plans.set_plan(Act(session, OPERATOR, post.patient.clinic_id, now), post.patient, rule)
    post.clock.set(datetime(2026, 11, 26, 7, 0, tzinfo=UTC))
    opening.open_windows(engine, post.clock.now())
    post.deliver()
    post.clock.set(datetime(2026, 11, 26, 11, 0, tzinfo=UTC))
    closing.close_windows(engine, post.clock.now())
    steps.take_steps(engine, post.clock.now())
    post.deliver()
    with write_session(engine) as session:
        assert session.scalar(select(func.count()).where(Message.kind == MessageKind.NUDGE)) == 1
    post.clock.advance(timedelta(hours=2))
    return post


ROWS_OF_EACH = text(" UNION ALL ".join(f"SELECT '{name}', count(*) FROM {name}" for name in Base.metadata.tables))


@contextmanager
def undone(engine: Engine) -> Iterator[Session]:
    """A session whose work is flushed, looked at, and taken back."""
    with Session(engine) as session:
        yield session
        session.flush()
        session.rollback()


def counts(session: Session) -> dict[str, int]:
    """The rows of each table, asked for all at once."""
    return dict(tuple(one) for one in session.execute(ROWS_OF_EACH))


@given(
    body=ANY_TEXT, before=st.none() | ANY_TEXT, hours=st.sampled_from([0, 1, 30, 60]), number=st.sampled_from(NUMBERS)
)
@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(body="\ud800", before=None, hours=0, number=PATIENT_PHONE)
@example(body="3 until 9999-12-31", before="3", hours=0, number=CAREGIVER_PHONE)
@example(body="chest pain \x00", before="STOP", hours=0, number=SHARED)
@example(body="1 \x08", before=None, hours=0, number=CAREGIVER_PHONE)
def test_no_text_from_anybody_we_know_breaks_anything(
    post: Post, body: str, before: str | None, hours: int, number: str
) -> None:
    now = post.clock.now() + timedelta(hours=hours)
    with undone(post.engine) as session:
        for said in (before, body):
            if said is not None:
                outcome = take_text(session, f"ref-{next(REFS)}", number, said, now)
                assert outcome not in {TextOutcome.UNKNOWN, TextOutcome.REPEATED}
        session.flush()
        answers = session.scalars(select(Message).where(Message.state == MessageState.QUEUED)).all()
        assert len(answers) <= 4  # at most one answer to each, and one notice of staff
        assert all(message.contact_id is not None for message in answers)


@given(
    body=ANY_TEXT, number=st.just(UNKNOWN) | st.text(max_size=32).filter(lambda text: not any(map(str.isdecimal, text)))
)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_text_from_anybody_else_changes_no_record(post: Post, body: str, number: str) -> None:
    with undone(post.engine) as session:
        before = counts(session)
        outcome = take_text(session, f"ref-{next(REFS)}", number, body, post.clock.now())
        assert outcome in {TextOutcome.STRANGER, TextOutcome.SAFETY, TextOutcome.STOPPED}
        session.flush()
        after = counts(session)
    changed = {table for table, rows in after.items() if rows != before[table]}
    # That it came, and what it said, for a while; a task; whom to call.
    assert changed <= {
        "inbound_texts", "stranger_texts", "tasks", "messages", "occurrences", "contacts", "audit_lines",
    }  # fmt: skip
    assert ("tasks" in changed) is (outcome is not TextOutcome.STOPPED)


@given(
    before=AROUND,
    after=AROUND,
    word=st.sampled_from(STOPPING),
    number=st.sampled_from(NUMBERS),
    first=st.none() | ANY_TEXT,
)
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_stop_word_alone_always_stops_for_everybody_at_that_number(
    post: Post, before: str, after: str, word: str, number: str, first: str | None
) -> None:
    with undone(post.engine) as session:
        if first is not None:
            take_text(session, f"ref-{next(REFS)}", number, first, post.clock.now())
        outcome = take_text(session, f"ref-{next(REFS)}", number, f"{before}{word}{after}", post.clock.now())
        assert outcome is TextOutcome.STOPPED
        session.flush()
        for contact in session.scalars(select(Contact).where(Contact.address == number)):
            if contact.staff_id is not None:
                assert contacts.working(session, Contact.staff_id, contact.staff_id) == []
            elif contact.caregiver_id is not None:
                assert contacts.reachable(session, caregiver_id=contact.caregiver_id) == []
            else:
                assert not contacts.has_consent(session, post.patient.id, ConsentKind.MESSAGES)
