"""What may be said of a diary: over random diaries, and in three stories of people who were not well.

The counts and steps are this service's own (no source); each test works out by itself, from the
answers, what may not be said of them.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.days import Day
from service.domain.signals.engine import NOTHING_CARRIED, assess_many, still_valid, work_out
from service.domain.signals.facts import AnchoredReference, Assessment, Case, EpisodeClosed, Picture
from service.domain.signals.picture import lane_of
from service.domain.vocabulary import Knowledge, Lane, SignalKind
from service.words.language import load_language
from service.words.sentences import diary as words
from service.words.sentences import signals

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)
DAYS = 40
COMFORT = re.compile(r"no change|as usual|diary unchanged|diary compared and unchanged|settled", re.IGNORECASE)
PRESSURES = [18.0, 18.4, 17.6, 18.2, 17.8]


def _case(diaries: dict[int, dict[str, Any]], **changes: Any) -> Case:
    """Readings every day about a reference of 18, and the diaries of these days."""
    days = []
    for ago in range(DAYS):
        day = FIRST + timedelta(days=ago)
        read = Day(day, readings=1, got_reading=True, pa_diastolic=PRESSURES[ago % 5], hour=7.0)
        days.append(replace(read, checkin=True, **diaries[ago]) if ago in diaries else read)
    today = FIRST + timedelta(days=DAYS - 1)
    known = {"reference": AnchoredReference(18.0, 0.5), "diaries_a_week": 7} | changes
    return Case(days, today, **known)


def _assess(diaries: dict[int, dict[str, Any]], **changes: Any) -> Assessment:
    return assess_many([_case(diaries, **changes)])[0]


def _said(found: Assessment) -> str:
    """Every surface that speaks of the diary."""
    facts = found.picture
    return f"{signals.picture(ENGLISH, facts)} {words.diary_week(ENGLISH, facts)}"


ANSWERS = st.fixed_dictionaries(
    {},
    optional={
        "breathlessness": st.integers(0, 10),
        "extra_pillows": st.integers(-1, 4),
        "woke_breathless": st.booleans(),
        "slept_in_chair": st.booleans(),
        "full_belly": st.booleans(),
        "light_headed": st.booleans(),
        "weight_kg": st.floats(78, 84).map(lambda kg: round(kg, 1)),
        "missed_medicines": st.booleans(),
        "tiredness": st.integers(0, 10),
    },
)
CALM = st.fixed_dictionaries({"breathlessness": st.integers(1, 2)}, optional={"weight_kg": st.just(80.0)})
DIARIES = st.dictionaries(st.integers(0, DAYS - 1), ANSWERS | CALM, max_size=DAYS)
ASKED = st.sampled_from([0, 1, 3, 7])


@given(st.lists(st.tuples(DIARIES, ASKED), min_size=1, max_size=20))
@settings(max_examples=12)
def test_nothing_comforts_outside_compared_and_unchanged(people: list[tuple[dict[int, dict[str, Any]], int]]):
    everybody = assess_many([_case(diaries, diaries_a_week=asked) for diaries, asked in people])
    for (diaries, asked), found in zip(people, everybody, strict=True):
        _comforts_only_outside_doubt(diaries, asked, found)


def _comforts_only_outside_doubt(diaries: dict[int, dict[str, Any]], asked: int, found: Assessment) -> None:
    facts, last = found.picture, DAYS - (14 if asked == 1 else 7)
    unchanged = facts.diary.compared.knowledge is Knowledge.UNCHANGED
    if not unchanged:
        assert not COMFORT.search(_said(found))
    if lane_of(facts) is Lane.SETTLED:
        assert unchanged or not asked
        assert not found.signals or all(signal.ended_on is not None for signal in found.signals)
    # By the answers themselves: without breathlessness of late nothing is unchanged, nor with a strong last answer.
    answered = [diaries[day]["breathlessness"] for day in range(last, DAYS) if "breathlessness" in diaries.get(day, {})]
    earlier = [day for day in diaries if day < DAYS - 7 and "breathlessness" in diaries[day]]
    if not answered or len(earlier) < 3:
        assert not unchanged
    newest = diaries[max(diaries)] if diaries else {}
    if newest.get("extra_pillows", 0) >= 4 or (not diaries):
        assert not unchanged


@given(st.lists(DIARIES, min_size=1, max_size=10), st.integers(1, DAYS - 8))
@settings(max_examples=8)
def test_falling_silent_never_lowers_a_lane_that_the_diary_holds(people: list[dict[int, dict[str, Any]]], stops: int):
    cases = [_case({day: answers for day, answers in diaries.items() if day < stops}) for diaries in people]
    then = [replace(case, today=FIRST + timedelta(days=stops)) for case in cases]
    order = [Lane.CALL_TODAY, Lane.LOOK_CLOSELY]
    for before, after in zip(assess_many(then), assess_many(cases), strict=True):
        if before.picture.diary.unwell and (lane := lane_of(before.picture)) in order:
            assert after.picture.diary.unwell
            assert order.index(lane_of(after.picture)) <= order.index(lane)


def test_breathlessness_7_with_three_more_pillows_as_the_only_diary_of_the_week_is_told_at_once():
    usual = {day: {"breathlessness": 1, "extra_pillows": 0} for day in range(DAYS - 8)}
    found = _assess(usual | {DAYS - 1: {"breathlessness": 7, "extra_pillows": 3}})
    assert lane_of(found.picture) is Lane.CALL_TODAY
    said = signals.picture(ENGLISH, found.picture)
    assert said.startswith("Feeling worse: more breathless (7 of 10, usual 1) and 3 more pillows than usual")
    assert not COMFORT.search(_said(found))


def test_the_lane_does_not_fall_because_she_stopped_answering():
    usual = {day: {"breathlessness": 1} for day in range(25)}
    worse = {day: {"breathlessness": 4} for day in range(25, 28)}
    found = _assess(usual | worse)
    assert found.picture.picture is Picture.SILENT_AND_UNWELL
    assert lane_of(found.picture) is Lane.CALL_TODAY
    assert "not closed by answers since" in _said(found)
    # Two weeks of answers as they were before close it.
    again = _assess(usual | worse | {day: {"breathlessness": 1} for day in range(28, DAYS)})
    assert again.picture.diary.compared.knowledge is Knowledge.UNCHANGED
    assert lane_of(again.picture) is Lane.SETTLED


def test_as_usual_is_not_said_of_a_diary_that_held_only_a_weight():
    usual = {day: {"breathlessness": 1, "weight_kg": 80.0} for day in range(DAYS - 7)}
    found = _assess(usual | {day: {"weight_kg": 80.0} for day in range(DAYS - 7, DAYS)})
    assert found.picture.diary.compared.knowledge is Knowledge.TOO_LITTLE
    assert not COMFORT.search(_said(found))
    assert "the last, 9 February, said: weight 80 kg" in _said(found)
    assert lane_of(found.picture) is Lane.LOOK_CLOSELY


def test_a_weekly_diary_is_compared_over_two_weeks():
    weekly = {day: {"breathlessness": 1} for day in range(1, DAYS - 8, 7)}
    assert _assess(weekly, diaries_a_week=7).picture.diary.compared.heard == 0
    found = _assess(weekly, diaries_a_week=1).picture.diary.compared
    assert (found.knowledge, found.of) == (Knowledge.UNCHANGED, 14)


def test_missed_medicines_stand_in_the_reason_where_something_moves_and_nowhere_else():
    missed = {day: {"breathlessness": 1, "missed_medicines": day > DAYS - 4} for day in range(DAYS)}
    assert "medicines" not in signals.picture(ENGLISH, _assess(missed).picture)
    worse = missed | {day: missed[day] | {"breathlessness": 4} for day in range(DAYS - 3, DAYS)}
    assert "medicines missed on 3 days of 7" in signals.picture(ENGLISH, _assess(worse).picture)


def test_what_staff_closed_stays_closed_until_a_later_answer_is_worse():
    usual = {day: {"breathlessness": 1} for day in range(20)}
    worse = usual | {day: {"breathlessness": 5} for day in range(20, 23)}
    on = FIRST + timedelta(days=24)
    closed = (EpisodeClosed(SignalKind.WORSE_SYMPTOMS, on, FIRST + timedelta(days=22)),)
    found = _assess(worse, closed=closed)
    assert not found.picture.diary.unwell
    (episode,) = [one for one in found.signals if one.kind is SignalKind.WORSE_SYMPTOMS]
    assert episode.ended_on == on
    again = _assess(worse | {24: {"breathlessness": 6}}, closed=closed)  # the very day, after it was closed
    assert again.picture.diary.unwell
    # The state of the evening before, resumed, says the same and keeps the same bytes.
    case = _case(worse, closed=closed)
    (kept,) = work_out([replace(case, today=on, closed=())], [NOTHING_CARRIED])
    resumed = work_out([case], [still_valid(kept.carried, case, on)])[0]
    assert resumed.assessment.picture == found.picture
    assert resumed.carried == work_out([case], [NOTHING_CARRIED])[0].carried
