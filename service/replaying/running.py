"""A replay: the rows of many patients, day after day, through the watch that a clinic runs.

Promises that a signal of one day rests on that day and earlier ones only, that a
patient is watched from the first row to the last one of their own, and that
blocks of patients give what all at once would give.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.domain.days import Taken, combine, usual_after
from service.domain.signals import engine
from service.domain.signals import state as engine_state
from service.domain.signals.diary import QUESTIONS, DiaryFindings
from service.domain.signals.episodes import KINDS, burden
from service.domain.signals.facts import PressureLimits
from service.domain.signals.patient_facts import Evening
from service.domain.signals.picture import joined_picture
from service.domain.signals.state import DayInputs, EngineState
from service.domain.trend import state as trend_state
from service.domain.vocabulary import SafetySign, SignalKind
from service.replaying.diary_rows import Diaries
from service.replaying.options import Options
from service.replaying.rows import Readings
from service.words.language import FALLBACK, load_language
from service.words.sentences import signals

Array = NDArray[np.float64]
AT_ONCE = 2000  # patients worked on together
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Told:
    """One line of the answer."""

    patient: str
    local_date: date
    signal: SignalKind
    sentence: str


@dataclass(slots=True)
class Replayed:
    """What a replay found, in order of date, patient and kind."""

    told: list[Told] = field(default_factory=list)
    patients: int = 0
    patient_days: int = 0

    def per_patient_year(self) -> dict[SignalKind, float]:
        """Signals per patient-year, by kind."""
        counts = Counter(line.signal for line in self.told)
        years = max(self.patient_days, 1) / DAYS_A_YEAR
        return {kind: counts[kind] / years for kind in KINDS}

    def burden(self) -> float:
        """Signals per 100 patients and week."""
        return burden(len(self.told), self.patient_days)


@dataclass(slots=True)
class _Block:
    """Some patients' days as arrays; `first` is the ordinal of row 0."""

    names: Sequence[str]
    first: int
    readings: Array  # [day, 3, patient]
    blur: Array  # [day, patient]
    answers: Array | None  # [day, question, patient]
    safety: dict[int, dict[int, tuple[SafetySign, ...]]]  # by day, by patient
    begins: NDArray[np.int64]
    ends: NDArray[np.int64]


def replay(
    readings: Readings,
    diaries: Diaries | None,
    options: Options,
    progress: Callable[[int], None] = lambda patients: None,
) -> Replayed:
    """Run every patient of the two files. `progress` is told how many patients are done."""
    names = sorted(set(readings.days) | set(diaries.days if diaries else ()))
    found = Replayed(patients=len(names))
    for begin in range(0, len(names), AT_ONCE):
        block = _block(names[begin : begin + AT_ONCE], readings, diaries)
        found.patient_days += int((block.ends - block.begins + 1).sum())
        found.told += _run(block, diaries.pounds if diaries else set(), options)
        progress(min(begin + AT_ONCE, len(names)))
    found.told.sort(key=lambda line: (line.local_date, line.patient, KINDS.index(line.signal)))
    return found


def _run(block: _Block, pounds: set[str], options: Options) -> list[Told]:
    watch = _watch(block.names, pounds, options)
    wanted = np.array([kind in options.only for kind in KINDS])[:, None]
    lines: list[Told] = []
    for offset in range(len(block.readings)):
        day = block.first + offset
        safety = block.safety.get(day, {})
        today = DayInputs(
            block.readings[offset],
            blur=block.blur[offset],
            answers=None if block.answers is None else block.answers[offset],
            safety=np.isin(np.arange(len(block.names)), list(safety)) if safety else None,
        )
        watch, told, findings = engine.step(watch, day, today, options.engine)
        told = told & wanted & (day >= block.begins) & (day <= block.ends)
        if told.any():
            lines += _lines(block, watch, told, findings, safety, options)
    return lines


def _lines(
    block: _Block,
    watch: EngineState,
    told: NDArray[np.bool_],
    findings: DiaryFindings | None,
    safety: dict[int, tuple[SafetySign, ...]],
    options: Options,
) -> list[Told]:
    evening = Evening(watch, findings, options.engine)
    today = date.fromordinal(watch.day)
    english = load_language(FALLBACK)
    lines = []
    for row, patient in zip(*(where.tolist() for where in np.nonzero(told)), strict=True):
        pressure, diary = evening.pressure(patient), evening.diary(patient, safety.get(patient, ()))
        silence = evening.silence(patient)
        facts = joined_picture(pressure, diary, silence, today).facts
        lines.append(Told(block.names[patient], today, KINDS[row], signals.signal(english, KINDS[row], facts)))
    return lines


def _watch(names: Sequence[str], pounds: set[str], options: Options) -> EngineState:
    n = len(names)
    watch = engine_state.begin(n)
    given = np.full((3, n), np.nan)
    limits = [options.limits.get(name, PressureLimits()) for name in names]
    for patient, name in enumerate(names):
        for channel, value in enumerate(options.references.get(name, ())):
            given[channel, patient] = np.nan if value is None else value
    return replace(
        watch,
        trend=trend_state.with_references(watch.trend, given, np.zeros((3, n)), np.zeros(n, dtype=np.int64)),
        diary=replace(
            watch.diary,
            pounds=np.array([name in pounds for name in names], dtype=np.bool_),
            dry_weight=np.array([options.dry_weights.get(name, np.nan) for name in names], dtype=np.float64),
        ),
        upper=np.array([np.nan if one.upper is None else one.upper for one in limits], dtype=np.float64),
        lower=np.array([np.nan if one.lower is None else one.lower for one in limits], dtype=np.float64),
        silent_days=np.full(n, options.engine.silent_days or 0, dtype=np.int64),
    )


def _block(names: Sequence[str], readings: Readings, diaries: Diaries | None) -> _Block:
    written = {name: diaries.days.get(name, {}) for name in names} if diaries else {}
    known = [sorted({*readings.days.get(name, {}), *written.get(name, {})}) for name in names]
    begins = np.array([days[0] for days in known], dtype=np.int64)
    ends = np.array([days[-1] for days in known], dtype=np.int64)
    first, count, n = int(begins.min()), int(ends.max() - begins.min()) + 1, len(names)
    block = _Block(
        names,
        first,
        np.full((count, 3, n), np.nan),
        np.ones((count, n)),
        np.full((count, len(QUESTIONS), n), np.nan) if any(written.values()) else None,
        {},
        begins,
        ends,
    )
    for patient, name in enumerate(names):
        _fill_readings(block, patient, readings.days.get(name, {}))
        for day, (values, signs) in written.get(name, {}).items():
            if block.answers is not None:
                block.answers[day - first, :, patient] = [np.nan if value is None else value for value in values]
            if signs:
                block.safety.setdefault(day, {})[patient] = signs
    return block


def _fill_readings(block: _Block, patient: int, days: dict[int, list[Taken]]) -> None:
    usual: float | None = None
    for day in sorted(days):
        made = combine(days[day], usual)
        usual = usual_after(usual, made.hour)
        cell = block.readings[day - block.first, :, patient]
        for channel, value in enumerate((made.diastolic, made.mean, made.systolic)):
            if value is not None:
                cell[channel] = value
        block.blur[day - block.first, patient] = made.blur
