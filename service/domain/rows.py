"""Rows of CSV files, as spreadsheets and machines write them, made into readings and check-ins.

One reader for a file that is imported and for one that is replayed. Promises the line
number of every row, that a file whose header cannot be right is refused before any row
is looked at, and that a cell which cannot be read is refused by name. Commas or
semicolons, quotes where needed, any line ending. A quote that nobody closed costs its own
line and none of the next; a line without end costs no memory. Whether the whole of a row
can be true is for `readings` and `diary` to say. Opens no file: it is given an open one, or lines.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TextIO

from service.domain import diary
from service.domain.diary import NewCheckin
from service.domain.readings import NewReading
from service.domain.record.results import NewResult, read_kind
from service.domain.validation import Refused
from service.domain.vocabulary import ArmPosture, Posture, Source

UNREADABLE = "\N{REPLACEMENT CHARACTER}"  # what a byte that is no UTF-8 is read as: it spoils its own row, not the file
LONGEST_NAME = 80
LONGEST_LINE = 65_536  # characters; the longest row of ours is a hundredth of that
MOST_LINES = 40  # of one row: a note may hold ends of lines
INSTANT = "an instant with its offset, such as 2026-03-01T07:12:00+01:00"


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns a kind of file may have, those it must, and those of which it must have one."""

    columns: tuple[str, ...]
    needed: tuple[str, ...]
    some_of: tuple[str, ...] = ()
    others_ignored: bool = False  # whether a column that is none of these is passed over instead of refused


READINGS = Layout(
    columns=(
        "patient", "taken_at", "pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "pressure_unit", "posture",
        "source_ref",
    ),
    needed=("patient", "taken_at", "pa_systolic", "pa_diastolic"),
)  # fmt: skip
CHECKINS = Layout(
    columns=(
        "patient",
        "local_date",
        "weight_unit",
        "weight_confirmed",
        *(question.key for question in diary.QUESTIONS),
    ),
    needed=("patient", "local_date"),
)

RESULTS = Layout(
    columns=("patient", "taken_at", "kind", "code", "value", "unit", "posture", "note"),
    needed=("patient", "taken_at", "value"),
    some_of=("kind", "code"),
)

# One person each: who they are, and, where known, how they are reached, what they agreed to, when they are asked.
ROSTER = Layout(
    columns=(
        "clinic_ref", "name", "born_on", "language", "zone", "telephone", "agreed_how", "agreed_on", "opens", "due",
        "closes", "caregiver_name", "caregiver_relation", "caregiver_telephone", "caregiver_allowed_how",
        "caregiver_agreed_how",
    ),
    needed=("clinic_ref", "name"),
)  # fmt: skip


# --- the shape of a file -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CsvSheet:
    """The rows of a file whose header is right."""

    lines: Iterator[str]  # after the header
    delimiter: str
    width: int
    places: dict[str, int]  # where each column of the layout is; -1 for one the file does not have
    decimal_comma: bool
    ignored: tuple[str, ...]


def lines_of(file: TextIO) -> Iterator[str]:
    """The lines of an open file, their ends as they are; of one that is too long only a beginning, too long still."""
    while line := file.readline(LONGEST_LINE + 1):
        yield line
        while len(line) > LONGEST_LINE and not line.endswith(("\n", "\r")):
            line = file.readline(LONGEST_LINE + 1)


def sheet_of(lines: Iterator[str], layout: Layout, called: Mapping[str, str] | None = None) -> CsvSheet:
    """Read the header. Raises Refused when it is no such file.

    `called` says what the file calls our columns; columns that it names none of are passed over then.
    """
    first = next(lines, "").removeprefix("\ufeff")
    delimiter, header = header_of(first)
    if called is not None:
        header = _renamed(header, layout, called)
        layout = replace(layout, others_ignored=True)
    _check_header(header, layout)
    places = {name: header.index(name) if name in header else -1 for name in layout.columns}
    ignored = tuple(name for name in header if name not in layout.columns)
    return CsvSheet(lines, delimiter, len(header), places, decimal_comma=delimiter == ";", ignored=ignored)


def header_of(first: str) -> tuple[str, list[str]]:
    """What parts the cells, and the names of the columns, of a file's first line. Raises Refused."""
    if first.startswith(UNREADABLE * 2):  # the mark at its start
        raise Refused("file", "UTF-16", "text in UTF-8")
    delimiter = ";" if first.count(";") > first.count(",") else ","
    try:
        cells = next(csv.reader([first], delimiter=delimiter), [])
    except csv.Error:
        raise Refused("header", first[:80], "comma-separated names of columns", line=1) from None
    return delimiter, [name.strip().lower() for name in cells]


# What programs and people call these columns; our own list, no source.
OTHER_NAMES = {
    "patient": "clinic_ref mrn id number reference patient_id", "clinic_ref": "patient mrn id number reference",
    "taken_at": "time date datetime timestamp", "local_date": "date day", "pa_systolic": "systolic sys pas",
    "pa_diastolic": "diastolic dia pad", "pa_mean": "mean pam", "heart_rate": "hr pulse rate",
    "pressure_unit": "unit units", "born_on": "birthdate dob date_of_birth born", "telephone": "phone mobile tel",
    "name": "full_name patient_name", "language": "lang", "zone": "timezone time_zone", "kind": "test analyte",
    "code": "loinc", "value": "result", "unit": "units", "note": "comment remarks",
}  # fmt: skip


def proposed(header: Sequence[str], layout: Layout) -> dict[str, str]:
    """What the file may call each of our columns, by its name: ours to theirs, each of theirs at most once."""
    plain = {re.sub("[^a-z0-9]+", "_", theirs).strip("_"): theirs for theirs in header}
    found = {name: plain.pop(name) for name in layout.columns if name in plain}
    for name in layout.columns:
        other = next((one for one in OTHER_NAMES.get(name, "").split() if name not in found and one in plain), None)
        if other is not None:
            found[name] = plain.pop(other)
    return found


def _renamed(header: list[str], layout: Layout, called: Mapping[str, str]) -> list[str]:
    ours: dict[str, str] = {}
    for name, theirs in called.items():
        if name not in layout.columns:
            raise Refused("map", name, f"the columns {', '.join(layout.columns)}")
        if theirs.strip().lower() not in header:
            raise Refused("map", theirs, f"a column of the file: {', '.join(header)[:200]}")
        ours[theirs.strip().lower()] = name
    # A column that nobody named is none of ours, even where it is called as one is.
    return [ours.get(name, f"({name})") for name in header]


def rows_of(sheet: CsvSheet) -> Iterator[tuple[int, list[str] | Refused]]:
    """(line it begins on, cells or why not) of every row that is not empty. The cells end with an empty one, at -1."""
    for line, cells in _rows(sheet):
        if isinstance(cells, Refused):
            yield line, cells
        elif len(cells) == sheet.width:
            cells.append("")
            yield line, cells
        elif any(cell.strip() for cell in cells):
            accepted = f"{sheet.width} cells, as in the header"
            yield line, Refused("line", f"{len(cells)} cells", accepted)


def _rows(sheet: CsvSheet) -> Iterator[tuple[int, list[str] | Refused]]:
    """Row after row. One that seems to go on for many lines has a quote too many: only its first is given up."""
    one: list[str] = []
    reader = csv.reader(iter(one.pop, None), delimiter=sheet.delimiter)
    ahead: list[str] = []  # lines that were looked at to no end, the next one last
    number = 1  # the header's line counts too
    while (line := ahead.pop() if ahead else next(sheet.lines, None)) is not None:
        number += 1
        if len(line) > LONGEST_LINE:
            yield number, Refused("line", "a longer one", f"a line of at most {LONGEST_LINE} characters")
        elif '"' not in line:
            one.append(line)
            yield number, next(reader)
        else:
            first, taken = number, [line]
            while (cells := _quoted(taken, sheet)) is None and len(taken) < MOST_LINES:
                if (line := ahead.pop() if ahead else next(sheet.lines, None)) is None:
                    break
                taken.append(line)
            if isinstance(cells, list) and (len(taken) == 1 or len(cells) == sheet.width):
                number += len(taken) - 1
                yield first, cells
            else:
                ahead += reversed(taken[1:])
                yield first, cells if isinstance(cells, Refused) and len(taken) == 1 else OPEN_QUOTE


OPEN_QUOTE = Refused("line", "a quote that is not closed", "every quote closed")


def _quoted(lines: list[str], sheet: CsvSheet) -> list[str] | Refused | None:
    """The cells of the row on these lines; None where it goes on."""
    if sum(map(len, lines)) > LONGEST_LINE:
        return OPEN_QUOTE
    try:
        return next(csv.reader(lines, delimiter=sheet.delimiter, strict=True))
    except csv.Error as error:
        return None if "unexpected end" in str(error) else Refused("line", str(error), "comma-separated values")


def _check_header(header: Sequence[str], layout: Layout) -> None:
    columns = ",".join(header)[:200]
    accepted = f"the columns {', '.join(layout.columns)}"
    unknown = [name for name in header if name not in layout.columns]
    if unknown and not layout.others_ignored:
        raise Refused("header", unknown[0][:80], accepted, line=1)
    if missing := [name for name in layout.needed if name not in header]:
        raise Refused("header", columns, f"a column {missing[0]}; {accepted}", line=1)
    if layout.some_of and not set(layout.some_of) & set(header):
        raise Refused("header", columns, f"at least one of: {', '.join(layout.some_of)}", line=1)
    if twice := [name for name in header if header.count(name) > 1]:
        raise Refused("header", twice[0], "each column once", line=1)


# --- its rows ----------------------------------------------------------------------


class ReadingRows:
    """Turns the rows of one sheet into readings. `unit` (UCUM) is for rows that do not say theirs.

    An empty cell is "not given"; which pressures a reading needs is for `domain.readings` to say.
    """

    def __init__(self, sheet: CsvSheet, unit: str | None) -> None:
        self._at = tuple(sheet.places[name] for name in READINGS.columns)
        self._unit = unit
        self._comma = sheet.decimal_comma
        if unit is None and sheet.places["pressure_unit"] < 0:
            accepted = "a column pressure_unit, or one unit for the whole file"
            raise Refused("header", "pressure_unit", accepted, line=1)

    def read(self, cells: list[str]) -> tuple[NewReading, list[Refused]]:
        """The row's reading; nothing is refused beside it. Raises Refused for a cell that cannot be read."""
        patient, taken_at, systolic, diastolic, mean, rate, unit, posture, source_ref = self._at
        number = self._number
        new = NewReading(
            _patient(cells[patient]),
            _instant(cells[taken_at]),
            number("pa_systolic", cells[systolic]) if cells[systolic] else None,
            number("pa_diastolic", cells[diastolic]) if cells[diastolic] else None,
            number("pa_mean", cells[mean]) if cells[mean] else None,
            number("heart_rate", cells[rate]) if cells[rate] else None,
            cells[unit].strip() or self._default_unit(),
            _posture(cells[posture]) if cells[posture] else None,
            Source.FILE,
            cells[source_ref].strip() or None,
        )
        return new, []

    def _number(self, field: str, text: str) -> float | None:
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
    """Turns the rows of one sheet into check-ins, by the diary's own reader."""

    def __init__(self, sheet: CsvSheet) -> None:
        self._places = sheet.places

    def read(self, cells: list[str]) -> tuple[NewCheckin, list[Refused]]:
        """The row's check-in, and every refusal of an answer in it. Raises Refused without a patient or a date."""
        values = {name: cells[place].strip() for name, place in self._places.items()}
        patient, day = _patient(values.pop("patient")), _date(values.pop("local_date"))
        answers, refused = diary.read_answers(values)
        if UNREADABLE in answers.note:
            refused.append(Refused("note", answers.note, "text in UTF-8"))
        return NewCheckin(patient, answers, day, Source.FILE), refused


class ResultRows:
    """Turns the rows of one sheet into results, of a kind by its own word or by its LOINC code."""

    def __init__(self, sheet: CsvSheet) -> None:
        self._places = sheet.places

    def read(self, cells: list[str]) -> tuple[NewResult, list[Refused]]:
        """The row's result; nothing is refused beside it. Raises Refused for a cell that cannot be read."""
        values = {name: cells[place].strip() for name, place in self._places.items()}
        kind, posture = values["kind"], values["posture"].lower()
        if posture and posture not in set(ArmPosture):
            raise Refused("posture", posture, ", ".join(ArmPosture))
        if UNREADABLE in "".join(values.values()):
            raise Refused("line", "a byte that is no UTF-8", "text in UTF-8")
        new = NewResult(
            _patient(values["patient"]),
            _instant(values["taken_at"]),
            values["value"],
            read_kind(kind) if kind else None,
            values["code"] or None,
            values["unit"] or None,
            ArmPosture(posture) if posture else None,
            values["note"],
        )
        return new, []


def _patient(text: str) -> str:
    name = text.strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or UNREADABLE in name:
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


def _other_number(field: str, text: str, *, comma: bool) -> float | None:
    """A number as a spreadsheet may write it: where cells are apart by semicolons, 82,4 is 82.4. None for blanks."""
    if not text.strip():
        return None
    try:
        value = math.nan if "_" in text else float(text.replace(",", ".") if comma else text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Refused(field, text, "a number")
    return value


_POSTURES = {posture.value: posture for posture in Posture}


def _posture(text: str) -> Posture | None:
    word = text.strip().lower()
    if word and word not in _POSTURES:
        raise Refused("posture", text, ", ".join(Posture))
    return _POSTURES[word] if word else None
