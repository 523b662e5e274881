"""CSV files, as spreadsheets and machines write them: the shape of the file, a row at a time.

Promises the line number of every row, and that a file whose header cannot be
right is refused before any row is looked at. UTF-8 with or without a mark at its
start, any line ending, commas or semicolons, quotes where needed. Does not know
what is in the rows.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from service.domain.validation import Refused

UTF_16 = (b"\xff\xfe", b"\xfe\xff")
UNREADABLE = "\N{REPLACEMENT CHARACTER}"


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns a kind of file may have, and those it must."""

    columns: tuple[str, ...]
    needed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """An open file whose header is right."""

    raw: BinaryIO
    reader: Iterator[list[str]]
    width: int
    places: dict[str, int]  # where each column of the layout is; -1 for one the file does not have
    decimal_comma: bool

    @property
    def bytes_read(self) -> int:
        return self.raw.tell()


@contextmanager
def opened(source: Path | BinaryIO, layout: Layout) -> Iterator[Sheet]:
    """Open a file and read its header. Raises Refused when it is no such file."""
    raw = source.open("rb") if isinstance(source, Path) else source
    try:
        raw.seek(0)
        if raw.read(2) in UTF_16:
            raise Refused("file", "UTF-16", "text in UTF-8")
        raw.seek(0)
        # A byte that is no UTF-8 spoils its own row, not the file.
        text = io.TextIOWrapper(raw, encoding="utf-8-sig", errors="replace", newline="")
        try:
            yield _sheet(raw, text, layout)
        finally:
            text.detach()
    finally:
        if isinstance(source, Path):
            raw.close()


def rows(sheet: Sheet) -> Iterator[tuple[int, list[str] | Refused]]:
    """(line, cells or why not) of every row that is not empty. The cells end with an empty one, at -1."""
    reader = sheet.reader
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            yield reader.line_num, Refused("line", str(error), "comma-separated values")  # type: ignore[attr-defined]
            continue
        if cells is None:
            return
        if len(cells) == sheet.width:
            cells.append("")
            yield reader.line_num, cells  # type: ignore[attr-defined]
        elif any(cell.strip() for cell in cells):
            accepted = f"{sheet.width} cells, as in the header"
            yield reader.line_num, Refused("line", f"{len(cells)} cells", accepted)  # type: ignore[attr-defined]


def _sheet(raw: BinaryIO, text: io.TextIOWrapper, layout: Layout) -> Sheet:
    first = text.readline()
    delimiter = ";" if first.count(";") > first.count(",") else ","
    header = [name.strip().lower() for name in next(csv.reader([first], delimiter=delimiter), [])]
    _check(header, layout)
    places = {name: header.index(name) if name in header else -1 for name in layout.columns}
    reader = _Counted(csv.reader(text, delimiter=delimiter))
    return Sheet(raw, reader, len(header), places, decimal_comma=delimiter == ";")


class _Counted:
    """A csv reader that counts the header's line too."""

    def __init__(self, reader: Iterator[list[str]]) -> None:
        self._reader = reader

    def __iter__(self) -> Iterator[list[str]]:
        return self

    def __next__(self) -> list[str]:
        return next(self._reader)

    @property
    def line_num(self) -> int:
        return self._reader.line_num + 1  # type: ignore[attr-defined, no-any-return]


def _check(header: Sequence[str], layout: Layout) -> None:
    told = ",".join(header)[:200]
    accepted = f"the columns {', '.join(layout.columns)}"
    if unknown := [name for name in header if name not in layout.columns]:
        raise Refused("header", unknown[0][:80], accepted, line=1)
    if missing := [name for name in layout.needed if name not in header]:
        raise Refused("header", told, f"a column {missing[0]}; {accepted}", line=1)
    if twice := [name for name in header if header.count(name) > 1]:
        raise Refused("header", twice[0], "each column once", line=1)
