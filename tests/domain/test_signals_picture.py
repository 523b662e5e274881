"""Every combination of pressure, diary and silence has one picture, one lane and one honest sentence."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import product
from typing import Any

import pytest

from service.domain.signals.facts import (
    AnchoredReference,
    Break,
    Compared,
    DiaryFacts,
    Forecast,
    LastAnswers,
    Picture,
    PressureFacts,
    PressureLimits,
    SilenceFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
)
from service.domain.signals.picture import joined_picture, lane_of
from service.domain.vocabulary import Knowledge, Lane, SafetySign, SignalKind
from service.words.language import load_language
from service.words.sentences import diary as words
from service.words.sentences import signals

ENGLISH = load_language("en")

TODAY = date(2026, 3, 20)
BEGAN = date(2026, 3, 3)


def _pressure(way: int = 0, forecast: Forecast | None = None, known: bool = True) -> PressureFacts:
    if not known:
        return PressureFacts()
    level = 18.0 + 4 * way
    broken = Break(way > 0, 4.0 * way, 0.99, 0.99, BEGAN, pace=0.4 * way) if way else None
    compared = Compared(Knowledge.CHANGED if way else Knowledge.UNCHANGED, 0 if way else 6, 6, 7, TODAY)
    return PressureFacts(
        level=level, level_sd=0.6, slope=0.3 * way, slope_sd=0.1, reference=AnchoredReference(18.0, 0.4),
        limits=PressureLimits(25.0, 10.0), broken=broken, forecast=forecast, last_reading_on=date(2026, 3, 17), compared=compared,
    )  # fmt: skip


UP, DOWN, FLAT, UNKNOWN = _pressure(1), _pressure(-1), _pressure(), _pressure(known=False)


def _diary(knowledge: Knowledge, **facts: Any) -> DiaryFacts:
    """A daily diary of six of the last seven days."""
    unchanged = 6 if knowledge is Knowledge.UNCHANGED else 0
    compared = Compared(knowledge, unchanged, 6, 7, TODAY)
    moved = facts.get("weight_gain") or facts.get("weight_loss")
    weighed = Compared(Knowledge.CHANGED if moved else Knowledge.UNCHANGED, 0 if moved else 6, 6, 7, TODAY)
    return DiaryFacts(7, compared, weighed, LastAnswers(TODAY, breathlessness=2), **facts)


WELL = _diary(Knowledge.UNCHANGED)
WORSE = _diary(Knowledge.CHANGED, worse=(SymptomChange(Symptom.BREATHLESS, 5, 2),))
STRONG = _diary(
    Knowledge.CHANGED,
    worse=(
        SymptomChange(Symptom.BREATHLESS, 7, 1, at_once=True),
        SymptomChange(Symptom.PILLOWS, 3, at_once=True),
    ),
)
LIGHT = _diary(Knowledge.CHANGED, light_headed=3)
EASED = _diary(Knowledge.CHANGED, eased=SymptomChange(Symptom.BREATHLESS, 2, 5))
HEAVY_AND_SWOLLEN = _diary(
    Knowledge.CHANGED, weight_gain=WeightChange(3.1, WeightSpan.WEEK), worse=(SymptomChange(Symptom.SWELLING, 1),)
)
ONE_NIGHT = _diary(Knowledge.UNCHANGED, once=(SymptomChange(Symptom.WOKEN, 1),))
HEAVY = _diary(Knowledge.UNCHANGED, weight_gain=WeightChange(2.4, WeightSpan.DAYS_3))
LOST = _diary(Knowledge.UNCHANGED, weight_loss=WeightChange(-2.6, WeightSpan.WEEK))
DANGER = _diary(Knowledge.UNCHANGED, safety=(SafetySign.CHEST_PAIN,))
UNKNOWN_DIARY = _diary(Knowledge.TOO_LITTLE)
NO_DIARY = DiaryFacts()
EXPECTED = DiaryFacts(asked=7)
STOPPED = replace(WORSE, said=LastAnswers(TODAY - timedelta(days=3), breathlessness=5))
HEARD, SILENT = SilenceFacts(), SilenceFacts(missed=4, since=date(2026, 3, 17), silent_days=3)


@pytest.mark.parametrize(
    ("pressure", "diary", "silence", "picture", "lane"),
    [
        (UP, WELL, HEARD, Picture.UP_AND_WELL, Lane.LOOK_CLOSELY),
        (UP, NO_DIARY, HEARD, Picture.UP_AND_WELL, Lane.LOOK_CLOSELY),
        (UP, WORSE, HEARD, Picture.UP_AND_WORSE, Lane.CALL_TODAY),
        (UP, HEAVY, HEARD, Picture.UP_AND_WORSE, Lane.CALL_TODAY),
        (UP, LOST, HEARD, Picture.UP_AND_LIGHTER, Lane.LOOK_CLOSELY),
        (FLAT, LOST, HEARD, Picture.CHANGED, Lane.LOOK_CLOSELY),
        (FLAT, EASED, HEARD, Picture.CHANGED, Lane.LOOK_CLOSELY),
        (FLAT, LIGHT, HEARD, Picture.LIGHT_HEADED, Lane.LOOK_CLOSELY),
        (FLAT, HEAVY_AND_SWOLLEN, HEARD, Picture.WORSE_WITH_FLAT_PRESSURE, Lane.CALL_TODAY),
        (FLAT, STRONG, HEARD, Picture.WORSE_WITH_FLAT_PRESSURE, Lane.CALL_TODAY),
        (FLAT, STOPPED, HEARD, Picture.SILENT_AND_UNWELL, Lane.CALL_TODAY),
        (FLAT, UNKNOWN_DIARY, HEARD, Picture.UNCOMPARED, Lane.LOOK_CLOSELY),
        (FLAT, EXPECTED, HEARD, Picture.TOO_LITTLE, Lane.NOT_HEARD_FROM),
        (UNKNOWN, WELL, HEARD, Picture.TOO_LITTLE, Lane.NOT_HEARD_FROM),
        (FLAT, NO_DIARY, HEARD, Picture.QUIET, Lane.SETTLED),
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
    assert (found.picture, lane_of(found)) == (picture, lane)
    assert (found.pressure, found.diary, found.silence) == (pressure, diary, silence)


def test_a_bad_night_of_the_week_is_told_beside_a_diary_that_is_otherwise_unchanged():
    for pressure in (FLAT, UP):
        said = signals.picture(ENGLISH, joined_picture(pressure, ONE_NIGHT, HEARD, TODAY))
        assert "unchanged on 6 of the last 7 days; woken by breathlessness on 1 night of 7" in said
        assert "diary unchanged" not in said


@pytest.mark.parametrize("starting", [None, BEGAN])
@pytest.mark.parametrize(
    "beside", [WORSE, EASED, UNKNOWN_DIARY, WELL, replace(WORSE, worse=ONE_NIGHT.once, standing_on=BEGAN)]
)
def test_a_bad_night_of_the_week_is_told_whatever_else_the_diary_comes_to(beside: DiaryFacts, starting: date | None):
    told = replace(beside, once=ONE_NIGHT.once)
    for pressure, silence in product((FLAT, UP, DOWN, UNKNOWN), (HEARD, SILENT)):
        facts = joined_picture(pressure, told, silence, TODAY, starting)
        for said in (signals.picture(ENGLISH, facts), words.diary_week(ENGLISH, facts)):
            assert said.count("woken by breathlessness on 1 night of 7") == 1


def test_a_limit_that_may_be_passed_already_is_told_so():
    soon = Forecast(25.0, up=True, days=3.0, low=0.0, high=11.6)
    said = signals.picture(ENGLISH, joined_picture(_pressure(1, soon), WELL, HEARD, TODAY))
    assert "perhaps past 25 mmHg already, if it goes on like this in 12 days at the latest" in said
    assert "earliest" not in said


def test_of_a_rise_that_slows_no_days_are_told_and_its_lane_is_held():
    slows = Forecast(25.0, up=True, days=6.5, low=5.2, high=9.4, slowing=True)
    found = joined_picture(_pressure(1, slows), WELL, HEARD, TODAY)
    said = signals.picture(ENGLISH, found)
    assert "on the way to the limit of 25 mmHg, in how many days is not known" in said
    assert "goes on like this" not in said
    assert lane_of(found) is Lane.CALL_TODAY
    near = joined_picture(_pressure(1, replace(slows, low=0.0)), WELL, HEARD, TODAY)
    assert "perhaps past 25 mmHg already" in signals.picture(ENGLISH, near)


def test_the_early_call_in_full():
    soon = Forecast(25.0, up=True, days=6.5, low=5.2, high=9.4)
    found = joined_picture(_pressure(1, soon), WELL, HEARD, TODAY)
    assert signals.picture(ENGLISH, found) == (
        "Pressure up, diary unchanged: PA diastolic rising about 0.4 mmHg a day since 3 March, now about "
        "22 mmHg (give or take 0.8) against the reference of 18; if it goes on like this, past 25 mmHg in 5 days at the earliest, 9 at the latest; diary compared "
        "and unchanged on "
        "6 of the last 7 days."
    )
    # Before the next weekly review it would be too late.
    assert lane_of(found) is Lane.CALL_TODAY


def test_a_passed_limit_is_a_call_even_without_a_break():
    passed = Forecast(25.0, up=True, days=0.0, low=0.0, high=0.0)
    assert lane_of(joined_picture(_pressure(0, passed), WELL, HEARD, TODAY)) is Lane.CALL_TODAY


EVERYTHING = list(
    product(
        (UP, DOWN, FLAT, UNKNOWN),
        (WELL, WORSE, STRONG, LIGHT, EASED, HEAVY, LOST, DANGER, UNKNOWN_DIARY, NO_DIARY, EXPECTED, STOPPED),
        (HEARD, SILENT),
    )
)
# Words of treatment and of false comfort; "dose" and its kin, drugs, and "nothing to worry about".
FORBIDDEN = re.compile(
    r"all clear|all well|no concern|nothing to worry|\bfine\b|\bsafe\b|\bdoses?\b|\btake more\b|\bincrease\b|\breduce\b|"
    r"diuretic|tablet|\bstop\b|\bstart\b|\bstable\b|\bnormal\b",
    re.IGNORECASE,
)


@pytest.mark.parametrize(("pressure", "diary", "silence"), EVERYTHING)
def test_no_sentence_comforts_or_advises(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts):
    facts = joined_picture(pressure, diary, silence, TODAY)
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
    found = joined_picture(pressure, diary, silence, TODAY)
    said = signals.picture(ENGLISH, found)
    if diary.compared.knowledge is Knowledge.NOTHING:
        assert "how they feel is not known" in said
    if diary.compared.knowledge is not Knowledge.UNCHANGED:
        assert "diary unchanged" not in said
        assert "diary compared and unchanged" not in said
    if lane_of(found) is Lane.SETTLED:
        assert pressure.compared.knowledge is Knowledge.UNCHANGED
        assert not diary.asked or diary.compared.knowledge is Knowledge.UNCHANGED
