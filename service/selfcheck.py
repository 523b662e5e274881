"""What an operator must know: is the service doing its job, and if not, what is in the way.

Promises findings in sentences, each with the figure behind it, and the same ones
for `neaptide doctor`, `/readyz` and the metrics. Mends nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from prometheus_client import CollectorRegistry, Gauge, generate_latest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.domain.words import ContactState, MessageState, PatientState, TaskState
from service.store import migrate
from service.store.session import reading
from service.store.tables import Contact, Heartbeat, Message, ParkedRow, Patient, Plan, Task

BEAT_EVERY = timedelta(minutes=2)  # a tick is seconds: this long without one is no worker
LATE = timedelta(minutes=10)
SKEW = timedelta(seconds=30)


@dataclass(frozen=True)
class Finding:
    """One thing looked at. `value` is the figure behind the sentence."""

    name: str
    ok: bool
    sentence: str
    value: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def readiness(engine: Engine, now: datetime) -> list[Finding]:
    """What must hold before people are sent here: database, migrations, a worker at work."""
    try:
        found = [_layout(engine)]
        if found[0].ok:
            with reading(engine) as session:
                found.append(_heartbeat(session, now))
    except SQLAlchemyError as error:
        return [Finding("database", False, f"The database does not answer ({type(error).__name__}).")]
    return [Finding("database", True, "The database answers."), *found]


def examine(engine: Engine, now: datetime) -> list[Finding]:
    """Everything `neaptide doctor` looks at."""
    found = readiness(engine, now)
    if not all(finding.ok for finding in found if finding.name in {"database", "layout"}):
        return found
    checks: tuple[Callable[[Session, datetime], Finding], ...] = (
        _oldest_unsent,
        _stuck_claims,
        _unreachable,
        _plans_that_never_fire,
        _parked,
        _open_tasks,
        _clock_skew,
    )
    with reading(engine) as session:
        found.extend(check(session, now) for check in checks)
    return found


def exposition(engine: Engine, now: datetime) -> bytes:
    """The findings' figures, and the outbox by state, in Prometheus' text format."""
    registry = CollectorRegistry()
    figure = Gauge("neaptide_finding", "Figure behind a finding", ["name"], registry=registry)
    good = Gauge("neaptide_finding_ok", "1 where a finding is as it should be", ["name"], registry=registry)
    states = Gauge("neaptide_messages", "Messages by state", ["state"], registry=registry)
    for finding in examine(engine, now):
        figure.labels(finding.name).set(finding.value)
        good.labels(finding.name).set(1.0 if finding.ok else 0.0)
    with reading(engine) as session:
        for state, count in session.execute(select(Message.state, func.count()).group_by(Message.state)):
            states.labels(state.value).set(count)
    return generate_latest(registry)


def _layout(engine: Engine) -> Finding:
    current = migrate.is_current(engine)
    words = "The database has the newest layout." if current else "Migrations are missing: run `neaptide migrate`."
    return Finding("layout", current, words)


def _heartbeat(session: Session, now: datetime) -> Finding:
    last = session.scalar(select(func.max(Heartbeat.beat_at)))
    if last is None:
        return Finding("worker", False, "No worker has ever run: start `neaptide worker`.")
    age = (now - last).total_seconds()
    ok = now - last <= BEAT_EVERY
    return Finding("worker", ok, f"A worker last ticked {age:.0f} s ago.", age)


def _oldest_unsent(session: Session, now: datetime) -> Finding:
    oldest = session.scalar(select(func.min(Message.next_try_at)).where(Message.state == MessageState.QUEUED))
    late = max((now - oldest).total_seconds(), 0.0) if oldest else 0.0
    return Finding("oldest_unsent", late <= LATE.total_seconds(), f"The oldest due message waits {late:.0f} s.", late)


def _stuck_claims(session: Session, now: datetime) -> Finding:
    held = _count(
        session,
        select(func.count(Message.id)).where(
            Message.state.in_([MessageState.CLAIMED, MessageState.HANDING_OVER]), Message.lease_until <= now - LATE
        ),
    )
    return Finding("stuck_claims", held == 0, f"Messages held by a worker that is gone: {held}.", held)


def _unreachable(session: Session, _now: datetime) -> Finding:
    working = select(Contact.id).where(Contact.patient_id == Plan.patient_id, Contact.state == ContactState.OK)
    lost = _count(
        session,
        select(func.count(Plan.id))
        .join(Patient, Patient.id == Plan.patient_id)
        .where(Plan.active, Patient.state == PatientState.ACTIVE, ~working.exists()),
    )
    return Finding("unreachable", lost == 0, f"Patients with a plan and no working contact: {lost}.", lost)


def _plans_that_never_fire(session: Session, now: datetime) -> Finding:
    stale = _count(
        session, select(func.count(Plan.id)).where(Plan.active, Plan.next_open_at < now - timedelta(hours=1))
    )
    return Finding("plans_late", stale == 0, f"Plans whose window should have opened over an hour ago: {stale}.", stale)


def _parked(session: Session, _now: datetime) -> Finding:
    parked = _count(session, select(func.count(ParkedRow.id)).where(ParkedRow.released_at.is_(None)))
    return Finding("parked", parked == 0, f"Rows set aside after a failure: {parked}.", parked)


def _open_tasks(session: Session, now: datetime) -> Finding:
    waiting = _count(
        session,
        select(func.count(Task.id)).where(Task.state == TaskState.OPEN, Task.raised_at < now - timedelta(days=2)),
    )
    return Finding("tasks_waiting", waiting == 0, f"Tasks nobody has taken for two days: {waiting}.", waiting)


def _clock_skew(session: Session, now: datetime) -> Finding:
    if session.get_bind().dialect.name == "sqlite":
        return Finding("clock_skew", True, "The database has no clock of its own.")
    theirs: datetime = session.execute(text("SELECT clock_timestamp()")).scalar_one()
    skew = abs((now - theirs).total_seconds())
    return Finding(
        "clock_skew", skew <= SKEW.total_seconds(), f"Our clock and the database's differ by {skew:.1f} s.", skew
    )


def _count(session: Session, query: Any) -> int:
    return int(session.scalar(query) or 0)
