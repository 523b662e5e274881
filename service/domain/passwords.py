"""Whether a password is too easily guessed to stand alone.

Length is what counts: NIST SP 800-63B-4 (2025), section 3.1.1.2, asks for 15 characters
where a password is the only factor, as it is here, and for no rules of composition.
It also asks for a blocklist of what is common or near at hand. Ours is a rule rather
than a list: take out of the password what anybody would try (repeats, runs along the
alphabet or the keyboard, common words, the person's and the clinic's names), and
enough must be left. Promises the same answer whatever the case, accents and signs.
How many guesses somebody with lists of leaked passwords needs is asked where one is kept: `accounts.hashing`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from enum import StrEnum
from itertools import pairwise, takewhile

from service.domain.validation import Refused

SHORTEST = 15
LONGEST = 200  # far over the 64 that the same section asks to allow
# What must be left is as long as a password has to be beside a second factor (same section).
OWN = 8
SHORTEST_RUN = 3
SHORTEST_NAME = 4  # shorter parts of names are parts of other words too


class Weakness(StrEnum):
    """Why a password is not taken; the value says what would be."""

    LENGTH = f"{SHORTEST} to {LONGEST} characters"
    GUESSED = "one that is not made of repeats, rows of keys, common words or the names of person and clinic"


# Our own choice of what people put first, in the languages of the service.
_COMMON = frozenset(
    """
    password passphrase passwort pass contrasena clave secret secreto welcome bienvenido bienvenida letmein login
    signin access admin administrator administrador nurse enfermera doctor medico clinic clinica hospital patient
    paciente heart corazon neaptide neap tide qwerty iloveyou tequiero sunshine dragon monkey football changeme
    default temporary summer winter spring autumn verano invierno primavera otono january february march april
    june july august september october november december monday tuesday wednesday thursday friday saturday sunday
    correcthorsebatterystaple tobeornottobe maytheforcebewithyou youllneverwalkalone livelongandprosper
    supercalifragilistic onceuponatime enunlugardelamancha masvaletardequenunca
    """.split()  # noqa: SIM905 - a list of words reads better than a list of literals
)
_ROWS = ("abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm")
_STEPS = [set(pairwise(row)) for forwards in _ROWS for row in (forwards, forwards[::-1])]
_STEPS.append({(sign, sign) for sign in "".join(_ROWS)})
_LOOKALIKES = str.maketrans("0134578@$!", "oleastbasi")


class WeakPassword(Refused):
    """A password that is not taken, and why; it is never repeated."""

    def __init__(self, why: Weakness) -> None:
        super().__init__("password", "(hidden)", why.value)
        self.why = why


def checked(password: str, names: Iterable[str] = ()) -> str:
    """`password` itself. Raises WeakPassword."""
    if (why := weakness(password, names)) is not None:
        raise WeakPassword(why)
    return password


def weakness(password: str, names: Iterable[str] = ()) -> Weakness | None:
    """What is wrong with `password`, if anything. `names` are the person's, their address and the clinic's."""
    if not SHORTEST <= len(password) <= LONGEST:
        return Weakness.LENGTH
    words = sorted({*_COMMON, *_parts(names)}, key=len, reverse=True)
    left = min(_left(_letters(spelt), words) for spelt in (password, password.translate(_LOOKALIKES)))
    return Weakness.GUESSED if left < OWN else None


def _left(letters: str, words: list[str]) -> int:
    """How many characters are left of it when what anybody would try is taken out."""
    for word in words:
        letters = letters.replace(word, " ")
    return len(_without_runs(_once(letters.replace(" ", ""))))


def _letters(text: str) -> str:
    """Letters and digits alone, without case and accents."""
    return "".join(sign for sign in unicodedata.normalize("NFKD", text.casefold()) if sign.isalnum())


def _parts(names: Iterable[str]) -> set[str]:
    return {
        part
        for name in names
        for part in (*map(_letters, re.split(r"[\W_]+", name)), _letters(name))
        if len(part) >= SHORTEST_NAME
    }


def _once(letters: str) -> str:
    """The piece that it repeats, or all of it."""
    for length in range(1, len(letters) // 2 + 1):
        if all(sign == letters[position % length] for position, sign in enumerate(letters)):
            return letters[:length]
    return letters


def _without_runs(letters: str) -> str:
    left, position = [], 0
    while position < len(letters):
        run = max(_run(letters, position, steps) for steps in _STEPS)
        if run < SHORTEST_RUN:
            run = 1
            left.append(letters[position])
        position += run
    return "".join(left)


def _run(letters: str, first: int, steps: set[tuple[str, str]]) -> int:
    return 1 + sum(1 for _ in takewhile(steps.__contains__, pairwise(letters[first:])))
