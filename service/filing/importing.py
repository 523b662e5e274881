"""Take in whole files of readings, check-ins, results or events.

Promises that every row that is not taken is reported with its line, field, value
and what is accepted; that good rows are kept in transactions of a few thousand, so
that a long file does not hold everybody up; that running it again does no harm; and
that what a file has brought can be found again, also where it was cut off (`imports`).
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO, Generic, TypeVar

from sqlalchemy import Engine

from service.domain.diary import NewCheckin
from service.domain.readings import NewReading
from service.domain.record.results import NewResult
from service.domain.rows import (
    CHECKINS,
    EVENTS,
    READINGS,
    RESULTS,
    CheckinRows,
    EventRows,
    Layout,
    NewEvent,
    ReadingRows,
    ResultRows,
    Sheet,
    rows_of,
)
from service.domain.validation import Refused
from service.domain.vocabulary import IntakeOutcome
from service.filing import events, imports
from service.filing.imports import ImportBegun
from service.filing.sheets import File, FoundOut, Reads
from service.intake.checkins import record_checkins, try_checkins
from service.intake.readings import RecordedReading, record_readings, try_readings
from service.intake.results import record_results, try_results
from service.store.audit import Actor

New = TypeVar("New", NewReading, NewCheckin, NewResult, NewEvent)
Result = RecordedReading | IntakeOutcome | Refused
Progress = Callable[[int], None]  # bytes read so far
Source = File | Path | BinaryIO
AS_IT_SHOWS = Reads()
READINGS_AT_ONCE = 2_000
CHECKINS_AT_ONCE = 500
RESULTS_AT_ONCE = 2_000
EVENTS_AT_ONCE = 200


@dataclass
class ImportReport:
    """What became of the rows of a file."""

    rows: int = 0
    taken: int = 0  # when only tried: would be taken
    duplicates: int = 0
    refused: list[Refused] = field(default_factory=list)  # each with its line; a row may have several
    tried: bool = False  # nothing was written
    stopped: bool = False  # a strict run met a refused row
    found: FoundOut = field(default_factory=FoundOut)
    import_id: uuid.UUID | None = None  # by which it can be taken back; None where nothing was taken

    @property
    def refused_rows(self) -> int:
        return len({refusal.line for refusal in self.refused})

    def counts(self) -> dict[str, Any]:
        """All but what was refused, whose values each reader shows in their own way."""
        return {
            "rows": self.rows,
            "taken": self.taken,
            "duplicates": self.duplicates,
            "left_out": list(self.found.left_out),
            "lost_zeros": self.found.lost_zeros,
            "dry_run": self.tried,
            "import_id": self.import_id,
        }

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


@dataclass(frozen=True)
class Intake:
    """Into which clinic, by whom and when a file is taken in; how it is read, and what is written.

    A dry run writes nothing. A strict one tries the whole file first and writes nothing when any row is refused.
    """

    engine: Engine
    clinic_id: uuid.UUID
    actor: Actor
    now: datetime
    reads: Reads = AS_IT_SHOWS
    name: str = ""  # of the file
    dry_run: bool = False
    strict: bool = False
    progress: Progress | None = None


def import_readings(into: Intake, source: Source, *, unit: str | None = None) -> ImportReport:
    """Take in a file of readings, columns as in `domain.rows.READINGS`; `unit` (UCUM) is for rows without theirs.

    Raises Refused when the file as a whole cannot be read.
    """
    engine, clinic_id, now = into.engine, into.clinic_id, into.now
    work = _Work(
        "readings",
        READINGS,
        READINGS_AT_ONCE,
        lambda sheet: ReadingRows(sheet, unit).read,
        lambda new: try_readings(engine, clinic_id, new, now),
        lambda new, ids: record_readings(engine, clinic_id, new, into.actor, now, ids),
    )
    return work.run(into, source)


def import_checkins(into: Intake, source: Source, *, may_correct: bool = False) -> ImportReport:
    """Take in a file of check-ins, columns as in `domain.rows.CHECKINS`, as `import_readings` does.

    A row for a date that has other answers is refused, unless it `may_correct` them.
    """
    engine, clinic_id, now = into.engine, into.clinic_id, into.now
    work = _Work(
        "checkins",
        CHECKINS,
        CHECKINS_AT_ONCE,
        lambda sheet: CheckinRows(sheet).read,
        lambda new: try_checkins(engine, clinic_id, new, now, may_correct=may_correct),
        lambda new, ids: record_checkins(engine, clinic_id, new, into.actor, now, may_correct=may_correct, ids=ids),
    )
    return work.run(into, source)


def import_results(into: Intake, source: Source) -> ImportReport:
    """Take in a file of results, columns as in `domain.rows.RESULTS`, as `import_readings` does."""
    engine, clinic_id, now = into.engine, into.clinic_id, into.now
    work = _Work(
        "results",
        RESULTS,
        RESULTS_AT_ONCE,
        lambda sheet: ResultRows(sheet).read,
        lambda new: try_results(engine, clinic_id, new, now),
        lambda new, ids: record_results(engine, clinic_id, new, into.actor, now, ids=ids),
    )
    return work.run(into, source)


def import_events(into: Intake, source: Source) -> ImportReport:
    """Take in a file of events, columns as in `domain.rows.EVENTS`, as `import_readings` does."""
    engine, clinic_id, now = into.engine, into.clinic_id, into.now
    work = _Work(
        "events",
        EVENTS,
        EVENTS_AT_ONCE,
        lambda sheet: EventRows(sheet).read,
        lambda new: events.try_events(engine, clinic_id, new, into.actor, now),
        lambda new, ids: events.record_events(engine, clinic_id, new, into.actor, now, ids),
    )
    return work.run(into, source)


@dataclass(frozen=True)
class _Work(Generic[New]):
    kind: str
    layout: Layout
    at_once: int
    reads: Callable[[Sheet], Callable[[list[str]], tuple[New, list[Refused]]]]
    tries: Callable[[list[New]], Sequence[Result]]
    takes: Callable[[list[New], list[uuid.UUID]], Sequence[Result]]

    def run(self, into: Intake, source: Source) -> ImportReport:
        file = source if isinstance(source, File) else File(source)
        if into.dry_run or into.strict:
            report = self._pass(into, file, None)
            report.tried = True
            if into.dry_run or report.refused:
                return report
        with imports.begun(into.engine, into.clinic_id, self.kind, into.name, into.actor, into.now) as begun:
            report = self._pass(into, file, begun)
            begun.rows, begun.taken = report.rows, report.taken
        report.import_id = begun.id if report.taken else None
        return report

    def _pass(self, into: Intake, file: File, begun: ImportBegun | None) -> ImportReport:
        """The whole file once; only tried where no import was begun."""
        report = ImportReport()
        with file.opened(self.layout, into.reads) as opened:
            report.found = opened.found
            for numbers, batch in self._batches(opened.sheet, report):
                if begun is None:
                    report.add(numbers, self.tries(batch))
                elif batch:
                    report.add(numbers, self.takes(batch, begun.ids(numbers)))
                if into.progress is not None:
                    into.progress(opened.far())
                if into.strict and report.refused:
                    report.stopped = True
                    break
        report.refused.sort(key=lambda refusal: refusal.line or 0)
        return report

    def _batches(self, sheet: Sheet, report: ImportReport) -> Iterator[tuple[list[int], list[New]]]:
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
