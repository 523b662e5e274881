"""How networks count a text: its alphabet, its units, and the segments it travels in."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

# The GSM 7-bit default alphabet and its extension (3GPP TS 23.038, section 6.2.1).
_GSM_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_GSM_EXTENDED = frozenset("^{}\\[~]|€\f")


@dataclass(frozen=True)
class Length:
    """How a text travels: alphabet (GSM-7 or UCS-2), units in it, and segments."""

    alphabet: str
    units: int
    segments: int


def length(text: str) -> Length:
    """How networks count and cut a text (3GPP TS 23.038, and TS 23.040 9.2.3.24.1).

    160 septets alone or 153 in each joined segment; 70 or 67 UCS-2 units where one sign
    is outside the 7-bit alphabet. A sign that takes two is never cut in the middle: the
    segment before it stays one short.
    """
    if not outside_gsm(text):
        sizes = [2 if sign in _GSM_EXTENDED else 1 for sign in text]
        return Length("GSM-7", sum(sizes), _segments(sizes, 160, 153))
    sizes = [2 if ord(sign) > 0xFFFF else 1 for sign in text]
    return Length("UCS-2", sum(sizes), _segments(sizes, 70, 67))


def outside_gsm(text: str) -> list[str]:
    """The signs of `text` that the 7-bit alphabet lacks, each once, in order."""
    return [sign for sign in dict.fromkeys(text) if sign not in _GSM_BASIC and sign not in _GSM_EXTENDED]


def name_of(sign: str) -> str:
    """`U+00E1 LATIN SMALL LETTER A WITH ACUTE`."""
    return f"U+{ord(sign):04X} {unicodedata.name(sign, '')}".rstrip()


def _segments(sizes: Iterable[int], alone: int, joined: int) -> int:
    sizes = list(sizes)
    if sum(sizes) <= alone:
        return 1
    segments, room = 1, joined
    for size in sizes:
        if size > room:
            segments, room = segments + 1, joined
        room -= size
    return segments
