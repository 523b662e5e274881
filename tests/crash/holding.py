"""What must hold of windows, silences and the outbox after every step, whatever happened."""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.vocabulary import MessageKind, MessageState, StepState, WindowState
from service.store import heartbeats
from service.store.session import read_session
from service.store.tables import Message, QuarantinedRow, Silence, Step, Window
from tests.crash.household import Household
from tests.crash.picture import Person

OPEN, ANSWERED, MISSED, EXCUSED = WindowState.OPEN, WindowState.ANSWERED, WindowState.MISSED, WindowState.EXCUSED
LEASED = {MessageState.CLAIMED, MessageState.HANDING_OVER}
FINAL = set(MessageState) - LEASED - {MessageState.QUEUED}
ARRIVED = {MessageState.SENT, MessageState.DELIVERED}
TRIED_ONCE_MORE = {MessageKind.NUDGE, MessageKind.STAFF_TASK, MessageKind.DIGEST}
A_DAY = {MessageKind.PROMPT, MessageKind.REMINDER}

Seen = dict[uuid.UUID, WindowState]


def check(home: Household, seen: Seen, whole_since: datetime | None) -> None:
    """Everything. `seen` holds each window's last state; `whole_since` is when a pass that came to its end began."""
    assert not home.provider.wrong, home.provider.wrong
    with read_session(home.engine) as session:
        messages = list(session.scalars(select(Message)))
        aside = [f"{one.subject_kind}: {one.error}" for one in session.scalars(select(QuarantinedRow))]
        assert not aside, f"set aside: {aside}"
        for person in home.people:
            windows = list(
                session.scalars(select(Window).where(Window.patient_id == person.id).order_by(Window.local_date))
            )
            _windows(home, person, windows, seen)
            _silences(person, windows, _silences_of(session, person))
            _asked(messages, windows)
            if whole_since is not None:
                _nothing_left_behind(person, windows, whole_since)
        _messages(home, messages)
        if whole_since is not None:
            _nothing_waits(session, messages, whole_since)
            assert not heartbeats.last_troubles(session, home.now), "a part of the pass failed"


def _windows(home: Household, person: Person, windows: Sequence[Window], seen: Seen) -> None:
    assert len({window.local_date for window in windows}) == len(windows), "two windows on one date"
    for window in windows:
        day, state = window.local_date, window.state
        answered = person.has_reading(day) if window.wants_reading else day in person.checkins
        if person.is_paused(day):
            assert state is EXCUSED, f"{day} is paused and {state}"
        elif answered:
            assert state is ANSWERED, f"{day} is answered and {state}"
        else:
            assert state in {OPEN, MISSED}, f"nothing came on {day} and it is {state}"
        if state is MISSED:
            assert window.closes_at <= home.latest, f"{day} is missed before its end"
        assert (seen.get(window.id), state) != (MISSED, OPEN), f"{day} was missed and is open again"
        seen[window.id] = state
        person.opened.add(day)


def _silences_of(session: Session, person: Person) -> list[Silence]:
    rows = session.scalars(select(Silence).where(Silence.patient_id == person.id).order_by(Silence.first_date))
    return list(rows)


def _silences(person: Person, windows: Sequence[Window], silences: Sequence[Silence]) -> None:
    assert sum(silence.ended_at is None for silence in silences) <= 1, "two open silences"
    told = [(one.first_date, one.last_date, one.missed, one.ended_at is not None) for one in silences if one.missed]
    wanted = person.runs([(window.local_date, window.state) for window in windows if window.wants_reading])
    assert told == wanted, f"silences {told}, and the missed days are {wanted}"
    assert all(one.ended_at for one in silences if not one.missed), "an open silence with nothing missed"


def _asked(messages: Sequence[Message], windows: Sequence[Window]) -> None:
    """At most one prompt and one reminder for a date, on however many telephones they had to be tried."""
    days: dict[uuid.UUID | None, date] = {window.id: window.local_date for window in windows}
    steps: dict[tuple[date, MessageKind], set[uuid.UUID | None]] = defaultdict(set)
    for one in messages:
        if one.kind in A_DAY and one.window_id in days:
            steps[days[one.window_id], one.kind].add(one.step_id)
    assert all(len(some) == 1 for some in steps.values()), "asked twice on one day"


def _nothing_left_behind(person: Person, windows: Sequence[Window], since: datetime) -> None:
    late = [window.local_date for window in windows if window.state is OPEN and window.closes_at <= since]
    assert not late, f"{late} should have closed"
    forgotten = person.planned - {window.local_date for window in windows}
    assert not forgotten, f"{sorted(forgotten)} never had a window"


def _messages(home: Household, messages: Sequence[Message]) -> None:
    taken, unanswered = home.provider.taken, home.provider.unanswered
    for one in messages:
        if one.state in LEASED:
            assert one.lease_until is not None, f"{one.kind} is {one.state} for ever"
        if one.state in ARRIVED:
            assert taken[one.id], f"{one.kind} is {one.state}, and was never taken"
        elif one.state in FINAL:
            assert one.reason, f"{one.kind} is {one.state} without a reason"
        allowed = 1 + unanswered[one.id] + (one.kind in TRIED_ONCE_MORE)
        assert taken[one.id] <= allowed, f"{one.kind} taken {taken[one.id]} times"
    twice = {same: ids for same, ids in home.provider.occurrences.items() if len(ids) > 1}
    assert not twice, f"one occurrence under two keys: {twice}"
    same = Counter((one.dedupe_key.split(">")[0], one.contact_id) for one in messages)
    assert set(same.values()) <= {1}, "one occurrence written twice for one address"


def _nothing_waits(session: Session, messages: Sequence[Message], since: datetime) -> None:
    """What was due when a whole pass began is done."""
    for one in messages:
        if one.state is MessageState.QUEUED:
            assert one.next_try_at > since, f"{one.kind} was due and did not go"
            assert one.next_try_at < one.expires_at, f"{one.kind} waits beyond its expiry"
        elif one.state in LEASED:
            assert one.lease_until is not None
            assert one.lease_until > since, f"{one.kind} is held by nobody"
    waiting = session.scalars(select(Step).where(Step.state == StepState.PENDING, Step.due_at <= since)).all()
    assert not waiting, f"{[step.kind.value for step in waiting]} due and not taken"


def check_end(home: Household, before: datetime) -> None:
    """Days after the last mishap: everything written before then has come to its end."""
    with read_session(home.engine) as session:
        for one in session.scalars(select(Message).where(Message.created_at <= before)):
            assert one.state in FINAL, f"lost: {one.kind} is {one.state}"
