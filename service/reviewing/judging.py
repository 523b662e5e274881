"""What the trend makes of each patient: the one place where the review asks the engine.

Turns a patient's rows into the engine's case and its assessment into what the
panel carries. Judges nothing itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from statistics import fmean, median
from uuid import UUID

from service.domain import joined, spoken
from service.domain.review import Raised
from service.domain.signals_facts import (
    Adjustment,
    Area,
    Assessment,
    Break,
    Case,
    DiaryFacts,
    Forecast,
    Limits,
    PressureFacts,
    Reference,
    Signal,
    SilenceFacts,
)
from service.domain.signals_picture import joined_picture
from service.domain.summary import Judged
from service.store.histories import History

# How sure a typed-in reference is, as the standard deviation of a mean of 14 days of usual noise, mmHg.
TYPED_SD = 0.5


@dataclass(frozen=True, slots=True)
class Judgement:
    """One patient's assessment, and the part of it that the panel carries."""

    judged: Judged
    assessment: Assessment

    @property
    def signals(self) -> tuple[Signal, ...]:
        return self.assessment.signals


def case_of(history: History, today: date) -> Case:
    """The engine's case: every day with a reading or a diary up to `today`."""
    known = [taken.day for taken in history.readings] + [day.day for day in history.diary]
    first = min((day for day in known if day <= today), default=today)
    silence = history.silence_now()
    return Case(
        days=joined.join(
            first,
            today,
            readings=history.readings,
            diary=history.diary,
            windows=history.windows,
            pauses=history.pauses,
        ),
        today=today,
        reference=None
        if history.reference is None
        else Reference(
            history.reference.pa_diastolic,
            TYPED_SD,
            history.reference.from_date,
            history.reference.to_date,
        ),
        limits=Limits() if history.limits is None else Limits(history.limits.upper, history.limits.lower),
        adjustments=[Adjustment(made_on, what) for made_on, what in history.adjustments if made_on <= today],
        silence=SilenceFacts(
            missed=silence.missed if silence else 0,
            since=silence.first_day if silence else None,
            cause=silence.cause if silence else None,
            silent_days=history.silent_days or 1,
        ),
        dry_weight_kg=history.dry_weight_kg,
    )


def judge(cases: Mapping[UUID, Case]) -> dict[UUID, Judgement]:
    """Everybody at once."""
    assessed = [_assess(case) for case in cases.values()]
    return {
        patient_id: Judgement(judged_of(assessment), assessment)
        for patient_id, assessment in zip(cases, assessed, strict=True)
    }


def judged_of(assessment: Assessment) -> Judged:
    """What the panel carries of an assessment."""
    pressure, picture, after = assessment.pressure, assessment.joined, assessment.response
    return Judged(
        level=pressure.level,
        slope_per_day=pressure.slope,
        reference=pressure.reference.value if pressure.reference else None,
        reference_is_set=pressure.reference.is_set if pressure.reference else False,
        days_to_limit=pressure.forecast.days if pressure.forecast else None,
        signals=tuple(
            Raised(signal.kind, signal.sentence, signal.raised_on)
            for signal in assessment.signals
            if signal.ended_on is None
        ),
        picture=picture.picture,
        lane=picture.lane,
        sentence=picture.sentence,
        size=pressure.broken.size if pressure.broken else 0.0,
        response=after.response if after else None,
        response_sentence=after.sentence if after else "",
    )


# --- a first honest rule: the week's median against the mean of 14 days -----------------


def _assess(case: Case) -> Assessment:
    daily = {day.day: day.pa_diastolic for day in case.days if day.pa_diastolic is not None}
    week = [value for day, value in daily.items() if (case.today - day).days < 7]
    level = median(week) if len(week) >= 3 else None
    first = [daily[day] for day in sorted(daily)[:14]]
    reference = case.reference
    if reference is None and len(first) == 14:
        reference = Reference(fmean(first), TYPED_SD, is_set=False)
    size = level - reference.value if level is not None and reference is not None else 0.0
    broken = Break(size > 0, size, 1.0, 1.0, case.today) if abs(size) >= 3.0 else None
    upper, lower = case.limits.upper, case.limits.lower
    forecast = None
    if level is not None and upper is not None and level > upper:
        forecast = Forecast(upper, True, 0.0, 0.0, 0.0)
    elif level is not None and lower is not None and level < lower:
        forecast = Forecast(lower, False, 0.0, 0.0, 0.0)
    pressure = PressureFacts(
        level=level,
        reference=reference,
        limits=case.limits,
        broken=broken,
        forecast=forecast,
        last_reading_on=max(daily, default=None),
    )
    answered = [day for day in case.days if day.checkin]
    weights = {day.day: day.weight_kg for day in answered if day.weight_kg is not None}
    gain = ""
    if weights and (then := [kg for day, kg in weights.items() if (max(weights) - day).days == 3]):
        more = weights[max(weights)] - then[0]
        gain = f"weight up {spoken.figure(more)} kg in 3 days" if more > 2.0 else ""
    diary = DiaryFacts(
        last_on=max((day.day for day in answered), default=None),
        answered=sum((case.today - day.day).days < 7 for day in answered),
        weight_gain=gain,
    )
    return Assessment(
        case.today, pressure, diary, case.silence, Area(), joined_picture(pressure, diary, case.silence, case.today)
    )
