"""A clinic's own wordings: what is refused, what gives pause, and what networks make of the text."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind
from service.words import messages
from service.words import preview as wordings
from service.words.language import codes, load_language

K = MessageKind
ENGLISH, SPANISH = load_language("en"), load_language("es")
SIGNS = wordings.Signs(
    sender="Fernmoor",
    number="111",
    phone="+64 9 999 0100",
    patient_link="https://calls.fernmoor.example/c/" + "x" * 22,
    caregiver_link="https://calls.fernmoor.example/g/" + "x" * 22,
    staff_link="https://calls.fernmoor.example/clinic/inbox",
)
VALUES = {
    "sender": "Fernmoor",
    "number": "111",
    "phone": "09",
    "link": "https://x.example/c/y",
    "text": "t",
    "count": "3",
    "greeting": "g",
    "asked": "a",
}
# 3GPP TS 23.038, section 6.2.1.1 (from memory): signs reached through the escape, two septets each.
EXTENDED = "^{}\\[~]|€\f"
SOME_GSM = "@£$¥èéùìòÇ\nØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !#¤%&()*+,-./0189:;<=>?¡AZÄÖÑÜ§¿azäöñüà"


def cut(text: str) -> list[bytes]:
    """A text as a telephone would cut it, by walking over its units: naive, and not how `length` does it."""
    if set(text) <= set(SOME_GSM + EXTENDED):
        units = [unit for sign in text for unit in ((b"\x1b", b"+") if sign in EXTENDED else (b"b",))]
        alone, joined = 160, 153
    else:
        wide = text.encode("utf-16-be")
        units = [wide[at : at + 2] for at in range(0, len(wide), 2)]
        alone, joined = 70, 67
    if len(units) <= alone:
        return [b"".join(units)]
    pieces = []
    while units:
        here = units[:joined]
        opens = here[-1] == b"\x1b" or b"\xd8" <= here[-1][:1] <= b"\xdb"
        if len(here) == joined and opens and len(units) > joined:
            here = here[:-1]
        pieces.append(b"".join(here))
        units = units[len(here) :]
    return pieces


@given(st.text(st.sampled_from(SOME_GSM + EXTENDED), max_size=700))
def test_gsm_segments_are_those_of_a_naive_cut(text: str) -> None:
    length = messages.length(text)
    assert (length.alphabet, length.segments) == ("GSM-7", len(cut(text)))
    assert length.units == sum(len(piece) for piece in cut(text))


@given(st.lists(st.sampled_from(["aé", "€", "á", "\N{WATER WAVE}", "\N{FAMILY}", "ж"]), max_size=300))
def test_ucs2_segments_are_those_of_a_naive_cut(parts: list[str]) -> None:
    text = "á" + "".join(parts)
    length = messages.length(text)
    assert (length.alphabet, length.segments) == ("UCS-2", len(cut(text)))
    assert length.units == sum(len(piece) for piece in cut(text)) // 2
    # No half of a pair at a border: every piece is whole text by itself.
    assert "".join(piece.decode("utf-16-be") for piece in cut(text)) == text or length.segments == 1


def test_the_alphabet_has_as_many_signs_as_its_table() -> None:
    """3GPP TS 23.038, section 6.2.1: 128 places, one of them the escape; ten in the extension."""
    assert len(messages._GSM_BASIC) == 127
    assert len(messages._GSM_EXTENDED) == 10
    assert messages.outside_gsm("áa“a”á") == ["á", "“", "”"]
    assert messages.sign_name("á") == "U+00E1 LATIN SMALL LETTER A WITH ACUTE"


PIECES = ["{link}", "{sender}", "{number}", "{phone}", "{text}", "{count}", "{", "}", "{{", "}}", "{x}", "{link!r}", "{0}",
          "{link:9}", "START", "\n", "\x00", "\ud800", "\u202e", "€", "á", " "]  # fmt: skip


@st.composite
def bodies(draw: st.DrawFn) -> str:
    anything = st.text(st.characters(exclude_categories=()), max_size=40)
    parts = draw(st.lists(st.one_of(st.sampled_from(PIECES), anything), max_size=12))
    return "".join(parts) * draw(st.sampled_from([1, 1, 1, 40]))


@given(bodies(), st.sampled_from(MessageKind), st.sampled_from(codes()))
def test_a_wording_is_refused_in_words_or_can_always_be_filled_in(body: str, kind: MessageKind, language: str) -> None:
    try:
        taken = messages.checked_wording(body, kind)
    except Refused as refused:
        no = refused
        with pytest.raises(Refused):
            messages.render(body, kind, VALUES)
    else:
        assert taken == body
        _can_be_filled_in(body, kind, language)
        return
    assert no.field == "body"
    assert no.accepted


def _can_be_filled_in(body: str, kind: MessageKind, language: str) -> None:
    text = messages.render(body, kind, VALUES)
    assert all(VALUES[name] in text for name in messages.REQUIRED.get(kind, ()))
    text.encode("utf-16-be")  # no half of a surrogate pair leaves
    shown = wordings.preview(body, kind, load_language(language), SIGNS, ENGLISH)
    assert (shown.length.segments, shown.length.units) <= (shown.longest.segments, shown.longest.units)
    assert shown.longest == messages.length(shown.longest_text)


@given(st.sampled_from(MessageKind), st.text(st.characters(exclude_categories=("C", "Z")), max_size=30), st.data())
def test_an_ordinary_wording_is_taken(kind: MessageKind, words: str, data: st.DataObject) -> None:
    assume("{" not in words and "}" not in words)
    names = data.draw(st.lists(st.sampled_from(sorted(messages.PLACEHOLDERS[kind])), max_size=4))
    needed = [*sorted(messages.REQUIRED.get(kind, ())), *(["phone"] if kind is K.STOPPED else [])]
    body = " ".join(["Hello", words, *("{" + name + "}" for name in names + needed)])
    assert messages.checked_wording(body, kind) == body


@pytest.mark.parametrize(
    ("kind", "body", "named"),
    [
        (K.PROMPT, "{link} {name}", "{name}"),
        (K.PROMPT, "{link} {number}", "{number}"),
        (K.STAFF_TASK, "{count} {link}", "{count}"),  # a task's message has no count to fill in
        (K.SAFETY, "{sender}: please call for help now.", "please call for help now"),
        (K.REPLY, "{sender}", "{sender}"),
        (K.PROMPT, "{link}\x00", "\x00"),
        (K.PROMPT, "{link}\ud83c", "\ud83c"),
        (K.SAFETY, "Call \u202e{number}", "\u202e"),  # shown from right to left: another number
        (K.PROMPT, "quiet\u200bminutes {link}", "\u200b"),
        (K.PROMPT, "quiet\x85minutes {link}", "\x85"),
        (K.HELP, " \n ", " \n "),
        (K.HELP, "", ""),
        (K.HELP, "a" * 460, "a" * 460),
        (K.HELP, "€" * 230, "€" * 230),  # 460 septets
        (K.HELP, "á" * 202, "á" * 202),
        (K.STOPPED, "{sender}: no more messages. We shall not restart them.", "no more messages"),
    ],
)
def test_what_cannot_be_used_is_refused_by_name(kind: MessageKind, body: str, named: str) -> None:
    with pytest.raises(Refused) as refused:
        messages.checked_wording(body, kind)
    assert refused.value.field == "body"
    assert named in str(refused.value.value)


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (K.HELP, "a" * 459),
        (K.HELP, "á" * 201),
        (K.STOPPED, "{sender}: no more messages. Send Start, and they begin again."),
        (K.STOPPED, "{sender}: no more messages. Questions: {phone}"),
        (K.STOPPED, "{sender}: nada más. EMPEZAR para volver."),
        (K.PROMPT, "{{quiet}} \N{WATER WAVE} first line\nsecond line {link}"),
        (K.PROMPT, "one \N{WOMAN}\u200d\N{PERSONAL COMPUTER} {link}"),
    ],
)
def test_what_can_be_used_is_taken_as_it_is(kind: MessageKind, body: str) -> None:
    assert messages.checked_wording(body, kind) == body


@pytest.mark.parametrize("language", codes())
@pytest.mark.parametrize("kind", MessageKind)
def test_built_in_wordings_fit_one_segment(language: str, kind: MessageKind) -> None:
    shown = wordings.preview(None, kind, load_language(language), SIGNS, ENGLISH)
    assert shown.doubts == ()
    assert shown.longest.segments == 1


def doubts(body: str, kind: MessageKind = K.HELP, language: str = "en") -> dict[str, str]:
    return {
        doubt.name: doubt.sentence
        for doubt in wordings.preview(body, kind, load_language(language), SIGNS, ENGLISH).doubts
    }


def test_the_sign_that_costs_most_of_a_segment_is_named() -> None:
    told = doubts("{sender}: quiet minutes – two of them")
    assert set(told) == {"outside_gsm"}
    assert "“–” (U+2013 EN DASH)" in told["outside_gsm"]
    many = doubts("{sender}: áâãåāăą")["outside_gsm"]  # å is in the alphabet, six are not
    assert "U+0103" in many
    assert "U+0105" not in many
    assert "and 1 more" in many
    # The clinic's own name may be at fault, and then no wording mends it.
    abroad = wordings.Signs("Žofín", "111", "09 999 0100", "l", "l", "l")
    (doubt,) = wordings.preview("{sender}: hello", K.HELP, ENGLISH, abroad, ENGLISH).doubts
    assert "LATIN CAPITAL LETTER Z WITH CARON" in doubt.sentence
    assert "not with this text" in doubt.sentence


def test_more_than_one_segment_is_said_with_its_count() -> None:
    told = doubts("{sender}: " + "quiet " * 30)
    assert told["segments"].startswith("It goes as up to 2 text messages (190 characters")


@pytest.mark.parametrize(
    ("body", "language", "name"),
    [
        ("{sender}: your heart minutes", "en", "telling"),
        ("{sender}: PRESSURES please", "en", "telling"),
        ("{sender}: su corazon", "es", "telling"),
        ("{sender}: sus presiones", "es", "telling"),
        ("{sender}: it was 24 mmHg", "en", "measured"),
        ("{sender}: 82,4 kg", "es", "measured"),
        ("{sender}: 40% of them", "en", "measured"),
        ("{sender}: call 09 999 0100", "en", "number"),
        ("{sender}: call 999", "en", "number"),
        ("hello", "en", "unsigned"),
    ],
)
def test_what_a_locked_screen_may_give_away_is_said_and_not_refused(body: str, language: str, name: str) -> None:
    assert set(doubts(body, language=language)) == {name}


def test_a_link_with_something_stuck_to_it_and_a_prompt_without_a_way_out() -> None:
    assert set(doubts("{sender}: go to{link} STOP ends these.", K.PROMPT)) == {"link"}
    assert set(doubts("{sender}: see {link}now. STOP ends these.", K.PROMPT)) == {"link"}
    assert set(doubts("{sender}: {link}. STOP ends these.", K.PROMPT)) == set()
    assert set(doubts("{sender}: {link}", K.PROMPT)) == {"no_stop"}
    assert set(doubts("{sender}: {link} BAJA para terminar.", K.PROMPT, "es")) == set()


def test_the_longest_is_what_a_placeholder_can_make_of_it() -> None:
    """Whatever our own lines and a full inbox can put there, and nothing longer."""
    reply = wordings.preview("{sender}: {text}", K.REPLY, SPANISH, SIGNS, ENGLISH)
    lines = [messages.line(SPANISH, key, again=again) for key in messages.lines(SPANISH) for again in (False, True)]
    lines += [messages.line_until(SPANISH, last) for last in (None, *(date(2026, month, 30) for month in range(4, 13)))]
    assert reply.longest.units == max(messages.length(f"Fernmoor: {line}").units for line in lines)
    assert reply.length.units < reply.longest.units
    digest = wordings.preview("{sender}: {count} {link}", K.DIGEST, ENGLISH, SIGNS, ENGLISH)
    assert "Fernmoor: 3 " in digest.text
    assert "Fernmoor: 9999 " in digest.longest_text
    prompt = wordings.preview("{sender}: {link} STOP", K.PROMPT, ENGLISH, SIGNS, ENGLISH)
    assert prompt.text == prompt.longest_text
