"""Look at the whole service, and say what was seen.

`readiness` asks only what an index answers at once: a monitor may ask it every few
seconds. `examine` also counts people and plans, which reads whole tables.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine, exists, func, or_, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.care.contacts import patients_who_agreed
from service.domain.vocabulary import Channel, ContactState, PatientState
from service.store import migrate
from service.store.due import ACTIVE_PLANS, LEASED_MESSAGES, QUEUED_MESSAGES, lapsed
from service.store.heartbeats import last_seen, last_troubles, longest_batch
from service.store.quarantine import describe_error, is_quarantined
from service.store.session import read_session
from service.store.tables import Contact, Message, Patient, Plan, QuarantinedRow, Task
from service.store.types import UTCDateTime
from service.transports.http import HttpClient, NoAnswer

TICKED_WITHIN = timedelta(minutes=2)
SENT_WITHIN = timedelta(minutes=10)
HANDED_OVER_WITHIN = timedelta(minutes=1)  # a batch is a few calls one after another
OPENED_WITHIN = timedelta(hours=1)
# A plan has at least one weekday, so its next window is never further off than a week and a clock change.
OPENS_AGAIN_WITHIN = timedelta(days=8)
SKEW_ALLOWED = timedelta(seconds=5)
TAKEN_WITHIN = timedelta(days=2)
PING_TIMEOUT_SECONDS = 5.0
OPEN_TASKS = text("tasks.state = 'open'")
PAGE_SIZE = 5_000


@dataclass(frozen=True)
class Finding:
    """`name` is stable, for machines; `sentence` is for people; `value` is a number (seconds or a count) or null."""

    name: str
    ok: bool
    sentence: str
    value: float | None = None

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def readiness(
    engine: Engine, now: datetime, *, machine_now: datetime | None = None, ticked_within: timedelta = TICKED_WITHIN
) -> list[Finding]:
    """Database, layout, worker, waiting messages; and this machine's clock, where `machine_now` is given.

    `now` is the service's time, which the demo moves; `machine_now` is this machine's own.
    """
    try:
        if not migrate.is_current(engine):
            return [Finding("layout", False, "Migrations are missing: run `neaptide migrate`.")]
        with read_session(engine) as session:
            findings = [
                Finding("database", True, "The database answers."),
                Finding("layout", True, "The database has the newest layout."),
                *_worker(session, now, ticked_within),
                _unsent(session, now),
                _stuck(session, now),
            ]
            if machine_now is not None:
                findings.append(_skew(session, machine_now))
    except SQLAlchemyError as error:
        return [Finding("database", False, f"The database does not answer: {describe_error(error)}.")]
    return findings


def examine(
    engine: Engine,
    now: datetime,
    *,
    machine_now: datetime | None = None,
    ticked_within: timedelta = TICKED_WITHIN,
    channels: frozenset[Channel] | None = None,
) -> list[Finding]:
    """Everything: what `readiness` says, then set-aside rows, people who cannot be reached, plans that never fire.

    `channels` are those the service is set up to send by; None is all of them.
    """
    findings = readiness(engine, now, machine_now=machine_now, ticked_within=ticked_within)
    if any(not finding.ok for finding in findings if finding.name in {"database", "layout"}):
        return findings
    with read_session(engine) as session:
        findings += [
            _set_aside(session),
            _tasks(session, now),
            *_people(session, channels),
            _silent_plans(session, now),
        ]
    return findings


def _worker(session: Session, now: datetime, ticked_within: timedelta) -> Iterator[Finding]:
    seen = last_seen(session)
    if seen is None:
        yield Finding("worker", False, "No worker has ever run: start `neaptide worker`.")
        return
    age = (now - seen).total_seconds()
    yield Finding(
        "worker", age <= ticked_within.total_seconds(), f"A worker last ticked {_lasted(max(age, 0))} ago.", age
    )
    troubled = last_troubles(session, since=now - ticked_within)
    parts = ", ".join(f"{part} ({what})" for part, what in sorted(troubled.items()))
    yield Finding(
        "worker_parts",
        not troubled,
        f"Parts of the last tick failed: {parts}." if troubled else "Every part of the last tick went well.",
        len(troubled),
    )
    longest = longest_batch(session, since=now - ticked_within)
    slow = longest > HANDED_OVER_WITHIN.total_seconds()
    yield Finding(
        "hand_over",
        not slow,
        f"A provider answers slowly or not at all: a batch of messages has been with it for {_lasted(longest)}."
        if slow
        else "No provider keeps messages waiting.",
        longest,
    )


def _unsent(session: Session, now: datetime) -> Finding:
    due = session.scalar(select(func.min(Message.next_try_at)).where(QUEUED_MESSAGES, Message.next_try_at <= now))
    waits = (now - due).total_seconds() if due is not None else 0.0
    sentence = (
        f"The message that has waited longest was due {_lasted(waits)} ago."
        if due is not None
        else "No message that is due waits."
    )
    return Finding("oldest_unsent", waits <= SENT_WITHIN.total_seconds(), sentence, waits)


def _stuck(session: Session, now: datetime) -> Finding:
    # A worker takes lapsed claims back at the start of each pass, so one that stays is a sign that none passes.
    stuck = session.scalar(
        select(func.count()).where(LEASED_MESSAGES, lapsed(Message.lease_until, now, grace=TICKED_WITHIN))
    )
    return _counted(
        "stuck_claims",
        stuck or 0,
        "No claim on a message is stuck.",
        "One message is claimed by a worker that is gone.",
        "{number} messages are claimed by workers that are gone.",
    )


def _skew(session: Session, machine_now: datetime) -> Finding:
    if session.get_bind().dialect.name == "sqlite":
        query = select(func.strftime("%Y-%m-%d %H:%M:%f", "now", type_=UTCDateTime()))
    else:
        query = select(func.clock_timestamp(type_=UTCDateTime()))
    theirs = session.execute(query).scalar_one()
    skew = (machine_now - theirs).total_seconds()
    return Finding(
        "clock_skew",
        abs(skew) <= SKEW_ALLOWED.total_seconds(),
        f"This machine's clock and the database's differ by {abs(skew):.1f} seconds.",
        skew,
    )


def _set_aside(session: Session) -> Finding:
    number = session.scalar(select(func.count()).where(QuarantinedRow.released_at.is_(None)))
    return _counted(
        "set_aside",
        number or 0,
        "No row is set aside.",
        "One row failed unexpectedly and is set aside: see `neaptide quarantine list`.",
        "{number} rows failed unexpectedly and are set aside: see `neaptide quarantine list`.",
    )


def _tasks(session: Session, now: datetime) -> Finding:
    waiting = session.scalar(select(func.count()).where(OPEN_TASKS, Task.raised_at < now - TAKEN_WITHIN))
    return _counted(
        "waiting_tasks",
        waiting or 0,
        "No task has waited for two days.",
        "Nobody has taken one task for more than two days.",
        "Nobody has taken {number} tasks for more than two days.",
    )


def _people(session: Session, channels: frozenset[Channel] | None) -> Iterator[Finding]:
    works = exists().where(Contact.patient_id == Patient.id, Contact.state == ContactState.OK)
    if channels is not None:
        works = works.where(Contact.channel.in_(channels))
    query = select(Patient.id).where(Patient.state == PatientState.ACTIVE)
    yield _counted(
        "unreachable_patients",
        session.scalar(select(func.count()).select_from(query.where(~works).subquery())) or 0,
        "Every patient has a contact that works.",
        "One patient has no contact that works.",
        "{number} patients have no contact that works.",
    )
    yield _counted(
        "patients_without_consent",
        _without_consent(session),
        "Every patient has agreed to messages.",
        "One patient has not agreed to messages, and is sent none.",
        "{number} patients have not agreed to messages, and are sent none.",
    )


def _without_consent(session: Session) -> int:
    number, after = 0, None
    while True:
        page = select(Patient.id).where(Patient.state == PatientState.ACTIVE).order_by(Patient.id).limit(PAGE_SIZE)
        ids = list(session.scalars(page if after is None else page.where(Patient.id > after)))
        if not ids:
            return number
        number += len(ids) - len(patients_who_agreed(session, ids))
        after = ids[-1]


def _silent_plans(session: Session, now: datetime) -> Finding:
    quarantined = is_quarantined("plan", Plan.id)
    has_plan = exists().where(Plan.patient_id == Patient.id, ACTIVE_PLANS)
    never = session.scalar(
        select(func.count())
        .select_from(Plan)
        .where(
            ACTIVE_PLANS,
            or_(
                Plan.weekdays == 0,
                Plan.next_open_at < now - OPENED_WITHIN,
                Plan.next_open_at > now + OPENS_AGAIN_WITHIN,
                quarantined,
            ),
        )
    )
    none = session.scalar(
        select(func.count()).select_from(Patient).where(Patient.state == PatientState.ACTIVE, ~has_plan)
    )
    return _counted(
        "silent_plans",
        (never or 0) + (none or 0),
        "Every patient has a plan that fires.",
        "One patient is never asked: no plan, or one that does not fire.",
        "{number} patients are never asked: no plan, or one that does not fire.",
    )


def _counted(name: str, number: int, none: str, one: str, many: str) -> Finding:
    """A finding that is well when there are none. `many` has a {number} in it."""
    sentence = none if number == 0 else one if number == 1 else many.format(number=number)
    return Finding(name, number == 0, sentence, number)


def _lasted(seconds: float) -> str:
    """A length of time in the largest unit that says it well."""
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}s"
    return f"{seconds:.0f} seconds"


def ping(url: str, proxy: str = "") -> bool:
    """Tell a watcher outside that the worker is alive, by calling `url` once: what raises the alarm is that this stops.

    Whether it answered well; a watcher out of reach is no trouble of ours.
    """
    try:
        return HttpClient(PING_TIMEOUT_SECONDS, proxy).get(url).status < 400
    except NoAnswer:
        return False
