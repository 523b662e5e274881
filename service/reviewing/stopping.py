"""Why did readings stop: who was silent and for which cause, and what asking brought.

Reads only, and counts only what was expected: days before a plan began, and
excused days, are nobody's failure.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from service.domain import days, localtime
from service.domain.vocabulary import SilenceCause, StepKind
from service.reviewing.panel import Panel, build_panel
from service.store import habits
from service.store.habits import SilenceRow

DAYS = 30
ASKING = (None, StepKind.PROMPT, StepKind.REMINDER, StepKind.NUDGE, StepKind.TASK)


@dataclass(frozen=True, slots=True)
class CalendarRow:
    """One patient's days: a mark for every date of the calendar, as in their strip."""

    patient_id: uuid.UUID
    name: str
    marks: str
    received: int
    expected: int
    usual_hour: str  # "07:30", or "" when there is no habit to tell


@dataclass(frozen=True, slots=True)
class Brought:
    """Of `still_waiting` expected readings not there when this step was reached, `came` came before the next."""

    step: StepKind | None  # None: before anything was sent
    done: int
    came: int
    still_waiting: int

    @property
    def share(self) -> float | None:
        return self.came / self.still_waiting if self.still_waiting else None


@dataclass(frozen=True, slots=True)
class Stopping:
    """The page's facts, for the `DAYS` dates that end with the clinic's own today."""

    dates: tuple[date, ...]
    calendar: tuple[CalendarRow, ...]
    causes: Mapping[SilenceCause, tuple[SilenceRow, ...]]
    brought: tuple[Brought, ...]
    expected: int
    received: int
    hours: tuple[int, ...]  # readings by local hour of day, 24 numbers


def why_readings_stop(session: Session, clinic_id: uuid.UUID, now: datetime) -> Stopping:
    """Everything the page shows. Raises LookupError when there is no such clinic."""
    panel = build_panel(session, clinic_id, now)
    first = panel.today - timedelta(days=DAYS - 1)
    dates = tuple(days.dates(first, panel.today))
    silences = habits.silences_since(session, clinic_id, first)
    by_date = habits.expected(session, clinic_id, first, panel.today)
    received, expected = sum(row[1] for row in by_date), sum(row[2] for row in by_date)
    taken = habits.taken_since(session, clinic_id, first)
    zones = {entry.patient_id: localtime.zone(entry.zone) for entry in panel.entries}
    local = [(patient_id, at.astimezone(zones[patient_id])) for patient_id, at in taken if patient_id in zones]
    hours = Counter(at.hour for _, at in local)
    return Stopping(
        dates=dates,
        calendar=_calendar(panel, dates, local),
        causes={cause: tuple(row for row in silences if row.cause is cause) for cause in SilenceCause},
        brought=_brought(
            habits.answered_after(session, clinic_id, first, panel.today),
            habits.steps_done(session, clinic_id, first, panel.today),
            expected,
        ),
        expected=expected,
        received=received,
        hours=tuple(hours[hour] for hour in range(24)),
    )


def _calendar(
    panel: Panel, dates: tuple[date, ...], local: list[tuple[uuid.UUID, datetime]]
) -> tuple[CalendarRow, ...]:
    minutes: dict[uuid.UUID, list[int]] = {}
    for patient_id, at in local:
        minutes.setdefault(patient_id, []).append(at.hour * 60 + at.minute)
    rows = []
    for entry in panel.entries:
        strip = entry.summary.strip
        marks = dict(zip(days.dates(strip.first_day, entry.summary.today), strip.marks, strict=True))
        rows.append(
            CalendarRow(
                entry.patient_id,
                entry.name,
                # Where a patient's own date is behind the clinic's, their newest day has not begun.
                "".join(marks.get(day, " ") for day in dates),
                entry.summary.adherence.received,
                entry.summary.adherence.expected,
                usual_hour(minutes.get(entry.patient_id, [])),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.received / row.expected if row.expected else 2.0, row.name)))


def usual_hour(minutes: list[int]) -> str:
    """The middle of the minutes of day, when at least half of them lie within an hour of it; else ``""``."""
    if len(minutes) < 5:
        return ""
    middle = sorted(minutes)[len(minutes) // 2]
    near = sum(abs(minute - middle) <= 60 for minute in minutes)
    return f"{middle // 60:02d}:{middle % 60:02d}" if near * 2 >= len(minutes) else ""


def _brought(came: Mapping[StepKind | None, int], done: Mapping[StepKind, int], expected: int) -> tuple[Brought, ...]:
    waiting = expected
    rows = []
    for step in ASKING:
        rows.append(Brought(step, expected if step is None else done.get(step, 0), came.get(step, 0), waiting))
        waiting -= came.get(step, 0)
    return tuple(rows)
