"""Wordings: lock-screen safe, short, no placeholder nobody fills in, no word of replying where nobody reads it."""

from __future__ import annotations

import re
from datetime import time

import pytest

from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose, MessageKind
from service.links import Links
from service.words import messages
from service.words.language import codes, load_language

FILLED_IN = {
    "sender": "Fernmoor",
    "number": "111",
    "phone": "+64 9 999 0100",
    "text": "x",
    "count": "3",
    "greeting": "good afternoon",
    "asked": "today's reading and check-in",
}
# Words that would tell a stranger what the telephone's owner suffers from. Our own list.
TELLING = ("heart", "cardi", "pressure", "lung", "clinic", "patient", "sensor", "coraz", "presi", "clínica", "paciente")


@pytest.mark.parametrize("language", codes())
@pytest.mark.parametrize("kind", MessageKind)
def test_a_built_in_wording_fits_one_segment_and_gives_nothing_away(language: str, kind: MessageKind) -> None:
    body = messages.checked_wording(messages.wording(load_language(language), kind), kind)
    assert not [word for word in TELLING if word in body.lower()]
    text = messages.render(body, kind, {**FILLED_IN, "link": link(USUAL, kind)})
    length = messages.length(text)
    # Carrier convention: at most 160 characters of the GSM alphabet.
    assert (length.alphabet, length.segments) == ("GSM-7", 1)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # 3GPP TS 23.038 / 23.040 (from memory): 160 or 153 septets, 70 or 67 UCS-2 units; extension signs take two.
        ("a" * 160, ("GSM-7", 160, 1)),
        ("a" * 161, ("GSM-7", 161, 2)),
        ("a" * 306, ("GSM-7", 306, 2)),
        ("a" * 307, ("GSM-7", 307, 3)),
        ("€" * 80, ("GSM-7", 160, 1)),
        ("á" * 70, ("UCS-2", 70, 1)),
        ("á" * 71, ("UCS-2", 71, 2)),
        ("é" * 160, ("GSM-7", 160, 1)),
        ("\N{WATER WAVE}" * 35, ("UCS-2", 70, 1)),
        # TS 23.040 9.2.3.24.1 (from memory): an escape sequence is not split in the middle. Of 306 septets cut at
        # 153, the 153rd would be the escape: the first segment stays one short, and a third is needed.
        ("a" * 152 + "€" + "a" * 152, ("GSM-7", 306, 3)),
        ("a" * 151 + "€" + "a" * 153, ("GSM-7", 306, 2)),
        ("^" * 153, ("GSM-7", 306, 3)),
        # The same for the two halves of a surrogate pair. Common practice, no source.
        ("á" * 66 + "\N{WATER WAVE}" + "á" * 66, ("UCS-2", 134, 3)),
        ("á" * 65 + "\N{WATER WAVE}" + "á" * 67, ("UCS-2", 134, 2)),
        ("", ("GSM-7", 0, 1)),
    ],
)
def test_length_is_counted_as_networks_count_it(text: str, expected: tuple[str, int, int]) -> None:
    length = messages.length(text)
    assert (length.alphabet, length.units, length.segments) == expected


@pytest.mark.parametrize(
    "body", ["{name} {link}", "{link", "no link", "{link.upper}", "{link!r}", "{link:>5}", "{link:}", "{}", ""]
)
def test_a_wording_that_cannot_be_filled_in_is_refused(body: str) -> None:
    with pytest.raises(Refused) as refused:
        messages.checked_wording(body, MessageKind.PROMPT)
    assert refused.value.field == "body"


# --- by channel ------------------------------------------------------------------------

K = MessageKind
ASKED = (K.PROMPT, K.REMINDER, K.NUDGE)
LONGEST_SENDER = "F" * 32  # enrolling.clinics allows no longer one
LONG_BASE = "https://calls.fernmoor-and-moor.example/"[:39] + "n"
LINKS = Links(LONG_BASE)
USUAL = Links("https://calls.fernmoor.example")
GIVES_AWAY = (*TELLING, "hospital", "equip", "aparato")
REPLYING = ("reply", "stop", "conteste", "mande", "1-4")


def link(links: Links, kind: MessageKind) -> str:
    return links.samples().caregiver if kind is K.NUDGE else links.samples().patient


def text(
    language: str,
    kind: MessageKind,
    sender: str,
    links: Links,
    *,
    hears: bool,
    asks: tuple[str, ...],
    wall: time = time(8),
) -> str:
    values = {"sender": sender, "link": link(links, kind)}
    values |= messages.of_the_day(load_language(language), asks, wall)
    return messages.written(load_language(language), kind, values, hears_replies=hears, asks=asks)


@pytest.mark.parametrize("asks", [("reading", "checkin"), ("reading",), ("checkin",)], ids=str)
@pytest.mark.parametrize("kind", ASKED)
@pytest.mark.parametrize("language", codes())
@pytest.mark.parametrize(("sender", "links"), [(LONGEST_SENDER, LINKS), ("Fernmoor", USUAL)], ids=["longest", "usual"])
def test_by_text_it_fits_one_segment_however_long_name_and_link(language, kind, asks, sender, links):
    assert len(LONG_BASE) == 40
    length = messages.length(text(language, kind, sender, links, hears=True, asks=asks))
    # 3GPP TS 23.038: 160 septets of the 7-bit alphabet in a single message.
    assert (length.alphabet, length.segments, length.units <= 160) == ("GSM-7", 1, True)


REAL = Links("https://calls.fernmoor-clinic.org")  # invented, and as long as a real one
WHAT_IT_IS = ("reading", "check-in", "lectura", "preguntas")


@pytest.mark.parametrize("wall", [time(7), time(15), time(20)], ids=str)
@pytest.mark.parametrize("asks", [("reading", "checkin"), ("reading",), ("checkin",)], ids=str)
@pytest.mark.parametrize("kind", ASKED)
@pytest.mark.parametrize("language", codes())
def test_at_a_real_address_the_full_words_fit_one_segment_and_name_what_is_asked(language, kind, asks, wall):
    assert len(REAL.address(LinkPurpose.CHECKIN, "")) == 33 + len("/c/")
    said = text(language, kind, "Fernmoor", REAL, hears=True, asks=asks, wall=wall)
    # 3GPP TS 23.038: 160 septets of the 7-bit alphabet in a single message.
    length = messages.length(said)
    assert (length.alphabet, length.segments) == ("GSM-7", 1)
    assert [word for word in WHAT_IT_IS if word in said]
    full = messages.by_text(load_language(language), kind, asks)[0]
    day = messages.of_the_day(load_language(language), asks, wall)
    assert said == full.format(sender="Fernmoor", link=link(REAL, kind), **day)


def test_the_prompt_as_a_patient_reads_it():
    """The greeting by the hour, the reading named, a reply and STOP offered."""
    said = text("en", K.PROMPT, "Fernmoor", REAL, hears=True, asks=("reading", "checkin"))
    assert said == (
        "Fernmoor: good morning. Time for today's reading and check-in: "
        "https://calls.fernmoor-clinic.org/c/sample-link-opens-none Or just reply. STOP to stop."
    )


@pytest.mark.parametrize(
    ("wall", "greeting"),
    [(time(0), "morning"), (time(11, 59), "morning"), (time(12), "afternoon"), (time(18), "evening")],
    ids=str,
)
def test_the_greeting_is_of_the_hour(wall, greeting):
    assert messages.of_the_day(load_language("en"), (), wall)["greeting"] == f"good {greeting}"


@pytest.mark.parametrize("kind", ASKED)
@pytest.mark.parametrize("language", codes())
def test_the_first_of_all_says_who_writes_and_why_it_is_safe_and_gives_nothing_away(language, kind):
    said = messages.introduction(load_language(language), kind, FILLED_IN)
    assert "Fernmoor" in said
    assert FILLED_IN["phone"] in said  # whom to ask
    assert [word for word in ("passwords", "claves") if word in said]
    assert messages.length(said).alphabet == "GSM-7"
    assert not [word for word in re.findall(r"\w+", said.lower()) if word.startswith(GIVES_AWAY)]
    whole = f"{said}\n{text(language, kind, 'Fernmoor', REAL, hears=True, asks=('reading', 'checkin'))}"
    assert messages.length(whole).segments <= messages.MOST_SEGMENTS


@pytest.mark.parametrize("kind", ASKED)
@pytest.mark.parametrize("language", codes())
def test_every_wording_is_allowed_and_gives_nothing_away(language, kind):
    bodies = [
        messages.alone(load_language(language), kind),
        *messages.by_text(load_language(language), kind, ("reading", "checkin")),
    ]
    for body in bodies:
        messages.checked_wording(body, kind)
        words = [word.strip(".,:;?¿()") for word in body.lower().split()]
        assert not [word for word in words if word.startswith(GIVES_AWAY)]


@pytest.mark.parametrize(("sender", "links"), [(LONGEST_SENDER, LINKS), ("Fernmoor", USUAL)], ids=["longest", "usual"])
@pytest.mark.parametrize("language", codes())
def test_where_a_reply_is_read_it_says_so(language, sender, links):
    both = ("reading", "checkin")
    for kind in (K.PROMPT, K.REMINDER):
        said = text(language, kind, sender, links, hears=True, asks=both)
        assert ("eply" in said) or ("onteste" in said)
    assert "STOP" in text(language, K.PROMPT, sender, links, hears=True, asks=both)
    nudged = text(language, K.NUDGE, sender, links, hears=True, asks=both)
    assert "1-4" in nudged
    assert "0" in nudged.split("1-4")[1]  # and how to learn what they mean


@pytest.mark.parametrize("kind", ASKED)
@pytest.mark.parametrize("language", codes())
def test_where_nobody_reads_a_reply_none_is_asked_for(language, kind):
    said = text(language, kind, "Fernmoor", USUAL, hears=False, asks=("reading", "checkin"))
    before, at, after = said.partition(" https://")
    assert at
    assert " " not in after  # the link, and nothing after it
    assert not [word for word in REPLYING if word in before.lower()]


@pytest.mark.parametrize("language", codes())
def test_a_reply_is_not_asked_for_where_only_a_reading_is_missing(language):
    # A reading comes from the sensor's machine: no text can stand in for it.
    for kind in (K.PROMPT, K.REMINDER):
        said = text(language, kind, "Fernmoor", USUAL, hears=True, asks=("reading",))
        assert not [word for word in ("eply", "onteste") if word in said]
    assert "STOP" in text(language, K.PROMPT, "Fernmoor", USUAL, hears=True, asks=("reading",))


@pytest.mark.parametrize("language", codes())
def test_a_notice_that_cannot_wait_says_so_and_still_gives_nothing_away(language):
    values = {"sender": LONGEST_SENDER, "link": f"{LONG_BASE}/clinic/inbox"}
    said = {
        urgent: messages.written(load_language(language), K.STAFF_TASK, values, hears_replies=True, cannot_wait=urgent)
        for urgent in (True, False)
    }
    assert said[True] != said[False]
    assert messages.length(said[True]).segments == 1
    assert not [word for word in said[True].lower().split() if word.startswith(GIVES_AWAY)]


@pytest.mark.parametrize("kind", MessageKind)
def test_all_other_kinds_and_unknown_languages_have_the_built_in_wording(kind):
    if kind not in ASKED:
        spanish = load_language("es")
        assert messages.by_text(spanish, kind, ()) == (messages.wording(spanish, kind),)
    unknown, english = load_language("fr"), load_language("en")
    assert messages.by_text(unknown, kind, ()) == messages.by_text(english, kind, ())
    assert messages.alone(unknown, kind) == messages.alone(english, kind)
