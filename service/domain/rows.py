"""Rows of files, as spreadsheets and machines write them, made into readings, check-ins, results and events.

One reader for a file that is imported and for one that is replayed. Promises the line
number of every row, that a file whose header cannot be right is refused before any row
is looked at, and that a cell which cannot be read is refused by name. Of CSV: commas,
semicolons or tabs, quotes where needed, any line ending. A quote that nobody closed costs its own
line and none of the next; a line without end costs no memory. Whether the whole of a row
can be true is for `readings` and `diary` to say. Opens no file: it is given an open one, or lines.
"""

from __future__ import annotations

import csv
import math
import re
import unicodedata
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TextIO

from service.domain import diary
from service.domain.diary import NewCheckin
from service.domain.filedates import FileDates
from service.domain.readings import NewReading
from service.domain.record.results import NewResult, read_kind
from service.domain.validation import Refused
from service.domain.vocabulary import ArmPosture, EventCause, EventKind, Posture, Source

UNREADABLE = "\N{REPLACEMENT CHARACTER}"  # what a byte that is no UTF-8 is read as: it spoils its own row, not the file
LONGEST_NAME = 80
LONGEST_LINE = 65_536  # characters; the longest row of ours is a hundredth of that
MOST_LINES = 40  # of one row: a note may hold ends of lines


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns a kind of file may have, those it must, and those of which it must have one."""

    columns: tuple[str, ...]
    needed: tuple[str, ...]
    some_of: tuple[str, ...] = ()
    dated: tuple[str, ...] = ()  # those that hold a date or an instant
    digits: tuple[str, ...] = ()  # those whose zeros in front count: a spreadsheet's numbers have lost them
    others_ignored: bool = False  # whether a column that is none of these is passed over instead of refused


READINGS = Layout(
    columns=(
        "patient", "taken_at", "pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "pressure_unit", "posture",
        "source_ref",
    ),
    needed=("patient", "taken_at", "pa_systolic", "pa_diastolic"),
    dated=("taken_at",),
    digits=("patient",),
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
    dated=("local_date",),
    digits=("patient",),
)

RESULTS = Layout(
    columns=("patient", "taken_at", "kind", "code", "value", "unit", "posture", "note"),
    needed=("patient", "taken_at", "value"),
    some_of=("kind", "code"),
    dated=("taken_at",),
    digits=("patient",),
)
EVENTS = Layout(
    columns=("patient", "kind", "from_date", "to_date", "cause", "note"),
    needed=("patient", "kind", "from_date"),
    dated=("from_date", "to_date"),
    digits=("patient",),
)

# One person each: who they are, and, where known, how they are reached, what they agreed to, when they are asked.
ROSTER = Layout(
    columns=(
        "clinic_ref", "name", "born_on", "language", "zone", "telephone", "agreed_how", "agreed_on", "opens", "due",
        "closes", "caregiver_name", "caregiver_relation", "caregiver_telephone", "caregiver_allowed_how",
        "caregiver_agreed_how",
    ),
    needed=("clinic_ref", "name"),
    dated=("born_on", "agreed_on"),
    digits=("clinic_ref", "telephone", "caregiver_telephone"),
)  # fmt: skip


# --- the shape of a file -----------------------------------------------------------


Raw = tuple[int, "list[str] | Refused"]  # the line a row begins on, and its cells or why there are none


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a file whose header is right."""

    raw: Iterator[Raw]  # after the header
    width: int
    places: dict[str, int]  # where each column of the layout is; -1 for one the file does not have
    decimal_comma: bool
    ignored: tuple[str, ...]
    dates: FileDates = field(default_factory=FileDates)


def lines_of(file: TextIO) -> Iterator[str]:
    """The lines of an open file, their ends as they are; of one that is too long only a beginning, too long still."""
    while line := file.readline(LONGEST_LINE + 1):
        yield line
        while len(line) > LONGEST_LINE and not line.endswith(("\n", "\r")):
            line = file.readline(LONGEST_LINE + 1)


def sheet_of(lines: Iterator[str], layout: Layout) -> Sheet:
    """Read the header of a CSV file that has our own columns. Raises Refused when it is no such file."""
    first, number = first_row(lines)
    delimiter, header = header_of(first)
    raw = csv_rows(lines, delimiter, len(header), number)
    return sheet_under(header, raw, layout, decimal_comma=delimiter != ",")


def sheet_under(
    header: list[str],
    raw: Iterator[Raw],
    layout: Layout,
    called: Mapping[str, str] | None = None,
    dates: FileDates | None = None,
    *,
    decimal_comma: bool,
) -> Sheet:
    """The sheet of rows under these names of columns, each in small letters. Raises Refused.

    `called` says what the file calls our columns; columns that it names none of are passed over then.
    """
    theirs = header
    if called is not None:
        header = _renamed(header, layout, called)
        layout = replace(layout, others_ignored=True)
    _check_header(header, layout)
    places = {name: header.index(name) if name in header else -1 for name in layout.columns}
    ignored = tuple(name for name, ours in zip(theirs, header, strict=True) if ours not in layout.columns)
    return Sheet(raw, len(header), places, decimal_comma, ignored, dates or FileDates())


def first_row(lines: Iterator[str]) -> tuple[str, int]:
    """The text of the names of the columns, and on how many lines it stands: one of them may hold ends of lines."""
    first, number = next(lines, "").removeprefix("\ufeff"), 1
    while first.count('"') % 2 and number < MOST_LINES and len(first) <= LONGEST_LINE:
        if (line := next(lines, None)) is None:
            break
        first, number = first + line, number + 1
    return first, number


def header_of(first: str) -> tuple[str, list[str]]:
    """What parts the cells, and the names of the columns, of a file's first row. Raises Refused."""
    if first.startswith(UNREADABLE * 2):  # no text at all
        raise Refused("file", "no text", "CSV in UTF-8, or a workbook in XLSX")
    bare = re.sub('"[^"]*"', "", first)
    delimiter = max(",;\t", key=bare.count)
    try:
        cells = next(csv.reader([first], delimiter=delimiter), [])
    except csv.Error:
        raise Refused("header", first[:80], "comma-separated names of columns", line=1) from None
    return delimiter, [" ".join(name.split()).lower() for name in cells]


# What programs and people call these columns, in English and Spanish, the likelier first; our own list, no source.
WHOSE = (
    "clinic_ref mrn patient_id patient_number record_number medical_record_number hospital_number nhc n_historia "
    "numero_de_historia historia_clinica historia id number reference patient paciente"
)
TAKEN = "datetime timestamp date_time taken measured_at fecha_y_hora fecha_hora time date fecha hora"
OTHER_NAMES = {
    "patient": WHOSE, "clinic_ref": WHOSE, "taken_at": TAKEN, "local_date": "date day fecha dia",
    "pa_systolic": "systolic sys pas pa_sys sistolica pap_sistolica", "pa_diastolic":
    "diastolic dia pad pa_dia diastolica pap_diastolica", "pa_mean": "mean pam media pap_media",
    "heart_rate": "hr pulse rate heart_rate_bpm frecuencia_cardiaca fc pulso",
    "pressure_unit": "unit units unidad", "posture": "position postura posicion",
    "born_on": "birthdate dob date_of_birth born birth_date birthday fecha_de_nacimiento fecha_nacimiento nacimiento",
    "telephone": "phone mobile tel cell telephone_number phone_number mobile_phone cell_phone mobile_number telefono "
    "movil celular telefono_movil",
    "name": "full_name patient_name patient nombre nombre_completo nombre_y_apellidos paciente",
    "language": "lang idioma lengua", "zone": "timezone time_zone zona_horaria", "kind":
    "test analyte event prueba analito tipo evento", "code": "loinc codigo", "value": "result valor resultado",
    "unit": "units unidad unidades", "note": "comment comments remarks notes nota notas comentario observaciones",
    "weight": "peso weight_kg", "breathlessness": "dyspnoea dyspnea disnea falta_de_aire",
    "from_date": "from date start start_date admitted admission_date admitted_on desde fecha ingreso "
    "fecha_de_ingreso inicio",
    "to_date": "to end end_date discharged discharge_date discharged_on hasta alta fecha_de_alta fin",
    "cause": "reason diagnosis causa motivo", "agreed_how": "consent consentimiento",
    "agreed_on": "consent_date fecha_de_consentimiento", "caregiver_name": "caregiver carer cuidador cuidadora",
    "caregiver_relation": "relation relationship parentesco relacion",
    "caregiver_telephone": "caregiver_phone carer_phone telefono_del_cuidador telefono_de_la_cuidadora",
}  # fmt: skip


def proposed(header: Sequence[str], layout: Layout) -> dict[str, str]:
    """What the file may call each of our columns, by its name: ours to theirs, each of theirs at most once."""
    plain: dict[str, str] = {}
    for theirs in header:
        plain.setdefault(_in_plain(theirs), theirs)
    found = {name: plain.pop(name) for name in layout.columns if name in plain}
    for name in layout.columns:
        others = OTHER_NAMES.get(name, "").split()
        other = next((one for one in others if name not in found and one in plain), None)
        if other is not None:
            found[name] = plain.pop(other)
    return found


def _in_plain(name: str) -> str:
    """A name without accents and signs: `N.º historia` is `n_historia`."""
    apart = unicodedata.normalize("NFD", name.lower())
    return re.sub("[^a-z0-9]+", "_", "".join(one for one in apart if not unicodedata.combining(one))).strip("_")


def _renamed(header: list[str], layout: Layout, called: Mapping[str, str]) -> list[str]:
    ours: dict[str, str] = {}
    for name, given in called.items():
        theirs = " ".join(given.split()).lower()
        if name not in layout.columns:
            raise Refused("map", name, "the columns %(columns)s", columns=layout.columns)
        if theirs not in header:
            raise Refused("map", given, "a column of the file: %(columns)s", columns=", ".join(header)[:200])
        if theirs in ours:
            raise Refused("map", given, "a column of the file for one of ours alone")
        ours[theirs] = name
    # A column that nobody named is none of ours, even where it is called as one is.
    return [ours.get(name, f"({name})") for name in header]


def rows_of(sheet: Sheet) -> Iterator[Raw]:
    """(line it begins on, cells or why not) of every row that is not empty. The cells end with an empty one, at -1."""
    for line, cells in sheet.raw:
        if isinstance(cells, Refused):
            yield line, cells
        elif len(cells) == sheet.width:
            cells.append("")
            yield line, cells
        elif any(cell.strip() for cell in cells):
            yield line, Refused("line", f"{len(cells)} cells", "%(width)s cells, as in the header", width=sheet.width)


def csv_rows(lines: Iterator[str], delimiter: str, width: int, number: int) -> Iterator[Raw]:
    """Row after row, under `number` lines of header.

    One that seems to go on for many lines has a quote too many: only its first is given up.
    """
    one: list[str] = []
    reader = csv.reader(iter(one.pop, None), delimiter=delimiter)
    ahead: list[str] = []  # lines that were looked at to no end, the next one last
    while (line := ahead.pop() if ahead else next(lines, None)) is not None:
        number += 1
        if len(line) > LONGEST_LINE:
            yield number, Refused("line", "a longer one", "a line of at most %(most)s characters", most=LONGEST_LINE)
        elif '"' not in line:
            one.append(line)
            yield number, next(reader)
        else:
            first, taken = number, [line]
            while (cells := _quoted(taken, delimiter)) is None and len(taken) < MOST_LINES:
                if (line := ahead.pop() if ahead else next(lines, None)) is None:
                    break
                taken.append(line)
            if isinstance(cells, list) and (len(taken) == 1 or len(cells) == width):
                number += len(taken) - 1
                yield first, cells
            else:
                ahead += reversed(taken[1:])
                yield first, cells if isinstance(cells, Refused) and len(taken) == 1 else OPEN_QUOTE


OPEN_QUOTE = Refused("line", "a quote that is not closed", "every quote closed")


def _quoted(lines: list[str], delimiter: str) -> list[str] | Refused | None:
    """The cells of the row on these lines; None where it goes on."""
    if sum(map(len, lines)) > LONGEST_LINE:
        return OPEN_QUOTE
    try:
        return next(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error as error:
        return None if "unexpected end" in str(error) else Refused("line", str(error), "comma-separated values")


def _check_header(header: Sequence[str], layout: Layout) -> None:
    columns = ",".join(header)[:200]
    unknown = [name for name in header if name not in layout.columns]
    if unknown and not layout.others_ignored:
        raise Refused("header", unknown[0][:80], "the columns %(columns)s", 1, columns=layout.columns)
    if missing := [name for name in layout.needed if name not in header]:
        needed = {"needed": missing[0], "columns": layout.columns}
        raise Refused("header", columns, "a column %(needed)s; the columns %(columns)s", 1, **needed)
    if layout.some_of and not set(layout.some_of) & set(header):
        raise Refused("header", columns, "at least one of: %(columns)s", 1, columns=layout.some_of)
    if twice := [name for name in header if header.count(name) > 1]:
        raise Refused("header", twice[0], "each column once", line=1)


# --- its rows ----------------------------------------------------------------------


class ReadingRows:
    """Turns the rows of one sheet into readings. `unit` (UCUM) is for rows that do not say theirs.

    An empty cell is "not given"; which pressures a reading needs is for `domain.readings` to say.
    """

    def __init__(self, sheet: Sheet, unit: str | None) -> None:
        self._at = tuple(sheet.places[name] for name in READINGS.columns)
        self._unit = unit
        self._comma = sheet.decimal_comma
        if unit is None and sheet.places["pressure_unit"] < 0:
            raise Refused("header", "pressure_unit", "a column of units (pressure_unit), or one unit for all", line=1)
        self._instant = sheet.dates.instant

    def read(self, cells: list[str]) -> tuple[NewReading, list[Refused]]:
        """The row's reading; nothing is refused beside it. Raises Refused for a cell that cannot be read."""
        patient, taken_at, systolic, diastolic, mean, rate, unit, posture, source_ref = self._at
        number = self._number
        new = NewReading(
            _patient(cells[patient]),
            self._instant("taken_at", cells[taken_at]),
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

    def __init__(self, sheet: Sheet) -> None:
        self._places, self._dates = sheet.places, sheet.dates

    def read(self, cells: list[str]) -> tuple[NewCheckin, list[Refused]]:
        """The row's check-in, and every refusal of an answer in it. Raises Refused without a patient or a date."""
        values = {name: cells[place].strip() for name, place in self._places.items()}
        patient = _patient(values.pop("patient"))
        day = self._dates.day("local_date", values.pop("local_date"))
        answers, refused = diary.read_answers(values)
        if UNREADABLE in answers.note:
            refused.append(Refused("note", answers.note, "text in UTF-8"))
        return NewCheckin(patient, answers, day, Source.FILE), refused


class ResultRows:
    """Turns the rows of one sheet into results, of a kind by its own word or by its LOINC code."""

    def __init__(self, sheet: Sheet) -> None:
        self._places, self._dates = sheet.places, sheet.dates

    def read(self, cells: list[str]) -> tuple[NewResult, list[Refused]]:
        """The row's result; nothing is refused beside it. Raises Refused for a cell that cannot be read."""
        values = {name: cells[place].strip() for name, place in self._places.items()}
        kind, posture = values["kind"], values["posture"].lower()
        if posture and posture not in set(ArmPosture):
            raise Refused("posture", posture, "one of %(words)s", words=tuple(ArmPosture))
        if UNREADABLE in "".join(values.values()):
            raise Refused("line", "a byte that is no UTF-8", "text in UTF-8")
        new = NewResult(
            _patient(values["patient"]),
            self._dates.instant("taken_at", values["taken_at"]),
            values["value"],
            read_kind(kind) if kind else None,
            values["code"] or None,
            values["unit"] or None,
            ArmPosture(posture) if posture else None,
            values["note"],
        )
        return new, []


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event as a file has it. `patient` is our id or the clinic's reference; an admission without `to_date` goes on.

    `recording.events` says what follows from it.
    """

    patient: uuid.UUID | str
    kind: EventKind
    from_date: date
    to_date: date | None = None
    cause: EventCause = EventCause.NOT_KNOWN
    note: str = ""


class EventRows:
    """Turns the rows of one sheet into events."""

    def __init__(self, sheet: Sheet) -> None:
        self._places, self._dates = sheet.places, sheet.dates

    def read(self, cells: list[str]) -> tuple[NewEvent, list[Refused]]:
        """The row's event; nothing is refused beside it. Raises Refused for a cell that cannot be read."""
        values = {name: cells[place].strip() for name, place in self._places.items()}
        if UNREADABLE in "".join(values.values()):
            raise Refused("line", "a byte that is no UTF-8", "text in UTF-8")
        kind, cause = _word("kind", values["kind"], EventKind), values["cause"]
        new = NewEvent(
            _patient(values["patient"]),
            EventKind(kind),
            self._dates.day("from_date", values["from_date"]),
            self._dates.day("to_date", values["to_date"]) if values["to_date"] else None,
            EventCause(_word("cause", cause, EventCause)) if cause else EventCause.NOT_KNOWN,
            values["note"],
        )
        return new, []


def _word(field: str, text: str, words: type[EventKind] | type[EventCause]) -> str:
    word = "_".join(text.lower().replace("_", " ").split())
    if word not in set(words):
        raise Refused(field, text, "one of %(words)s", words=tuple(one.replace("_", " ") for one in words))
    return word


def _patient(text: str) -> str:
    name = text.strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable() or UNREADABLE in name:
        raise Refused("patient", text, "the id or the clinic's reference of a patient")
    return name


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
        raise Refused("posture", text, "one of %(words)s", words=tuple(Posture))
    return _POSTURES[word] if word else None
