"""What ought to be so, reckoned plainly and apart from the service: the model's own picture of two patients.

Promises to ask nothing of `service.domain` but its words: local dates and hours come
from zoneinfo, an opening is found by walking through the day, runs of missed days are
counted on the fingers.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from service.domain.vocabulary import CaregiverAnswer, PauseCause, WindowState

DAY = timedelta(days=1)
STEP = timedelta(minutes=15)  # every plan's hour and every clock change here is a multiple of it
# As the service says of a caregiver's answer without a last day: how long it excuses.
EXCUSES: dict[CaregiverAnswer, tuple[PauseCause, int | None]] = {
    CaregiverAnswer.IN_HOSPITAL: (PauseCause.IN_HOSPITAL, None),
    CaregiverAnswer.AWAY: (PauseCause.AWAY, 7),
    CaregiverAnswer.EQUIPMENT: (PauseCause.EQUIPMENT, 3),
}
# Days before a clock change: back and forward, by an hour and by half of one, at night and at midnight.
BEGINNINGS = {
    zone: (datetime.fromisoformat(back).replace(tzinfo=UTC), datetime.fromisoformat(forward).replace(tzinfo=UTC))
    for zone, back, forward in (
        ("Europe/London", "2026-10-23 05:00", "2026-03-27 05:00"),
        ("Australia/Lord_Howe", "2026-04-03 12:00", "2026-10-02 12:00"),
        ("America/Santiago", "2026-04-03 12:00", "2026-09-04 12:00"),
        ("Pacific/Auckland", "2026-04-03 12:00", "2026-09-25 12:00"),
    )
}


def local(at: datetime, zone: str) -> datetime:
    """What calendar and clock show there."""
    return at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)


@lru_cache(maxsize=4096)
def shows(day: date, wall: time, zone: str) -> datetime:
    """The first quarter of an hour at which the clocks there show that hour of that day, or later."""
    at = datetime.combine(day, time(), UTC) - timedelta(hours=15)
    while local(at, zone) < datetime.combine(day, wall):
        at += STEP
    return at


def is_quiet(at: datetime, zone: str, quiet: tuple[time, time]) -> bool:
    """Whether it is night there: from the first hour to the second, over midnight."""
    wall = local(at, zone).time()
    return wall >= quiet[0] or wall < quiet[1]


@dataclass(repr=False)
class Plan:
    opens: time
    due: time
    closes: time
    wants_reading: bool = True
    wants_checkin: bool = True

    def __repr__(self) -> str:
        return f"<plan {self.opens:%H:%M}, {self.due:%H:%M}, {self.closes:%H:%M}>"


PLANS = [
    Plan(time(7), time(8, 30), time(10)),
    Plan(time(0, 15), time(1), time(3, 30), wants_checkin=False),
    Plan(time(2), time(2, 30), time(2, 45)),  # on one night of the year it is swallowed whole
    Plan(time(18), time(20), time(23, 30)),
    Plan(time(9), time(9, 30), time(21), wants_reading=False),
]


@dataclass
class Pause:
    first: date
    last: date
    cause: PauseCause
    said_at: datetime
    id: uuid.UUID | None = None  # of those that staff recorded, to end them
    is_bens: bool = False  # a caregiver's answer

    def covers(self, day: date) -> bool:
        return self.first <= day <= self.last


@dataclass(repr=False)
class Person:
    """One patient, with all that has been said of them."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    zone: str
    plan: Plan
    phones: tuple[str, ...]
    next_day: date  # the first date whose window has not had to open yet
    agreed: bool = True
    caregiver_id: uuid.UUID | None = None
    readings: dict[uuid.UUID, date] = field(default_factory=dict)
    checkins: set[date] = field(default_factory=set)
    pauses: list[Pause] = field(default_factory=list)
    planned: set[date] = field(default_factory=set)  # each must have its window
    opened: set[date] = field(default_factory=set)  # and these were seen to have one: how far an interrupted pass got
    replies: dict[uuid.UUID, list[CaregiverAnswer]] = field(default_factory=dict)  # by window

    def __repr__(self) -> str:
        return f"<person at {self.phones[0]}>"

    def day(self, at: datetime) -> date:
        return local(at, self.zone).date()

    def is_paused(self, day: date) -> bool:
        return any(pause.covers(day) for pause in self.pauses)

    def has_reading(self, day: date) -> bool:
        return day in self.readings.values()

    def lets_days_begin(self, now: datetime) -> None:
        """Note the dates whose windows have had to open by now."""
        while self._has_begun(now):
            self.planned.add(self.next_day)
            self.next_day += DAY

    def plans_anew(self, now: datetime, plan: Plan | None = None, zone: str | None = None) -> None:
        """Another plan, or another place, from the next opening on.

        Where no worker opened what was due, a window of the new plan that has begun
        counts as long as it lasts; dates gone by do not.
        """
        while self._has_begun(now) and self.next_day in self.opened:
            self.next_day += DAY
        owed = self.next_day if self._has_begun(now) else date.max
        self.plan, self.zone = plan or self.plan, zone or self.zone
        self.next_day = self.day(now)
        while self._has_begun(now) and not (self.next_day >= owed and self._lasts(now)):
            self.next_day += DAY

    def _lasts(self, now: datetime) -> bool:
        return shows(self.next_day, self.plan.closes, self.zone) > now

    def _has_begun(self, now: datetime) -> bool:
        return shows(self.next_day, self.plan.opens, self.zone) <= now

    def is_told(self, window: uuid.UUID, day: date, answer: CaregiverAnswer, now: datetime) -> None:
        """A caregiver's answer. The same again says nothing new; another one takes the first one's pause back."""
        said = self.replies.setdefault(window, [])
        if said and said[-1] is answer:
            return
        said.append(answer)
        cause, days = EXCUSES.get(answer, (None, None))
        today = self.day(now)
        for pause in self.pauses:
            if pause.is_bens and pause.first == day and pause.last >= today and pause.cause is not cause:
                pause.last = today - DAY
        if cause is None:
            return
        last = date.max if days is None else day + (days - 1) * DAY
        held = [pause for pause in self.pauses if pause.covers(day) and pause.cause is cause]
        if not held:
            self.pauses.append(Pause(day, last, cause, now, is_bens=True))
        elif (first := min(held, key=lambda pause: pause.said_at)).last < today:
            first.last = last

    def runs(self, windows: list[tuple[date, WindowState]]) -> list[tuple[date, date, int, bool]]:
        """Runs of missed days between readings, as (first, last, how many, has it ended)."""
        missed = sorted(day for day, state in windows if state is WindowState.MISSED)
        found: list[tuple[date, date, int, bool]] = []
        while missed:
            end = min((day for day in self.readings.values() if day >= missed[0]), default=None)
            run = [day for day in missed if end is None or day < end]
            found.append((run[0], run[-1], len(run), end is not None))
            missed = missed[len(run) :]
        return found
