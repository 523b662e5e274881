"""One evening of many patients: the single path for a reading that arrives, a panel, and a replay.

    watch = begin(patients)
    watch, told = step(watch, day, Evening(...), settings)

Promises that nothing later than `day` is looked at, and that the state is all
that is carried: the same days give the same signals whether they came one by one
or a year at once. Makes no sentences: that is `signals_told`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.domain import signals_diary, signals_episodes, signals_rules, signals_symptoms, signals_weight, trend
from service.domain.signals_diary import DiaryState
from service.domain.signals_episodes import Episodes
from service.domain.signals_settings import Settings
from service.domain.signals_symptoms import SymptomsFound
from service.domain.signals_weight import WeightFound
from service.domain.trend import TrendState
from service.domain.vocabulary import SignalKind

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]


@dataclass(frozen=True)
class Watch:
    """What is carried of some patients from one evening to the next."""

    trend: TrendState
    diary: DiaryState
    episodes: Episodes
    quick: Flags  # [2, patient], see domain.signals_rules
    upper: Array  # limits, mmHg; nan where none was typed in
    lower: Array
    silent_days: Days  # 0: silence is not judged

    @property
    def day(self) -> int:
        """The evening it is; 0 before the first."""
        return self.trend.day

    @property
    def patients(self) -> int:
        return self.trend.patients


@dataclass(frozen=True)
class Today:
    """What came on one date. nan is missing."""

    readings: Array  # [3, patient] diastolic, mean, systolic in mmHg
    blur: Array | None = None  # [patient], see domain.trend_readings
    answers: Array | None = None  # [question, patient], see domain.signals_diary; None: nobody keeps a diary
    safety: Flags | None = None  # [patient]: the diary of this date ticked a safety sign
    missed: Days | None = None  # [patient]: planned readings missed in a row, this date included


@dataclass(frozen=True)
class Diaries:
    """What the diary rules found on an evening."""

    weight: WeightFound
    symptoms: SymptomsFound


def begin(patients: int) -> Watch:
    """Nothing is known of anybody."""
    return Watch(
        trend.begin(patients),
        signals_diary.begin(patients),
        signals_episodes.none_yet(patients),
        np.zeros((2, patients), dtype=np.bool_),
        np.full(patients, np.nan),
        np.full(patients, np.nan),
        np.zeros(patients, dtype=np.int64),
    )


def step(watch: Watch, day: int, today: Today, settings: Settings) -> tuple[Watch, Flags]:
    """One evening on, and [kind, patient] of the signals told on it. Days follow one another without a gap."""
    moved = trend.step(watch.trend, day, today.readings, settings, today.blur)
    nobody = np.zeros(watch.patients, dtype=np.bool_)
    evening = signals_rules.Evening(
        day,
        moved,
        watch.episodes,
        watch.quick,
        watch.upper,
        watch.lower,
        nobody if today.safety is None else today.safety,
        _missed(moved, watch, day) if today.missed is None else today.missed,
    )
    rules, quick = signals_rules.pressure_rules(evening, settings)
    diary = watch.diary
    if today.answers is not None:
        diary = signals_diary.step(diary, day, today.answers)
        judged = judge_diary(diary, day, settings)
        rules.update(signals_rules.diary_rules(evening, diary, judged.weight, judged.symptoms))
    if watch.silent_days.any():
        rules[SignalKind.SILENT] = signals_rules.silence_rule(evening, watch.silent_days)
    episodes, told = signals_episodes.update(watch.episodes, day, rules)
    return replace(watch, trend=moved, diary=diary, episodes=episodes, quick=quick), told


def judge_diary(diary: DiaryState, day: int, settings: Settings) -> Diaries:
    """The diary rules on the evening of `day`."""
    return Diaries(signals_weight.judge(diary, day, settings), signals_symptoms.judge(diary, day, settings))


def _missed(moved: TrendState, watch: Watch, day: int) -> Days:
    """Days without a reading since the last, where nobody says what was planned."""
    return np.where(moved.read_on > 0, day - moved.read_on, 0)
