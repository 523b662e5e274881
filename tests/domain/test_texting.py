"""Text messages understood: codes and plain words, two languages, any order; and never a guess."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain import diary
from service.domain.diary import Answers
from service.domain.texting.parsing import SCALES, YES_NO, Keyword, fit
from service.domain.texting.vocabulary import plain
from service.domain.vocabulary import HEIGHTS, CaregiverAnswer, SafetySign, Swelling
from service.words.language import load_parser

PARSER = load_parser()
caregiver_answer, hear, keyword, signs_by_number = (
    PARSER.caregiver_answer,
    PARSER.hear,
    PARSER.keyword,
    PARSER.signs_by_number,
)

REST, CHEST, FAINT, PINK, CONFUSED, RACING, ONE_SHOCK, SHOCKS = SafetySign

# --- orders --------------------------------------------------------------------------


# Carrier convention for opting out (CTIA, Messaging Principles and Best Practices, from memory).
CARRIERS = ("STOP", "STOPALL", "UNSUBSCRIBE", "CANCEL", "END", "QUIT", "REVOKE", "OPTOUT")
# 47 CFR 64.1200(a)(10) (from memory): words that revoke consent when sent in reply to a text message.
FCC = ("stop", "quit", "end", "revoke", "opt out", "cancel", "unsubscribe")
STOPPING = tuple(dict.fromkeys([*CARRIERS, *(word.upper() for word in FCC)]))


@pytest.mark.parametrize("word", STOPPING)
@pytest.mark.parametrize(
    "shape",
    ["{}", "{}.", " {} ", "{}!", "please {}", "{} please.", "{} texting me", "{} all", "{0} {0}", "«{}»", "\n{}\t\n", "({})",
     "{} por favor"],
)  # fmt: skip
def test_the_words_that_end_messages_are_those_carriers_and_the_law_name(word, shape):
    for cased in (word, word.lower(), word.capitalize(), word.swapcase()):
        assert keyword(shape.format(cased)) is Keyword.STOP


@pytest.mark.parametrize(
    "text",
    # "Any other words that a reasonable person would understand" as a withdrawal (the same rule); which, is our list.
    ["opt-out", "Opt me out please", "no more messages", "No más mensajes, por favor", "don't text me", "remove me",
     "darme de baja", "STOP STOP", "cancel, stop all!", "ＳＴＯＰ", "stóp", "detener", "stop these messages now"],
)  # fmt: skip
def test_what_plainly_means_the_same_ends_them_too(text):
    assert keyword(text) is Keyword.STOP


# Punctuation, symbols, blanks and signs that are not seen: whatever is neither letter nor digit, in any script.
AROUND = st.text(
    st.characters(categories=["P", "S", "Z", "Cf", "Cc"]).filter(lambda sign: not re.search(r"[a-z0-9]", plain(sign))),
    max_size=12,
)


@given(
    before=AROUND, after=AROUND, word=st.sampled_from(STOPPING), upper=st.lists(st.booleans(), min_size=12, max_size=12)
)
def test_a_stop_word_alone_always_stops(before, after, word, upper):
    cased = "".join(sign.upper() if up else sign.lower() for sign, up in zip(word, upper, strict=False))
    assert keyword(f"{before}{cased}{after}") is Keyword.STOP


@pytest.mark.parametrize(
    ("text", "order"),
    [
        ("START", Keyword.START), ("unstop", Keyword.START), ("HELP", Keyword.HELP), ("info", Keyword.HELP),
        ("¡Ayuda!", Keyword.HELP), ("PARAR", Keyword.STOP), ("baja", Keyword.STOP), ("skip", Keyword.SKIP),
        ("no sé", Keyword.SKIP), ("don't know", Keyword.SKIP), ("done", Keyword.DONE), ("That's all.", Keyword.DONE),
    ],
)  # fmt: skip
def test_other_orders(text, order):
    assert keyword(text) is order


@pytest.mark.parametrize(
    "text",
    ["coughing won't stop", "I had to stop twice on the stairs", "82.4 stop", "no", "", "help me", "the end of", "no more",
     "cancel my appointment", "stop the water pills?", "my breathing stopped me twice"],
)  # fmt: skip
def test_a_word_inside_a_sentence_is_no_order(text):
    assert keyword(text) is None


# --- in one go -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["82.4 b3 p1 s0", "b3 s0 82.4 p1", "B3,P1,S0,82.4", "82,4 b3 p1 s0", "w82.4 b 3 p+1 s:0", "b=3; p=1; s=0; 82.4 kg"],
)
def test_codes_in_any_order_say_the_same(text):
    heard = hear(text)
    weight = heard.answers.get("weight", heard.numbers[0] if heard.numbers else None)
    assert weight == 82.4
    assert {key: value for key, value in heard.answers.items() if key != "weight"} == {
        "breathlessness": 3, "extra_pillows": 1, "swelling": Swelling.NONE,
    }  # fmt: skip
    assert (heard.out_of_range, heard.signs, heard.alarm, heard.unknown) == ([], (), False, [])


@pytest.mark.parametrize(
    ("text", "answers"),
    [
        ("weight 181 lb, breath 3/10", {"weight": 181.0, "breathlessness": 3}),
        ("181.5lbs", {"weight": 181.5}),
        ("peso 82,4; falta de aire 3", {"weight": 82.4, "breathlessness": 3}),
        ("3 breath 1 more pillow", {"breathlessness": 3, "extra_pillows": 1}),
        ("one extra pillow", {"extra_pillows": 1}),
        ("una almohada más", {"extra_pillows": 1}),
        ("1 almohada menos", {"extra_pillows": -1}),
        ("same pillows as usual", {"extra_pillows": 0}),
        ("no extra pillows", {"extra_pillows": 0}),
        ("ankles swollen", {"swelling": Swelling.ANKLE}),
        ("legs swollen to the knee", {"swelling": Swelling.KNEE}),
        ("tobillos hinchados", {"swelling": Swelling.ANKLE}),
        ("no swelling and no dizziness", {"swelling": Swelling.NONE, "light_headed": False}),
        ("sin hinchazón, sin mareos", {"swelling": Swelling.NONE, "light_headed": False}),
        ("a bit dizzy", {"light_headed": True}),
        ("I woke up short of breath", {"woke_breathless": True}),
        ("me desperté sin aire", {"woke_breathless": True}),
        ("not breathless, not tired", {"breathlessness": 0, "tiredness": 0}),
        ("cansancio 4", {"tiredness": 4}),
        ("missed 2 pills", {"missed_medicines": True}),
        ("took all my medicines", {"missed_medicines": False}),
        ("didn't miss any meds", {"missed_medicines": False}),
        ("olvidé las pastillas", {"missed_medicines": True}),
        ("tired 4 but no swelling", {"tiredness": 4, "swelling": Swelling.NONE}),
        ("n0 d1 m0 t4 s2 p-1", {
            "woke_breathless": False, "light_headed": True, "missed_medicines": False, "tiredness": 4,
            "swelling": Swelling.SHIN, "extra_pillows": -1,
        }),
    ],
)  # fmt: skip
def test_plain_words_in_two_languages(text, answers):
    heard = hear(text)
    assert heard.answers == answers
    assert (heard.signs, heard.alarm, heard.out_of_range) == ((), False, [])


@pytest.mark.parametrize(
    "text",
    [
        "two pillows",  # in all, or more than usual?
        "a bit breathless",
        "not too breathless",
        "sin aire",  # the trouble itself, not its denial
        "my knees hurt",
        "swelling above the ankle",
        "82.4 3 1 0",
        "tengo una duda",
        "medicine?",
        "feeling rough after the wedding",
    ],
)
def test_what_could_mean_two_things_is_not_guessed(text):
    assert hear(text).answers == {}


@pytest.mark.parametrize(
    ("text", "keys"),
    [("b15", ["breathlessness"]), ("p+12 82.4", ["extra_pillows"]), ("s4", ["swelling"]), ("breath 4.5", ["breathlessness"]),
     ("t11 b3", ["tiredness"]), ("w900", ["weight"]), ("12 kg", ["weight"])],
)  # fmt: skip
def test_what_cannot_be_is_told_by_question(text, keys):
    heard = hear(text)
    assert heard.out_of_range == keys
    assert not set(keys) & set(heard.answers)


# --- signs of an emergency -------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "signs"),
    [
        # The red flags of several patient sheets: breathless at rest, chest pain or pressure, fainting,
        # pink or foamy sputum, new confusion. The ways of saying them are our own; no source.
        ("chest pain", (CHEST,)), ("I have a tight chest", (CHEST,)), ("pain in my chest", (CHEST,)),
        ("chest feels tight", (CHEST,)), ("me duele el pecho", (CHEST,)), ("presión en el pecho", (CHEST,)),
        ("I can't breathe", (REST,)), ("out of breath just sitting here", (REST,)), ("no puedo respirar", (REST,)),
        ("me ahogo", (REST,)), ("fainted in the kitchen", (FAINT,)), ("passed out", (FAINT,)), ("me he desmayado", (FAINT,)),
        ("coughing up pink stuff", (PINK,)), ("foamy spit", (PINK,)), ("esputo rosado", (PINK,)),
        ("he is confused", (CONFUSED,)), ("desorientado", (CONFUSED,)),
        ("my heart is racing", (RACING,)), ("irregular heartbeat", (RACING,)), ("tengo palpitaciones", (RACING,)),
        ("I got a shock", (ONE_SHOCK,)), ("una descarga ayer", (ONE_SHOCK,)),
        ("it shocked me twice", (SHOCKS,)), ("another shock", (SHOCKS,)),
        ("dos descargas", (SHOCKS,)),
        ("heart racing and chest pain", (CHEST, RACING)),
        ("82.4 b3 and chest pain", (CHEST,)), ("no swelling but chest pain", (CHEST,)),
        ("no fever chest pain", (CHEST,)), ("no chest pain but fainted", (FAINT,)),
        ("chest pain, fainted, can't breathe", (REST, CHEST, FAINT)),
    ],
)  # fmt: skip
def test_a_sign_is_heard_in_whatever_words(text, signs):
    assert hear(text).signs == signs


@pytest.mark.parametrize(
    "text",
    [
        "no chest pain", "no new confusion", "not confused", "never fainted", "I haven't fainted", "chest pain none",
        "chest pain: no", "no tengo dolor de pecho", "sin dolor de pecho", "no me he desmayado", "no palpitations", "no shocks", "sin descargas", "no fever or chest pain",
        "I do not have any chest pain", "not an emergency", "ni dolor de pecho",
    ],
)  # fmt: skip
def test_a_sign_that_is_denied_is_none(text):
    heard = hear(text)
    assert (heard.signs, heard.alarm) == ((), False)


@pytest.mark.parametrize(
    "text", ["call an ambulance", "heart attack", "HELP ME", "ayúdenme", "it's an emergency", "calling 911"]
)
def test_an_emergency_in_other_words_alarms(text):
    assert hear(text).alarm


@pytest.mark.parametrize(
    ("text", "signs"),
    [("0", ()), ("2", (CHEST,)), ("1 3", (REST, FAINT)), ("1,3", (REST, FAINT)), ("2 and 5", (CHEST, CONFUSED)),
     ("2 y 5.", (CHEST, CONFUSED)), ("0 2", None), ("6", (RACING,)), ("1 and 6", (REST, RACING)),
     ("16", (REST, RACING)), ("12", (REST, CHEST)), ("9", None), ("72", None), ("168", None), ("82.4", None), ("no", None), ("", None)],
)  # fmt: skip
def test_signs_by_their_numbers(text, signs):
    assert signs_by_number(text) == signs


# --- caregivers ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("1", CaregiverAnswer.SPOKE), ("2", CaregiverAnswer.IN_HOSPITAL), ("3.", CaregiverAnswer.AWAY),
        ("4 the sensor is broken", CaregiverAnswer.EQUIPMENT), ("spoke to her", CaregiverAnswer.SPOKE),
        ("She's in hospital", CaregiverAnswer.IN_HOSPITAL), ("está de viaje", CaregiverAnswer.AWAY),
        ("spoke to her, she is away", CaregiverAnswer.AWAY), ("no funciona el aparato", CaregiverAnswer.EQUIPMENT),
        ("5", None), ("12", None), ("3/4", None), ("", None), ("away or in hospital, not sure", None), ("no idea", None),
    ],
)  # fmt: skip
def test_a_caregivers_answer_is_one_of_four_or_none(text, answer):
    assert caregiver_answer(text) is answer


# --- whatever anybody writes --------------------------------------------------------------


@given(st.text(max_size=200) | st.text(alphabet="bpsnwdtm0123456789.,+-/: yesnokglbNO\n", max_size=60))
def test_no_message_breaks_it_and_whatever_is_heard_can_be_kept(text):
    heard = hear(text)
    keyword(text)
    caregiver_answer(text)
    signs_by_number(text)
    answers = Answers(weight_unit=heard.weight_unit or "kg", **heard.answers)
    if heard.answers and "weight" not in heard.answers:
        assert diary.problems_in(answers) == []
    if heard.weight_unit and "weight" in heard.answers:
        assert diary.problems_in(answers) == []


CODE_OF = {"breathlessness": "b", "extra_pillows": "p", "woke_breathless": "n", "swelling": "s", "light_headed": "d",
           "tiredness": "t", "missed_medicines": "m", "slept_in_chair": "c", "full_belly": "f"}  # fmt: skip


@st.composite
def spoken(draw):
    """Some answers, and a message that says them in codes, in some order and dress."""
    keys = draw(st.lists(st.sampled_from(sorted(CODE_OF)), unique=True, min_size=1))
    answers, words = {}, []
    for key in keys:
        if key in SCALES:
            bounds = next((one.least, one.most) for one in diary.QUESTIONS if one.key == key)
            number = draw(st.integers(*bounds))
            answers[key] = number
        elif key == "swelling":
            number = draw(st.integers(0, 3))
            answers[key] = HEIGHTS[number]
        else:
            number = draw(st.integers(0, 1))
            answers[key] = bool(number)
        code = draw(st.sampled_from([CODE_OF[key], CODE_OF[key].upper()]))
        words.append(f"{code}{draw(st.sampled_from(['', ' ', ':', '=']))}{number}")
    if draw(st.booleans()):
        kilos = draw(st.integers(250, 3500)) / 10
        answers["weight"] = kilos
        written = f"{kilos:.1f}".replace(".", draw(st.sampled_from([".", ","])))
        words.append(draw(st.sampled_from([f"{written} kg", f"w{written}", f"{written}kg"])))
    return answers, draw(st.sampled_from([" ", ", ", "; ", "\n"])).join(draw(st.permutations(words)))


@given(spoken())
@settings(max_examples=200)
def test_every_set_of_answers_can_be_said_in_codes_in_any_order(case):
    answers, text = case
    heard = hear(text)
    assert heard.answers == answers
    assert (heard.out_of_range, heard.numbers, heard.unknown, heard.signs, heard.alarm) == ([], [], [], (), False)


@given(st.text(max_size=60))
def test_plain_text_is_plain_already(text):
    assert plain(plain(text)) == plain(text)


def test_a_number_fits_a_question_or_it_does_not():
    for key in YES_NO:
        assert (fit(key, 1), fit(key, 0), fit(key, 2), fit(key, 0.5)) == (True, False, None, None)
    assert (fit("weight", 180, "[lb_av]"), fit("weight", 900), fit("weight", 24)) == (180, None, None)
