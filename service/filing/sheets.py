"""A file as it was sent, opened as rows under the names of its columns: CSV as people's programs write it, or XLSX.

Promises that whatever kind of file it is, its rows come the same way to the same mapping and the same refusals, each
with the number that its own program shows; and that what had to be found out (letters, sheet, order of dates) is
found out from the whole file before any row is taken, and told.
"""

from __future__ import annotations

import codecs
import io
import mmap
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, TextIO

from service.domain import filedates, rows
from service.domain.filedates import DateOrder, FileDates
from service.domain.rows import Layout, Raw, Sheet
from service.domain.validation import Refused
from service.filing.workbooks import BEGINS, OLD, FromNumber, Unreadable, Workbook

CHUNK = 1 << 20
MOST_WORKBOOK = 20_000_000  # bytes as it was sent; our own number, no source
UTF_8, WINDOWS = "utf-8-sig", "cp1252"
SAMPLE = 40  # characters of a cell that is shown


@dataclass(frozen=True)
class Reads:
    """What is said of a file that it may not say itself; None, or nothing, is as it shows."""

    called: Mapping[str, str] | None = None  # ours → what the file calls it; columns it names none of are left out
    sheet: str | None = None
    dates: DateOrder | None = None
    zone: str | None = None  # IANA, of times without an offset


@dataclass
class FoundOut:
    """What was found out of a file. `lost_zeros` grows while its rows are read."""

    encoding: str = UTF_8
    sheet: str | None = None  # of a workbook, the one that is read
    sheets: list[str] = field(default_factory=list)
    left_out: tuple[str, ...] = ()  # columns
    lost_zeros: dict[str, int] = field(default_factory=dict)  # by our column: cells that hold a number


@dataclass(frozen=True)
class FileOpened:
    """`far` is how many bytes were read so far."""

    sheet: Sheet
    found: FoundOut
    file: BinaryIO

    def far(self) -> int:
        return self.file.tell()


class File:
    """A file that can be opened again and again: a path, or bytes in memory."""

    def __init__(self, source: Path | BinaryIO | bytes) -> None:
        if not isinstance(source, Path | bytes):
            source.seek(0)
            source = source.read()
        self._source = source
        self._book: Workbook | None = None
        with self._open() as raw:
            self._begins = raw.read(8)
        self._encoding = UTF_8 if self._begins.startswith(BEGINS) else self._found_encoding()

    @property
    def is_workbook(self) -> bool:
        return self._begins.startswith((BEGINS, OLD))

    def look(
        self, layout: Layout, sheet: str | None = None, most: int = 3
    ) -> tuple[list[str], list[list[str]], FoundOut]:
        """The names of its columns, its first rows, and what was found out. Raises Refused for what is no such file."""
        with self._text() as (_, text):
            found, header, below, _ = self._under_header(text, layout, sheet)
            shown: list[list[str]] = []
            for _, cells in below:
                if len(shown) == most:
                    break
                if not isinstance(cells, Refused) and any(cell.strip() for cell in cells):
                    shown.append([cell[:SAMPLE] for cell in cells[: len(header)]])
        return header, shown, found

    @contextmanager
    def opened(self, layout: Layout, reads: Reads) -> Iterator[FileOpened]:
        """Its rows under our names. Raises Refused when the file as a whole cannot be read."""
        dates = FileDates(self._orders(layout, reads), filedates.zone_named(reads.zone))
        with self._text() as (raw, text):
            found, header, below, comma = self._under_header(text, layout, reads.sheet)
            sheet = rows.sheet_under(header, below, layout, reads.called, dates, decimal_comma=comma)
            found.left_out = sheet.ignored
            if self.is_workbook:
                sheet = replace(sheet, raw=_readable(sheet, layout, found))
            yield FileOpened(sheet, found, raw)

    def _under_header(
        self, text: TextIO, layout: Layout, sheet: str | None
    ) -> tuple[FoundOut, list[str], Iterator[Raw], bool]:
        """What was found out, the names of the columns, the rows below, and whether a comma may stand for a point."""
        if self.is_workbook:
            return self._of_workbook(layout, sheet)
        if sheet is not None:
            raise Refused("sheet", sheet, "nothing: a file in CSV has no sheets")
        lines = rows.lines_of(text)
        first, number = rows.first_row(lines)
        delimiter, header = rows.header_of(first)
        below = rows.csv_rows(lines, delimiter, len(header), number)
        return FoundOut(self._encoding), header, below, delimiter != ","

    def _of_workbook(self, layout: Layout, sheet: str | None) -> tuple[FoundOut, list[str], Iterator[Raw], bool]:
        book = self._workbook()
        if sheet is not None and sheet not in book.sheets:
            raise Refused("sheet", sheet, "one of the sheets that are shown: %(sheets)s", sheets=tuple(book.sheets))
        # The sheet whose columns are ours the most; of several alike the first.
        chosen = sheet or max(book.sheets, key=lambda name: len(rows.proposed(_header(book, name)[1], layout)))
        line, header = _header(book, chosen)
        below = (one for one in book.rows(chosen) if one[0] > line)
        width = len(header)
        filled = ((number, cells + [""] * (width - len(cells))) for number, cells in below)
        trimmed = ((number, cells[:width] if not any(cells[width:]) else cells) for number, cells in filled)
        return FoundOut("", chosen, book.sheets), header, iter(trimmed), True

    def _workbook(self) -> Workbook:
        if self._book is None:
            with self._open() as raw:
                held = raw.read(MOST_WORKBOOK + 1)
            if len(held) > MOST_WORKBOOK:
                raise Refused(
                    "file", "a longer one", "a workbook of at most %(most)s MB", most=MOST_WORKBOOK // 1_000_000
                )
            self._book = Workbook(held)
        return self._book

    def _orders(self, layout: Layout, reads: Reads) -> dict[str, DateOrder]:
        """The order of the dates of each column. Raises WholeFile where it must be known and is not."""
        if reads.dates is not None:
            return dict.fromkeys(layout.dated, reads.dates)
        if not self._may_have_dates():
            return {}
        found: dict[str, DateOrder] = {}
        for column in layout.dated:
            with self._text() as (_, text):
                _, header, below, comma = self._under_header(text, layout, reads.sheet)
                sheet = rows.sheet_under(header, below, layout, reads.called, decimal_comma=comma)
                order = filedates.order_in(column, _cells_of(sheet, sheet.places[column]))
            if order is not None:
                found[column] = order
        return found

    def _may_have_dates(self) -> bool:
        """Whether any date may be one whose year comes last: a look at the bytes, which is quick, says mostly not."""
        if self.is_workbook or self._encoding.startswith("utf-16"):
            return True
        if isinstance(self._source, bytes):
            return filedates.IN_BYTES.search(self._source) is not None
        if not self._source.stat().st_size:
            return False  # it cannot be mapped
        with self._source.open("rb") as raw, mmap.mmap(raw.fileno(), 0, access=mmap.ACCESS_READ) as whole:
            return filedates.IN_BYTES.search(whole) is not None

    @contextmanager
    def _open(self) -> Iterator[BinaryIO]:
        raw: BinaryIO = io.BytesIO(self._source) if isinstance(self._source, bytes) else self._source.open("rb")
        with raw:
            yield raw

    @contextmanager
    def _text(self) -> Iterator[tuple[BinaryIO, TextIO]]:
        """The file as bytes, whose place says how far it was read, and as lines of text."""
        with self._open() as raw:
            text = io.TextIOWrapper(raw, self._encoding, errors="replace", newline="")
            try:
                yield raw, text
            finally:
                text.detach()

    def _found_encoding(self) -> str:
        """UTF-8, unless the file shows another: UTF-16 by its mark, Windows-1252 where no letter of it is UTF-8.

        A file that is mostly UTF-8 stays so, and a byte that is none spoils its own row.
        """
        if self._begins.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            return "utf-16"
        if self._begins[1:2] == b"\0" or self._begins[:1] == b"\0":
            if self._begins[1::2].count(0) == len(self._begins) // 2 > 1:
                return "utf-16-le"
            if self._begins[::2].count(0) == (len(self._begins) + 1) // 2 > 1:
                return "utf-16-be"
        decoder = codecs.getincrementaldecoder("utf-8")(errors="surrogateescape")
        sound = spoiled = False
        high = bytearray()
        with self._open() as raw:
            while chunk := raw.read(CHUNK):
                text = decoder.decode(chunk)
                if text.isascii():
                    continue
                letters = {one for one in set(text) if not one.isascii()}
                strays = {one for one in letters if "\udc80" <= one <= "\udcff"}
                spoiled, sound = spoiled or bool(strays), sound or bool(letters - strays)
                high += bytes(set(chunk.translate(None, _ASCII)))
        if not spoiled or sound or set(high) & _NOT_WINDOWS:
            return UTF_8
        return WINDOWS


_ASCII = bytes(range(128))
_NOT_WINDOWS = {0x81, 0x8D, 0x8F, 0x90, 0x9D}  # of Windows-1252, no letters


def _header(book: Workbook, sheet: str) -> tuple[int, list[str]]:
    """The first row in which two cells stand, and their names; titles above it are passed over."""
    for number, cells in book.rows(sheet):
        if sum(1 for cell in cells if cell.strip() and not isinstance(cell, Unreadable)) > 1:
            while not cells[-1].strip():
                cells.pop()
            return number, [" ".join(cell.split()).lower() for cell in cells]
    return 0, [""]


def _readable(sheet: Sheet, layout: Layout, found: FoundOut) -> Iterator[Raw]:
    """The rows of a workbook: one with a cell of ours that cannot be read is refused, by the column's name."""
    ours = [(name, place) for name, place in sheet.places.items() if place >= 0]
    for number, cells in sheet.raw:
        if not isinstance(cells, Refused):
            for name, place in ours:
                cell = cells[place] if place < len(cells) else ""
                if isinstance(cell, Unreadable):
                    yield number, Refused(name, str(cell), cell.message)
                    break
                if isinstance(cell, FromNumber) and name in layout.digits:
                    found.lost_zeros[name] = found.lost_zeros.get(name, 0) + 1
            else:
                yield number, cells


def _cells_of(sheet: Sheet, place: int) -> Iterable[str]:
    if place < 0:
        return
    for _, cells in sheet.raw:
        if not isinstance(cells, Refused) and place < len(cells):
            yield cells[place]
