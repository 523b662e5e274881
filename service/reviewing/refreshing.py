"""Make the panel's rows again from what they summarise, each from what is carried and its new days alone.

`summaries` computes and writes nothing: it also serves a page that finds rows stale.
`refresh` is the worker's; `differing` is the audit that works everything out from the
first day on and compares.

1. Find what is stale or of an earlier day, along an index.
2. Load what was set for each patient; pick the newest carried evening that nothing has
   changed under; load the days since, and those that the strip shows.
3. Step all of them together, outside any writing transaction: intake is not kept waiting.
4. Write row, state and signals, except where a row was marked again in the meantime.
A patient whose facts cannot be worked out is quarantined and shown as such, and never
keeps the others from their rows.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain import localtime, summary
from service.domain.review import Adherence, Raised
from service.domain.signals import engine as signal_engine
from service.domain.signals.engine import NOTHING_CARRIED, WorkedOut
from service.domain.signals.facts import (
    AdjustmentMade,
    Assessment,
    Case,
    PressureLimits,
    SilenceFacts,
    typed_reference,
)
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import CarriedState, KeptState, Outdated, as_bytes, from_bytes
from service.domain.summary import STRIP_DAYS, RecentDay, Strip, Summary, SymptomWeek, TrendSummary
from service.domain.vocabulary import SignalKind
from service.reviewing import placing
from service.store import histories, panel, signal_rows
from service.store.guarded import Tally, whole_else_each
from service.store.histories import History
from service.store.panel import StaleRow
from service.store.quarantine import describe_error, quarantine
from service.store.session import DATABASE_AWAY, read_session, write_session
from service.store.slices import slices

log = structlog.get_logger(__name__)
LATER = timedelta(days=36_500)  # a row nobody will ask for again
AUDITED_AT_ONCE = 100  # patients whose whole histories are held in memory together
_BEYOND = {SignalKind.ABOVE_LIMIT, SignalKind.BELOW_LIMIT}


@dataclass(frozen=True, slots=True)
class Made:
    """What one patient's rows come to: the summary, and what the engine said and carries on."""

    summary: Summary
    worked: WorkedOut | None
    shown: Sequence[RecentDay] = ()
    there: panel.StoredState | None = None  # what was carried
    error: Exception | None = None


def refresh(engine: Engine, now: datetime, limit: int = 200) -> Tally:
    """Write the rows that are stale or of an earlier day; at most `limit` in one pass."""
    with read_session(engine) as session:
        due = panel.to_refresh(session, now, limit)
    return _write(engine, due, now) if due else Tally()


def rebuild(engine: Engine, now: datetime, portion: int = 200) -> Tally:
    """Give every active patient without a row one. What is carried already is left alone."""
    total = Tally()
    while True:
        with read_session(engine) as session:
            due = panel.without_row(session, portion)
        if not due:
            return total
        tally = _write(engine, due, now)
        total += tally
        if not tally.done:
            return total


def differing(session: Session, clinic_id: uuid.UUID, now: datetime) -> list[uuid.UUID]:
    """The audit: patients whose carried row or state, though not marked stale, is not what their rows say now."""
    everyone = [row for row in panel.carried(session, clinic_id) if row.facts and row.stale_since is None]
    todays = {row.patient_id: localtime.local_date(now, localtime.zone(row.zone)) for row in everyone}
    current = {row.patient_id: row for row in everyone if row.as_of == todays[row.patient_id]}
    there = panel.carried_states(session, current)
    different: list[uuid.UUID] = []
    for some in slices(list(current), AUDITED_AT_ONCE):
        made = work_out(session, clinic_id, {patient_id: todays[patient_id] for patient_id in some}, afresh=True)
        different += [
            patient_id
            for patient_id in some
            if current[patient_id].facts != summary.as_json(made[patient_id].summary)
            or (patient_id in there) is (made[patient_id].worked is None)
            or (patient_id in there and (there[patient_id].trend, there[patient_id].recent) != _state(made[patient_id]))
        ]
    return different


def summaries(session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Summary]:
    """Each patient's summary as of their own date, from what is carried and the days since."""
    return {patient_id: made.summary for patient_id, made in work_out(session, clinic_id, todays).items()}


# --- working out -----------------------------------------------------------------------------


def work_out(
    session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date], *, afresh: bool = False
) -> dict[uuid.UUID, Made]:
    """Everything a row is made from, for each patient; one who fails is there with what failed.

    `afresh` leaves out what is carried and begins with everybody's first day.
    """
    if not todays:
        return {}
    strip_from = min(todays.values()) - timedelta(days=STRIP_DAYS - 1)
    there = {} if afresh else panel.carried_states(session, todays)
    # What a carried evening was worked out under must be known to its day, some weeks before the strip.
    found = histories.load_settings(session, clinic_id, todays, strip_from - timedelta(days=STRIP_DAYS))
    starts: dict[uuid.UUID, _Start] = {}
    made: dict[uuid.UUID, Made] = {}

    def guard(patient_id: uuid.UUID, error: Exception) -> None:
        made[patient_id] = _troubled(patient_id, todays[patient_id], error)

    for patient_id, history in found.items():
        try:
            stored = _stored(there[patient_id]) if patient_id in there else _Stored()
            starts[patient_id] = _start(history, todays[patient_id], stored)
        except DATABASE_AWAY:
            raise
        except Exception as error:
            guard(patient_id, error)
    _load_days(session, clinic_id, {patient_id: found[patient_id] for patient_id in starts}, starts)
    ready: dict[uuid.UUID, _Ready] = {}
    for patient_id, start in starts.items():
        try:
            ready[patient_id] = _ready(found[patient_id], start)
        except Exception as error:
            guard(patient_id, error)
    outcome = whole_else_each(
        ready, whole=lambda: _step(ready), alone=lambda patient_id: _step({patient_id: ready[patient_id]})
    )
    for patient_id, failure in outcome.failed:
        guard(patient_id, failure)
    for patient_id, worked in (pair for part in outcome.done for pair in part.items()):
        try:
            one = ready[patient_id]
            made[patient_id] = Made(
                _summary(found[patient_id], one, worked.assessment), worked, one.shown, there.get(patient_id)
            )
        except Exception as error:
            guard(patient_id, error)
    return made


@dataclass(frozen=True, slots=True)
class _Stored:
    """What is carried of one patient, as it was stored."""

    carried: CarriedState = NOTHING_CARRIED
    recent: Sequence[Any] = ()  # the days that the row shows, as JSON
    changed_from: date | None = None


@dataclass(frozen=True, slots=True)
class _Start:
    """Where one patient's days begin, before they are read."""

    case: Case  # without days
    carried: CarriedState
    oldest: KeptState | None  # the evening after which days are read; None: from the first day on
    recent: list[RecentDay]  # the strip's days up to that evening, where they are carried

    @property
    def first(self) -> date:
        return date.min if self.oldest is None else date.fromordinal(self.oldest.day + 1)


@dataclass(frozen=True, slots=True)
class _Ready:
    """One patient with their days."""

    case: Case
    carried: CarriedState
    shown: list[RecentDay]  # those of the strip, to today


def _stored(there: panel.StoredState) -> _Stored:
    """What is stored of one patient; without the state where its bytes are of another version or damaged."""
    try:
        carried = from_bytes(there.trend, DEFAULT)
    except Outdated:
        carried = NOTHING_CARRIED
    return _Stored(carried, () if there.planned_changed else there.recent, there.changed_from)


def _start(history: History, today: date, stored: _Stored) -> _Start:
    case = case_of(history, today)
    carried = signal_engine.still_valid(stored.carried, case, stored.changed_from)
    strip_from = today - timedelta(days=STRIP_DAYS - 1)
    if carried.states and stored.recent:
        # The days up to the newest evening that is still true are there; only those after it are read.
        newest, first = carried.states[-1], stored.recent[0]
        if first <= strip_from.toordinal() and first + len(stored.recent) - 2 >= newest.day:
            days = summary.recent_from_json(stored.recent)
            return _Start(case, carried, newest, days[strip_from.toordinal() - first : max(newest.day + 1 - first, 0)])
    # The strip's days need the usual hour of the evening before them.
    before = carried.before(strip_from.toordinal())
    return _Start(case, carried, before[-1] if before else None, [])


def _load_days(
    session: Session, clinic_id: uuid.UUID, found: Mapping[uuid.UUID, History], starts: Mapping[uuid.UUID, _Start]
) -> None:
    """Each patient's days from their start on: those of yesterday and today, of some weeks, and of everything apart."""
    by_span: dict[int, dict[uuid.UUID, History]] = defaultdict(dict)
    for patient_id, history in found.items():
        start = starts[patient_id]
        days = 0 if start.oldest is None else start.case.today.toordinal() - start.oldest.day
        by_span[0 if not days else 1 if days <= 2 else 2][patient_id] = history
    for together in by_span.values():
        histories.add_days(session, clinic_id, together, min(starts[patient_id].first for patient_id in together))


def _ready(history: History, start: _Start) -> _Ready:
    today = start.case.today
    first, hour = start.first, None
    if start.oldest is None:
        known = [taken.day for taken in history.readings] + [day.day for day in history.diary]
        first = min(today - timedelta(days=STRIP_DAYS - 1), *known, today)
    elif start.oldest.usual_hour == start.oldest.usual_hour:  # not nan
        hour = start.oldest.usual_hour
    days = history.joined(first, today, hour)
    shown = (start.recent + [summary.recent(day) for day in days])[-STRIP_DAYS:]
    return _Ready(replace(start.case, days=days), start.carried, shown)


def _step(ready: Mapping[uuid.UUID, _Ready]) -> dict[uuid.UUID, WorkedOut]:
    """Everybody at once."""
    worked = signal_engine.work_out([one.case for one in ready.values()], [one.carried for one in ready.values()])
    return dict(zip(ready, worked, strict=True))


def case_of(history: History, today: date) -> Case:
    """The engine's case, still without its days."""
    silence, reference, limits = history.silence_on(today), history.reference, history.limits
    return Case(
        days=(),
        today=today,
        reference=None
        if reference is None
        else typed_reference(
            (reference.pa_diastolic, reference.pa_mean, reference.pa_systolic), reference.from_date, reference.to_date
        ),
        limits=PressureLimits() if limits is None else PressureLimits(limits.upper, limits.lower),
        adjustments=[AdjustmentMade(made_on, what) for made_on, what in history.adjustments if made_on <= today],
        silence=SilenceFacts(
            missed=silence.missed if silence else 0,
            since=silence.first_day if silence else None,
            cause=silence.cause if silence else None,
            silent_days=history.silent_days or 1,
        ),
        dry_weight_kg=history.dry_weight_kg,
        zone=history.zone,
    )


def _summary(history: History, ready: _Ready, assessment: Assessment) -> Summary:
    days, today = ready.shown, assessment.today
    return Summary(
        today=today,
        strip=summary.strip(days),
        adherence=summary.adherence(days),
        trend=trend_summary(assessment),
        upper=history.limits.upper if history.limits else None,
        lower=history.limits.lower if history.limits else None,
        last_reading_on=assessment.pressure.last_reading_on,
        last_diary_on=assessment.checkin_on,
        weight=summary.weight_change(days),
        symptoms=summary.symptom_week(days),
        silence=history.silence_on(today),
        pause=history.pause_on(today),
        has_plan=history.has_plan,
        silent_days=history.silent_days,
    )


def trend_summary(assessment: Assessment) -> TrendSummary:
    """What the panel carries of an assessment."""
    going_on = [episode for episode in assessment.signals if episode.ended_on is None]
    forecast = assessment.pressure.forecast
    days_to_limit = None if forecast is None or forecast.days is None else round(forecast.days, 1)
    return TrendSummary(
        picture=assessment.joined.facts,
        lane=assessment.joined.lane,
        days_to_limit=0.0 if any(episode.kind in _BEYOND for episode in going_on) else days_to_limit,
        signals=tuple(Raised(episode.kind, episode.facts, episode.began_on) for episode in going_on),
        response=assessment.response,
    )


# --- writing ---------------------------------------------------------------------------------


def _write(engine: Engine, due: Sequence[StaleRow], now: datetime) -> Tally:
    by_clinic: dict[uuid.UUID, list[StaleRow]] = {}
    for row in due:
        by_clinic.setdefault(row.clinic_id, []).append(row)
    done = quarantined = 0
    for clinic_id, rows in by_clinic.items():
        todays = {row.patient_id: localtime.local_date(now, localtime.zone(row.zone)) for row in rows if row.active}
        with read_session(engine) as session:
            made = work_out(session, clinic_id, todays)
        with write_session(engine) as session:
            good = [row for row in rows if not row.active or made[row.patient_id].error is None]
            signals = {
                patient_id: one.worked.assessment.signals for patient_id, one in made.items() if one.worked is not None
            }
            signal_rows.sync(session, clinic_id, signals, todays, now)
            # After the signals: one that ends in this very pass is still to be seen by somebody.
            ranks = placing.ranks(session, clinic_id, {who: one.summary for who, one in made.items()}, now)
            panel.keep(session, [_row(row, made.get(row.patient_id), ranks, todays, now) for row in good])
            panel.keep_states(session, _states(made, good))
            for patient_id, one in made.items():
                if one.error is not None:
                    quarantine(session, ("panel", patient_id), one.error, now)
                    quarantined += 1
        done += len(good)
    return Tally(done=done, quarantined=quarantined)


def _row(
    due: StaleRow,
    made: Made | None,
    ranks: Mapping[uuid.UUID, str],
    todays: Mapping[uuid.UUID, date],
    now: datetime,
) -> dict[str, object]:
    today = todays.get(due.patient_id, now.date())
    zone = localtime.zone(due.zone)
    return {
        "clinic_id": due.clinic_id,
        "patient_id": due.patient_id,
        "as_of": today,
        "facts": summary.as_json(made.summary) if made else {},
        "rank": ranks.get(due.patient_id, ""),
        "updated_at": now,
        "outdated_at": localtime.day_bounds(today, zone)[1] if due.active else now + LATER,
        "touched": due.touched,
    }


def _states(made: Mapping[uuid.UUID, Made], rows: Sequence[StaleRow]) -> list[dict[str, object]]:
    """The states that are not there already: on a day that was refreshed before, nothing of them is new."""
    found: list[dict[str, object]] = []
    for row in rows:
        one = made.get(row.patient_id)
        if one is None or one.worked is None:
            continue
        trend, recent = _state(one)
        if one.there is None or (one.there.trend, one.there.recent) != (trend, recent):
            found.append({"patient_id": row.patient_id, "trend": trend, "recent": recent, "touched": row.touched})
    return found


def _state(made: Made) -> tuple[bytes, list[Any]]:
    if made.worked is None:
        raise ValueError("nothing was worked out")
    return as_bytes(made.worked.carried, DEFAULT), summary.recent_as_json(made.shown[:-1])


def _troubled(patient_id: uuid.UUID, today: date, error: Exception) -> Made:
    log.error("panel row could not be made", id=str(patient_id), error=describe_error(error))
    first = today - timedelta(days=summary.STRIP_DAYS - 1)
    blank = (None,) * summary.STRIP_DAYS
    return Made(
        Summary(
            today=today,
            strip=Strip(first, blank, summary.NOTHING * summary.STRIP_DAYS),
            adherence=Adherence(0, 0),
            trend=TrendSummary(),
            upper=None,
            lower=None,
            last_reading_on=None,
            last_diary_on=None,
            weight=None,
            symptoms=SymptomWeek(),
            silence=None,
            pause=None,
            has_plan=True,
            silent_days=None,
            trouble=True,
        ),
        None,
        error=error,
    )
