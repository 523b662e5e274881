"""Make the panel's rows again from what they summarise, each from what is carried and its new days alone.

`summaries` computes and writes nothing: it also serves a page that finds rows stale.
`refresh` is the worker's; `differing` is the audit that works everything out from the
first day on and compares.

1. Claim what is stale or of an earlier day, along an index: of several workers each has rows of its own.
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
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.domain import localtime, summary
from service.domain.signals import engine as signal_engine
from service.domain.signals.engine import NOTHING_CARRIED, WorkedOut
from service.domain.signals.facts import (
    AdjustmentMade,
    AnchoredReference,
    Assessment,
    Case,
    Goal,
    PressureLimits,
    ReferenceProposal,
    SilenceFacts,
    scale_shift,
    typed_reference,
)
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import CarriedState, KeptState, Outdated, as_bytes, from_bytes
from service.domain.summary import NO_DAYS, STRIP_DAYS, Behind, RecentDays, Strip, Summary
from service.domain.vocabulary import PauseCause
from service.reviewing import placing, proposing
from service.reviewing.placing import Placed
from service.store import histories, panel, signal_rows
from service.store.guarded import Tally, each, whole_else_each
from service.store.histories import History, ReferenceSet, TagSet
from service.store.ids import slices
from service.store.panel import StaleRow
from service.store.quarantine import describe_error, quarantine
from service.store.session import patiently, read_session, write_session

log = structlog.get_logger(__name__)
LATER = timedelta(days=36_500)  # a row nobody will ask for again
GONE_WITHIN = timedelta(hours=1)  # far longer than rows are in hand
AT_ONCE = 1000  # far more of a patient's cost is shared at a thousand than at a hundred
AUDITED_AT_ONCE = 100  # patients whose whole histories are held in memory together


@dataclass(frozen=True, slots=True)
class Made:
    """What one patient's rows come to: the summary, and what the engine said and carries on."""

    summary: Summary
    worked: WorkedOut | None
    shown: RecentDays = NO_DAYS
    there: panel.StoredState | None = None  # what is stored
    stored: CarriedState | None = None  # the same, read
    error: Exception | None = None


def catch_up(engine: Engine, clock: Callable[[], datetime], stopping: Callable[[], bool] = lambda: False) -> Tally:
    """Pass after pass, until no more than one is left of what is stale or of an earlier day."""
    total = Tally()
    while not stopping():
        tally = refresh(engine, clock())
        total += tally
        if tally.seen < AT_ONCE:
            break
    return total


def refresh(engine: Engine, now: datetime, limit: int = AT_ONCE) -> Tally:
    """Write the rows that are stale or of an earlier day; at most `limit` in one pass. An idle call takes no lock."""
    with read_session(engine) as session:
        if not panel.waits(session, now):
            return Tally()
    with write_session(engine) as session:
        claimed = panel.claim(session, now, limit)
    try:
        return _write(engine, claimed, now)
    except Exception:
        _let_go(engine, claimed)
        raise


def rebuild(engine: Engine, now: datetime, portion: int = AT_ONCE) -> Tally:
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
    todays = {row.patient_id: localtime.local_date(now, row.zone) for row in everyone}
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


def not_worked_out(today: date, *, trouble: bool = False) -> Summary:
    """Of whom nothing is known: it has still to be worked out, or (`trouble`) cannot be."""
    first = today - timedelta(days=summary.STRIP_DAYS - 1)
    strip = Strip(first, (None,) * summary.STRIP_DAYS, summary.NOTHING * summary.STRIP_DAYS)
    return Summary(today, strip, trouble=trouble, behind=None if trouble else Behind.NOTHING)


def summaries(
    session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date], most: int | None = None
) -> dict[uuid.UUID, Summary]:
    """Each patient's summary as of their own date, from what is carried and the days since.

    Whoever has more than `most` evenings to work out is there with nothing but that (`Behind.NOTHING`).
    """
    made = work_out(session, clinic_id, todays, most=most)
    return {patient_id: one.summary for patient_id, one in made.items()}


# --- working out -----------------------------------------------------------------------------


def work_out(
    session: Session,
    clinic_id: uuid.UUID,
    todays: Mapping[uuid.UUID, date],
    *,
    afresh: bool = False,
    most: int | None = None,
) -> dict[uuid.UUID, Made]:
    """Everything a row is made from, for each patient; one who fails is there with what failed.

    `afresh` leaves out what is carried and begins with everybody's first day. Of whoever has more than `most`
    evenings to work out, none is.
    """
    if not todays:
        return {}
    strip_from = min(todays.values()) - timedelta(days=STRIP_DAYS - 1)
    there = {} if afresh else panel.carried_states(session, todays)
    # What a carried evening was worked out under must be known to its day, some weeks before the strip.
    found = histories.load_settings(session, clinic_id, todays, strip_from - timedelta(days=STRIP_DAYS))
    begun = each(found, lambda patient_id: _start(patient_id, found[patient_id], todays[patient_id], there))
    _load_days(session, clinic_id, begun.done)
    ready = each(begun.done, lambda one: _ready(one, most))
    stepped = whole_else_each(ready.done, kind="panel", whole=lambda: _step(ready.done), alone=lambda one: _step([one]))
    told = each([pair for part in stepped.done for pair in part], _made)
    failed = (
        begun.failed
        + [(one.patient_id, error) for one, error in (*ready.failed, *stepped.failed)]
        + [(one.patient_id, error) for (one, _worked), error in told.failed]
    )
    return dict(told.done) | {
        patient_id: _troubled(patient_id, todays[patient_id], error) for patient_id, error in failed
    }


@dataclass(slots=True)
class _Patient:
    """One patient on the way to their row."""

    patient_id: uuid.UUID
    history: History
    case: Case  # without days, until they are read
    carried: CarriedState
    oldest: KeptState | None  # the evening after which days are read; None: from the first day on
    recent: RecentDays  # the strip's days: up to that evening where they are carried, then to today
    there: panel.StoredState | None  # what is stored
    stored: CarriedState | None  # the same, read; None where its bytes are of another version or damaged

    @property
    def first(self) -> date:
        return date.min if self.oldest is None else date.fromordinal(self.oldest.day + 1)


def _start(
    patient_id: uuid.UUID, history: History, today: date, stored: Mapping[uuid.UUID, panel.StoredState]
) -> _Patient:
    """Where this patient's days begin, before they are read."""
    case, there = case_of(history, today), stored.get(patient_id)
    read = None if there is None else _read(there.trend)
    carried = NOTHING_CARRIED
    if there is not None and read is not None:
        carried = signal_engine.still_valid(read, case, there.changed_from)
    strip_from = today.toordinal() - STRIP_DAYS + 1
    if carried.states and there is not None and there.recent and not there.planned_changed:
        # The days up to the newest evening that is still true are there; only those after it are read.
        newest, recent = carried.states[-1], summary.recent_from_json(there.recent)
        if recent.first <= strip_from and recent.last >= newest.day:
            return _Patient(
                patient_id, history, case, carried, newest, recent.between(strip_from, newest.day), there, read
            )
    # The strip's days need the usual hour of the evening before them.
    before = carried.before(strip_from)
    return _Patient(patient_id, history, case, carried, before[-1] if before else None, NO_DAYS, there, read)


def _read(trend: bytes) -> CarriedState | None:
    try:
        return from_bytes(trend, DEFAULT)
    except Outdated:
        return None


def _load_days(session: Session, clinic_id: uuid.UUID, patients: Sequence[_Patient]) -> None:
    """Each patient's days from their start on: those of yesterday and today, of some weeks, and of everything apart."""
    by_span: dict[int, list[_Patient]] = defaultdict(list)
    for one in patients:
        days = 0 if one.oldest is None else one.case.today.toordinal() - one.oldest.day
        by_span[0 if not days else 1 if days <= 2 else 2].append(one)
    for together in by_span.values():
        found = {one.patient_id: one.history for one in together}
        histories.add_days(session, clinic_id, found, min(one.first for one in together))


class TooMany(Exception):
    """More evenings are to be worked out than were asked for."""


def _ready(one: _Patient, most: int | None) -> _Patient:
    """The same patient, now with their days. Raises TooMany."""
    history, today = one.history, one.case.today
    first, hour = one.first, None
    if one.oldest is None:
        known = [taken.day for taken in history.readings] + [day.day for day in history.diary]
        first = min(today - timedelta(days=STRIP_DAYS - 1), *known, today)
    elif one.oldest.usual_hour == one.oldest.usual_hour:  # not nan
        hour = one.oldest.usual_hour
    if most is not None and (today - first).days > most:
        raise TooMany
    days = history.joined(first, today, hour)
    one.case = replace(one.case, days=days)
    shown = one.recent.followed_by(summary.recent(days[-STRIP_DAYS:]))
    one.recent = shown.between(today.toordinal() - STRIP_DAYS + 1, today.toordinal())
    return one


def _step(ready: Sequence[_Patient]) -> list[tuple[_Patient, WorkedOut]]:
    """Everybody at once."""
    worked = signal_engine.work_out([one.case for one in ready], [one.carried for one in ready])
    return list(zip(ready, worked, strict=True))


def _made(stepped: tuple[_Patient, WorkedOut]) -> tuple[uuid.UUID, Made]:
    one, worked = stepped
    made = Made(_summary(one, worked.assessment), worked, one.recent, one.there, one.stored)
    return one.patient_id, made


def case_of(history: History, today: date) -> Case:
    """The engine's case, still without its days."""
    silence, reference, limits = history.silence_on(today), history.reference, history.limits
    pause, goal = history.pause_on(today), history.goal
    where = localtime.zone(history.zone)
    tags = tuple(one.tag for one in history.tags if one.tag.from_day <= today)
    readings_a_week, diaries_a_week = history.asked_a_week(today)
    return Case(
        days=(),
        today=today,
        reference=None if reference is None else _reference(reference, history.tags, where),
        limits=PressureLimits() if limits is None else PressureLimits(limits.upper, limits.lower),
        adjustments=[AdjustmentMade(made_on, what) for made_on, what in history.adjustments if made_on <= today],
        silence=SilenceFacts(
            missed=silence.missed if silence else 0,
            since=silence.first_day if silence else None,
            cause=silence.cause if silence else None,
            silent_days=history.silent_days or 1,
        ),
        goal=None
        if goal is None
        else Goal(goal.lower, goal.upper, localtime.local_date(goal.set_at, where), goal.until),
        tags=tags,
        in_hospital=pause is not None and pause.cause is PauseCause.IN_HOSPITAL,
        dry_weight_kg=history.dry_weight_kg,
        zone=history.zone,
        readings_a_week=readings_a_week,
        diaries_a_week=diaries_a_week,
        enrolled_on=history.enrolled_on,
        closed=[one for one in history.closed if one.on <= today],
        stays=tuple(one for one in history.stays if one.discharged_on <= today),
    )


def _reference(found: ReferenceSet, tags: Sequence[TagSet], where: ZoneInfo) -> AnchoredReference:
    """On the scale that the sensor has today: whoever set it knew of the recalibrations recorded by then."""
    made = found.to_date or localtime.local_date(found.set_at, where)
    shift = scale_shift([one.tag for one in tags if one.recorded_at > found.set_at], made)
    diastolic, mean, systolic = (
        None if value is None else value + shift for value in (found.pa_diastolic, found.pa_mean, found.pa_systolic)
    )
    return typed_reference((diastolic, mean, systolic), found.from_date, found.to_date, found.sd)


def _summary(one: _Patient, assessment: Assessment) -> Summary:
    history, today = one.history, assessment.picture.today
    return summary.of_assessment(
        assessment,
        one.recent,
        one.case.limits,
        silence=history.silence_on(today),
        pause=history.pause_on(today),
        has_plan=history.has_plan,
        silent_days=history.silent_days,
    )


# --- writing ---------------------------------------------------------------------------------


def _let_go(engine: Engine, claimed: Sequence[StaleRow]) -> None:
    """Give back what was claimed and could not be written. Else nobody would take it until the claim is over."""

    def give_back() -> None:
        with write_session(engine) as session:
            panel.let_go(session, [row.patient_id for row in claimed])

    try:
        patiently(give_back)
    except DBAPIError as error:
        log.warning("rows left to their claim", error=describe_error(error))


def _write(engine: Engine, due: Sequence[StaleRow], now: datetime) -> Tally:
    """Clinic by clinic; one that cannot be written does not keep the others from their rows, and is raised then."""
    by_clinic: dict[uuid.UUID, list[StaleRow]] = {}
    for row in due:
        by_clinic.setdefault(row.clinic_id, []).append(row)
    written = each(by_clinic, lambda clinic_id: _write_clinic(engine, clinic_id, by_clinic[clinic_id], now))
    if written.failed:
        raise written.failed[0][1]
    return sum(written.done, Tally())


def _write_clinic(engine: Engine, clinic_id: uuid.UUID, due: Sequence[StaleRow], now: datetime) -> Tally:
    todays = {row.patient_id: localtime.local_date(now, row.zone) for row in due if row.active}
    with read_session(engine) as session:
        made = work_out(session, clinic_id, todays)
    with write_session(engine) as session:
        gone = panel.gone(session, clinic_id, now - GONE_WITHIN)
        made = {who: one for who, one in made.items() if who not in gone}
        here = [row for row in due if row.patient_id not in gone]
        good = [row for row in here if not row.active or made[row.patient_id].error is None]
        signals = {
            patient_id: one.worked.assessment.signals for patient_id, one in made.items() if one.worked is not None
        }
        signal_rows.sync(session, clinic_id, signals, todays, now)
        # After the signals: one that ends in this very pass is still to be seen by somebody.
        placed = placing.place_all(session, clinic_id, {who: one.summary for who, one in made.items()}, now)
        panel.keep(session, [_row(row, made.get(row.patient_id), placed, todays, now) for row in good])
        # Tasks ask for rows anew, so they come after these are written.
        proposing.raise_proposals(session, clinic_id, _proposals(made), now)
        placing.call_for(session, clinic_id, placed, now)
        panel.keep_states(session, _states(made, good))
        failed = {patient_id: one.error for patient_id, one in made.items() if one.error is not None}
        for patient_id, error in failed.items():
            quarantine(session, ("panel", patient_id), error, now)
        panel.let_go(session, [row.patient_id for row in due])
    return Tally(done=len(good), quarantined=len(failed))


def _proposals(made: Mapping[uuid.UUID, Made]) -> dict[uuid.UUID, ReferenceProposal]:
    assessed = {who: one.worked.assessment for who, one in made.items() if one.worked is not None}
    return {who: one.proposal for who, one in assessed.items() if one.proposal is not None}


def _row(
    due: StaleRow,
    made: Made | None,
    placed: Mapping[uuid.UUID, Placed],
    todays: Mapping[uuid.UUID, date],
    now: datetime,
) -> dict[str, object]:
    today = todays.get(due.patient_id, now.date())
    zone, stands = localtime.zone(due.zone), placed.get(due.patient_id, placing.NOWHERE)
    return {
        "clinic_id": due.clinic_id,
        "patient_id": due.patient_id,
        "as_of": today,
        "facts": summary.as_json(made.summary) if made else {},
        "rank": stands.rank,
        "standing": stands.standing,
        "overtaken": stands.overtaken,
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
    carried = made.worked.carried
    # Nearly always nothing of it is new: then it is the very bytes that were read.
    trend = made.there.trend if made.there and made.stored == carried else as_bytes(carried, DEFAULT)
    return trend, list(made.shown.between(made.shown.first, made.shown.last - 1))


def _troubled(patient_id: uuid.UUID, today: date, error: Exception) -> Made:
    is_behind = isinstance(error, TooMany)
    if not is_behind:
        log.error("panel row could not be made", id=str(patient_id), error=describe_error(error))
    return Made(not_worked_out(today, trouble=not is_behind), None, error=error)
