"""How often each question is asked: once named each, and never without the signs of an emergency."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.asking import START, HowOften, asked_on, checked_asks, looks_back_to
from service.domain.diary import QUESTIONS, Answers
from service.domain.validation import Refused
from service.domain.vocabulary import SafetySign, Swelling

DAY = date(2026, 11, 25)
KEYS = [question.key for question in QUESTIONS]


def asks(**elsewhere: str) -> dict[str, list[str]]:
    """Every question daily, but those named."""
    return checked_asks({how: [key for key in KEYS if elsewhere.get(key, "daily") == how] for how in HowOften})


def ago(days: int, **answers: object) -> tuple[date, Answers]:
    return DAY - timedelta(days=days), Answers(**answers)  # type: ignore[arg-type]


def test_the_start_is_a_setting_that_would_be_taken():
    assert checked_asks(START) == START


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        ([], r"\[\]"),
        ({"hourly": KEYS}, "hourly"),
        ({"daily": "weight"}, "weight"),
        ({"daily": [*KEYS, "weight"]}, "weight"),  # twice
        ({"daily": KEYS, "weekly": ["tiredness"]}, "tiredness"),
        ({"daily": [*KEYS, "mood"]}, "mood"),
        ({"daily": KEYS[:-1]}, "no note"),
        ({"daily": KEYS[1:], "weekly": KEYS[:1]}, "signs of an emergency are in every check-in"),
        ({"daily": KEYS[1:]}, "no safety_signs"),
    ],
)
def test_a_setting_that_leaves_out_or_repeats_a_question_is_refused(raw, told):
    with pytest.raises(Refused, match=told):
        checked_asks(raw)


def test_a_weekly_question_comes_when_its_last_answer_is_a_week_old():
    weekly = asks(tiredness="weekly")
    assert "tiredness" in asked_on(weekly, DAY, [], None)
    assert "tiredness" not in asked_on(weekly, DAY, [ago(6, tiredness=3)], None)
    assert looks_back_to(DAY) == DAY - timedelta(days=6)  # an answer of a week ago is not looked at
    assert "tiredness" in asked_on(weekly, DAY, [ago(6, weight=80.0)], None)  # a check-in without an answer to it


def test_what_was_answered_on_the_day_itself_stays_on_its_page():
    assert "tiredness" in asked_on(asks(tiredness="weekly"), DAY, [ago(3, tiredness=3), ago(0, tiredness=4)], None)


@pytest.mark.parametrize(
    ("key", "trouble", "none"),
    [("full_belly", True, False), ("swelling", Swelling.ANKLE, Swelling.NONE), ("extra_pillows", 2, 0)],
)
def test_a_trouble_is_asked_about_until_it_is_gone(key, trouble, none):
    weekly = asks(**{key: "weekly"})
    assert key in asked_on(weekly, DAY, [ago(1, **{key: trouble})], None)
    assert key not in asked_on(weekly, DAY, [ago(2, **{key: trouble}), ago(1, **{key: none})], None)


@pytest.mark.parametrize(("days", "is_asked"), [(None, False), (0, True), (14, True), (15, False)])
def test_after_an_adjustment_for_two_weeks(days, is_asked):
    # Days to two weeks after a change: NICE NG106 and QS9.
    made = None if days is None else DAY - timedelta(days=days)
    assert ("light_headed" in asked_on(asks(light_headed="after_change"), DAY, [], made)) is is_asked


@given(st.permutations(KEYS), st.integers(0, len(KEYS)), st.lists(st.integers(0, 6), max_size=5))
def test_the_signs_of_an_emergency_are_in_every_check_in(order, cut, days):
    others = [key for key in order if key != "safety_signs"]
    setting = checked_asks({"daily": ["safety_signs", *others[cut:]], "weekly": others[:cut]})
    said = [ago(back, safety_signs=(), tiredness=1) for back in sorted(days, reverse=True)]
    assert "safety_signs" in asked_on(setting, DAY, said, None)
    assert "safety_signs" in asked_on(setting, DAY, [ago(1, safety_signs=(SafetySign.CHEST_PAIN,))], None)
