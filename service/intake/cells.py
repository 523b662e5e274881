"""The cells of a file's row as a reading or a check-in.

Each is read by itself and refused by name; whether the whole can be true is for
the domain to say.
"""

from __future__ import annotations

import math
from datetime import date, datetime

from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.validation import Refused
from service.domain.vocabulary import Posture, SafetySign, Source, Swelling
from service.intake.files import UNREADABLE, Layout, Sheet

READINGS = Layout(
    columns=(
        "patient", "taken_at", "pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "pressure_unit", "posture",
        "source_ref",
    ),
    needed=("patient", "taken_at", "pa_systolic", "pa_diastolic"),
)  # fmt: skip
CHECKINS = Layout(
    columns=(
        "patient", "local_date", "weight", "weight_unit", "breathlessness", "extra_pillows", "woke_breathless",
        "swelling", "light_headed", "tiredness", "missed_medicines", "safety_signs", "note",
    ),
    needed=("patient", "local_date"),
)  # fmt: skip
INSTANT = "an instant with its offset, such as 2026-03-01T07:12:00+01:00"
_YES_NO = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False}
_POSTURES = {posture.value: posture for posture in Posture}


class ReadingRows:
    """Turns the rows of one sheet into readings. `unit` is for rows that do not say theirs."""

    def __init__(self, sheet: Sheet, unit: str | None) -> None:
        self._at = tuple(sheet.places[name] for name in READINGS.columns)
        self._unit = unit
        self._comma = sheet.decimal_comma
        if unit is None and sheet.places["pressure_unit"] < 0:
            accepted = "a column pressure_unit, or one unit for the whole file"
            raise Refused("header", "pressure_unit", accepted, line=1)

    def __call__(self, cells: list[str]) -> NewReading:
        """Raises Refused."""
        patient, taken_at, systolic, diastolic, mean, rate, unit, posture, source_ref = self._at
        number = self._number
        return NewReading(
            _patient(cells[patient]),
            _instant(cells[taken_at]),
            number("pa_systolic", cells[systolic]),
            number("pa_diastolic", cells[diastolic]),
            number("pa_mean", cells[mean]) if cells[mean] else None,
            number("heart_rate", cells[rate]) if cells[rate] else None,
            cells[unit].strip() or self._default_unit(),
            _posture(cells[posture]) if cells[posture] else None,
            Source.FILE,
            cells[source_ref].strip() or None,
        )

    def _number(self, field: str, text: str) -> float:
        try:
            if "_" not in text:  # Python reads 1_7 as 17; nobody else does
                return float(text)
        except ValueError:
            pass
        return _other_number(field, text, comma=self._comma)

    def _default_unit(self) -> str:
        if self._unit is None:
            raise Refused("pressure_unit", "", "a UCUM code in each row, or one unit for the whole file")
        return self._unit


class CheckinRows:
    """Turns the rows of one sheet into check-ins."""

    def __init__(self, sheet: Sheet) -> None:
        self._places = sheet.places
        self._comma = sheet.decimal_comma

    def __call__(self, cells: list[str]) -> NewCheckin:
        """Raises Refused."""
        told = {name: cells[place].strip() for name, place in self._places.items()}
        if UNREADABLE in told["note"]:
            raise Refused("note", told["note"], "text in UTF-8")
        weight = told["weight"]
        answers = Answers(
            breathlessness=_whole("breathlessness", told["breathlessness"]),
            extra_pillows=_whole("extra_pillows", told["extra_pillows"]),
            woke_breathless=_yes_no("woke_breathless", told["woke_breathless"]),
            swelling=_swelling(told["swelling"]),
            weight=_other_number("weight", weight, comma=self._comma) if weight else None,
            weight_unit=told["weight_unit"] or "kg",
            light_headed=_yes_no("light_headed", told["light_headed"]),
            tiredness=_whole("tiredness", told["tiredness"]),
            missed_medicines=_yes_no("missed_medicines", told["missed_medicines"]),
            safety_signs=_signs(told["safety_signs"]),
            note=told["note"],
        )
        return NewCheckin(_patient(told["patient"]), answers, _date(told["local_date"]), Source.FILE)


def _patient(text: str) -> str:
    name = text.strip()
    if not name:
        raise Refused("patient", text, "the id or the clinic's reference of a patient")
    return name


def _instant(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        raise Refused("taken_at", text, INSTANT) from None


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused("local_date", text, "a date such as 2026-03-01") from None


def _other_number(field: str, text: str, *, comma: bool) -> float:
    """A number as a spreadsheet may write it: where cells are apart by semicolons, 82,4 is 82.4."""
    try:
        value = math.nan if "_" in text else float(text.replace(",", ".") if comma else text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Refused(field, text, "a number")
    return value


def _whole(field: str, text: str) -> int | None:
    try:
        if "_" not in text:
            return int(text.removesuffix(".0")) if text else None  # a spreadsheet writes 3 as 3.0
    except ValueError:
        pass
    raise Refused(field, text, "a whole number")


def _yes_no(field: str, text: str) -> bool | None:
    if not text:
        return None
    said = _YES_NO.get(text.lower())
    if said is None:
        raise Refused(field, text, "yes or no")
    return said


def _posture(text: str) -> Posture | None:
    word = text.strip().lower()
    if word and word not in _POSTURES:
        raise Refused("posture", text, ", ".join(Posture))
    return _POSTURES[word] if word else None


def _swelling(text: str) -> Swelling | None:
    try:
        return Swelling(text.lower()) if text else None
    except ValueError:
        raise Refused("swelling", text, ", ".join(Swelling)) from None


def _signs(text: str) -> tuple[SafetySign, ...] | None:
    """Signs with semicolons between them; "none" is "asked, and none of these"."""
    if not text:
        return None
    if text.lower() == "none":
        return ()
    try:
        return tuple(SafetySign(sign.strip().lower()) for sign in text.split(";"))
    except ValueError:
        raise Refused("safety_signs", text, f"none, or some of {'; '.join(SafetySign)}") from None
