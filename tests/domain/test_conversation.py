"""The exchange: one question after another, one kind re-ask, and an end where there is danger."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain import diary
from service.domain.diary import Answers
from service.domain.texting.conversation import ORDER, Exchange, Move, Say
from service.domain.texting.conversation import take as take_with
from service.domain.vocabulary import SafetySign, Swelling
from service.words import messages
from service.words.language import load_language, load_parser

ALL = ("0", "82.4", "3", "1", "no", "no", "ankle", "no", "no", "4", "no")


def take(exchange: Exchange, text: str, unit: str) -> Move:
    return take_with(load_parser(), exchange, text, unit)


def talk(*texts: str, unit: str = "kg") -> list[Move]:
    moves: list[Move] = []
    now = Exchange()
    for text in texts:
        moves.append(take(now, text, unit))
        now = moves[-1].exchange
    return moves


def told(moves: list[Move]) -> dict[str, object]:
    return {key: value for move in moves for key, value in move.answers.items()}


def test_the_questions_come_one_by_one_and_the_emergency_first():
    moves = talk("hello", *ALL)
    assert [move.about for move in moves] == [*ORDER, None]
    assert [move.say for move in moves] == [Say.ASK] * len(ORDER) + [Say.THANKS]
    assert told(moves) == {
        "safety_signs": (), "weight": 82.4, "breathlessness": 3, "extra_pillows": 1, "woke_breathless": False,
        "slept_in_chair": False, "swelling": Swelling.ANKLE, "full_belly": False, "light_headed": False, "tiredness": 4, "missed_medicines": False,
    }  # fmt: skip
    assert not any(move.note for move in moves)


def test_what_was_said_in_one_go_is_not_asked_again():
    (first,) = talk("82.4 b3 p1 s0")
    assert (first.say, first.about) == (Say.ASK, "safety_signs")
    assert first.answers == {"weight": 82.4, "breathlessness": 3, "extra_pillows": 1, "swelling": Swelling.NONE}
    moves = talk("82.4 b3 p1 s0", "none", "no", "no", "no", "no", "2", "no")
    assert [move.about for move in moves] == [
        "safety_signs", "woke_breathless", "slept_in_chair", "full_belly", "light_headed", "tiredness",
        "missed_medicines", None,
    ]  # fmt: skip


def test_an_answer_that_cannot_be_is_asked_again_once_and_then_let_go():
    moves = talk("hi", "0", "82.4", "15", "20", "1")
    assert [(move.say, move.about) for move in moves[2:]] == [
        (Say.ASK, "breathlessness"), (Say.ASK_AGAIN, "breathlessness"), (Say.ASK, "extra_pillows"),
        (Say.ASK, "woke_breathless"),
    ]  # fmt: skip
    assert "breathlessness" not in told(moves)


def test_words_that_answer_nothing_are_kept_for_staff_and_asked_again_once():
    moves = talk("hi", "0", "82.4", "quite bad on the stairs", "still bad on the stairs")
    assert [move.note for move in moves] == ["", "", "", "quite bad on the stairs", "still bad on the stairs"]
    assert [(move.say, move.about) for move in moves[3:]] == [
        (Say.ASK_AGAIN, "breathlessness"), (Say.ASK, "extra_pillows"),
    ]  # fmt: skip


def test_answering_something_else_is_taken_and_the_question_comes_once_more_only():
    moves = talk("hi", "82.4", "b3", "p0")
    assert [(move.say, move.about) for move in moves] == [
        (Say.ASK, "safety_signs"), (Say.ASK, "safety_signs"), (Say.ASK, "extra_pillows"), (Say.ASK, "woke_breathless"),
    ]  # fmt: skip


def test_an_answer_in_another_order_counts():
    moves = talk("hi", "0", "my breath is 3", "82.4", "no swelling")
    assert told(moves) == {
        "safety_signs": (), "breathlessness": 3, "weight": 82.4, "swelling": Swelling.NONE,
    }  # fmt: skip


def test_a_weight_beside_another_question_is_a_weight():
    moves = talk("hi", "0", "skip", "82.4")
    assert moves[-1].answers == {"weight": 82.4}
    assert moves[-1].about == "breathlessness"


@pytest.mark.parametrize(("text", "signs"), [("2", ("chest_pain",)), ("1, 3", ("breathless_at_rest", "fainting"))])
def test_a_sign_by_its_number_ends_the_asking(text, signs):
    _, second, third = talk("hi", text, "82.4")
    assert (second.say, second.about) == (Say.SAFETY, None)
    assert second.answers == {"safety_signs": tuple(SafetySign(sign) for sign in signs)}
    assert (third.say, third.answers) == (Say.THANKS, {"weight": 82.4})  # taken, and nothing more is asked


@pytest.mark.parametrize("text", ["chest pain", "82.4 b3, I can't breathe", "yes", "call an ambulance"])
def test_whatever_may_be_an_emergency_is_taken_as_one(text):
    _, second = talk("hi", text)
    assert second.say is Say.SAFETY
    assert bool(second.answers.get("safety_signs")) or second.alarm


def test_an_emergency_counts_at_any_time():
    assert talk(*ALL, "now I fainted")[-1].say is Say.SAFETY
    assert talk("chest pain")[-1].say is Say.SAFETY


def test_enough_is_enough():
    moves = talk("82.4", "done")
    assert (moves[-1].say, moves[-1].exchange.over) == (Say.THANKS, True)
    assert talk("82.4", "done", "b3")[-1].answers == {"breathlessness": 3}


def test_the_persons_own_unit_decides_what_a_bare_weight_can_be():
    assert talk("hi", "0", "400", unit="[lb_av]")[-1].answers == {"weight": 400.0}
    assert talk("hi", "0", "400", unit="kg")[-1].say is Say.ASK_AGAIN
    kilos = talk("hi", "0", "82.4 kg", unit="[lb_av]")[-1]
    assert (kilos.answers, kilos.weight_unit) == ({"weight": 82.4}, "kg")


def test_spanish_answers_in_spanish():
    moves = talk("hola", "nada", "82,4", "3", "ninguna", "Sí", "en un sillón", "tobillos", "no", "no", "4", "no")
    assert moves[-1].say is Say.THANKS
    assert told(moves)["woke_breathless"] is True
    assert told(moves)["slept_in_chair"] is True
    assert told(moves)["extra_pillows"] == 0
    assert told(moves)["swelling"] is Swelling.ANKLE


@given(st.lists(st.text(alphabet="bpsn0123456789 .,yesno", max_size=12) | st.sampled_from([*ALL, "hi"]), max_size=30))
@example(["", "", "b20", "", "n2", ""])
@example(["", "", "s4", "", "s4"])  # the same wrong answer again is no reason to ask another question for ever
def test_no_talk_asks_anything_more_than_twice_and_all_it_gives_can_be_kept(texts):
    now, asked = Exchange(), []
    for text in texts:
        move = take(now, text, "kg")
        now = move.exchange
        asked.append(move.about)
        if move.answers:
            given_ = {"weight_unit": move.weight_unit or "kg"} | dict(move.answers)
            assert diary.problems_in(Answers(**given_)) == []
        assert (move.about is None) == (move.say in (Say.THANKS, Say.SAFETY, Say.CALL_CLINIC))
    for key in ORDER:
        runs = [place for place, about in enumerate(asked) if about == key]
        assert len(runs) <= 3  # asked, asked again, and once more beside another question's answer


# --- our own lines -----------------------------------------------------------------


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_line_fits_one_segment_of_the_7_bit_alphabet_and_repeats_nothing(language):
    longest_sender = "x" * 32
    keys = [*ORDER, messages.THANKS, messages.NOTED, messages.CAREGIVER_ASK,
            messages.CAREGIVER_THANKS, messages.CAREGIVER_GOES_ON, messages.NOTHING_ASKED, messages.READ_LATER]  # fmt: skip
    for key in keys:
        for again in (False, True):
            if again and key not in (*ORDER, messages.CAREGIVER_ASK):
                continue
            line = messages.line(load_language(language), key, again=again)
            body = messages.render("{sender}: {text}", messages.K.REPLY, {"sender": longest_sender, "text": line})
            length = messages.length(body)
            assert (length.alphabet, length.segments) == ("GSM-7", 1), f"{key}: {length}"  # 3GPP TS 23.038
            assert "{" not in line
            for word in ("all clear", "todo bien", "heart", "coraz", "pressure", "dose", "dosis"):
                assert word not in line.lower()


def test_a_language_we_do_not_speak_gets_english():
    assert messages.line(load_language("fr"), "weight") == messages.line(load_language("en"), "weight")
    assert replace(Exchange(), over=True).over
    assert ORDER[0] == "safety_signs"
