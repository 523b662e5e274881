"""Numbers for Prometheus, read from the database at the moment they are asked for.

Promises the same numbers whichever process answers: nothing is counted in a web
process's memory. What workers have done is in their signs of life, one row each,
and starts again at nought when a worker does, as counters may.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.health.checks import OPEN_TASKS, readiness
from service.store.due import LEASED_MESSAGES, QUEUED_MESSAGES
from service.store.session import read_session
from service.store.tables import Heartbeat, Message, QuarantinedRow, Task


def exposition(engine: Engine, now: datetime) -> str:
    """Everything in Prometheus' text format. Each number is an index look-up, or counts only what is pending."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Read(engine, now))
    return generate_latest(registry).decode("utf-8")


class _Read(Collector):
    def __init__(self, engine: Engine, now: datetime) -> None:
        self._engine = engine
        self._now = now

    def collect(self) -> Iterable[Metric]:
        findings = readiness(self._engine, self._now)
        well = GaugeMetricFamily("neaptide_finding_ok", "1 when a readiness finding is well", labels=["finding"])
        for finding in findings:
            well.add_metric([finding.name], float(finding.ok))
        yield well
        values = {finding.name: finding.value for finding in findings if finding.value is not None}
        for name, about, help_text in (
            ("neaptide_worker_beat_age_seconds", "worker", "Since any worker last finished a tick"),
            ("neaptide_hand_over_seconds", "hand_over", "How long a batch has been with its provider"),
            ("neaptide_oldest_unsent_seconds", "oldest_unsent", "Since the message that waits longest was due"),
            ("neaptide_stuck_claims", "stuck_claims", "Messages claimed by workers that are gone"),
        ):
            if about in values:
                yield GaugeMetricFamily(name, help_text, value=values[about])
        if any(finding.name in {"database", "layout"} and not finding.ok for finding in findings):
            return
        with read_session(self._engine) as session:
            yield from _pending(session, self._now)
            yield from _workers(session)


def _pending(session: Session, now: datetime) -> Iterable[Metric]:
    due = GaugeMetricFamily("neaptide_messages_due", "Messages that are due and wait", labels=["channel"])
    waiting = select(Message.channel, func.count()).where(QUEUED_MESSAGES, Message.next_try_at <= now)
    for channel, number in session.execute(waiting.group_by(Message.channel)):
        due.add_metric([channel.value], number)
    yield due
    in_hand = session.scalar(select(func.count()).select_from(Message).where(LEASED_MESSAGES)) or 0
    yield GaugeMetricFamily("neaptide_messages_in_hand", "Messages claimed or being handed over", value=in_hand)
    tasks = GaugeMetricFamily("neaptide_tasks_open", "Tasks that nobody has taken", labels=["kind"])
    for kind, number in session.execute(select(Task.kind, func.count()).where(OPEN_TASKS).group_by(Task.kind)):
        tasks.add_metric([kind.value], number)
    yield tasks
    quarantined = (
        session.scalar(select(func.count()).select_from(QuarantinedRow).where(QuarantinedRow.released_at.is_(None)))
        or 0
    )
    yield GaugeMetricFamily("neaptide_rows_set_aside", "Rows that failed unexpectedly and wait", value=quarantined)


def _workers(session: Session) -> Iterable[Metric]:
    started = GaugeMetricFamily(
        "neaptide_worker_started_seconds", "When a worker started, Unix time", labels=["worker"]
    )
    rows = CounterMetricFamily(
        "neaptide_worker_rows", "Rows a worker has handled since it started", labels=["worker", "part", "outcome"]
    )
    for worker, started_at, tick in session.execute(
        select(Heartbeat.worker, Heartbeat.started_at, Heartbeat.last_tick).order_by(Heartbeat.worker)
    ):
        started.add_metric([worker], started_at.timestamp())
        for part, tally in tick.get("since_start", {}).items():
            for outcome, number in tally.items():
                rows.add_metric([worker, part, outcome], number)
    yield started
    yield rows
