"""Take in whole files of readings, check-ins or results.

Promises that every row that is not taken is reported with its line, field, value
and what is accepted; that good rows are kept in transactions of a few thousand, so
that a long file does not hold everybody up; and that running it again does no harm.
"""

from __future__ import annotations

import io
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import BinaryIO, Generic, TextIO, TypeVar

from sqlalchemy import Engine

from service.domain.diary import NewCheckin
from service.domain.readings import NewReading
from service.domain.record.results import NewResult
from service.domain.rows import (
    CHECKINS,
    READINGS,
    RESULTS,
    CheckinRows,
    CsvSheet,
    Layout,
    ReadingRows,
    ResultRows,
    lines_of,
    rows_of,
    sheet_of,
)
from service.domain.validation import Refused
from service.domain.vocabulary import IntakeOutcome
from service.intake.checkins import record_checkins, try_checkins
from service.intake.readings import RecordedReading, record_readings, try_readings
from service.intake.results import record_results, try_results
from service.store.audit import Actor

New = TypeVar("New", NewReading, NewCheckin, NewResult)
Result = RecordedReading | IntakeOutcome | Refused
Progress = Callable[[int], None]  # bytes read so far
READINGS_AT_ONCE = 2_000
CHECKINS_AT_ONCE = 500
RESULTS_AT_ONCE = 2_000


@dataclass
class ImportReport:
    """What became of the rows of a file."""

    rows: int = 0
    taken: int = 0  # when only tried: would be taken
    duplicates: int = 0
    refused: list[Refused] = field(default_factory=list)  # each with its line; a row may have several
    tried: bool = False  # nothing was written
    stopped: bool = False  # a strict run met a refused row

    @property
    def refused_rows(self) -> int:
        return len({refusal.line for refusal in self.refused})

    def add(self, lines: Sequence[int], results: Sequence[Result]) -> None:
        for line, result in zip(lines, results, strict=True):
            if isinstance(result, Refused):
                self.refused.append(result.at_line(line))
                continue
            outcome = result.outcome if isinstance(result, RecordedReading) else result
            if outcome is IntakeOutcome.DUPLICATE:
                self.duplicates += 1
            else:
                self.taken += 1


def import_readings(
    engine: Engine,
    clinic_id: uuid.UUID,
    source: Path | BinaryIO,
    actor: Actor,
    now: datetime,
    *,
    unit: str | None = None,
    called: Mapping[str, str] | None = None,
    dry_run: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Take in a CSV file of readings, columns as in `domain.rows.READINGS`. A stream must be seekable.

    `unit` (UCUM) is for rows that do not say theirs; `called` is what the file calls our columns. A dry run
    writes nothing. A strict one tries the whole file first and writes nothing when any row is refused.
    Raises Refused when the file as a whole cannot be read.
    """
    work = _Work(
        READINGS,
        READINGS_AT_ONCE,
        lambda sheet: ReadingRows(sheet, unit).read,
        lambda new: try_readings(engine, clinic_id, new, now),
        lambda new: record_readings(engine, clinic_id, new, actor, now),
    )
    return work.run(source, called, dry_run=dry_run, strict=strict, progress=progress)


def import_checkins(
    engine: Engine,
    clinic_id: uuid.UUID,
    source: Path | BinaryIO,
    actor: Actor,
    now: datetime,
    *,
    may_correct: bool = False,
    called: Mapping[str, str] | None = None,
    dry_run: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Take in a CSV file of check-ins, columns as in `domain.rows.CHECKINS`, as `import_readings` does.

    A row for a date that has other answers is refused, unless it `may_correct` them.
    """
    work = _Work(
        CHECKINS,
        CHECKINS_AT_ONCE,
        lambda sheet: CheckinRows(sheet).read,
        lambda new: try_checkins(engine, clinic_id, new, now, may_correct=may_correct),
        lambda new: record_checkins(engine, clinic_id, new, actor, now, may_correct=may_correct),
    )
    return work.run(source, called, dry_run=dry_run, strict=strict, progress=progress)


def import_results(
    engine: Engine,
    clinic_id: uuid.UUID,
    source: Path | BinaryIO,
    actor: Actor,
    now: datetime,
    *,
    called: Mapping[str, str] | None = None,
    dry_run: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Take in a CSV file of results, columns as in `domain.rows.RESULTS`, as `import_readings` does."""
    work = _Work(
        RESULTS,
        RESULTS_AT_ONCE,
        lambda sheet: ResultRows(sheet).read,
        lambda new: try_results(engine, clinic_id, new, now),
        lambda new: record_results(engine, clinic_id, new, actor, now),
    )
    return work.run(source, called, dry_run=dry_run, strict=strict, progress=progress)


@dataclass(frozen=True)
class _Work(Generic[New]):
    layout: Layout
    at_once: int
    reads: Callable[[CsvSheet], Callable[[list[str]], tuple[New, list[Refused]]]]
    tries: Callable[[list[New]], Sequence[Result]]
    takes: Callable[[list[New]], Sequence[Result]]

    def run(
        self,
        source: Path | BinaryIO,
        called: Mapping[str, str] | None,
        *,
        dry_run: bool,
        strict: bool,
        progress: Progress | None,
    ) -> ImportReport:
        if dry_run or strict:
            report = self._pass(source, called, self.tries, stop=strict, progress=progress)
            report.tried = True
            if dry_run or report.refused:
                return report
        return self._pass(source, called, self.takes, stop=strict, progress=progress)

    def _pass(
        self,
        source: Path | BinaryIO,
        called: Mapping[str, str] | None,
        take: Callable[[list[New]], Sequence[Result]],
        *,
        stop: bool,
        progress: Progress | None,
    ) -> ImportReport:
        report = ImportReport()
        with _opened(source) as (raw, text):
            for numbers, batch in self._batches(sheet_of(lines_of(text), self.layout, called), report):
                report.add(numbers, take(batch))
                if progress is not None:
                    progress(raw.tell())
                if stop and report.refused:
                    report.stopped = True
                    break
        report.refused.sort(key=lambda refusal: refusal.line or 0)
        return report

    def _batches(self, sheet: CsvSheet, report: ImportReport) -> Iterator[tuple[list[int], list[New]]]:
        """Good rows, a batch at a time. Those whose cells cannot be read go to the report."""
        read = self.reads(sheet)
        lines: list[int] = []
        batch: list[New] = []
        for line, cells in rows_of(sheet):
            report.rows += 1
            try:
                if isinstance(cells, Refused):
                    raise cells
                new, refused = read(cells)
            except Refused as refusal:
                refused = [refusal]
            if refused:
                report.refused += [refusal.at_line(line) for refusal in refused]
                continue
            batch.append(new)
            lines.append(line)
            if len(batch) == self.at_once:
                yield lines, batch
                lines, batch = [], []
        yield lines, batch


@contextmanager
def _opened(source: Path | BinaryIO) -> Iterator[tuple[BinaryIO, TextIO]]:
    """A file as bytes, whose place says how far it was read, and as lines of text in UTF-8."""
    raw = source.open("rb") if isinstance(source, Path) else source
    try:
        raw.seek(0)
        # A byte that is no UTF-8 spoils its own row, not the file.
        text = io.TextIOWrapper(raw, encoding="utf-8-sig", errors="replace", newline="")
        try:
            yield raw, text
        finally:
            text.detach()
    finally:
        if isinstance(source, Path):
            raw.close()
