"""Every combination of pressure, diary and silence has one picture, one lane and one honest sentence."""

from __future__ import annotations

import re
from datetime import date
from itertools import product

import pytest

from service.domain.signals.episodes import burden
from service.domain.signals.facts import (
    AnchoredReference,
    Break,
    DiaryFacts,
    Forecast,
    Picture,
    PressureFacts,
    PressureLimits,
    SilenceFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
)
from service.domain.signals.picture import joined_picture, order_in_lane
from service.domain.vocabulary import Lane, SafetySign, SignalKind
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")

TODAY = date(2026, 3, 20)
BEGAN = date(2026, 3, 3)


def _pressure(way: int = 0, forecast: Forecast | None = None, known: bool = True) -> PressureFacts:
    if not known:
        return PressureFacts()
    level = 18.0 + 4 * way
    broken = Break(way > 0, 4.0 * way, 0.99, 0.99, BEGAN, pace=0.4 * way) if way else None
    return PressureFacts(
        level=level, level_sd=0.6, slope=0.3 * way, slope_sd=0.1, reference=AnchoredReference(18.0, 0.4),
        limits=PressureLimits(25.0, 10.0), broken=broken, forecast=forecast, last_reading_on=date(2026, 3, 16),
    )  # fmt: skip


UP, DOWN, FLAT, UNKNOWN = _pressure(1), _pressure(-1), _pressure(), _pressure(known=False)
WELL = DiaryFacts(last_on=TODAY, answered=6)
WORSE = DiaryFacts(last_on=TODAY, answered=6, worse=(SymptomChange(Symptom.BREATHLESS, 5, 2),))
LIGHT = DiaryFacts(last_on=TODAY, answered=6, light_headed=3)
HEAVY = DiaryFacts(last_on=TODAY, answered=6, weight_gain=WeightChange(2.4, WeightSpan.DAYS_3))
LOST = DiaryFacts(last_on=TODAY, answered=6, weight_loss=WeightChange(-2.6, WeightSpan.WEEK))
DANGER = DiaryFacts(last_on=TODAY, answered=6, safety=(SafetySign.CHEST_PAIN,))
NO_DIARY = DiaryFacts()
HEARD, SILENT = SilenceFacts(), SilenceFacts(missed=4, since=date(2026, 3, 17), silent_days=3)


@pytest.mark.parametrize(
    ("pressure", "diary", "silence", "picture", "lane"),
    [
        (UP, WELL, HEARD, Picture.UP_AND_WELL, Lane.LOOK_CLOSELY),
        (UP, NO_DIARY, HEARD, Picture.UP_AND_WELL, Lane.LOOK_CLOSELY),
        (UP, WORSE, HEARD, Picture.UP_AND_WORSE, Lane.CALL_TODAY),
        (UP, HEAVY, HEARD, Picture.UP_AND_WORSE, Lane.CALL_TODAY),
        (FLAT, WORSE, HEARD, Picture.WORSE_WITH_FLAT_PRESSURE, Lane.LOOK_CLOSELY),
        (FLAT, HEAVY, HEARD, Picture.WORSE_WITH_FLAT_PRESSURE, Lane.LOOK_CLOSELY),
        (DOWN, LIGHT, HEARD, Picture.DOWN_AND_LIGHT_HEADED, Lane.CALL_TODAY),
        (DOWN, LOST, HEARD, Picture.DOWN_AND_LIGHT_HEADED, Lane.CALL_TODAY),
        (DOWN, WELL, HEARD, Picture.DOWN, Lane.LOOK_CLOSELY),
        (UP, WELL, SILENT, Picture.SILENT_WHILE_RISING, Lane.CALL_TODAY),
        (FLAT, WORSE, SILENT, Picture.SILENT_AND_UNWELL, Lane.CALL_TODAY),
        (FLAT, WELL, SILENT, Picture.SILENT, Lane.NOT_HEARD_FROM),
        (UNKNOWN, WORSE, HEARD, Picture.WORSE_WITHOUT_PRESSURE, Lane.LOOK_CLOSELY),
        (FLAT, DANGER, HEARD, Picture.SAFETY_ANSWER, Lane.CALL_TODAY),
        (FLAT, WELL, HEARD, Picture.QUIET, Lane.SETTLED),
    ],
)
def test_what_they_say_together(
    pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, picture: Picture, lane: Lane
):
    found = joined_picture(pressure, diary, silence, TODAY)
    assert (found.picture, found.lane) == (picture, lane)
    assert (found.facts.pressure, found.facts.diary, found.facts.silence) == (pressure, diary, silence)


def test_the_early_call_in_full():
    soon = Forecast(25.0, up=True, days=6.5, low=5.2, high=9.4)
    found = joined_picture(_pressure(1, soon), WELL, HEARD, TODAY)
    assert signals.picture(ENGLISH, found.facts) == (
        "Pressure up, diary without change: PA diastolic rising about 0.4 mmHg a day since 3 March, now about "
        "22 mmHg (give or take 0.8) against the reference of 18; likely to pass 25 mmHg in 5 to 9 days; diary on "
        "6 of the last 7 days, no change from the usual reported."
    )
    # Before the next weekly review it would be too late.
    assert found.lane is Lane.CALL_TODAY


def test_a_passed_limit_is_a_call_even_without_a_break():
    passed = Forecast(25.0, up=True, days=0.0, low=0.0, high=0.0)
    assert joined_picture(_pressure(0, passed), WELL, HEARD, TODAY).lane is Lane.CALL_TODAY


def test_a_lane_is_ordered_by_days_then_size_then_silence():
    rows = [
        order_in_lane(None, 2.0, 0),
        order_in_lane(None, -5.0, 0),
        order_in_lane(9.0, 1.0, 0),
        order_in_lane(0.0, 1.0, 0),
        order_in_lane(None, 2.0, 6),
    ]
    assert sorted(range(5), key=rows.__getitem__) == [3, 2, 1, 4, 0]


EVERYTHING = list(
    product((UP, DOWN, FLAT, UNKNOWN), (WELL, WORSE, LIGHT, HEAVY, LOST, DANGER, NO_DIARY), (HEARD, SILENT))
)
# Words of treatment and of false comfort; "dose" and its kin, drugs, and "nothing to worry about".
FORBIDDEN = re.compile(
    r"all clear|all well|no concern|nothing to worry|\bfine\b|\bsafe\b|\bdoses?\b|\btake more\b|\bincrease\b|\breduce\b|"
    r"diuretic|tablet|\bstop\b|\bstart\b|\bstable\b|\bnormal\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize(("pressure", "diary", "silence"), EVERYTHING)
def test_no_sentence_comforts_or_advises(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts):
    facts = joined_picture(pressure, diary, silence, TODAY).facts
    sentences = [signals.picture(ENGLISH, facts), *(signals.signal(ENGLISH, kind, facts) for kind in SignalKind)]
    for sentence in sentences:
        assert not FORBIDDEN.search(sentence)
        assert sentence.endswith(".")
        assert sentence[0].isupper()
        assert "None" not in sentence
        assert "nan" not in sentence
        if pressure.level is not None and "mmHg" in sentence and "about" in sentence:
            assert "give or take" in sentence


@pytest.mark.parametrize(("pressure", "diary", "silence"), EVERYTHING)
def test_a_silent_diary_is_never_told_as_a_well_patient(
    pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts
):
    if diary.answered == 0 and not diary.safety:
        found = joined_picture(pressure, NO_DIARY, HEARD, TODAY)
        assert "not known" in signals.picture(ENGLISH, found.facts)


def test_the_burden_is_signals_per_100_patients_and_week():
    # 50 patients for 14 days are 100 patient-weeks.
    assert burden(12, 50 * 14) == pytest.approx(12.0)
    assert burden(3, 0) == 0.0
