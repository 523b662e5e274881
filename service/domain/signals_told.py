"""One patient's facts and sentences, taken out of the arrays of many.

Promises that what is said is what the arrays held on that evening, rounded for
reading and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import NormalDist

import numpy as np

from service.domain import spoken, trend_area
from service.domain.signals_episodes import ROW
from service.domain.signals_facts import (
    Area,
    Break,
    DiaryFacts,
    Fact,
    Limits,
    PressureFacts,
    Reference,
    SilenceFacts,
)
from service.domain.signals_picture import joined_picture
from service.domain.signals_sentences import level_clause, limit_clause
from service.domain.signals_settings import Settings
from service.domain.signals_watch import Diaries, Watch
from service.domain.trend import main_channel
from service.domain.trend_forecast import FORTNIGHT, forecast, pace
from service.domain.vocabulary import SafetySign, SignalKind

NAMES = ("PA diastolic", "mean PA pressure", "PA systolic")
SIGNS = {
    SafetySign.BREATHLESS_AT_REST: "breathless at rest",
    SafetySign.CHEST_PAIN: "chest pain",
    SafetySign.FAINTING: "fainting",
    SafetySign.PINK_SPUTUM: "pink or foamy sputum",
    SafetySign.NEW_CONFUSION: "new confusion",
}
_SWELLING = ("none", "ankle", "shin", "knee or above")
_USUAL_DAYS = 14  # days of recent weeks before they are told


def pressure_facts(watch: Watch, patient: int, settings: Settings) -> PressureFacts:
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
    limits = _limits(watch, patient) if channel == 0 else Limits()
    level, level_sd = float(filtered.level[series]), float(max(filtered.level_var[series], 0.0)) ** 0.5
    broken = _broken(watch, patient, settings) if reference is not None else None
    going = None
    if broken is not None:
        # Without a break a slope is within its own noise and points nowhere.
        days = trend_area.newest(moved.values[:, [patient]], watch.day, FORTNIGHT)[:, 0]
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


def diary_facts(watch: Watch, patient: int, judged: Diaries | None, safety: Sequence[SafetySign] = ()) -> DiaryFacts:
    """What the diary of one patient says on the evening of `watch`; `judged` None is "nobody keeps one"."""
    signs = tuple(SIGNS[sign] for sign in safety)
    if judged is None:
        return DiaryFacts(safety=signs)
    last = int(watch.diary.written_on[patient])
    week = watch.diary.ring[(watch.day - np.arange(7)) % len(watch.diary.ring), :, patient]
    return DiaryFacts(
        last_on=_date(last),
        answered=int((~np.isnan(week)).any(axis=1).sum()),
        worse=tuple(_worse(judged, patient)) if watch.day - last < 7 else (),
        light_headed=_light(judged, patient),
        weight_gain=_weight(judged, patient, up=True),
        weight_loss=_weight(judged, patient, up=False),
        safety=signs,
    )


def area_facts(watch: Watch, patient: int) -> Area:
    """Area over reference and days above the limit, one patient."""
    channel = int(main_channel(watch.trend)[patient])
    reference = float(watch.trend.anchor.value[channel, patient])
    upper = float(watch.upper[patient])
    areas, above = [], []
    for days in trend_area.PERIODS:
        values = trend_area.newest(watch.trend.values[:, [patient]], watch.day, days)
        areas.append(0.0 if np.isnan(reference) else float(trend_area.over_reference(values, reference)[0]))
        above.append(int(trend_area.days_above(values, upper)[0]))
    known = () if np.isnan(reference) else tuple(round(area, 2) for area in areas)
    return Area(trend_area.PERIODS, known, None if np.isnan(upper) else tuple(above))


def signal_sentence(
    kind: SignalKind, pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date
) -> tuple[str, dict[str, Fact]]:
    """The sentence of a signal told today, and the facts it rests on."""
    joined = joined_picture(pressure, diary, silence, today)
    facts = dict(joined.facts) | {"picture": joined.picture.value}
    match kind:
        case SignalKind.ABOVE_LIMIT | SignalKind.BELOW_LIMIT:
            sentence = spoken.sentence(limit_clause(pressure, up=kind is SignalKind.ABOVE_LIMIT))
        case SignalKind.WEIGHT_GAIN | SignalKind.WEIGHT_LOSS:
            clause = diary.weight_gain if kind is SignalKind.WEIGHT_GAIN else diary.weight_loss
            sentence = spoken.sentence(f"{clause or 'weight changed'}; {_about(pressure)}")
        case _:
            sentence = joined.sentence
    return sentence, facts


def _about(pressure: PressureFacts) -> str:
    if pressure.broken is not None:
        return f"pressure {'up' if pressure.rising else 'down'} as well"
    if pressure.level is None:
        return level_clause(pressure)
    return f"no break in pressure: {level_clause(pressure)}"


def _limits(watch: Watch, patient: int) -> Limits:
    upper, lower = float(watch.upper[patient]), float(watch.lower[patient])
    return Limits(None if np.isnan(upper) else upper, None if np.isnan(lower) else lower)


def _reference(watch: Watch, channel: int, patient: int) -> Reference | None:
    anchor = watch.trend.anchor
    value = float(anchor.value[channel, patient])
    if np.isnan(value):
        return None
    if anchor.is_set[patient]:
        return Reference(value, float(anchor.var[channel, patient]) ** 0.5)
    first, last = int(anchor.first_day[patient]), int(anchor.last_day[patient])
    return Reference(value, float(anchor.var[channel, patient]) ** 0.5, _date(first), _date(last), is_set=False)


def _broken(watch: Watch, patient: int, settings: Settings) -> Break | None:
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


def _pace(watch: Watch, patient: int, began: int) -> float | None:
    """The mean move a day since the evening before the break began."""
    ring, days = watch.trend.beyond, watch.day - began + 1
    if not 0 < days < len(ring):
        return None
    before = float(ring[(began - 1) % len(ring), patient])
    return None if np.isnan(before) else (float(watch.trend.excess.now[patient]) - before) / days


def _worse(judged: Diaries, patient: int) -> list[str]:
    found = judged.symptoms
    told = []
    if found.breathless[patient]:
        usual, now = found.breath_usual[patient], found.breath[patient]
        told.append(f"more breathless (usual {spoken.figure(float(usual), 0)}, now {spoken.figure(float(now), 0)})")
    if found.more_pillows[patient]:
        told.append(f"{spoken.count(int(found.pillows[patient]), 'more pillow')} than usual")
    if found.woken[patient]:
        told.append(f"woken by breathlessness on {spoken.count(int(found.nights_woken[patient]), 'night')} of 7")
    if found.more_swelling[patient]:
        told.append(f"swelling up to the {_SWELLING[round(float(found.swelling[patient]))]}")
    if told and found.more_tired[patient]:
        told.append("more tired than usual")
    return told


def _light(judged: Diaries, patient: int) -> str:
    if not judged.symptoms.light_headed[patient]:
        return ""
    return f"light-headed on {spoken.count(int(judged.symptoms.days_light_headed[patient]), 'day')} of 7"


def _weight(judged: Diaries, patient: int, *, up: bool) -> str:
    found = judged.weight
    if not (found.gain if up else found.loss)[patient]:
        return ""
    way = 1.0 if up else -1.0
    spans = (
        (found.in_3_days, "from about 3 days ago"),
        (found.in_week, "from about a week ago"),
        (found.in_fortnight, "in 14 days by the trend of all weighings"),
        (found.over_dry, f"{'over' if up else 'under'} the dry weight set for this patient"),
    )
    changes = [(way * float(change[patient]), words) for change, words in spans if not np.isnan(change[patient])]
    if not changes:
        return ""
    size, words = max(changes)
    return f"weight {'up' if up else 'down'} {spoken.figure(size)} kg {words}"


def _date(ordinal: int) -> date | None:
    return date.fromordinal(ordinal) if ordinal > 0 else None
