"""What the trend makes of each patient: the one place where the review asks for a judgement.

Until a patient has a reference of their own, set by staff, the mean of the first
14 days with readings stands in for it and is called what it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from statistics import fmean, median
from uuid import UUID

from service.domain import spoken
from service.domain.joined import Day
from service.domain.review import Raised
from service.domain.summary import Judged
from service.domain.words import SignalKind
from service.store.histories import History

REFERENCE_DAYS = 14  # the baseline convention: mean of 14 days (Zile 2025, Circ Heart Fail 18:e012754)
WEIGHT_GAIN_KG = 2.0  # in 3 days: the patients' guidance of the European Society of Cardiology
MARGIN_MMHG = 3.0  # common practice, no source: above the day-to-day noise of a weekly median


def judge(cases: Mapping[UUID, tuple[History, tuple[Day, ...]]]) -> dict[UUID, Judged]:
    """Each patient's level, reference and signals, from their history and joined days (the last is today)."""
    return {patient_id: _one(history, days) for patient_id, (history, days) in cases.items()}


def _one(history: History, days: tuple[Day, ...]) -> Judged:
    today = days[-1].day
    by_day: dict[date, list[float]] = {}
    for reading in history.readings:
        by_day.setdefault(reading.day, []).append(reading.pa_diastolic)
    daily = {day: median(values) for day, values in by_day.items()}
    week = [value for day, value in daily.items() if today - timedelta(days=7) < day <= today]
    level = median(week) if len(week) >= 3 else None
    first = [daily[day] for day in sorted(daily)[:REFERENCE_DAYS]]
    reference = history.reference.pa_diastolic if history.reference else None
    if reference is None and len(first) == REFERENCE_DAYS:
        reference = fmean(first)
    upper = history.limits.upper if history.limits else None
    lower = history.limits.lower if history.limits else None
    signals: list[Raised] = []
    days_to_limit = None
    if level is not None and upper is not None and level > upper:
        days_to_limit = 0.0
        signals.append(
            Raised(
                SignalKind.ABOVE_LIMIT,
                f"The week's median PA diastolic is {spoken.figure(level)} mmHg, above the limit of "
                f"{spoken.figure(upper)} set for this patient.",
                today,
            )
        )
    if level is not None and lower is not None and level < lower:
        days_to_limit = 0.0
        signals.append(
            Raised(
                SignalKind.BELOW_LIMIT,
                f"The week's median PA diastolic is {spoken.figure(level)} mmHg, below the limit of "
                f"{spoken.figure(lower)} set for this patient.",
                today,
            )
        )
    if level is not None and reference is not None and abs(level - reference) >= MARGIN_MMHG:
        up = level > reference
        signals.append(
            Raised(
                SignalKind.RISING if up else SignalKind.FALLING,
                f"The week's median PA diastolic is {spoken.figure(level)} mmHg, "
                f"{spoken.figure(abs(level - reference))} {'above' if up else 'below'} the reference of "
                f"{spoken.figure(reference)}.",
                today,
            )
        )
    signals += _weight(days)
    return Judged(
        level=level,
        reference=reference,
        reference_is_set=history.reference is not None,
        days_to_limit=days_to_limit,
        signals=tuple(signals),
    )


def _weight(days: tuple[Day, ...]) -> list[Raised]:
    weighed = [(day.day, day.weight_kg) for day in days[-4:] if day.weight_kg is not None]
    if len(weighed) < 2:
        return []
    (then, was), (now, weighs) = weighed[0], weighed[-1]
    if weighs - was <= WEIGHT_GAIN_KG:
        return []
    return [
        Raised(
            SignalKind.WEIGHT_GAIN,
            f"Weight up {spoken.figure(weighs - was)} kg from {spoken.day(then)} to {spoken.day(now)}.",
            now,
        )
    ]
