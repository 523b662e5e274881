"""The rows of a replay's files, each checked by itself; here those of readings.

Promises that a bad row is reported with its line, field, value and what is
accepted, and that every good one is kept whatever the order of the lines. The
local date of a reading is the date as written in its own offset: no zone is
guessed. The same reading twice counts once.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from math import inf

from service.domain.days import Taken
from service.domain.readings import EARLIEST, MEAN_SLACK, MMHG, RANGES, UNITS
from service.domain.trend.state import CHANNELS
from service.domain.validation import Refused
from service.domain.vocabulary import Posture

READING_COLUMNS = ("patient", "taken_at", *CHANNELS, "heart_rate", "pressure_unit", "posture")
LATEST_YEAR = 2100
LONGEST_NAME = 80
_INSTANT = "an instant with its offset, such as 2026-03-01T07:12:00+01:00"


@dataclass(slots=True)
class Rejected:
    """What was not taken."""

    refused: list[Refused] = field(default_factory=list)
    duplicates: int = 0
    ignored_columns: tuple[str, ...] = ()


@dataclass(slots=True)
class Readings(Rejected):
    """Good readings in mmHg, by patient and local date (ordinals)."""

    days: dict[str, dict[int, list[Taken]]] = field(default_factory=dict)
    rows: int = 0


def read_readings(lines: Iterable[str]) -> Readings:
    """Every reading of a CSV file. Raises Refused where the file as a whole cannot be read."""
    found = Readings()
    taken: dict[tuple[str, datetime], tuple[float | None, ...]] = {}
    for line, row in rows_of(lines, READING_COLUMNS, ("patient", "taken_at"), CHANNELS, found):
        try:
            patient, taken_at, one = _reading(row)
            values = (one.pa_diastolic, one.pa_mean, one.pa_systolic)
            if (known := taken.setdefault((patient, taken_at), values)) is not values:
                if known != values:
                    raise Refused("taken_at", row["taken_at"], "one reading of one patient at one instant")
                found.duplicates += 1
                continue
        except Refused as refusal:
            found.refused.append(refusal.at_line(line))
            continue
        found.rows += 1
        found.days.setdefault(patient, {}).setdefault(taken_at.toordinal(), []).append(one)
    return found


def rows_of(
    lines: Iterable[str], known: tuple[str, ...], needed: tuple[str, ...], some_of: tuple[str, ...], found: Rejected
) -> Iterator[tuple[int, dict[str, str]]]:
    """Line number and fields of every row that has as many fields as the header."""
    reader = csv.reader(_text(lines))
    header = [name.strip() for name in next(reader, [])]
    for name in needed:
        if header.count(name) != 1:
            raise Refused("header", ",".join(header)[:200], f"a column {name}, once").at_line(1)
    if not any(name in header for name in some_of):
        raise Refused("header", ",".join(header)[:200], f"at least one of: {', '.join(some_of)}").at_line(1)
    if len(set(header)) != len(header):
        raise Refused("header", ",".join(header)[:200], "every column once").at_line(1)
    found.ignored_columns = tuple(name for name in header if name not in known)
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            found.refused.append(Refused("line", str(error), "a line of comma-separated values", reader.line_num))
            continue
        if cells is None:
            return
        if not cells:
            continue
        if len(cells) != len(header):
            fault = Refused("line", f"{len(cells)} fields", f"{len(header)} fields, as in the header")
            found.refused.append(fault.at_line(reader.line_num))
            continue
        yield reader.line_num, dict(zip(header, cells, strict=True))


def _text(lines: Iterable[str]) -> Iterator[str]:
    first = True
    for line in lines:
        # A NUL is not text; it is turned into a sign that no field accepts, so that its row is refused by name.
        yield (line.removeprefix("\ufeff") if first else line).replace("\x00", "\N{REPLACEMENT CHARACTER}")
        first = False


def _reading(row: dict[str, str]) -> tuple[str, datetime, Taken]:
    patient, text = patient_of(row), row["taken_at"].strip()
    try:
        taken_at = datetime.fromisoformat(text)
    except ValueError:
        raise Refused("taken_at", text, _INSTANT) from None
    if taken_at.tzinfo is None:
        raise Refused("taken_at", text, _INSTANT)
    if not EARLIEST.year <= taken_at.year < LATEST_YEAR:
        raise Refused("taken_at", text, f"a year from {EARLIEST.year} to {LATEST_YEAR - 1}")
    unit = row.get("pressure_unit", "").strip() or MMHG
    factor = UNITS.get(unit)
    if factor is None:
        raise Refused("pressure_unit", unit, ", ".join(UNITS))
    diastolic, mean, systolic = (_pressure(row, name, factor, unit) for name in CHANNELS)
    _check_order(row, diastolic, mean, systolic)
    if "heart_rate" in row:
        _pressure(row, "heart_rate", 1.0, "beats a minute")
    hour = taken_at.hour + taken_at.minute / 60.0
    return patient, taken_at, Taken(taken_at.date(), systolic, diastolic, mean, hour=hour, posture=_posture(row))


def _check_order(row: dict[str, str], diastolic: float | None, mean: float | None, systolic: float | None) -> None:
    if diastolic is None and mean is None and systolic is None:
        raise Refused("pa_diastolic", "", "at least one pressure")
    low = -inf if diastolic is None else diastolic
    high = inf if systolic is None else systolic
    if low > high:
        raise Refused("pa_systolic", row["pa_systolic"], f"not below the diastolic pressure, {row['pa_diastolic']}")
    if mean is not None and not low - MEAN_SLACK <= mean <= high + MEAN_SLACK:
        raise Refused("pa_mean", row["pa_mean"], "from the diastolic to the systolic pressure")


def _pressure(row: dict[str, str], name: str, factor: float, unit: str) -> float | None:
    text = row.get(name, "").strip()
    if not text:
        return None
    least, most, _ = RANGES[name]
    try:
        value = float(text) * factor
    except ValueError:
        value = inf
    if not least <= value <= most:
        raise Refused(name, text, f"a number from {least / factor:.4g} to {most / factor:.4g} {unit}")
    return value


def _posture(row: dict[str, str]) -> Posture | None:
    text = row.get("posture", "").strip()
    if not text:
        return None
    try:
        return Posture(text)
    except ValueError:
        raise Refused("posture", text, ", ".join(Posture)) from None


def patient_of(row: dict[str, str]) -> str:
    name = row["patient"].strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or "\N{REPLACEMENT CHARACTER}" in name:
        raise Refused("patient", row["patient"], f"text of 1 to {LONGEST_NAME} characters")
    return name
