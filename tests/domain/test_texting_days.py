"""The last day somebody means by text message: counted, or named; and never a guess."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.texting.days import FARTHEST
from service.domain.texting.vocabulary import plain
from service.domain.vocabulary import CaregiverAnswer
from service.words import messages
from service.words.language import load_language, load_parser

PARSER = load_parser()
caregiver_answer, last_day, begins_with_a_span = (
    PARSER.caregiver_answer,
    PARSER.days.last_day,
    PARSER.days.begins_with_a_span,
)

TODAY = date(2026, 12, 2)


def named(text: str, *, day_first: bool = False, today: date = TODAY) -> date | None:
    return last_day(plain(text), today, day_first=day_first)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("3 until 12 Dec", date(2026, 12, 12)), ("3 12 dec", date(2026, 12, 12)), ("away till Dec 12th", date(2026, 12, 12)),
        ("3 until the 12th of December.", date(2026, 12, 12)), ("3 until 2026-12-12", date(2026, 12, 12)),
        ("2026-12-12", date(2026, 12, 12)), ("until 3 January", date(2027, 1, 3)), ("12 Dec 2026", date(2026, 12, 12)),
        ("3 until 31/12", date(2026, 12, 31)), ("3 until 12/31", date(2026, 12, 31)), ("until 12/12/26", date(2026, 12, 12)),
        ("3 10 days", date(2026, 12, 11)), ("3, 10 days", date(2026, 12, 11)), ("3 10d", date(2026, 12, 11)),
        ("away for two weeks", date(2026, 12, 15)), ("a week", date(2026, 12, 8)), ("1 day", TODAY), ("4 for 3 days", date(2026, 12, 4)),
        ("back on 12 December", date(2026, 12, 11)), ("3 today until 2 dec", TODAY),
        ("3 hasta el 12 de diciembre", date(2026, 12, 12)), ("fuera 10 días", date(2026, 12, 11)), ("3 una semana", date(2026, 12, 8)),
        ("hasta el 3 de enero", date(2027, 1, 3)), ("vuelve el 12 dic", date(2026, 12, 11)), ("3 diez días", date(2026, 12, 11)),
    ],
)  # fmt: skip
def test_a_day_is_understood_in_simple_forms(text, day):
    assert named(text) == day


@pytest.mark.parametrize(
    "text",
    [
        "3", "", "away", "10", "3 until friday", "until 31 February", "2026-13-01", "0 days", "3 500 days",
        "until 1 Dec",  # yesterday, or in a year? Not ours to guess
        "2020-01-01", "2029-01-01", "from 10 Dec to 12 Dec", "10 days or 12 days", "since 10 days", "10 days ago", "hace 10 días",
        "may be", "he may", "march", "82.4 kg", "12:30",
    ],
)  # fmt: skip
def test_what_names_no_day_or_two_or_one_that_cannot_be_comes_to_none(text):
    assert named(text) is None


def test_a_day_and_a_month_in_figures_are_read_as_the_language_writes_them():
    assert named("hasta el 5/12", day_first=True) == date(2026, 12, 5)
    assert named("until 5/12") is None  # 5 December, or 12 May
    assert named("until 12/12") == date(2026, 12, 12)


@given(st.dates(TODAY, TODAY + FARTHEST))
def test_any_day_of_the_coming_year_can_be_said_in_iso_form(day):
    # ISO 8601 as the standard library writes it.
    assert named(f"3 until {day.isoformat()}") == day


@given(st.integers(1, FARTHEST.days))
def test_days_are_counted_from_today_with_today_the_first(days):
    assert named(f"3 {days} days") == named(f"3 {days} días") == TODAY + timedelta(days=days - 1)


@given(st.text(max_size=80) | st.text(alphabet="0123456789/-. dayswekJnDc", max_size=30), st.booleans())
def test_no_message_breaks_it_and_no_day_is_past_or_too_far(text, day_first):
    day = named(text, day_first=day_first)
    begins_with_a_span(plain(text))
    assert day is None or TODAY <= day <= TODAY + FARTHEST


@pytest.mark.parametrize("text", ["3 days", "2 weeks", "2nd of December", "1 dec", "4 días", "2 semanas"])
def test_a_number_of_days_or_of_a_date_is_not_one_of_the_four_answers(text):
    assert caregiver_answer(text) is None


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("3 until 12 Dec", CaregiverAnswer.AWAY), ("3 10 days", CaregiverAnswer.AWAY), ("2 hasta el 12/12", CaregiverAnswer.IN_HOSPITAL),
        ("2 weeks away", CaregiverAnswer.AWAY), ("4 days in hospital", CaregiverAnswer.IN_HOSPITAL), ("4 3 days", CaregiverAnswer.EQUIPMENT),
    ],
)  # fmt: skip
def test_an_answer_may_have_a_last_day_beside_it(text, answer):
    assert caregiver_answer(text) is answer


@pytest.mark.parametrize("language", ["en", "es", "fr"])
@pytest.mark.parametrize("last", [None, *(date(2026, month, 28) for month in range(1, 13))], ids=str)
def test_what_is_confirmed_fits_one_segment_and_names_nobody_and_nothing(language, last):
    line = messages.line_until(load_language(language), last)
    body = messages.render("{sender}: {text}", messages.K.REPLY, {"sender": "x" * 32, "text": line})
    length = messages.length(body)
    assert (length.alphabet, length.segments) == ("GSM-7", 1)  # 3GPP TS 23.038
    assert (last is None) or "28" in line
    for word in ("hospital", "away", "equip", "fuera", "aparato", "{"):
        assert word not in line.lower()
