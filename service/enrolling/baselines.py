"""A patient's reference and limits. The service ships no values: a clinician types or accepts each one.

The mean of a fortnight counts each date once, by its median, and wants half of the dates: our
own number, no source. A baseline that followed the pressure would hide the slow rise it is there
to show, so nothing moves it but a person, who answers for it by name.
"""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from statistics import fmean
from typing import TypeVar

from sqlalchemy.orm import Session

from service.domain import fields
from service.domain.validation import Refused
from service.store import histories, panel
from service.store.audit import Act
from service.store.tables import Limits, Patient, Reference

Row = TypeVar("Row", Reference, Limits)

# Pressures outside this cannot be a person's resting PA pressure. Common practice, no source.
LEAST_MMHG, MOST_MMHG = 1.0, 150.0
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

    Without pressures it is what `mean_of_dates` makes of those dates' readings. The earlier
    reference stays on record; the newest counts.
    """
    if (from_date is None) is not (to_date is None):
        raise Refused("to_date", to_date and to_date.isoformat(), "both dates of the fortnight, or neither")
    if from_date is not None:
        fields.date_span("to_date", from_date, to_date, longest_days=92)
    tomorrow = act.now.date() + timedelta(days=1)  # it may be that date already where they live
    if to_date is not None and to_date > tomorrow:
        raise Refused("to_date", to_date.isoformat(), "a date that has come")
    if pa_diastolic is None and pa_mean is None and pa_systolic is None and from_date and to_date:
        pa_diastolic, pa_mean, pa_systolic = mean_of_dates(act.session, patient, from_date, to_date)
    diastolic = _mmhg("pa_diastolic", pa_diastolic)
    mean = None if pa_mean is None else _mmhg("pa_mean", pa_mean)
    systolic = None if pa_systolic is None else _mmhg("pa_systolic", pa_systolic)
    rising = [value for value in (diastolic, mean, systolic) if value is not None]
    if rising != sorted(rising):
        raise Refused("pa_diastolic", pa_diastolic, "pressures with diastolic ≤ mean ≤ systolic")
    reference = Reference(
        id=uuid.uuid4(),
        clinic_id=patient.clinic_id,
        patient_id=patient.id,
        pa_diastolic=diastolic,
        pa_mean=mean,
        pa_systolic=systolic,
        from_date=from_date,
        to_date=to_date,
        set_by=str(act.actor),
        set_at=act.now,
    )
    act.session.add(reference)
    return _written(act, reference, patient)


def mean_of_dates(session: Session, patient: Patient, from_date: date, to_date: date) -> tuple[float, float, float]:
    """Diastolic, mean and systolic pressure, mmHg to one decimal: the mean of the dates' own values.

    A date with several readings counts once, as on the time line.
    Raises Refused when fewer than FEWEST_DATES have a reading.
    """
    history = histories.load(session, patient.clinic_id, [patient.id], from_date)[patient.id]
    read = [day for day in history.joined(from_date, to_date) if day.readings]
    if len(read) < FEWEST_DATES:
        span = f"{from_date.isoformat()} to {to_date.isoformat()}, with {len(read)} dates"
        raise Refused("from_date", span, f"dates of which at least {FEWEST_DATES} have a reading, or typed pressures")
    diastolic, mean, systolic = (
        round(fmean(getattr(day, name) for day in read), 1) for name in ("pa_diastolic", "pa_mean", "pa_systolic")
    )
    return diastolic, mean, systolic


def set_limits(
    act: Act,
    patient: Patient,
    upper: float | None,
    lower: float | None,
) -> Limits:
    """PA diastolic limits, mmHg, as the clinician typed them; None is no limit on that side. Raises Refused."""
    high = None if upper is None else _mmhg("upper", upper)
    low = None if lower is None else _mmhg("lower", lower)
    if high is not None and low is not None and low >= high:
        raise Refused("lower", lower, f"a number below the upper limit, {high:g}")
    limits = Limits(
        id=uuid.uuid4(),
        clinic_id=patient.clinic_id,
        patient_id=patient.id,
        upper=high,
        lower=low,
        set_by=str(act.actor),
        set_at=act.now,
    )
    act.session.add(limits)
    return _written(act, limits, patient)


def _mmhg(field: str, given: float | None) -> float:
    return fields.number(field, given, LEAST_MMHG, MOST_MMHG, "mmHg")


def _written(act: Act, row: Row, patient: Patient) -> Row:
    act.session.flush()
    panel.mark_stale(act.session, [patient.id], act.now)
    act.note(f"{type(row).__name__.lower()}.set", row, patient=patient.id)
    return row
