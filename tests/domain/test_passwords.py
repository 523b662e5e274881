"""Passwords that are taken and such as anybody would try.

NIST SP 800-63B-4 (2025), 3.1.1.2: at least 15 characters where the password is the only
factor, at least 64 allowed, no rules of composition, every printing character and the
space accepted, and a blocklist of common and context-specific words.
"""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.passwords import LONGEST, SHORTEST, Weakness, WeakPassword, checked, weakness

NAMES = ("nora.quill@fernmoor.example", "Nora Quill", "Fernmoor Clinic")


def test_the_lengths_are_the_standards() -> None:
    assert SHORTEST == 15
    assert LONGEST >= 64


@pytest.mark.parametrize(
    "password",
    [
        "nine quiet lanterns",
        "blue door, blue door",
        "829374619283746",
        "kjhwqebmzaotrix",
        "¿dónde están los remos?",
        "пять тихих фонарей",
        "fernmoor is where gulls nest",
        "x" * 7 + " seven oars and a lamp",
    ],
)
def test_what_is_long_and_ones_own_is_taken(password: str) -> None:
    assert weakness(password, NAMES) is None
    assert checked(password, NAMES) == password


@pytest.mark.parametrize("password", ["", "nine lanterns", "a" * (LONGEST + 1), "quiet lanterns" + " " * LONGEST])
def test_length_comes_first(password: str) -> None:
    assert weakness(password, NAMES) is Weakness.LENGTH


@pytest.mark.parametrize(
    "password",
    [
        "aaaaaaaaaaaaaaaa",
        "121212121212121212",
        "tulip tulip tulip",
        "abcdefghijklmnop",
        "zyxwvutsrqponmlk",
        "123456789012345",
        "0987654321098765",
        "qwertyuiopasdfgh",
        "qazwsx123456789",
        "PasswordPassword",
        "p4ssw0rd p4ssw0rd",
        "Passwort123456789",
        "contraseña contraseña",
        "Welcome to the clinic 1",
        "January February 2026",
        "neaptide neaptide",
        "nora.quill@fernmoor.example",
        "N o r a  Q u i l l 1 2 3",
        "FERNMOOR clinic 2026!",
        "Quill-Fernmoor-2026",
        "!!!!!!!!!!!!!!!!!!",
    ],
)
def test_what_anybody_would_try_is_not_taken(password: str) -> None:
    assert weakness(password, NAMES) is Weakness.GUESSED
    with pytest.raises(WeakPassword) as told:
        checked(password, NAMES)
    assert password not in str(told.value)


def test_names_are_those_of_the_person_and_the_clinic_and_not_bits_of_them() -> None:
    assert weakness("fernmoor fernmoor bay", ()) is None
    assert weakness("fernmoor fernmoor bay", NAMES) is Weakness.GUESSED
    assert weakness("anatomy of a lighthouse", ("Ana To", "a@b.example")) is None


@given(st.text(max_size=LONGEST + 5), st.lists(st.text(max_size=30), max_size=3))
def test_anything_can_be_asked_about_and_case_does_not_matter(password: str, names: list[str]) -> None:
    found = weakness(password, names)
    assert found in {None, *Weakness}
    ascii_only = password.isascii()
    assert not ascii_only or weakness(password.upper(), names) is found


@given(st.text(string.ascii_lowercase, min_size=1, max_size=7), st.integers(15, 60))
def test_a_short_piece_is_not_made_good_by_repeating_it(piece: str, length: int) -> None:
    repeated = (piece * length)[:length]
    assert weakness(repeated) is Weakness.GUESSED
