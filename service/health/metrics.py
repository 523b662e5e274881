"""Numbers for Prometheus, read from the database at the moment they are asked for, and those that processes count.

Promises the same numbers whichever process of a server answers, and nothing about a person: labels are words of our own
vocabularies, patterns of routes and names of processes. What workers have done is in their signs of life, one row each,
and starts again at nought when a worker does, as counters may; what a web server's processes have counted is handed in.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy import Engine, case, func, select, text
from sqlalchemy.orm import Session

from service.build import this_build
from service.domain.tasks import Found
from service.domain.vocabulary import Channel
from service.health.checks import MANY_TRIES, OPEN_TASKS, SET_ASIDE, answers, backup, how_many, readiness
from service.health.invariants import last_check
from service.store import holds
from service.store.access import lost_since
from service.store.counting import Counted
from service.store.due import LEASED_MESSAGES, QUEUED_MESSAGES
from service.store.session import read_session
from service.store.tables import Heartbeat, Message, QuarantinedRow, Silence, Task

LASTING_SILENCES = text("silences.ended_at IS NULL")  # in the words of its partial index


# Family, words and label of what was counted, by `store.counting`'s names.
WRITTEN = {
    Counted.WINDOWS: ("neaptide_windows_closed", "Windows closed, by how they ended", "state"),
    Counted.MESSAGES: ("neaptide_messages", "What happened to messages, as their history has it", "event"),
    Counted.SIGNALS: ("neaptide_signals_raised", "Signals raised, by kind", "kind"),
}
WEB, WRITTEN_BY_WEB = "web", "neaptide_written"


def exposition(
    engine: Engine, now: datetime, channels: Collection[Channel] | None = None, counted: Sequence[Metric] = ()
) -> str:
    """Everything in Prometheus' text format. Each number is an index look-up, or counts only what is pending.

    `counted` is what the web server's own processes have counted.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Read(engine, now, channels, counted))
    return generate_latest(registry).decode("utf-8")


class _Read(Collector):
    def __init__(
        self, engine: Engine, now: datetime, channels: Collection[Channel] | None, counted: Sequence[Metric]
    ) -> None:
        self._engine = engine
        self._now = now
        self._channels = channels
        self._counted = counted

    def collect(self) -> Iterable[Metric]:
        build = GaugeMetricFamily(
            "neaptide_build_info", "1, of the version and commit that answer", labels=["version", "commit"]
        )
        build.add_metric([this_build().version, this_build().commit], 1.0)
        yield build
        yield from (family for family in self._counted if family.name != WRITTEN_BY_WEB)
        findings = readiness(self._engine, self._now, channels=self._channels)
        well = GaugeMetricFamily("neaptide_finding_ok", "1 when a readiness finding is well", labels=["finding"])
        for finding in findings:
            well.add_metric([finding.name], float(finding.ok))
        yield well
        if self._channels is not None:
            set_up = GaugeMetricFamily("neaptide_channel_set_up", "1 when it can be sent that way", labels=["channel"])
            for channel in Channel:
                set_up.add_metric([channel.value], float(channel in self._channels))
            yield set_up
        values = {finding.name: finding.value for finding in findings if finding.value is not None}
        for name, about, help_text in (
            ("neaptide_worker_beat_age_seconds", "worker", "Since any worker last finished a tick"),
            ("neaptide_hand_over_seconds", "hand_over", "How long a batch has been with its provider"),
            ("neaptide_oldest_unsent_seconds", "oldest_unsent", "Since the message that waits longest was due"),
            (
                "neaptide_strangers_texts",
                "strangers",
                "Texts of unknown numbers in a day, to lines of several clinics",
            ),
            ("neaptide_stuck_claims", "stuck_claims", "Messages claimed by workers that are gone"),
        ):
            if about in values:
                yield GaugeMetricFamily(name, help_text, value=values[about])
        if not answers(findings):
            return
        with read_session(self._engine) as session:
            yield from _nightly(session, self._now)
            yield from _kept(session, self._now)
            yield from _pending(session, self._now)
            lost = lost_since(session, self._now - timedelta(days=1))
            yield GaugeMetricFamily("neaptide_trail_lost", "Lines of who opened what lost in a day", value=lost)
            yield from _workers(session)
            yield from _written(session, self._counted)


def _nightly(session: Session, now: datetime) -> Iterable[Metric]:
    last = last_check(session)
    if last is None or last.finished_at is None:
        return
    age = (now - last.finished_at).total_seconds()
    yield GaugeMetricFamily("neaptide_nightly_check_age_seconds", "Since the last nightly check ended", value=age)
    found = GaugeMetricFamily("neaptide_nightly_check_found", "What it found not as it must be", labels=["found"])
    for what in Found:
        found.add_metric([what.value], last.found.get(what.value, 0))
    yield found


def _kept(session: Session, now: datetime) -> Iterable[Metric]:
    made = backup(session, now, within=None)
    if made.value is not None:  # where none was ever made there is no age
        yield GaugeMetricFamily("neaptide_backup_age_seconds", "Since the newest backup was taken", value=made.value)
    held = float(holds.is_held(session))
    yield GaugeMetricFamily("neaptide_held", "1 while what was restored asks and sends nothing", value=held)


def _pending(session: Session, now: datetime) -> Iterable[Metric]:
    due = GaugeMetricFamily("neaptide_messages_due", "Messages that are due and wait", labels=["channel"])
    # Every month is looked into for what waits: once for all that is told of it.
    is_due, is_away = (case((one, 1), else_=0) for one in (Message.next_try_at <= now, Message.attempts >= MANY_TRIES))
    waiting = select(Message.channel, func.sum(is_due), func.sum(is_away)).where(QUEUED_MESSAGES)
    away = 0
    for channel, number, often in session.execute(waiting.group_by(Message.channel)):
        away += often
        if number:
            due.add_metric([channel.value], number)
    yield due
    in_hand = how_many(session, Message, LEASED_MESSAGES)
    yield GaugeMetricFamily("neaptide_messages_in_hand", "Messages claimed or being handed over", value=in_hand)
    yield GaugeMetricFamily("neaptide_messages_turned_away", "Messages that wait and were refused often", value=away)
    tasks = GaugeMetricFamily("neaptide_tasks_open", "Tasks that nobody has taken", labels=["kind"])
    for kind, number in session.execute(select(Task.kind, func.count()).where(OPEN_TASKS).group_by(Task.kind)):
        tasks.add_metric([kind.value], number)
    yield tasks
    silent = GaugeMetricFamily("neaptide_silences_open", "Silences that last", labels=["cause"])
    lasting = select(Silence.cause, func.count()).where(LASTING_SILENCES).group_by(Silence.cause)
    for cause, number in session.execute(lasting):
        silent.add_metric([cause.value], number)
    yield silent
    quarantined = how_many(session, QuarantinedRow, SET_ASIDE)
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


def _written(session: Session, counted: Sequence[Metric]) -> Iterable[Metric]:
    """What each worker has written, by its last sign of life, and the web's processes together."""
    families = {
        what: CounterMetricFamily(name, about, labels=["process", label])
        for what, (name, about, label) in WRITTEN.items()
    }
    for worker, tick in session.execute(select(Heartbeat.worker, Heartbeat.last_tick).order_by(Heartbeat.worker)):
        for what, outcomes in tick.get("counted", {}).items():
            for outcome, number in outcomes.items():
                families[Counted(what)].add_metric([worker, outcome], number)
    for sample in (one for family in counted if family.name == WRITTEN_BY_WEB for one in family.samples):
        if sample.name.endswith("_total"):
            families[Counted(sample.labels["what"])].add_metric([WEB, sample.labels["outcome"]], sample.value)
    yield from families.values()
