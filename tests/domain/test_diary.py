"""The diary's rules: ranges, units, what is an emergency, and which weight deserves a second look."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import diary
from service.domain.diary import QUESTIONS, Answers
from service.domain.validation import Refused
from service.domain.vocabulary import SafetySign, Swelling, WeightDoubt, WeightSaid

WELL = Answers(
    breathlessness=2,
    extra_pillows=0,
    woke_breathless=False,
    slept_in_chair=False,
    swelling=Swelling.ANKLE,
    full_belly=False,
    weight=82.4,
    light_headed=False,
    tiredness=3,
    missed_medicines=False,
    safety_signs=(),
)
TODAY = date(2026, 11, 25)


def test_the_questions_are_one_for_each_answer_and_the_emergency_comes_first():
    asked = [question.key for question in QUESTIONS]
    assert asked[0] == "safety_signs"
    assert set(asked) == {*Answers.__dataclass_fields__} - {"weight_unit", "weight_confirmed"}
    assert len(asked) == len(set(asked))


def test_no_question_asks_with_jargon_or_reassures():
    # Plain words, as patient information asks for (common practice, no source).
    for question in QUESTIONS:
        words = question.words.lower()
        for jargon in ("dyspn", "orthopn", "oedema", "edema", "nyha", "borg", "all clear", "mmhg"):
            assert jargon not in words


def test_full_and_partial_answers_are_taken_and_none_at_all_is_not():
    assert diary.checked(WELL) is WELL
    assert diary.checked(Answers(weight=82.4))
    assert diary.checked(Answers(safety_signs=()))  # "none of these" is an answer
    assert diary.checked(Answers(note="Slept in the chair"))
    with pytest.raises(Refused, match="at least one answer"):
        diary.checked(Answers())
    with pytest.raises(Refused, match="at least one answer"):
        diary.checked(Answers(weight_unit="[lb_av]"))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"breathlessness": 11}, "breathlessness"),
        ({"breathlessness": -1}, "breathlessness"),
        ({"breathlessness": 2.5}, "breathlessness"),
        ({"breathlessness": True}, "breathlessness"),
        ({"extra_pillows": 11}, "extra_pillows"),
        ({"extra_pillows": -6}, "extra_pillows"),
        ({"woke_breathless": "yes"}, "woke_breathless"),
        ({"light_headed": 1}, "light_headed"),
        ({"tiredness": 10**30}, "tiredness"),
        ({"missed_medicines": 0}, "missed_medicines"),
        ({"swelling": "thigh"}, "swelling"),
        ({"weight": 24.9}, "weight"),
        ({"weight": 350.1}, "weight"),
        ({"weight": float("nan")}, "weight"),
        ({"weight": 82.4, "weight_unit": "st"}, "weight_unit"),
        ({"weight": 54.0, "weight_unit": "[lb_av]"}, "weight"),
        ({"safety_signs": ("dizzy",)}, "safety_signs"),
        ({"safety_signs": "chest_pain"}, "safety_signs"),
        ({"note": "x" * 1001}, "note"),
        ({"note": "a\x00b"}, "note"),
    ],
)
def test_an_answer_out_of_range_is_refused_by_field(change, field):
    told = diary.problems_in(replace(WELL, **change))
    assert [one.field for one in told] == [field]
    assert told[0].accepted


def test_every_wrong_answer_is_told_at_once_in_the_order_asked():
    wrong = replace(WELL, breathlessness=12, weight=900.0, tiredness=-1)
    assert [one.field for one in diary.problems_in(wrong)] == ["weight", "breathlessness", "tiredness"]


@pytest.mark.parametrize(
    # 1 lb = 0.45359237 kg exactly (NIST SP 811, appendix B.8).
    ("weight", "unit", "kg"),
    [(180.0, "[lb_av]", 81.647), (82.4, "kg", 82.4), (181.5, "[lb_av]", 82.327)],
)
def test_weight_is_kept_in_kilograms_to_the_gram(weight, unit, kg):
    assert Answers(weight=weight, weight_unit=unit).weight_kg == kg


@pytest.mark.parametrize(
    # 154 lb is 69.853 kg (NIST SP 811). How far is too far is a convention of ours, no source.
    ("weight", "unit", "sure", "newest", "doubt"),
    [
        (154.0, "kg", 70.2, 70.2, WeightDoubt.OTHER_UNIT),
        (70.2, "[lb_av]", 70.0, 70.0, WeightDoubt.OTHER_UNIT),
        (154.0, "kg", 70.2, 154.0, WeightDoubt.OTHER_UNIT),  # the same slip twice is still a slip
        (92.0, "kg", 82.0, 82.0, WeightDoubt.FAR),
        (92.0, "kg", 82.0, 91.0, None),  # given twice
        (84.5, "kg", 82.0, 82.0, None),  # the weight rules' business, not a slip
        (180.0, "kg", None, None, None),  # the first weight of all
        (None, "kg", 82.0, 82.0, None),
    ],
)
def test_a_weight_near_the_last_in_the_other_unit_or_far_from_it_is_in_doubt(weight, unit, sure, newest, doubt):
    answers = Answers(weight=weight, weight_unit=unit)
    assert diary.weight_doubt(answers, sure, newest) is doubt
    assert diary.weight_doubt(replace(answers, weight_confirmed=True), sure, newest) is None


def test_which_weight_is_right_is_said_in_a_word():
    typed = Answers(weight=154.0)
    assert diary.weight_said(typed, WeightSaid.AS_GIVEN) == replace(typed, weight_confirmed=True)
    right = diary.weight_said(typed, WeightSaid.OTHER_UNIT)
    assert (right.weight, right.weight_unit, right.weight_kg) == (154.0, "[lb_av]", 69.853)


def test_a_confirmation_is_read_like_any_other_answer():
    assert diary.read_answers({"weight": "154", "weight_confirmed": "Yes"})[0].weight_confirmed
    assert not diary.read_answers({"weight": "154", "weight_confirmed": ""})[0].weight_confirmed
    assert not diary.read_answers({"tiredness": "1", "weight_confirmed": "yes"})[0].weight_confirmed
    _, refused = diary.read_answers({"weight": "154", "weight_confirmed": "perhaps"})
    assert [one.field for one in refused] == ["weight_confirmed"]


def test_only_signs_that_were_not_there_before_are_new():
    chest, faint = SafetySign.CHEST_PAIN, SafetySign.FAINTING
    assert diary.new_signs(replace(WELL, safety_signs=(chest,)), None) == (chest,)
    assert diary.new_signs(replace(WELL, safety_signs=(chest, faint)), (chest,)) == (faint,)
    assert diary.new_signs(replace(WELL, safety_signs=(chest,)), (chest, faint)) == ()
    assert diary.new_signs(replace(WELL, safety_signs=None), (chest,)) == ()


def test_a_diary_page_is_never_of_tomorrow_nor_of_another_age():
    assert diary.checked_day(TODAY, TODAY) == TODAY
    assert diary.checked_day(TODAY - timedelta(days=400), TODAY)
    for day in (TODAY + timedelta(days=1), TODAY - timedelta(days=401)):
        with pytest.raises(Refused, match="local_date"):
            diary.checked_day(day, TODAY)


# --- one reader for every way of asking ----------------------------------------------------

AS_TEXT = {
    "breathlessness": "2", "extra_pillows": "0.0", "woke_breathless": "No", "slept_in_chair": "no", "full_belly": "no", "swelling": " Ankle ", "weight": "82,4 kg",
    "light_headed": "0", "tiredness": "+3", "missed_medicines": "FALSE", "safety_signs": "none",
}  # fmt: skip
AS_JSON = {
    "breathlessness": 2, "extra_pillows": 0, "woke_breathless": False, "slept_in_chair": False, "full_belly": False, "swelling": "ankle", "weight": 82.4,
    "light_headed": False, "tiredness": 3, "missed_medicines": False, "safety_signs": [], "note": "",
}  # fmt: skip


@pytest.mark.parametrize("given", [AS_TEXT, AS_JSON, {key: getattr(WELL, key) for key in AS_JSON}])
def test_text_and_json_give_the_same_answers(given):
    assert diary.read_answers(given) == (WELL, [])


def test_one_answer_that_cannot_be_taken_costs_none_of_the_others_and_each_is_told():
    wrong = {"breathlessness": "2.5", "weight": "1_80", "swelling": "hip", "woke_breathless": "perhaps"}
    answers, refused = diary.read_answers(AS_TEXT | wrong)
    assert [(one.field, one.value) for one in refused] == [
        ("weight", "1_80"), ("breathlessness", "2.5"), ("woke_breathless", "perhaps"), ("swelling", "hip"),
    ]  # fmt: skip
    assert all(one.accepted for one in refused)
    assert answers == replace(WELL, weight=None, breathlessness=None, swelling=None, woke_breathless=None)


@pytest.mark.parametrize(
    ("weight", "chosen", "usual", "taken"),
    [
        ("181.5 lbs", "kg", "kg", (181.5, "[lb_av]")),  # the unit written behind it counts
        ("181,5", "[lb_av]", "kg", (181.5, "[lb_av]")),
        ("181.5", None, "[lb_av]", (181.5, "[lb_av]")),
        ("82.4", None, "kg", (82.4, "kg")),
        ("", "[lb_av]", "kg", (None, "[lb_av]")),
    ],
)
def test_a_weight_is_in_the_unit_behind_it_or_the_one_chosen_or_the_usual_one(weight, chosen, usual, taken):
    answers, _ = diary.read_answers({"weight": weight, "weight_unit": chosen, "tiredness": 1}, usual)
    assert (answers.weight, answers.weight_unit) == taken


def test_a_unit_that_is_none_is_refused_by_name():
    answers, refused = diary.read_answers({"weight": "82", "weight_unit": "stone", "tiredness": 1})
    assert [one.field for one in refused] == ["weight_unit"]
    assert (answers.weight, answers.tiredness) == (None, 1)


def test_a_sign_ticked_in_a_form_counts_whatever_stands_beside_it():
    ticked = {"safety_signs": ["none", "chest_pain", "something"]}
    assert diary.read_answers(ticked) == (Answers(safety_signs=(SafetySign.CHEST_PAIN,)), [])
    for unknown in ({"safety_signs": ["something"]}, {"safety_signs": "chest_pain; something"}):
        assert [one.field for one in diary.read_answers(unknown)[1]] == ["safety_signs"]


def test_nothing_answered_is_refused_as_such():
    for nothing in ({}, {"weight": " ", "note": "", "safety_signs": None}):
        assert [one.field for one in diary.read_answers(nothing)[1]] == ["answers"]


@pytest.mark.parametrize("answers", [WELL, replace(WELL, weight=181.3, weight_unit="[lb_av]"), Answers(tiredness=4)])
def test_what_was_typed_comes_back_from_its_columns_as_it_was_typed(answers):
    assert diary.from_columns(SimpleNamespace(**diary.as_columns(answers))) == answers


@given(
    st.builds(
        Answers,
        breathlessness=st.none() | st.integers(-3, 13),
        extra_pillows=st.none() | st.integers(-8, 13),
        woke_breathless=st.none() | st.booleans(),
        swelling=st.none() | st.sampled_from(Swelling),
        weight=st.none() | st.floats(),
        weight_unit=st.sampled_from(["kg", "[lb_av]", "g"]),
        tiredness=st.none() | st.integers(-3, 13),
        safety_signs=st.none() | st.lists(st.sampled_from(SafetySign)).map(tuple),
        note=st.text(max_size=40),
    )
)
def test_whatever_is_taken_is_in_range(answers):
    if diary.problems_in(answers):
        return
    assert not answers.is_empty
    assert answers.breathlessness in {None, *range(11)}
    assert answers.tiredness in {None, *range(11)}
    assert answers.weight_kg is None or 24.9 <= answers.weight_kg <= 350.0
