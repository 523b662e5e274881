"""Workbooks (XLSX, ISO/IEC 29500), read as data only: what their cells hold, and in which of them nothing can be read.

Promises that no formula or macro is run, that nothing outside the file is followed, and that a file which is small
and opens into something large is refused before it is parsed: its members are measured as they come out of the
archive, and only those that hold cells, written anew, are given to the parser. The parser makes room for what a sheet
says, and where there is none it takes the whole process along: so what it could read otherwise than it was measured
(a cell that is called in another way, or stands in another's row) is a damaged workbook. A cell whose value is not
there (an error, a formula that nobody has worked out, a merge, a hidden row) is told as such and never read as empty.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.parsers import expat

import python_calamine
from python_calamine import SheetTypeEnum, SheetVisibleEnum

from service.domain import filedates
from service.domain.rows import LONGEST_LINE
from service.domain.validation import Refused, storable

MOST_MEMBERS = 2_000
MOST_UNPACKED = 30_000_000  # bytes, of all that holds cells; our own number, no source
MOST_COLUMNS, MOST_ROWS = 200, 100_000
MOST_HELD = 500_000  # cells in which something stands
MOST_CELLS = 2_000_000  # from the first to the last: the parser has room for each, also where nothing stands
DEEPEST = 64  # elements within elements
MOST_ELEMENTS = 1_500_000  # of one member, whatever they hold
LONGEST_INDEX = 10  # digits of the place of a shared text
BEGINS = b"PK\x03\x04"
OLD = b"\xd0\xcf\x11\xe0"  # the container of older workbooks, and of those with a password
# A spreadsheet's day 60 is 1900-02-29, which was none: before it two programs disagree by a day.
FIRST_SURE = datetime(1900, 3, 1)  # noqa: DTZ001
_WANTED = re.compile(
    r"\[Content_Types\]\.xml|_rels/\.rels|xl/(workbook|sharedStrings|styles|_rels/workbook|worksheets/[^/]+)\.xml(\.rels)?",
    re.IGNORECASE,
)
_PLACE = re.compile(r"([A-Z]{1,3})([1-9][0-9]{0,6})")
NO_BOOK = Refused("file", "a damaged workbook", "a workbook in XLSX without a password, or CSV")

TOO_MUCH = Refused("file", "a workbook that opens into more", "a workbook of at most %(most)s MB when it is opened",
                   most=MOST_UNPACKED // 1_000_000)  # fmt: skip
TOO_MANY = Refused("file", "more cells", "at most %(rows)s rows and %(columns)s columns",
                   rows=MOST_ROWS, columns=MOST_COLUMNS)  # fmt: skip


class Unreadable(str):
    """A cell in which something stands that cannot be read; `message` says what could."""

    __slots__ = ("message",)

    def __new__(cls, text: str, message: str) -> Unreadable:
        made = super().__new__(cls, text)
        made.message = message
        return made

    message: str


class FromNumber(str):
    """A cell that holds a number: zeros that once stood in front of it are lost."""

    __slots__ = ()


@dataclass
class _Looked:
    """What one look at a sheet's own text found: how large it is, and where something is not as it seems."""

    rows: int = 0
    columns: int = 0
    odd: dict[int, dict[int, Unreadable]] = field(default_factory=dict)  # by row and column, from 1
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden: set[int] = field(default_factory=set)


class Workbook:
    """An XLSX file that was measured. `sheets` are those that are shown and hold something, in their order."""

    def __init__(self, held: bytes) -> None:
        """Raises Refused."""
        members = _unpacked(held)
        try:
            self._book = python_calamine.load_workbook(io.BytesIO(_packed(members)))
            found = [
                one.name
                for one in self._book.sheets_metadata
                if one.typ is SheetTypeEnum.WorkSheet and one.visible is SheetVisibleEnum.Visible
            ]
            looked = _by_name(members)
        except Refused:
            raise
        except BaseException as error:
            raise _damaged(error) from None
        self._looked = {name: looked[name] for name in found if name in looked and looked[name].rows}
        self.sheets = list(self._looked)
        if not self.sheets:
            raise Refused("file", "a workbook without anything", "a workbook with a sheet that is shown and not empty")

    def rows(self, sheet: str) -> Iterator[tuple[int, list[str]]]:
        """(row number as the program shows it, cells as text) of every row that holds something."""
        looked = self._looked[sheet]
        try:
            found = self._book.get_sheet_by_name(sheet)
            start, cells = found.start or (0, 0), found.to_python(skip_empty_area=True)
        except BaseException as error:
            raise _damaged(error) from None
        merged = _covered(looked.merged, looked.rows)
        for number in range(1, looked.rows + 1):
            above = number - start[0] - 1
            row = cells[above] if 0 <= above < len(cells) else []
            made = [""] * start[1] + [_text(cell) for cell in row]
            for column, odd in looked.odd.get(number, {}).items():
                made += [""] * (column - len(made))
                made[column - 1] = odd
            for first, last in merged.get(number, ()):
                made += [""] * (last - len(made))
                for column in range(first, last + 1):
                    made[column - 1] = Unreadable(made[column - 1] or "…", "cells that are not merged")
            if not any(cell.strip() for cell in made):
                continue
            if number in looked.hidden:
                made = [Unreadable(cell or "…", "a row that is shown") for cell in made]
            yield number, made


def _text(cell: Any) -> str:
    """A cell as a file in text would have it."""
    match cell:
        case bool():
            return "yes" if cell else "no"
        case int() | float():
            whole = isinstance(cell, int) or cell.is_integer()
            return FromNumber(f"{cell:.0f}" if whole and abs(cell) < 1e15 else f"{cell:.15g}")
        case datetime():
            if cell < FIRST_SURE:
                return Unreadable(cell.isoformat(" "), "a date from 1900-03-01 on, or one written as text")
            near = (cell + timedelta(milliseconds=500)).replace(microsecond=0)
            return near.isoformat(" ")
        case date():
            if cell < FIRST_SURE.date():
                return Unreadable(cell.isoformat(), "a date from 1900-03-01 on, or one written as text")
            return cell.isoformat()
        case time():
            return cell.replace(microsecond=0).isoformat()
        case timedelta():
            return filedates.moved(cell)
    return storable(str(cell))[:LONGEST_LINE]


def _unpacked(held: bytes) -> dict[str, bytes]:
    """The members that hold cells. Raises Refused, before it has read more than is allowed."""
    if held.startswith(OLD):
        raise Refused("file", "an older workbook, or one with a password", NO_BOOK.message)
    try:
        with zipfile.ZipFile(io.BytesIO(held)) as archive:
            listed = archive.infolist()
            wanted = [one for one in listed if _WANTED.fullmatch(one.filename)]
            if len(listed) > MOST_MEMBERS or sum(one.file_size for one in wanted) > MOST_UNPACKED:
                raise TOO_MUCH
            if len({one.filename.lower() for one in listed}) < len(listed) or any(one.flag_bits & 1 for one in listed):
                raise NO_BOOK
            members, left = {}, MOST_UNPACKED
            for one in wanted:
                with archive.open(one) as member:
                    members[one.filename] = member.read(left + 1)  # what comes out, whatever the list says
                left -= len(members[one.filename])
                if left < 0:
                    raise TOO_MUCH
    except Refused:
        raise
    except Exception as error:
        raise _damaged(error) from None
    if "xl/workbook.xml" not in members:
        raise Refused("file", "no workbook in XLSX", NO_BOOK.message)
    return members


def _packed(members: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as archive:
        for name, body in members.items():
            archive.writestr(name, body)
    return made.getvalue()


def _damaged(error: BaseException) -> Refused:
    """What cannot be read; a parser that gives up on rubbish does so in its own ways. Lets an interruption through."""
    if isinstance(error, KeyboardInterrupt | SystemExit | MemoryError):
        raise error
    return NO_BOOK


# --- one look at the text of each sheet ---------------------------------------------


def _by_name(members: dict[str, bytes]) -> dict[str, _Looked]:
    """Every sheet, by its name. Raises Refused for one that is too large."""
    targets: dict[str, str] = {}
    names: list[tuple[str, str]] = []

    def relation(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "Relationship":
            targets[attributes.get("Id", "")] = attributes.get("Target", "")

    def sheet(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "sheet":
            of = next((value for key, value in attributes.items() if _local(key) == "id"), "")
            names.append((attributes.get("name", ""), of))

    lengths: list[int] = []
    for path, body in members.items():
        match path.lower():
            case "xl/_rels/workbook.xml.rels":
                _read(body, relation)
            case "xl/workbook.xml":
                _read(body, sheet)
            case "xl/sharedstrings.xml":
                lengths = _lengths(body)
    if len({name for name, _ in names}) < len(names):
        raise NO_BOOK  # which of them would be read?
    # All there are, whoever calls them: the parser does not tell large letters from small ones in what leads to them.
    sheets = {
        path.lower(): _looked_at(body, lengths)
        for path, body in members.items()
        if path.lower().startswith("xl/worksheets/") and path.lower().endswith(".xml")
    }
    found: dict[str, _Looked] = {}
    for name, of in names:
        target = targets.get(of, "").removeprefix("/xl/").removeprefix("/")
        if (looked := sheets.get(f"xl/{target}".lower())) is not None:
            found[name] = looked
    return found


def _lengths(body: bytes) -> list[int]:
    """How long each of the texts is that cells share."""
    found: list[int] = []
    inside = False

    def begin(name: str, _attributes: dict[str, str]) -> None:
        nonlocal inside
        if _local(name) == "si":
            if inside:
                raise NO_BOOK  # one within another: nobody knows any more which is which
            found.append(0)
            inside = True

    def text(said: str) -> None:
        if found:
            found[-1] += len(said)

    def end(name: str) -> None:
        nonlocal inside
        if _local(name) == "si":
            inside = False

    _read(body, begin, text, end)
    return found


def _looked_at(body: bytes, lengths: list[int]) -> _Looked:
    """What a sheet holds; `lengths` are those of the shared texts: a long one may stand in every cell."""
    looked = _Looked()
    row = column = cells = letters = 0
    at, held, kind, inside = (0, 0), "", "", ""
    formula = stands = has_value = False

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal row, column, at, held, kind, inside, formula, stands, has_value
        match _local(name):
            case "row":
                row, column = int(attributes.get("r") or row + 1), 0
                if attributes.get("hidden") in {"1", "true"}:
                    looked.hidden.add(row)
            case "c":
                column = _named(attributes["r"], row) if "r" in attributes else column + 1
                at, held, kind, formula = (row, column), "", attributes.get("t", ""), False
                stands = has_value = False
            case "f":
                formula = stands = True
            case "v" | "is" | "t" as inner:
                if inner != "t" and has_value:
                    raise NO_BOOK  # which of the two counts?
                stands, has_value, inside = True, has_value or inner != "t", inner
            case "mergeCell":
                looked.merged += _area(attributes.get("ref", ""))

    def text(said: str) -> None:
        nonlocal held
        if inside and len(held) < 80:
            held += said

    def end(name: str) -> None:
        nonlocal inside, cells, letters
        match _local(name):
            case "v" | "is" | "t":
                inside = ""
            case "c" if stands:  # with nothing in it too: an empty text is one
                looked.rows, looked.columns = max(looked.rows, at[0]), max(looked.columns, at[1])
                cells += 1
                letters += _length(held, lengths) if kind == "s" and held else 0
                if at[0] > MOST_ROWS or at[1] > MOST_COLUMNS or cells > MOST_HELD:
                    raise TOO_MANY
                if letters > MOST_UNPACKED:
                    raise TOO_MUCH
                odd = looked.odd.setdefault(at[0], {}) if kind == "e" or formula else {}
                if kind == "e":
                    odd[at[1]] = Unreadable(held or "#", "a value: the workbook has an error there")
                elif formula and not held and kind != "str":
                    odd[at[1]] = Unreadable("=…", "a value: open the workbook once and save it again")

    _read(body, begin, text, end)
    if looked.rows * looked.columns > MOST_CELLS:
        raise TOO_MANY
    return looked


def _length(index: str, lengths: list[int]) -> int:
    """How long the shared text is that a cell shows. Raises Refused."""
    if len(index) > LONGEST_INDEX:
        raise NO_BOOK  # what was kept of it is not the whole
    return lengths[int(index)]


def _area(ref: str) -> list[tuple[int, int, int, int]]:
    """First row and column and last of what is merged; nothing for what is no area."""
    ends = [_PLACE.fullmatch(end) for end in ref.split(":")]
    if len(ends) != 2 or not ends[0] or not ends[1]:
        return []
    first, last = ends[0], ends[1]
    return [(int(first[2]), _column(first[1]), int(last[2]), _column(last[1]))]


def _read(body: bytes, begin: Any, text: Any = None, end: Any = None) -> None:
    """Tell of every element. Raises Refused for a document type, and for elements too deep within each other."""
    parser, depth, seen = expat.ParserCreate(), 0, 0
    parser.buffer_text = True

    def started(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth, seen
        depth, seen = depth + 1, seen + 1
        if depth > DEEPEST:
            raise NO_BOOK
        if seen > MOST_ELEMENTS:
            raise TOO_MUCH
        begin(name, attributes)

    def ended(name: str) -> None:
        nonlocal depth
        depth -= 1
        if end is not None:
            end(name)

    def declared(*_: Any) -> None:
        raise NO_BOOK  # it could define entities, and a workbook has none

    parser.StartElementHandler, parser.EndElementHandler = started, ended
    parser.StartDoctypeDeclHandler = declared
    if text is not None:
        parser.CharacterDataHandler = text
    parser.Parse(body, True)


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _named(place: str, row: int) -> int:
    """The column of a cell that is called so and stands in this row. Raises Refused."""
    found = _PLACE.fullmatch(place)
    if found is None or int(found[2]) != row:
        raise NO_BOOK
    return _column(found[1])


def _column(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def _covered(merged: list[tuple[int, int, int, int]], rows: int) -> dict[int, list[tuple[int, int]]]:
    """By row, from which column to which cells are merged; as far as there are rows."""
    found: dict[int, list[tuple[int, int]]] = {}
    for top, first, bottom, last in merged[:10_000]:
        for row in range(top, min(bottom, rows) + 1):
            if len(some := found.setdefault(row, [])) < MOST_COLUMNS:
                some.append((first, min(last, MOST_COLUMNS)))
    return found
