"""The joined data as comma-separated text: one row a date, empty where nothing was given.

Promises RFC 4180 quoting, one header row, units in the column names, ISO dates,
and that no cell can be taken for a formula by a spreadsheet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from operator import attrgetter
from typing import Any

from service.domain.days import Day
from service.domain.vocabulary import PatientState

COLUMNS: Mapping[str, Callable[[Day], Any]] = {
    "local_date": lambda day: day.day.isoformat(),
    "window": attrgetter("window"),
    "reading_expected": attrgetter("wants_reading"),
    "readings": attrgetter("readings"),
    "pa_systolic_mmhg": attrgetter("pa_systolic"),
    "pa_diastolic_mmhg": attrgetter("pa_diastolic"),
    "pa_mean_mmhg": attrgetter("pa_mean"),
    "heart_rate_per_min": attrgetter("heart_rate"),
    "remarks": lambda day: "; ".join(day.remarks),
    "checked_in": attrgetter("checkin"),
    "breathlessness_0_10": attrgetter("breathlessness"),
    "extra_pillows": attrgetter("extra_pillows"),
    "woke_breathless": attrgetter("woke_breathless"),
    "slept_in_chair": attrgetter("slept_in_chair"),
    "swelling": attrgetter("swelling"),
    "full_belly": attrgetter("full_belly"),
    "weight_kg": attrgetter("weight_kg"),
    "weight_doubt": attrgetter("weight_doubt"),
    "light_headed": attrgetter("light_headed"),
    "tiredness_0_10": attrgetter("tiredness"),
    "missed_medicines": attrgetter("missed_medicines"),
    "safety_signs": lambda day: "; ".join(sign.value for sign in day.safety_signs),
    "pause": attrgetter("pause"),
    "note": attrgetter("note"),
}


@dataclass(frozen=True, slots=True)
class Reviewed:
    """What staff signed, or added to a signature, on one date: outcome and note."""

    outcome: str
    note: str
    adds: bool = False


@dataclass(frozen=True, slots=True)
class Joined:
    """One patient's days, under the clinic's own reference for them, and what was signed and added by date."""

    clinic_ref: str
    state: PatientState
    days: Sequence[Day]
    reviewed: Mapping[date, Sequence[Reviewed]]
    entered: Mapping[date, Sequence[str]]  # the record, in the words that files and API know


def joined_csv(patients: Iterable[Joined]) -> Iterator[str]:
    """The joined days of some patients, with the reviews signed and added to on each date: a part for each patient."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(("clinic_ref", "patient_state", *COLUMNS, "signed", "added_since_signed", "record"))
    for one in patients:
        whose = [_cell(one.clinic_ref), one.state.value]
        for day in one.days:
            done = one.reviewed.get(day.day, ())
            last = (_reviews(done, adds=False), _reviews(done, adds=True), "; ".join(one.entered.get(day.day, ())))
            writer.writerow([*whose, *(_cell(of(day)) for of in COLUMNS.values()), *map(_cell, last)])
        yield text.getvalue()
        text.seek(0)
        text.truncate()
    yield text.getvalue()  # the columns' names, where there is nobody


def _reviews(done: Sequence[Reviewed], *, adds: bool) -> str:
    told = [f"{one.outcome}: {one.note}" if one.note else one.outcome for one in done if one.adds is adds]
    return "; ".join(told)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, int):
        return str(value)
    return no_formula(str(value))


_UNSEEN = r"[\s\x00-\x1f\x7f-\xa0\u00ad\u180e\u200b-\u200f\u2028-\u202f\u2060-\u206f\ufe00-\ufe0f\ufeff]*"
_BEGINS_FORMULA = re.compile(rf"((?:^|[;\t\r\n]){_UNSEEN})([=+@\-＝＋－＠﹦﹢﹣−])")


def no_formula(text: str) -> str:
    """A cell's text, in which nothing is a formula when it is opened in a spreadsheet.

    A formula may begin after blanks and signs that are not seen, with a sign of full width, and where a program that
    parts cells otherwise (semicolons, tabs, ends of lines) sees the beginning of a cell.
    """
    guarded = _BEGINS_FORMULA.sub(r"\1'\2", text)
    return f"'{guarded}" if guarded[:1] in {"\t", "\r", "\n"} else guarded
