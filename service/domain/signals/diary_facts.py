"""What the diary of one patient says, out of what the rules found of many: changes, and the last answers.

Promises that a change which an open episode told stays until answers, or staff, close it, as of
the day on which it was told. Compares nothing: that is `diary`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from service.domain.arrays import rounded
from service.domain.signals import diary as diary_rules
from service.domain.signals.diary import DiaryFindings
from service.domain.signals.facts import Episode, LastAnswers, Symptom, SymptomChange, WeightChange, WeightSpan
from service.domain.vocabulary import HEIGHTS, SignalKind


def changes(judged: DiaryFindings, patient: int, within: int) -> dict[str, Any]:
    """What the diary tells that differs, by the names of `DiaryFacts`."""
    found = judged.symptoms
    now, usual = float(found.breath[patient]), float(found.breath_usual[patient])
    return {
        "worse": tuple(_worse(judged, patient, within)),
        "once": tuple(_once(judged, patient, within)),
        "eased": SymptomChange(Symptom.BREATHLESS, rounded(now), rounded(usual)) if found.eased[patient] else None,
        "light_headed": int(found.days_light_headed[patient]) if found.light_headed[patient] else 0,
        "weight_gain": _weight(judged, patient, up=True),
        "weight_loss": _weight(judged, patient, up=False),
    }


def with_standing(told_now: dict[str, Any], going_on: Mapping[SignalKind, Episode]) -> dict[str, Any]:
    """The changes with what open episodes told and no answers have closed, as of the day it was told."""
    kept = dict(told_now)
    told = going_on.get(SignalKind.WORSE_SYMPTOMS)
    if told is not None and not told_now["worse"] and not told_now["light_headed"]:
        then = told.facts.diary
        kept |= {"worse": then.worse, "light_headed": then.light_headed, "standing_on": told.raised_on}
    for kind, name in ((SignalKind.WEIGHT_GAIN, "weight_gain"), (SignalKind.WEIGHT_LOSS, "weight_loss")):
        told = going_on.get(kind)
        moved = getattr(told.facts.diary, name) if told else None
        if told is not None and moved is not None and told_now[name] is None:
            kept[name] = replace(moved, on=moved.on or told.raised_on)
    return kept


def last_answers(on: int, given: Sequence[float]) -> LastAnswers:
    """Those of one day, by `QUESTIONS`."""
    said = [None if value != value else value for value in given]
    breath, pillows, swelling = (
        None if said[of] is None else int(given[of])
        for of in (diary_rules.BREATH, diary_rules.PILLOWS, diary_rules.SWELLING)
    )
    woke, chair, belly, light = (
        None if said[of] is None else given[of] > 0
        for of in (diary_rules.WOKE, diary_rules.CHAIR, diary_rules.BELLY, diary_rules.LIGHT)
    )
    height = None if swelling is None else HEIGHTS[swelling]
    return LastAnswers(
        date.fromordinal(on), breath, pillows, woke, chair, height, belly, light, said[diary_rules.WEIGHT]
    )


def _worse(judged: DiaryFindings, patient: int, of: int) -> list[SymptomChange]:
    """Each symptom that is worse, breathlessness first; tiredness alone is none."""
    found = judged.symptoms
    worse = []
    if found.breathless[patient]:
        usual, now = float(found.breath_usual[patient]), float(found.breath[patient])
        worse.append(SymptomChange(Symptom.BREATHLESS, rounded(now), rounded(usual), of, bool(found.jumped[patient])))
    if found.woken[patient]:
        nights = int(found.nights_woken[patient])
        worse.append(SymptomChange(Symptom.WOKEN, nights, of=of, at_once=bool(found.woken_once[patient])))
    if found.in_chair[patient]:
        seated = int(found.nights_in_chair[patient])
        worse.append(SymptomChange(Symptom.CHAIR, seated, of=of, at_once=bool(found.chair_once[patient])))
    if found.more_pillows[patient]:
        at_once = bool(found.pillows_at_once[patient])
        worse.append(SymptomChange(Symptom.PILLOWS, int(found.pillows[patient]), of=of, at_once=at_once))
    if found.more_swelling[patient]:
        worse.append(SymptomChange(Symptom.SWELLING, float(found.swelling[patient]), of=of))
    if found.full_belly[patient]:
        worse.append(SymptomChange(Symptom.BELLY, int(found.days_full_belly[patient]), of=of))
    if worse and found.more_tired[patient]:
        worse.append(SymptomChange(Symptom.TIRED, of=of))
    return worse


def _once(judged: DiaryFindings, patient: int, of: int) -> list[SymptomChange]:
    """The bad nights that are no change any more, or none yet: staff see each of them."""
    found = judged.symptoms
    woken = (Symptom.WOKEN, found.nights_woken, found.woken)
    nights = (woken, (Symptom.CHAIR, found.nights_in_chair, found.in_chair))
    return [
        SymptomChange(symptom, int(count[patient]), of=of)
        for symptom, count, told in nights
        if count[patient] and not told[patient]
    ]


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
        *(((found.over_usual, WeightSpan.OVER_USUAL),) if up else ()),
        (found.over_dry, WeightSpan.OVER_DRY if up else WeightSpan.UNDER_DRY),
    )
    sizes = [(way * float(change[patient]), order) for order, (change, _) in enumerate(spans)]
    known = [(size, order) for size, order in sizes if not np.isnan(size)]
    if not known:
        return None
    size, order = max(known)
    return WeightChange(rounded(way * size), spans[order][1])
