"""Pressures, diary and silence of one patient, or of a whole panel, made into signals and one picture.

    assess(case) -> Assessment
    assess_many(cases) -> list[Assessment]        # the same, vectorised over patients

Promises that only days up to each case's `today` are looked at, that a patient
assessed alone and one assessed among three hundred get the same answer, and that
every sentence says what is known and how surely. Ships no clinical goal, gives
no advice on treatment, and never says that all is well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from service.domain import signals_told, signals_watch, trend
from service.domain.days import Day
from service.domain.signals_diary import QUESTIONS
from service.domain.signals_episodes import KINDS
from service.domain.signals_facts import (
    Adjustment,
    After,
    Assessment,
    Case,
    DiaryFacts,
    PressureFacts,
    Signal,
    SilenceFacts,
)
from service.domain.signals_picture import joined_picture
from service.domain.signals_settings import DEFAULT, Settings
from service.domain.signals_watch import Diaries, Today, Watch
from service.domain.trend_readings import SITTING
from service.domain.trend_response import Evening, response
from service.domain.vocabulary import SignalKind, Swelling

__all__ = ["DEFAULT", "Assessment", "Case", "Settings", "assess", "assess_many"]

Array = NDArray[np.float64]
TAKEN_SITTING = "taken sitting"  # the remark of domain.readings
_HEIGHT = {Swelling.NONE: 0.0, Swelling.ANKLE: 1.0, Swelling.SHIN: 2.0, Swelling.KNEE: 3.0}


def assess(case: Case, settings: Settings = DEFAULT) -> Assessment:
    """Everything the engine says of one patient on `case.today`."""
    return assess_many([case], settings)[0]


def assess_many(cases: Sequence[Case], settings: Settings = DEFAULT) -> list[Assessment]:
    """Each case's assessment, in the order given. Cases that share a `today` are worked out together."""
    together: dict[date, list[int]] = {}
    for position, case in enumerate(cases):
        together.setdefault(case.today, []).append(position)
    found: dict[int, Assessment] = {}
    for today, positions in together.items():
        found.update(
            zip(positions, _assess_on(today, [cases[position] for position in positions], settings), strict=True)
        )
    return [found[position] for position in range(len(cases))]


@dataclass
class _Seen:
    """What is noted while the days go by: signals as told, and the main pressure's course."""

    signals: list[list[Signal]]
    levels: list[Array]
    read: list[NDArray[np.bool_]]


def watching(cases: Sequence[Case]) -> Watch:
    """The state before the first day, with the limits, references and dry weights that people set."""
    n = len(cases)
    watch = signals_watch.begin(n)
    given, sd, from_day = np.full((3, n), np.nan), np.zeros((3, n)), np.zeros(n, dtype=np.int64)
    for patient, case in enumerate(cases):
        if case.reference is not None:
            given[0, patient], sd[0, patient] = case.reference.value, case.reference.sd
            # Days before a reference was made are not judged by it.
            from_day[patient] = case.reference.to_day.toordinal() if case.reference.to_day else 0
    return replace(
        watch,
        trend=trend.with_references(watch.trend, given, sd, from_day),
        diary=replace(
            watch.diary,
            dry_weight=np.array([_or_nan(case.dry_weight_kg) for case in cases], dtype=np.float64),
            pounds=np.array([case.weighs_in_pounds for case in cases], dtype=np.bool_),
        ),
        upper=np.array([_or_nan(case.limits.upper) for case in cases], dtype=np.float64),
        lower=np.array([_or_nan(case.limits.lower) for case in cases], dtype=np.float64),
    )


def today_of(days: Sequence[Day | None]) -> Today:
    """One date of many patients as arrays; None or an empty day is "nothing came"."""
    n = len(days)
    readings, answers = np.full((3, n), np.nan), np.full((len(QUESTIONS), n), np.nan)
    safety, blur = np.zeros(n, dtype=np.bool_), np.ones(n)
    for patient, day in enumerate(days):
        if day is None:
            continue
        if day.readings and day.remarks.count(TAKEN_SITTING) >= day.readings:
            blur[patient] = SITTING
        for channel, name in enumerate(trend.CHANNELS):
            readings[channel, patient] = _or_nan(getattr(day, name))
        if day.checkin:
            for question, name in enumerate(QUESTIONS):
                answers[question, patient] = _answer(getattr(day, name))
            safety[patient] = bool(day.safety_signs)
    return Today(readings, blur, answers, safety, missed=np.zeros(n, dtype=np.int64))


def _assess_on(today: date, cases: Sequence[Case], settings: Settings) -> list[Assessment]:
    by_day = [{day.day: day for day in case.days if day.day <= today} for case in cases]
    first = min((day for days in by_day for day in days), default=today)
    watch = watching(cases)
    seen = _Seen([[] for _ in cases], [], [])
    for offset in range((today - first).days + 1):
        day = first + timedelta(days=offset)
        now = today_of([days.get(day) for days in by_day])
        watch, told = signals_watch.step(watch, day.toordinal(), now, settings)
        _note(seen, watch, told, now, day, by_day, settings)
    judged = signals_watch.judge_diary(watch.diary, watch.day, settings)
    return [
        _assessment(patient, case, watch, judged, by_day[patient].get(today), seen, first, settings)
        for patient, case in enumerate(cases)
    ]


def _note(
    seen: _Seen,
    watch: Watch,
    told: NDArray[np.bool_],
    now: Today,
    day: date,
    by_day: Sequence[dict[date, Day]],
    settings: Settings,
) -> None:
    seen.levels.append(trend.of_main(watch.trend, watch.trend.filtered.level))
    seen.read.append(np.logical_or.reduce(~np.isnan(now.readings), axis=0))
    for row, patient in zip(*np.nonzero(watch.episodes.ended_on == watch.day), strict=True):
        _end(seen.signals[patient], KINDS[row], day)
    if not told.any():
        return
    judged = signals_watch.judge_diary(watch.diary, watch.day, settings)
    for row, patient in zip(*np.nonzero(told), strict=True):
        facts = signals_told.pressure_facts(watch, int(patient), settings)
        diary = _diary(watch, int(patient), judged, by_day[patient].get(day))
        sentence, known = signals_told.signal_sentence(KINDS[row], facts, diary, SilenceFacts(), day)
        _end(seen.signals[patient], KINDS[row], day)  # told again: the new row carries the episode on
        began = date.fromordinal(int(watch.episodes.began_on[row, patient]))
        seen.signals[patient].append(Signal(KINDS[row], day, began, sentence, known))


def _end(signals: list[Signal], kind: SignalKind, day: date) -> None:
    for position, signal in enumerate(signals):
        if signal.kind is kind and signal.ended_on is None:
            signals[position] = replace(signal, ended_on=day)


def _assessment(
    patient: int,
    case: Case,
    watch: Watch,
    judged: Diaries,
    day: Day | None,
    seen: _Seen,
    first: date,
    settings: Settings,
) -> Assessment:
    pressure = signals_told.pressure_facts(watch, patient, settings)
    if pressure.reference is not None and case.reference is not None:
        pressure = replace(pressure, reference=case.reference)
    diary = _diary(watch, patient, judged, day)
    joined = joined_picture(pressure, diary, case.silence, case.today)
    n = watch.patients
    level = watch.trend.filtered.level.reshape(3, n)[:, patient]
    started = watch.trend.filtered.started.reshape(3, n)[:, patient]
    return Assessment(
        today=case.today,
        pressure=pressure,
        diary=diary,
        silence=case.silence,
        area=signals_told.area_facts(watch, patient),
        joined=joined,
        signals=(*seen.signals[patient], *_silent(case, joined.sentence)),
        response=_response(patient, case, seen, first, pressure),
        mean_level=float(level[1]) if started[1] else None,
        systolic_level=float(level[2]) if started[2] else None,
    )


def _response(patient: int, case: Case, seen: _Seen, first: date, pressure: PressureFacts) -> After | None:
    """To the newest adjustment that is not later than today."""
    made = max((made for made in case.adjustments if made.made_on <= case.today), key=_made_on, default=None)
    if made is None:
        return None
    begun = next((offset for offset, read in enumerate(seen.read) if read[patient]), len(seen.read))
    course = [
        Evening(first + timedelta(days=offset), float(seen.levels[offset][patient]), bool(seen.read[offset][patient]))
        for offset in range(begun, len(seen.read))
    ]
    return response(made, course, pressure.reference)


def _made_on(made: Adjustment) -> date:
    return made.made_on


def _silent(case: Case, sentence: str) -> list[Signal]:
    """Silence is the caller's finding; here it only joins the others."""
    silence = case.silence
    if not silence.silent or silence.since is None:
        return []
    return [Signal(SignalKind.SILENT, case.today, silence.since, sentence, {"missed_readings": silence.missed})]


def _diary(watch: Watch, patient: int, judged: Diaries, day: Day | None) -> DiaryFacts:
    return signals_told.diary_facts(watch, patient, judged, day.safety_signs if day else ())


def _answer(value: object) -> float:
    if isinstance(value, Swelling):
        return _HEIGHT[value]
    return float(value) if isinstance(value, int | float) else np.nan


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)
