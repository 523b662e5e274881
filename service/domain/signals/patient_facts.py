"""One patient's facts, taken out of the arrays of many.

    evening = Evening(state, findings, settings)
    evening.pressure(patient), evening.diary(patient, safety), evening.area(patient)

Promises that what is said is what the arrays held on that evening, to a millionth of
a unit (far below what is read, and the same however many patients were worked out at
once), and that what is the same work for everybody is done once for all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from service.domain.signals.diary import DiaryFindings, middle
from service.domain.signals.episodes import ROW
from service.domain.signals.facts import (
    AnchoredReference,
    Area,
    Break,
    DiaryFacts,
    Forecast,
    LimitRun,
    PressureFacts,
    PressureLimits,
    SilenceFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
)
from service.domain.signals.rules import DOWN, IN_A_ROW, STILL_NEWS, UP
from service.domain.signals.settings import EngineSettings
from service.domain.signals.state import EngineState
from service.domain.trend import reference as area_rules
from service.domain.trend.forecast import FORTNIGHT, forecast, pace
from service.domain.trend.state import main_channel
from service.domain.vocabulary import Pressure, SafetySign, SignalKind

CHANNELS = (Pressure.DIASTOLIC, Pressure.MEAN, Pressure.SYSTOLIC)
_USUAL_DAYS = 14  # days of recent weeks before they are told


class Evening:
    """Some patients on the evening of `state`; `findings` None is "nobody keeps a diary"."""

    def __init__(self, state: EngineState, findings: DiaryFindings | None, settings: EngineSettings) -> None:
        self._state, self._findings, self._settings = state, findings, settings
        self._channel: list[int] = main_channel(state.trend).tolist()

    def pressure(self, patient: int) -> PressureFacts:
        """Where the pressure of one patient is."""
        moved, channel = self._state.trend, self._channel[patient]
        filtered, series = moved.filtered, channel * self._state.patients + patient
        if filtered.count[series] == 0:
            return PressureFacts(limits=self._limits(patient))
        reference = self._reference(channel, patient)
        usual = None
        if reference is not None and moved.usual_count[patient] >= _USUAL_DAYS:
            usual = reference.value + float(moved.usual_total[patient] / moved.usual_count[patient])
        limits = self._limits(patient) if channel == 0 else PressureLimits()
        level, level_sd = float(filtered.level[series]), float(max(filtered.level_var[series], 0.0)) ** 0.5
        broken = self._broken(patient) if reference is not None else None
        going = None
        if broken is not None:
            # Without a break a slope is within its own noise and points nowhere.
            days = area_rules.newest(moved.values[:, [patient]], self._state.day, FORTNIGHT)[:, 0]
            going = pace(days, float(filtered.noise[series]), up=broken.up)
        return PressureFacts(
            of=CHANNELS[channel],
            level=_rounded(level),
            level_sd=_rounded(level_sd),
            slope=_rounded(float(filtered.slope[series])),
            slope_sd=_rounded(float(max(filtered.slope_var[series], 0.0)) ** 0.5),
            pace=_rounded(going.mean) if going else None,
            pace_sd=_rounded(going.sd) if going else None,
            reference=reference,
            usual=None if usual is None else _rounded(usual),
            limits=limits,
            broken=broken,
            forecast=_forecast(forecast(level, level_sd, going, limits)),
            in_a_row=self._in_a_row(patient),
            last_reading_on=_date(moved.read_on[patient]),
        )

    def level(self, channel: int, patient: int) -> float | None:
        """The filter's level of one of the three pressures, mmHg; None before its first reading."""
        filtered, series = self._state.trend.filtered, channel * self._state.patients + patient
        return float(filtered.level[series]) if filtered.count[series] > 0 else None

    def diary(self, patient: int, safety: Sequence[SafetySign] = ()) -> DiaryFacts:
        """What the diary of one patient says; `safety` are the signs ticked on this date."""
        found = self._findings
        if found is None:
            return DiaryFacts(safety=tuple(safety))
        last = int(self._state.diary.written_on[patient])
        return DiaryFacts(
            last_on=_date(last),
            answered=self._answered[patient],
            worse=tuple(_worse(found, patient)) if self._state.day - last < 7 else (),
            light_headed=int(found.symptoms.days_light_headed[patient]) if found.symptoms.light_headed[patient] else 0,
            weight_gain=_weight(found, patient, up=True),
            weight_loss=_weight(found, patient, up=False),
            safety=tuple(safety),
        )

    def silence(self, patient: int) -> SilenceFacts:
        """The days without a reading, where the engine itself counts them; else "not silent"."""
        silent_days, read_on = int(self._state.silent_days[patient]), int(self._state.trend.read_on[patient])
        missed = self._state.day - read_on
        if silent_days == 0 or read_on == 0 or missed < silent_days:
            return SilenceFacts()
        return SilenceFacts(missed, date.fromordinal(read_on + 1), None, silent_days)

    def area(self, patient: int) -> Area:
        """Area over reference and days above the limit."""
        over, above, known, limited = self._areas
        return Area(
            area_rules.PERIODS,
            over[patient] if known[patient] else (),
            above[patient] if limited[patient] else None,
        )

    @cached_property
    def _answered(self) -> list[int]:
        """Days with a diary in the last 7."""
        ring = self._state.diary.ring
        week = ring[(self._state.day - np.arange(7)) % len(ring)]
        counted: list[int] = (~np.isnan(week)).any(axis=1).sum(axis=0).tolist()
        return counted

    @cached_property
    def _areas(self) -> tuple[list[tuple[float, ...]], list[tuple[int, ...]], list[bool], list[bool]]:
        trend, everyone = self._state.trend, np.arange(self._state.patients)
        reference = trend.anchor.value[self._channel, everyone]
        over, above = [], []
        for days in area_rules.PERIODS:
            values = area_rules.newest(trend.values, self._state.day, days)
            over.append(np.round(area_rules.over_reference(values, reference), 2).tolist())
            above.append(area_rules.days_above(values, self._state.upper).tolist())
        known, limited = ~np.isnan(reference), ~np.isnan(self._state.upper)
        return list(zip(*over, strict=True)), list(zip(*above, strict=True)), known.tolist(), limited.tolist()

    @cached_property
    def _run_medians(self) -> NDArray[np.float64]:
        return middle(self._state.runs.newest)

    def _in_a_row(self, patient: int) -> LimitRun | None:
        runs = self._state.runs
        if self._state.day - int(runs.read_on[patient]) > STILL_NEWS:
            return None
        for side, limit in ((UP, self._state.upper), (DOWN, self._state.lower)):
            if (count := int(runs.count[side, patient])) >= IN_A_ROW:
                since = date.fromordinal(int(runs.began_on[side, patient]))
                return LimitRun(
                    side == UP, float(limit[patient]), count, since, round(float(self._run_medians[patient]), 1)
                )
        return None

    def _limits(self, patient: int) -> PressureLimits:
        upper, lower = float(self._state.upper[patient]), float(self._state.lower[patient])
        return PressureLimits(None if upper != upper else upper, None if lower != lower else lower)

    def _reference(self, channel: int, patient: int) -> AnchoredReference | None:
        anchor = self._state.trend.anchor
        value = _rounded(float(anchor.value[channel, patient]))
        sd = _rounded(float(anchor.var[channel, patient]) ** 0.5)
        if value != value:  # nan
            return None
        if anchor.is_set[patient]:
            return AnchoredReference(value, sd)
        return AnchoredReference(
            value, sd, _date(anchor.first_day[patient]), _date(anchor.last_day[patient]), is_set=False
        )

    def _broken(self, patient: int) -> Break | None:
        state, settings = self._state, self._settings
        rising = bool(state.episodes.open[ROW[SignalKind.RISING], patient])
        falling = bool(state.episodes.open[ROW[SignalKind.FALLING], patient])
        if not rising and not falling:
            return None
        row, way = (ROW[SignalKind.RISING], 1.0) if rising else (ROW[SignalKind.FALLING], -1.0)
        beyond, wander = state.trend.excess, settings.wander**2
        now, ahead = way * float(beyond.now[patient]), way * float(beyond.ahead[patient])
        began = int(state.episodes.began_on[row, patient])
        now_sd = float(beyond.now_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
        ahead_sd = float(beyond.ahead_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
        return Break(
            up=rising,
            size=_rounded(float(beyond.now[patient])),
            probability=_rounded(NormalDist().cdf((now - settings.margin) / now_sd)),
            ahead=_rounded(NormalDist().cdf((ahead - settings.margin) / ahead_sd)),
            began_on=date.fromordinal(began),
            pace=self._pace(patient, began),
        )

    def _pace(self, patient: int, began: int) -> float | None:
        """The mean move a day since the evening before the break began."""
        ring, days = self._state.trend.beyond, self._state.day - began + 1
        if not 0 < days < len(ring):
            return None
        before = float(ring[(began - 1) % len(ring), patient])
        return None if np.isnan(before) else _rounded((float(self._state.trend.excess.now[patient]) - before) / days)


def _forecast(made: Forecast | None) -> Forecast | None:
    if made is None:
        return None
    days, high = (None if value is None else _rounded(value) for value in (made.days, made.high))
    return replace(made, days=days, low=_rounded(made.low), high=high)


def _worse(judged: DiaryFindings, patient: int) -> list[SymptomChange]:
    """Each symptom that is worse; tiredness alone is none."""
    found = judged.symptoms
    worse = []
    if found.breathless[patient]:
        usual, now = float(found.breath_usual[patient]), float(found.breath[patient])
        worse.append(SymptomChange(Symptom.BREATHLESS, now, usual))
    if found.more_pillows[patient]:
        worse.append(SymptomChange(Symptom.PILLOWS, int(found.pillows[patient])))
    if found.woken[patient]:
        worse.append(SymptomChange(Symptom.WOKEN, int(found.nights_woken[patient])))
    if found.more_swelling[patient]:
        worse.append(SymptomChange(Symptom.SWELLING, float(found.swelling[patient])))
    if worse and found.more_tired[patient]:
        worse.append(SymptomChange(Symptom.TIRED))
    return worse


def _weight(judged: DiaryFindings, patient: int, *, up: bool) -> WeightChange | None:
    """The largest change that way; of two alike the one over the longer span."""
    found = judged.weight
    if not (found.gain if up else found.loss)[patient]:
        return None
    way = 1.0 if up else -1.0
    spans = (
        (found.in_3_days, WeightSpan.DAYS_3),
        (found.in_week, WeightSpan.WEEK),
        (found.in_fortnight, WeightSpan.FORTNIGHT),
        (found.over_dry, WeightSpan.OVER_DRY if up else WeightSpan.UNDER_DRY),
    )
    sizes = [(way * float(change[patient]), order) for order, (change, _) in enumerate(spans)]
    known = [(size, order) for size, order in sizes if not np.isnan(size)]
    if not known:
        return None
    size, order = max(known)
    return WeightChange(_rounded(way * size), spans[order][1])


def _rounded(value: float) -> float:
    return round(value, 6)


def _date(ordinal: int) -> date | None:
    return date.fromordinal(int(ordinal)) if ordinal > 0 else None
