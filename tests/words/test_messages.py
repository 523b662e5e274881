"""Wordings: lock-screen safe, short, and with no placeholder nobody fills in."""

from __future__ import annotations

import pytest

from service.domain import segments
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind
from service.words import messages
from service.words.language import codes, load_language

FILLED_IN = {
    "sender": "Fernmoor",
    "number": "111",
    "phone": "+64 9 999 0100",
    "text": "x",
    "count": "3",
}
# As long as links.py makes them: a person's link is longer than a window's.
SHORT_LINK = "https://calls.fernmoor.example/c/" + "x" * 50
LONG_LINK = "https://calls.fernmoor.example/g/" + "x" * 71
# Words that would tell a stranger what the telephone's owner suffers from. Our own list.
TELLING = ("heart", "cardi", "pressure", "lung", "clinic", "patient", "sensor", "coraz", "presi", "clínica", "paciente")


@pytest.mark.parametrize("language", codes())
@pytest.mark.parametrize("kind", MessageKind)
def test_a_built_in_wording_fits_one_segment_and_gives_nothing_away(language: str, kind: MessageKind) -> None:
    body = messages.checked_wording(messages.wording(load_language(language), kind), kind)
    assert not [word for word in TELLING if word in body.lower()]
    link = LONG_LINK if kind is MessageKind.NUDGE else SHORT_LINK
    text = messages.render(body, kind, {**FILLED_IN, "link": link})
    length = segments.length(text)
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
    length = segments.length(text)
    assert (length.alphabet, length.units, length.segments) == expected


@pytest.mark.parametrize(
    "body", ["{name} {link}", "{link", "no link", "{link.upper}", "{link!r}", "{link:>5}", "{link:}", "{}", ""]
)
def test_a_wording_that_cannot_be_filled_in_is_refused(body: str) -> None:
    with pytest.raises(Refused) as refused:
        messages.checked_wording(body, MessageKind.PROMPT)
    assert refused.value.field == "body"
