"""One patient's facts, taken out of the arrays of many.

Promises that what is said is what the arrays held on that evening, rounded for
reading and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import NormalDist

import numpy as np

from service.domain.signals.diary import DiaryFindings
from service.domain.signals.episodes import ROW
from service.domain.signals.facts import (
    AnchoredReference,
    Area,
    Break,
    DiaryFacts,
    PressureFacts,
    PressureLimits,
)
from service.domain.signals.sentences import SIGNS, light_headed_clause, weight_clause, worse_clauses
from service.domain.signals.settings import EngineSettings
from service.domain.signals.state import EngineState
from service.domain.trend import reference as area_rules
from service.domain.trend.forecast import FORTNIGHT, forecast, pace
from service.domain.trend.state import main_channel
from service.domain.vocabulary import SafetySign, SignalKind

NAMES = ("PA diastolic", "mean PA pressure", "PA systolic")
_USUAL_DAYS = 14  # days of recent weeks before they are told


def pressure_facts(watch: EngineState, patient: int, settings: EngineSettings) -> PressureFacts:
    """Where the pressure of one patient is, on the evening of `watch`."""
    moved, n = watch.trend, watch.patients
    channel = int(main_channel(moved)[patient])
    series = channel * n + patient
    if moved.filtered.count[series] == 0:
        return PressureFacts(limits=_limits(watch, patient))
    filtered = moved.filtered
    reference = _reference(watch, channel, patient)
    usual = None
    if reference is not None and moved.usual_count[patient] >= _USUAL_DAYS:
        usual = reference.value + float(moved.usual_total[patient] / moved.usual_count[patient])
    limits = _limits(watch, patient) if channel == 0 else PressureLimits()
    level, level_sd = float(filtered.level[series]), float(max(filtered.level_var[series], 0.0)) ** 0.5
    broken = _broken(watch, patient, settings) if reference is not None else None
    going = None
    if broken is not None:
        # Without a break a slope is within its own noise and points nowhere.
        days = area_rules.newest(moved.values[:, [patient]], watch.day, FORTNIGHT)[:, 0]
        going = pace(days, float(filtered.noise[series]), up=broken.up)
    return PressureFacts(
        of=NAMES[channel],
        level=level,
        level_sd=level_sd,
        slope=float(filtered.slope[series]),
        slope_sd=float(max(filtered.slope_var[series], 0.0)) ** 0.5,
        pace=going.mean if going else None,
        pace_sd=going.sd if going else None,
        reference=reference,
        usual=usual,
        limits=limits,
        broken=broken,
        forecast=forecast(level, level_sd, going, limits),
        last_reading_on=_date(int(moved.read_on[patient])),
    )


def diary_facts(
    watch: EngineState, patient: int, judged: DiaryFindings | None, safety: Sequence[SafetySign] = ()
) -> DiaryFacts:
    """What the diary of one patient says on the evening of `watch`; `judged` None is "nobody keeps one"."""
    signs = tuple(SIGNS[sign] for sign in safety)
    if judged is None:
        return DiaryFacts(safety=signs)
    last = int(watch.diary.written_on[patient])
    week = watch.diary.ring[(watch.day - np.arange(7)) % len(watch.diary.ring), :, patient]
    return DiaryFacts(
        last_on=_date(last),
        answered=int((~np.isnan(week)).any(axis=1).sum()),
        worse=tuple(worse_clauses(judged, patient)) if watch.day - last < 7 else (),
        light_headed=light_headed_clause(judged, patient),
        weight_gain=weight_clause(judged, patient, up=True),
        weight_loss=weight_clause(judged, patient, up=False),
        safety=signs,
    )


def area_facts(watch: EngineState, patient: int) -> Area:
    """Area over reference and days above the limit, one patient."""
    channel = int(main_channel(watch.trend)[patient])
    reference = float(watch.trend.anchor.value[channel, patient])
    upper = float(watch.upper[patient])
    areas, above = [], []
    for days in area_rules.PERIODS:
        values = area_rules.newest(watch.trend.values[:, [patient]], watch.day, days)
        areas.append(0.0 if np.isnan(reference) else float(area_rules.over_reference(values, reference)[0]))
        above.append(int(area_rules.days_above(values, upper)[0]))
    known = () if np.isnan(reference) else tuple(round(area, 2) for area in areas)
    return Area(area_rules.PERIODS, known, None if np.isnan(upper) else tuple(above))


def _limits(watch: EngineState, patient: int) -> PressureLimits:
    upper, lower = float(watch.upper[patient]), float(watch.lower[patient])
    return PressureLimits(None if np.isnan(upper) else upper, None if np.isnan(lower) else lower)


def _reference(watch: EngineState, channel: int, patient: int) -> AnchoredReference | None:
    anchor = watch.trend.anchor
    value = float(anchor.value[channel, patient])
    if np.isnan(value):
        return None
    if anchor.is_set[patient]:
        return AnchoredReference(value, float(anchor.var[channel, patient]) ** 0.5)
    first, last = int(anchor.first_day[patient]), int(anchor.last_day[patient])
    return AnchoredReference(value, float(anchor.var[channel, patient]) ** 0.5, _date(first), _date(last), is_set=False)


def _broken(watch: EngineState, patient: int, settings: EngineSettings) -> Break | None:
    rising = bool(watch.episodes.open[ROW[SignalKind.RISING], patient])
    falling = bool(watch.episodes.open[ROW[SignalKind.FALLING], patient])
    if not rising and not falling:
        return None
    row, way = (ROW[SignalKind.RISING], 1.0) if rising else (ROW[SignalKind.FALLING], -1.0)
    beyond, wander = watch.trend.excess, settings.wander**2
    now, ahead = way * float(beyond.now[patient]), way * float(beyond.ahead[patient])
    began = int(watch.episodes.began_on[row, patient])
    now_sd = float(beyond.now_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
    ahead_sd = float(beyond.ahead_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
    return Break(
        up=rising,
        size=float(beyond.now[patient]),
        probability=NormalDist().cdf((now - settings.margin) / now_sd),
        ahead=NormalDist().cdf((ahead - settings.margin) / ahead_sd),
        began_on=date.fromordinal(began),
        pace=_pace(watch, patient, began),
    )


def _pace(watch: EngineState, patient: int, began: int) -> float | None:
    """The mean move a day since the evening before the break began."""
    ring, days = watch.trend.beyond, watch.day - began + 1
    if not 0 < days < len(ring):
        return None
    before = float(ring[(began - 1) % len(ring), patient])
    return None if np.isnan(before) else (float(watch.trend.excess.now[patient]) - before) / days


def _date(ordinal: int) -> date | None:
    return date.fromordinal(ordinal) if ordinal > 0 else None
