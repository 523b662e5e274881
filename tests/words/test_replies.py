"""What is said back: every question has its word, in the alphabet that networks count seven bits for."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.diary import QUESTIONS
from service.domain.texting.conversation import ORDER
from service.domain.vocabulary import Swelling
from service.words import messages, replies
from service.words.language import codes, load_language

GIVEN: dict[str, Any] = {
    "safety_signs": (), "weight": 154.0, "breathlessness": 2, "extra_pillows": -1, "woke_breathless": True,
    "slept_in_chair": False, "swelling": Swelling.SHIN, "full_belly": False, "light_headed": False, "tiredness": 4,
    "missed_medicines": True,
}  # fmt: skip


def test_every_question_by_text_is_tried_here() -> None:
    assert set(GIVEN) == set(ORDER) <= {question.key for question in QUESTIONS}


@pytest.mark.parametrize("language", codes())
@pytest.mark.parametrize("key", GIVEN)
def test_each_answer_is_said_in_seven_bits(language: str, key: str) -> None:
    said = replies.understood(load_language(language), {key: GIVEN[key]}, "[lb_av]")
    # 3GPP TS 23.038, section 6.2.1.
    assert messages.outside_gsm(said) == []
    assert said.endswith(".")


def test_units_and_signs_are_the_persons_own() -> None:
    english = load_language("en")
    assert replies.understood(english, {"weight": 154.0}, "[lb_av]") == "Thank you: weight 154 lb."
    assert replies.understood(english, {"extra_pillows": 0}, "kg") == "Thank you: pillows as usual."
    assert replies.understood(english, {}, "kg") == ""
