"""What the trend makes of each patient: the one place where the review asks the engine.

Turns a patient's rows into the engine's case and its assessment into what the
panel carries. Judges nothing itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from service.domain.review import Raised
from service.domain.signals import engine
from service.domain.signals.facts import (
    AdjustmentMade,
    Assessment,
    Case,
    Episode,
    PressureLimits,
    SilenceFacts,
    typed_reference,
)
from service.domain.summary import TrendSummary
from service.domain.vocabulary import SignalKind
from service.reports.charts import Ahead
from service.store.histories import History

_BEYOND = {SignalKind.ABOVE_LIMIT, SignalKind.BELOW_LIMIT}
AHEAD_DAYS = 14
MIDDLE_80 = 1.2816  # standard deviations either side that hold 80 % of a normal distribution


@dataclass(frozen=True, slots=True)
class ReviewedCase:
    """One patient's assessment, and the part of it that the panel carries."""

    judged: TrendSummary
    assessment: Assessment
    signals: tuple[Episode, ...]  # every episode, ended or not


def case_of(history: History, today: date) -> Case:
    """The engine's case: every day with a reading or a diary up to `today`."""
    known = [taken.day for taken in history.readings] + [day.day for day in history.diary]
    first = min((day for day in known if day <= today), default=today)
    silence = history.silence_on(today)
    return Case(
        days=history.joined(first, today),
        today=today,
        reference=None
        if history.reference is None
        else typed_reference(
            (history.reference.pa_diastolic, history.reference.pa_mean, history.reference.pa_systolic),
            history.reference.from_date,
            history.reference.to_date,
        ),
        limits=PressureLimits()
        if history.limits is None
        else PressureLimits(history.limits.upper, history.limits.lower),
        adjustments=[AdjustmentMade(made_on, what) for made_on, what in history.adjustments if made_on <= today],
        silence=SilenceFacts(
            missed=silence.missed if silence else 0,
            since=silence.first_day if silence else None,
            cause=silence.cause if silence else None,
            silent_days=history.silent_days or 1,
        ),
        dry_weight_kg=history.dry_weight_kg,
    )


def judge(cases: Mapping[UUID, Case]) -> dict[UUID, ReviewedCase]:
    """Everybody at once."""
    assessed = engine.assess_many(list(cases.values()))
    return {
        patient_id: _judgement(case, assessment)
        for (patient_id, case), assessment in zip(cases.items(), assessed, strict=True)
    }


def _judgement(case: Case, assessment: Assessment) -> ReviewedCase:
    return ReviewedCase(judged_of(assessment, assessment.signals), assessment, assessment.signals)


def judged_of(assessment: Assessment, episodes: tuple[Episode, ...]) -> TrendSummary:
    """What the panel carries of an assessment."""
    pressure, picture, after = assessment.pressure, assessment.joined, assessment.response
    beyond = any(one.ended_on is None and one.kind in _BEYOND for one in episodes)
    return TrendSummary(
        picture=picture.facts,
        lane=picture.lane,
        days_to_limit=0.0 if beyond else _tenth(pressure.forecast.days if pressure.forecast else None),
        signals=tuple(Raised(one.kind, one.facts, one.began_on) for one in episodes if one.ended_on is None),
        response=after,
    )


def ahead_of(judged: TrendSummary, today: date, days: int = AHEAD_DAYS) -> tuple[Ahead, ...]:
    """Where the pressure is likely to be if it goes on as it does: the middle 80 %, by day, mmHg.

    Only while there is a break: without one a slope is within its own noise and
    points nowhere. Leaves out the noise of a single reading.
    """
    known = judged.pressure
    level, sd, pace, pace_sd = known.level, known.level_sd, known.pace, known.pace_sd
    if level is None or sd is None or pace is None or pace_sd is None:
        return ()
    told = []
    for day in range(1, days + 1):
        middle, spread = level + pace * day, MIDDLE_80 * (sd**2 + (pace_sd * day) ** 2) ** 0.5
        told.append(Ahead(today + timedelta(days=day), middle - spread, middle, middle + spread))
    return tuple(told)


def _tenth(days: float | None) -> float | None:
    return None if days is None else round(days, 1)
