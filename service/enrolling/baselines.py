"""A patient's reference and limits. The service ships no values: a clinician types or accepts each one.

The mean of a fortnight counts each date once, by its median, and wants half of the dates: our
own number, no source. A baseline that followed the pressure would hide the slow rise it is there
to show, so nothing moves it but a person, who answers for it by name.
"""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from statistics import fmean, stdev
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import dues, entries, recorded
from service.care.tasks import close_tasks
from service.domain import localtime, validation
from service.domain.signals.facts import scale_shift
from service.domain.validation import Refused
from service.domain.vocabulary import TaskKind, TaskSettled
from service.store import histories, panel
from service.store.audit import Act
from service.store.tables import Clinic, GoalRow, Limits, Patient, Reference, Task

Row = TypeVar("Row", Reference, Limits)

# Pressures outside this cannot be a person's resting PA pressure. Common practice, no source.
LEAST_MMHG, MOST_MMHG = 1.0, 150.0
LONGEST_GOAL = timedelta(days=731)
LONGEST_WHY = 400
FEWEST_DATES = 7  # half a fortnight: the mean of fewer is too easily one bad week; our own number, no source


def set_reference(
    act: Act,
    patient: Patient,
    pa_diastolic: float | None,
    pa_mean: float | None,
    pa_systolic: float | None,
    from_date: date | None,
    to_date: date | None,
) -> Reference:
    """Anchor the baseline, mmHg: taken from the settled fortnight `from_date`–`to_date`, or typed in. Raises Refused.

    Without pressures it is what `mean_of_dates` makes of those dates' readings, and keeps how sure
    that mean is. The earlier reference stays on record; the newest counts, and what was proposed
    in its place is settled.
    """
    if (from_date is None) is not (to_date is None):
        raise Refused("to_date", to_date and to_date.isoformat(), "both dates of the fortnight, or neither")
    if from_date is not None:
        validation.date_span("to_date", from_date, to_date, longest_days=92)
    tomorrow = act.now.date() + timedelta(days=1)  # it may be that date already where they live
    if to_date is not None and to_date > tomorrow:
        raise Refused("to_date", to_date.isoformat(), "a date that has come")
    sd: float | None = None
    if pa_diastolic is None and pa_mean is None and pa_systolic is None and from_date and to_date:
        pressures, sd = mean_of_dates(act.session, patient, from_date, to_date)
        pa_diastolic, pa_mean, pa_systolic = pressures
    diastolic = _mmhg("pa_diastolic", pa_diastolic)
    mean = None if pa_mean is None else _mmhg("pa_mean", pa_mean)
    systolic = None if pa_systolic is None else _mmhg("pa_systolic", pa_systolic)
    rising = [value for value in (diastolic, mean, systolic) if value is not None]
    if rising != sorted(rising):
        raise Refused("pa_diastolic", pa_diastolic, "pressures with diastolic ≤ mean ≤ systolic")
    reference = Reference(
        patient_id=patient.id,
        pa_diastolic=diastolic,
        pa_mean=mean,
        pa_systolic=systolic,
        from_date=from_date,
        to_date=to_date,
        sd=sd,
        set_by=str(act.actor),
        set_at=act.now,
    )
    proposed = (Task.patient_id == patient.id) & (Task.kind == TaskKind.REFERENCE_PROPOSAL)
    close_tasks(act.session, proposed, TaskSettled.REFERENCE_SET, act.now, also_taken=True)
    return _written(act, reference, patient)


def mean_of_dates(
    session: Session, patient: Patient, from_date: date, to_date: date
) -> tuple[tuple[float, float, float], float]:
    """Diastolic, mean and systolic pressure, mmHg to one decimal: the mean of the dates' own values.

    With them the standard deviation of the mean of the diastolic ones, mmHg: theirs over the root of how many.
    A date with several readings counts once, as on the time line; all are on the scale that the sensor has now.
    Raises Refused when fewer than FEWEST_DATES have a reading.
    """
    history = histories.load(session, patient.clinic_id, [patient.id], from_date)[patient.id]
    read = [day for day in history.joined(from_date, to_date) if day.readings]
    if len(read) < FEWEST_DATES:
        span = f"{from_date.isoformat()} to {to_date.isoformat()}, with {len(read)} dates"
        raise Refused(
            "from_date",
            span,
            "dates of which at least %(dates)s have a reading, or typed pressures",
            dates=FEWEST_DATES,
        )
    tags = [one.tag for one in history.tags]
    shifts = [scale_shift(tags, day.day) for day in read]
    diastolic, mean, systolic = (
        round(fmean(getattr(day, name) + shift for day, shift in zip(read, shifts, strict=True)), 1)
        for name in ("pa_diastolic", "pa_mean", "pa_systolic")
    )
    values = [day.pa_diastolic + shift for day, shift in zip(read, shifts, strict=True) if day.pa_diastolic is not None]
    return (diastolic, mean, systolic), round(stdev(values) / len(values) ** 0.5, 3)


def set_limits(
    act: Act,
    patient: Patient,
    upper: float | None,
    lower: float | None,
    *,
    origin: dict[str, Any] | None = None,
) -> Limits:
    """PA diastolic limits, mmHg, as the clinician typed them; None is no limit on that side. Raises Refused.

    `origin` is what the upper one was accepted from.
    """
    low, high = _range(lower, upper)
    limits = Limits(
        patient_id=patient.id,
        upper=high,
        lower=low,
        origin=origin,
        set_by=str(act.actor),
        set_at=act.now,
    )
    return _written(act, limits, patient)


def newest_limits(session: Session, patient_id: uuid.UUID) -> Limits | None:
    """Those in force; None where none was ever set."""
    return session.scalar(select(Limits).where(Limits.patient_id == patient_id).order_by(Limits.set_at.desc()).limit(1))


def accept_trouble_level(act: Act, patient: Patient, level: float) -> Limits:
    """Take the level before this patient's own events as the upper limit, mmHg, as a clinician has seen it.

    From then on it is an ordinary limit, with its origin; a lower limit stays. Raises Refused where no such level is
    known, or another than the one that was seen.
    """
    clinic = act.session.get_one(Clinic, patient.clinic_id)
    known = recorded.of_patients(act.session, clinic, [patient.id], act.now)[patient.id].facts.trouble
    if known is None:
        raise Refused("level", level, "the level before an event of this patient; none is known")
    if round(known.level, 1) != round(level, 1):
        raise Refused("level", level, "%(level)s, the level as it is known now", level=round(known.level, 1))
    now = newest_limits(act.session, patient.id)
    origin = {
        "level": round(known.level, 1), "sd": round(known.sd, 1), "events": known.events,
        "newest_on": known.newest_on.isoformat(),
    }  # fmt: skip
    return set_limits(act, patient, round(known.level, 1), None if now is None else now.lower, origin=origin)


def set_goal(act: Act, patient: Patient, lower: float | None, upper: float | None, why: str, until: date) -> GoalRow:
    """A clinician's aim for PA diastolic, mmHg, until a date, itself included. Raises Refused.

    The earlier goal stays on record; the newest counts.
    """
    low, high = _range(lower, upper)
    if low is None and high is None:
        raise Refused("upper", upper, "a number for at least one end")
    entries.still_to_plan(patient, "until", until)
    today = localtime.local_date(act.now, patient.zone)
    if not today <= until <= today + LONGEST_GOAL:
        raise Refused("until", until.isoformat(), "a date from today to two years ahead")
    goal = GoalRow(
        patient_id=patient.id,
        lower=low,
        upper=high,
        why=validation.text("why", why, longest=LONGEST_WHY),
        until=until,
        set_by=str(act.actor),
        set_at=act.now,
    )
    act.add(goal)
    panel.mark_stale(act.session, [patient.id], act.now)
    dues.settle(act.session, [patient.id], act.now)
    act.note("goal.set", goal, patient=patient.id, until=until)
    return goal


def end_goal(act: Act, goal: GoalRow) -> None:
    """The goal is none any more. Raises Refused for one that has ended."""
    if goal.ended_at is not None:
        raise Refused("goal", str(goal.id), "a goal that has not been ended")
    goal.ended_at = act.now
    act.session.flush()
    panel.mark_stale(act.session, [goal.patient_id], act.now)
    dues.settle(act.session, [goal.patient_id], act.now)
    act.note("goal.end", goal, patient=goal.patient_id)


def _range(lower: float | None, upper: float | None) -> tuple[float | None, float | None]:
    """The two ends, mmHg, either of which may be open. Raises Refused."""
    low = None if lower is None else _mmhg("lower", lower)
    high = None if upper is None else _mmhg("upper", upper)
    if low is not None and high is not None and low >= high:
        raise Refused("lower", lower, "a number below the upper end, %(upper)s", upper=high)
    return low, high


def _mmhg(field: str, given: float | None) -> float:
    return validation.number(field, given, LEAST_MMHG, MOST_MMHG, "mmHg")


def _written(act: Act, row: Row, patient: Patient) -> Row:
    act.add(row)
    panel.mark_stale(act.session, [patient.id], act.now)
    act.note(f"{type(row).__name__.lower()}.set", row, patient=patient.id)
    return row
