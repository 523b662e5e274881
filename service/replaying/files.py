"""The files of a replay: past readings and diaries, by patient.

Promises that a bad row is reported with its line, field, value and what is accepted,
and that every good one is kept whatever the order of the lines. Rows are read and
checked as those of an import are (`domain.rows`, `domain.readings`, `domain.diary`),
with three differences that past data ask for: a column that is not known is passed
over and named, one pressure alone is enough for a reading, and the local date and hour
are those written in the reading's own offset, since no zone is known. The same reading
twice counts once; of two diaries of one date the later line counts, as a correction does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

from service.domain import diary, readings, rows
from service.domain.days import Day, Taken
from service.domain.diary import NewCheckin
from service.domain.readings import EARLIEST, MMHG, CheckedReading, NewReading
from service.domain.rows import CheckinRows, ReadingRows
from service.domain.trend.state import CHANNELS
from service.domain.validation import Refused

READINGS = replace(rows.READINGS, needed=("patient", "taken_at"), some_of=CHANNELS, others_ignored=True)
QUESTIONS = tuple(question.key for question in diary.QUESTIONS)
DIARY = replace(rows.CHECKINS, some_of=QUESTIONS, others_ignored=True)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)  # nothing is in the future of a file, but a slip of the pen


@dataclass(slots=True)
class PastFile:
    """What a file came to besides its good rows: those refused, those given twice, columns passed over."""

    refused: list[Refused] = field(default_factory=list)
    duplicates: int = 0
    ignored_columns: tuple[str, ...] = ()
    rows: int = 0

    @property
    def refused_rows(self) -> int:
        return len({refusal.line for refusal in self.refused})


@dataclass(slots=True)
class PastReadings(PastFile):
    """Good readings by patient, in the order of the file."""

    taken: dict[str, list[Taken]] = field(default_factory=dict)


@dataclass(slots=True)
class PastDiaries(PastFile):
    """Good diaries by patient and date."""

    days: dict[str, dict[date, Day]] = field(default_factory=dict)


def read_readings(lines: Iterable[str]) -> PastReadings:
    """Every reading of a CSV file. Raises Refused where the file as a whole cannot be read."""
    past = PastReadings()
    sheet = rows.sheet_of(iter(lines), READINGS)
    past.ignored_columns = sheet.ignored
    read = ReadingRows(sheet, MMHG)
    known: dict[tuple[str, datetime], CheckedReading] = {}
    for line, cells in _sound_rows(sheet, past):
        try:
            new, _ = read.read(cells)
            checked = readings.checked(new, LATEST, in_part=True)
            patient = str(new.patient)
            if (earlier := known.setdefault((patient, checked.taken_at), checked)) is not checked:
                if not readings.says_nothing_new(checked, earlier):
                    raise Refused("taken_at", new.taken_at.isoformat(), "one reading of one patient at one instant")
                past.duplicates += 1
                continue
        except Refused as refusal:
            past.refused.append(refusal.at_line(line))
            continue
        past.rows += 1
        past.taken.setdefault(patient, []).append(_taken(new, checked))
    return past


def read_diary(lines: Iterable[str]) -> PastDiaries:
    """Every diary of a CSV file. Raises Refused where the file as a whole cannot be read."""
    past = PastDiaries()
    sheet = rows.sheet_of(iter(lines), DIARY)
    past.ignored_columns = sheet.ignored
    read = CheckinRows(sheet)
    for line, cells in _sound_rows(sheet, past):
        try:
            new, refused = read.read(cells)
            day = _past_day(new)
        except Refused as refusal:
            refused = [refusal]
        if refused:
            past.refused += [refusal.at_line(line) for refusal in refused]
            continue
        days = past.days.setdefault(str(new.patient), {})
        past.duplicates += day.day in days
        past.rows += 1
        days[day.day] = day
    return past


def _sound_rows(sheet: rows.CsvSheet, past: PastFile) -> Iterator[tuple[int, list[str]]]:
    for line, cells in rows.rows_of(sheet):
        if isinstance(cells, Refused):
            past.refused.append(cells.at_line(line))
        else:
            yield line, cells


def _taken(new: NewReading, checked: CheckedReading) -> Taken:
    return Taken(
        new.taken_at.date(),
        checked.pa_systolic,
        checked.pa_diastolic,
        checked.pa_mean,
        checked.heart_rate,
        tuple(checked.remarks),
        hour=new.taken_at.hour + new.taken_at.minute / 60.0,
        posture=new.posture,
    )


def _past_day(new: NewCheckin) -> Day:
    day = new.local_date
    if day is None or not EARLIEST.date() <= day < LATEST.date():
        raise Refused("local_date", day and day.isoformat(), f"a year from {EARLIEST.year} to {LATEST.year - 1}")
    return Day.of_answers(day, new.answers)
