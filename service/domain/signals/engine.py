"""Pressures, diary and silence of one patient, or of a whole panel, made into signals and one picture.

    state, raised = step(state, day, inputs, settings)    # one evening of many patients
    assess(case) -> Assessment                            # everything said of one patient
    assess_many(cases) -> list[Assessment]                # the same, vectorised over patients

Promises that nothing later than `day` is looked at, that the state is all that is
carried (the same days give the same signals whether they came one by one or a
year at once), that a patient assessed alone and one assessed among three hundred
get the same answer, and that every sentence says what is known and how surely.
Ships no clinical goal, gives no advice on treatment, and never says that all is well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from service.domain.days import Day
from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals import patient_facts, sentences
from service.domain.signals import rules as signal_rules
from service.domain.signals.diary import QUESTIONS, DiaryFindings
from service.domain.signals.episodes import KINDS
from service.domain.signals.facts import (
    AdjustmentMade,
    Assessment,
    Case,
    DiaryFacts,
    Episode,
    PressureFacts,
    ResponseFacts,
    SilenceFacts,
)
from service.domain.signals.rules import RuleInputs
from service.domain.signals.sentences import joined_picture
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.signals.state import KEEP, KEEP_EVERY, CarriedState, DayInputs, EngineState, begin
from service.domain.trend import state as trend_state
from service.domain.trend.response import LevelOn, response
from service.domain.trend.state import TrendState
from service.domain.vocabulary import SignalKind, Swelling

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]
_HEIGHT = {Swelling.NONE: 0.0, Swelling.ANKLE: 1.0, Swelling.SHIN: 2.0, Swelling.KNEE: 3.0}


def assess(case: Case, settings: EngineSettings = DEFAULT) -> Assessment:
    """Everything the engine says of one patient on `case.today`."""
    return assess_many([case], settings)[0]


def assess_many(cases: Sequence[Case], settings: EngineSettings = DEFAULT) -> list[Assessment]:
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


def step(watch: EngineState, day: int, today: DayInputs, settings: EngineSettings) -> tuple[EngineState, Flags]:
    """One evening on, and [kind, patient] of the signals told on it. Days follow one another without a gap."""
    moved = trend_state.step(watch.trend, day, today.readings, settings, today.blur)
    nobody = np.zeros(watch.patients, dtype=np.bool_)
    evening = RuleInputs(
        day,
        moved,
        watch.episodes,
        watch.quick,
        watch.upper,
        watch.lower,
        nobody if today.safety is None else today.safety,
        _missed(moved, watch, day) if today.missed is None else today.missed,
    )
    rules, quick = signal_rules.pressure_rules(evening, settings)
    diary = watch.diary
    if today.answers is not None:
        diary = diary_rules.step(diary, day, today.answers, today.pounds)
        judged = diary_rules.diary_findings(diary, day, settings)
        rules.update(signal_rules.diary_rules(evening, diary, judged.weight, judged.symptoms))
    if watch.silent_days.any():
        rules[SignalKind.SILENT] = signal_rules.silence_rule(evening, watch.silent_days)
    episodes, told = episode_rules.update(watch.episodes, day, rules)
    return replace(watch, trend=moved, diary=diary, episodes=episodes, quick=quick), told


def _missed(moved: TrendState, watch: EngineState, day: int) -> Days:
    """Days without a reading since the last, where nobody says what was planned."""
    return np.where(moved.read_on > 0, day - moved.read_on, 0)


def ahead(
    carried: CarriedState, day: int, today: DayInputs, settings: EngineSettings
) -> tuple[CarriedState, np.ndarray]:
    """One evening on, and what is told on it. Every so often the evening before is kept."""
    watch, told = step(carried.now, day, today, settings)
    kept = carried.kept
    if carried.now.day and (not kept or carried.now.day - kept[-1].day >= KEEP_EVERY):
        kept = (*kept, carried.now)[-KEEP:]
    return CarriedState(watch, kept), told


@dataclass
class _Seen:
    """What is noted while the days go by: signals as told, and the main pressure's course."""

    signals: list[list[Episode]]
    levels: list[Array]
    read: list[NDArray[np.bool_]]


def watching(cases: Sequence[Case]) -> EngineState:
    """The state before the first day, with the limits, references and dry weights that people set."""
    n = len(cases)
    watch = begin(n)
    given, sd, from_day = np.full((3, n), np.nan), np.zeros((3, n)), np.zeros(n, dtype=np.int64)
    for patient, case in enumerate(cases):
        if case.reference is not None:
            for channel, value in enumerate(case.reference.channels):
                given[channel, patient] = _or_nan(value)
            sd[:, patient] = case.reference.sd
            # Days before a reference was made are not judged by it.
            from_day[patient] = case.reference.to_day.toordinal() if case.reference.to_day else 0
    return replace(
        watch,
        trend=trend_state.with_references(watch.trend, given, sd, from_day),
        diary=replace(
            watch.diary, dry_weight=np.array([_or_nan(case.dry_weight_kg) for case in cases], dtype=np.float64)
        ),
        upper=np.array([_or_nan(case.limits.upper) for case in cases], dtype=np.float64),
        lower=np.array([_or_nan(case.limits.lower) for case in cases], dtype=np.float64),
    )


def today_of(days: Sequence[Day | None]) -> DayInputs:
    """One date of many patients as arrays; None or an empty day is "nothing came"."""
    n = len(days)
    readings, answers = np.full((3, n), np.nan), np.full((len(QUESTIONS), n), np.nan)
    safety, pounds, blur = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_), np.ones(n)
    for patient, day in enumerate(days):
        if day is None:
            continue
        blur[patient] = day.blur
        for channel, name in enumerate(trend_state.CHANNELS):
            readings[channel, patient] = _or_nan(getattr(day, name))
        if day.checkin:
            for question, name in enumerate(QUESTIONS):
                answers[question, patient] = _answer(getattr(day, name))
            safety[patient] = bool(day.safety_signs)
            pounds[patient] = day.weighed_in_pounds
    return DayInputs(readings, blur, answers, safety, pounds, missed=np.zeros(n, dtype=np.int64))


def _assess_on(today: date, cases: Sequence[Case], settings: EngineSettings) -> list[Assessment]:
    by_day = [{day.day: day for day in case.days if day.day <= today} for case in cases]
    first = min((day for days in by_day for day in days), default=today)
    watch = watching(cases)
    seen = _Seen([[] for _ in cases], [], [])
    for offset in range((today - first).days + 1):
        day = first + timedelta(days=offset)
        now = today_of([days.get(day) for days in by_day])
        watch, told = step(watch, day.toordinal(), now, settings)
        _note(seen, watch, told, now, day, by_day, settings)
    judged = diary_rules.diary_findings(watch.diary, watch.day, settings)
    return [
        _assessment(patient, case, watch, judged, by_day[patient].get(today), seen, first, settings)
        for patient, case in enumerate(cases)
    ]


def _note(
    seen: _Seen,
    watch: EngineState,
    told: NDArray[np.bool_],
    now: DayInputs,
    day: date,
    by_day: Sequence[dict[date, Day]],
    settings: EngineSettings,
) -> None:
    seen.levels.append(trend_state.of_main(watch.trend, watch.trend.filtered.level))
    seen.read.append(np.logical_or.reduce(~np.isnan(now.readings), axis=0))
    for row, patient in zip(*np.nonzero(watch.episodes.ended_on == watch.day), strict=True):
        _end(seen.signals[patient], KINDS[row], day)
    if not told.any():
        return
    judged = diary_rules.diary_findings(watch.diary, watch.day, settings)
    for row, patient in zip(*np.nonzero(told), strict=True):
        facts = patient_facts.pressure_facts(watch, int(patient), settings)
        diary = _diary(watch, int(patient), judged, by_day[patient].get(day))
        sentence, known = sentences.signal_sentence(KINDS[row], facts, diary, SilenceFacts(), day)
        _end(seen.signals[patient], KINDS[row], day)  # told again: the new row carries the episode on
        began = date.fromordinal(int(watch.episodes.began_on[row, patient]))
        seen.signals[patient].append(Episode(KINDS[row], day, began, sentence, known))


def _end(signals: list[Episode], kind: SignalKind, day: date) -> None:
    for position, signal in enumerate(signals):
        if signal.kind is kind and signal.ended_on is None:
            signals[position] = replace(signal, ended_on=day)


def _assessment(
    patient: int,
    case: Case,
    watch: EngineState,
    judged: DiaryFindings,
    day: Day | None,
    seen: _Seen,
    first: date,
    settings: EngineSettings,
) -> Assessment:
    pressure = patient_facts.pressure_facts(watch, patient, settings)
    if pressure.reference is not None and case.reference is not None:
        from_day, to_day = case.reference.from_day, case.reference.to_day
        pressure = replace(pressure, reference=replace(pressure.reference, from_day=from_day, to_day=to_day))
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
        area=patient_facts.area_facts(watch, patient),
        joined=joined,
        signals=(*seen.signals[patient], *_silent(case, joined.sentence)),
        response=_response(patient, case, seen, first, pressure),
        mean_level=float(level[1]) if started[1] else None,
        systolic_level=float(level[2]) if started[2] else None,
    )


def _response(patient: int, case: Case, seen: _Seen, first: date, pressure: PressureFacts) -> ResponseFacts | None:
    """To the newest adjustment that is not later than today."""
    made = max((made for made in case.adjustments if made.made_on <= case.today), key=_made_on, default=None)
    if made is None:
        return None
    begun = next((offset for offset, read in enumerate(seen.read) if read[patient]), len(seen.read))
    course = [
        LevelOn(first + timedelta(days=offset), float(seen.levels[offset][patient]), bool(seen.read[offset][patient]))
        for offset in range(begun, len(seen.read))
    ]
    return response(made, course, pressure.reference)


def _made_on(made: AdjustmentMade) -> date:
    return made.made_on


def _silent(case: Case, sentence: str) -> list[Episode]:
    """Silence is the caller's finding; here it only joins the others."""
    silence = case.silence
    if not silence.silent or silence.since is None:
        return []
    return [Episode(SignalKind.SILENT, case.today, silence.since, sentence, {"missed_readings": silence.missed})]


def _diary(watch: EngineState, patient: int, judged: DiaryFindings, day: Day | None) -> DiaryFacts:
    return patient_facts.diary_facts(watch, patient, judged, day.safety_signs if day else ())


def _answer(value: object) -> float:
    if isinstance(value, Swelling):
        return _HEIGHT[value]
    return float(value) if isinstance(value, int | float) else np.nan


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)
