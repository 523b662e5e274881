"""What is expected of a patient and when, from the rule to how one day's window ends.

The rule (weekdays and one local window a day), the window of one date as instants, the
windows of the dates ahead with what the clocks do on the way, hours that would suit a
patient better, and the silences: runs of windows that nothing came into.

Promises that stepping from one date to the next never lands on the same date twice and
never leaves out a date that was lived; that a window always has a length, whatever the
clocks do that night, and ends in exactly one state; and that what is told ahead is what
the worker will do, because it asks the same rules; and that the same windows and readings
give the same silences, in whatever order they arrived. Does not know who is told about it.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import chain, pairwise
from math import ceil
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.localtime import day_bounds, first_instant, first_second, is_lived, local_date, offset
from service.domain.validation import Refused
from service.domain.vocabulary import MessageState, SilenceCause, WindowState

EVERY_DAY = 0b1111111
# Our own floor: a person needs the time to sit down, measure and answer.
SHORTEST_WINDOW = timedelta(minutes=30)
MOST_PHASES = 20
_DAY = timedelta(days=1)


def weekday_bits(days: Iterable[int]) -> int:
    """Weekdays as they are kept: bit 0 is Monday, bit 6 Sunday."""
    return sum(1 << day for day in set(days))


def weekdays_of(bits: int) -> list[int]:
    """The weekdays that are kept so, Monday = 0."""
    return [day for day in range(7) if bits >> day & 1]


@dataclass(frozen=True)
class PlanPhase:
    """Dates, ends included, with weekdays of their own; without `to_date` until told."""

    from_date: date
    to_date: date | None
    weekdays: int
    after_stay: bool = False  # the clinic's setting made it at the end of a stay: it adds weekdays and takes none away

    def covers(self, day: date) -> bool:
        return self.from_date <= day and (self.to_date is None or day <= self.to_date)


@dataclass(frozen=True)
class PlanRule:
    """`weekdays` is a bit mask (bit 0 is Monday), for dates in no phase; the times are wall times where they live."""

    weekdays: int
    opens: time
    due: time
    closes: time
    wants_reading: bool = True
    wants_checkin: bool = True
    phases: tuple[PlanPhase, ...] = ()

    def weekdays_on(self, day: date) -> int:
        """The weekdays in force on that date."""
        found = self.weekdays
        for phase in self.phases:
            if phase.covers(day) and not phase.after_stay:
                found = phase.weekdays
        for phase in self.phases:
            if phase.covers(day) and phase.after_stay:
                found |= phase.weekdays
        return found

    def asks_on(self, day: date) -> bool:
        return bool(self.weekdays_on(day) >> day.weekday() & 1)

    def on(self, names: Sequence[str]) -> list[str]:
        """Of the seven names, from Monday's, those of the days on which it asks."""
        return [name for bit, name in enumerate(names) if self.weekdays >> bit & 1]


@dataclass(frozen=True)
class PlanAhead:
    """The plan as it stands. `pauses` are date ranges, ends included; "until told" ends at date.max."""

    id: uuid.UUID
    patient_id: uuid.UUID
    clinic_ref: str
    language: str  # the patient's
    zone: ZoneInfo
    is_active: bool
    rule: PlanRule
    set_at: datetime
    enrolled_at: datetime
    sender_name: str
    pauses: Sequence[tuple[date, date]]


def checked(rule: PlanRule) -> PlanRule:
    """`rule` itself. Raises Refused when it can never be met: no weekday, an empty window, nothing wanted."""
    if not 1 <= rule.weekdays <= EVERY_DAY:
        raise Refused("weekdays", rule.weekdays, "at least one weekday")
    _check_phases(rule.phases)
    for name in ("opens", "due", "closes"):
        at: time = getattr(rule, name)
        if at.tzinfo is not None or at.second or at.microsecond:
            raise Refused(name, at.isoformat(), "a local time in whole minutes, such as 07:30")
    if _since_midnight(rule.closes) - _since_midnight(rule.opens) < SHORTEST_WINDOW:
        minutes = int(SHORTEST_WINDOW.total_seconds()) // 60
        raise Refused(
            "closes",
            rule.closes.isoformat("minutes"),
            "at least %(minutes)s minutes after opens, same day",
            minutes=minutes,
        )
    if not rule.opens <= rule.due <= rule.closes:
        raise Refused("due", rule.due.isoformat("minutes"), "a time from opens to closes")
    if not (rule.wants_reading or rule.wants_checkin):
        raise Refused("wants_reading", rule.wants_reading, "a plan that wants a reading, a check-in, or both")
    return rule


def spread(days: int) -> int:
    """So many weekdays, 1 to 7, as evenly apart as a week allows, from Monday. Raises Refused."""
    if not 1 <= days <= 7:
        raise Refused("days_a_week", days, "a whole number from 1 to 7")
    return weekday_bits(number * 7 // days for number in range(days))


def phases_as_json(phases: Sequence[PlanPhase]) -> list[dict[str, Any]]:
    """Plain values, for storage and the API; weekdays are counted from Monday = 0."""
    return [
        {
            "from_date": phase.from_date.isoformat(),
            "to_date": phase.to_date and phase.to_date.isoformat(),
            "weekdays": weekdays_of(phase.weekdays),
            "after_stay": phase.after_stay,
        }
        for phase in phases
    ]


def phases_from_json(given: Sequence[Mapping[str, Any]] | None) -> tuple[PlanPhase, ...]:
    """The phases that `phases_as_json` put into plain values."""
    return tuple(
        PlanPhase(
            date.fromisoformat(one["from_date"]),
            one["to_date"] and date.fromisoformat(one["to_date"]),
            weekday_bits(one["weekdays"]),
            one["after_stay"],
        )
        for one in given or ()
    )


def _check_phases(phases: Sequence[PlanPhase]) -> None:
    if len(phases) > MOST_PHASES:
        raise Refused("phases", len(phases), "at most %(most)s", most=MOST_PHASES)
    chosen = sorted((phase for phase in phases if not phase.after_stay), key=lambda phase: phase.from_date)
    for phase in chosen:
        if not 1 <= phase.weekdays <= EVERY_DAY:
            raise Refused("phases.weekdays", phase.weekdays, "at least one weekday")
        if phase.to_date is not None and phase.to_date < phase.from_date:
            raise Refused("phases.to_date", phase.to_date.isoformat(), "a date from %(first)s", first=phase.from_date)
        to_come = (date.max - phase.from_date).days + 1
        dates = [phase.from_date + number * _DAY for number in range(min(7, to_come))]
        if not any(phase.covers(day) and phase.weekdays >> day.weekday() & 1 for day in dates):
            raise Refused(
                "phases.weekdays", weekdays_of(phase.weekdays), "a weekday of these dates; a pause asks nothing"
            )
    for before, after in pairwise(chosen):
        if before.to_date is None or after.from_date <= before.to_date:
            raise Refused("phases.from_date", after.from_date.isoformat(), "a date after the phase before it has ended")


def next_opening(rule: PlanRule, zone: ZoneInfo, after: datetime, owed: date | None = None) -> tuple[date, datetime]:
    """The first date whose window opens later than `after`, with that instant (UTC).

    `owed` is the first date that should have opened by now and has not, because no
    worker ran: from it on, a window that has begun counts until it closes.
    """
    day = local_date(after, zone) - _DAY
    while True:
        day = next_date(rule, day, zone)
        opens_at = first_instant(day, rule.opens, zone)
        is_owed = owed is not None and day >= owed and first_instant(day, rule.closes, zone) > after
        if opens_at > after or is_owed:
            return day, opens_at


def next_date(rule: PlanRule, day: date, zone: ZoneInfo) -> date:
    """The next planned date later than `day` that is lived in `zone`."""
    day = date_after(rule, day)
    while not is_lived(day, zone):
        day = date_after(rule, day)
    return day


def date_after(rule: PlanRule, day: date) -> date:
    """The next date later than `day` on which the plan asks."""
    day += _DAY
    while not rule.asks_on(day):
        day += _DAY
    return day


def _since_midnight(at: time) -> timedelta:
    return timedelta(hours=at.hour, minutes=at.minute)


@dataclass(frozen=True)
class WindowTimes:
    """UTC instants; opens_at ≤ due_at ≤ closes_at, and opens_at < closes_at."""

    opens_at: datetime
    due_at: datetime
    closes_at: datetime


@dataclass(frozen=True)
class WindowFacts:
    """What is known of a window: what it asks for, what has come, and whether a pause covers its date."""

    wants_reading: bool
    wants_checkin: bool
    reading_at: datetime | None
    checkin_at: datetime | None
    paused: bool


def window_times(rule: PlanRule, day: date, zone: ZoneInfo) -> WindowTimes:
    """The window of `day` under `rule`, as UTC instants.

    A window that a clock change would swallow whole (a gap from opening to
    closing) keeps the length it has on other days and starts after the gap.
    """
    opens_at = first_instant(day, rule.opens, zone)
    closes_at = first_instant(day, rule.closes, zone)
    if closes_at <= opens_at:
        closes_at = opens_at + _length(rule)
    due_at = min(max(first_instant(day, rule.due, zone), opens_at), closes_at)
    return WindowTimes(opens_at, due_at, closes_at)


def is_answered(facts: WindowFacts) -> bool:
    """Whether the deciding thing is there: the reading, or the check-in where no reading is wanted."""
    return (facts.reading_at if facts.wants_reading else facts.checkin_at) is not None


def missing(facts: WindowFacts) -> tuple[str, ...]:
    """What is wanted and has not come: "reading", "checkin", in that order."""
    wanted = (
        ("reading", facts.wants_reading, facts.reading_at),
        ("checkin", facts.wants_checkin, facts.checkin_at),
    )
    return tuple(name for name, wants, at in wanted if wants and at is None)


def state_while_open(facts: WindowFacts) -> WindowState:
    """The state of a window whose end has not come."""
    if facts.paused:
        return WindowState.EXCUSED
    return WindowState.ANSWERED if is_answered(facts) else WindowState.OPEN


def state_at_close(facts: WindowFacts) -> WindowState:
    """The state a window ends in.

    A pause excuses even what was answered: excused days are left out of both
    numbers of adherence, so counting their readings would flatter it.
    """
    state = state_while_open(facts)
    return WindowState.MISSED if state is WindowState.OPEN else state


def _length(rule: PlanRule) -> timedelta:
    return timedelta(
        hours=rule.closes.hour - rule.opens.hour,
        minutes=rule.closes.minute - rule.opens.minute,
    )


_SECOND = timedelta(seconds=1)


@dataclass(frozen=True)
class WindowAhead:
    """One window ahead. `paused` days are not asked for."""

    day: date
    times: WindowTimes
    paused: bool


@dataclass(frozen=True)
class ClockChange:
    """A night on which the clocks of a zone change: at which instant, and by how much (forward is positive)."""

    day: date
    at: datetime
    by: timedelta


def windows_ahead(
    rule: PlanRule, zone: ZoneInfo, first: date, last: date, pauses: Sequence[tuple[date, date]] = ()
) -> Iterator[WindowAhead]:
    """Every window from `first` to `last`, both included. `pauses` are date ranges, ends included."""
    day = next_date(rule, first - _DAY, zone)
    while day <= last:
        paused = any(begins <= day <= ends for begins, ends in pauses)
        yield WindowAhead(day, window_times(rule, day, zone), paused)
        day = next_date(rule, day, zone)


def clock_changes(zone: ZoneInfo, first: date, last: date) -> list[ClockChange]:
    """The clock changes in `zone` on the dates from `first` to `last`."""
    found = []
    day = first
    while day <= last:
        low, high = (bound - _SECOND for bound in day_bounds(day, zone))
        before, after = offset(low, zone), offset(high, zone)
        if before != after and is_lived(day, zone):
            found.append(ClockChange(day, _change_between(low, high, zone), after - before))
        day += _DAY
    return found


def _change_between(low: datetime, high: datetime, zone: ZoneInfo) -> datetime:
    before = offset(low, zone)
    return first_second(low, high, lambda instant: offset(instant, zone) != before).astimezone(UTC)


# All common practice, no source: enough readings to see a habit, close enough together to be
# one, far enough from the plan to be worth a change, and the quarter hours people live by.
ENOUGH_READINGS = 10
TOGETHER_MINUTES = 90  # the middle half of the readings lies within this
WORTH_MINUTES = 45
QUARTER = 15
DAY_MINUTES = 24 * 60


@dataclass(frozen=True)
class HoursProposal:
    """Other hours for a plan, the usual hour they follow from, and from how many readings."""

    rule: PlanRule
    usual: time
    readings: int


def usual_minute(minutes: Sequence[int]) -> int | None:
    """The median of local minutes of the day; None where there is no habit.

    Readings around midnight are counted from noon, so that 23:50 and 00:10 lie together.
    """
    if len(minutes) < ENOUGH_READINGS:
        return None
    best: tuple[int, int] | None = None
    for start in (0, DAY_MINUTES // 2):
        shifted = sorted((minute - start) % DAY_MINUTES for minute in minutes)
        spread = shifted[3 * len(shifted) // 4] - shifted[len(shifted) // 4]
        if best is None or spread < best[0]:
            best = (spread, (shifted[len(shifted) // 2] + start) % DAY_MINUTES)
    spread, middle = best or (DAY_MINUTES, 0)
    return middle if spread <= TOGETHER_MINUTES else None


def propose_hours(rule: PlanRule, minutes: Sequence[int]) -> HoursProposal | None:
    """Hours that put the usual one just before the reminder; None when the present ones suit.

    The present ones suit where most readings come between opening and the reminder, or
    so near that a change would only be a bother.
    """
    usual = usual_minute(minutes)
    if usual is None:
        return None
    opens, due, closes = (at.hour * 60 + at.minute for at in (rule.opens, rule.due, rule.closes))
    early, late = opens - usual, usual - due
    if max(early, late) < WORTH_MINUTES:
        return None
    wanted = ceil((usual + QUARTER) / QUARTER) * QUARTER
    # A plan lies within one date, and keeps its lengths: what would run over is moved back.
    shift = min(wanted - due, DAY_MINUTES - 1 - closes)
    shift = max(shift, -opens)
    moved = replace(rule, opens=_clock(opens + shift), due=_clock(due + shift), closes=_clock(closes + shift))
    try:
        checked(moved)
    except Refused:
        return None
    if abs(shift) < QUARTER:
        return None
    return HoursProposal(moved, _clock(usual), len(minutes))


def _clock(minute: int) -> time:
    return time(minute // 60, minute % 60)


# --- silences --------------------------------------------------------------------------

# The message left our hands, whatever the provider made of it afterwards.
REACHED = frozenset(
    {MessageState.HANDING_OVER, MessageState.SENT, MessageState.DELIVERED},
)


@dataclass(frozen=True)
class Run:
    """An unbroken run of missed reading windows; `last` is the latest of its `missed` dates."""

    first: date
    last: date
    missed: int
    ended: bool  # a reading came after it


def missed_runs(windows: Iterable[tuple[date, WindowState]], reading_dates: Collection[date]) -> list[Run]:
    """The silences in these reading windows, in order.

    `windows` are those that want a reading. A date with a reading breaks a run
    whether or not one was expected on it. Excused time neither breaks a run nor
    adds to it: someone not heard from before a pause and after it has not been
    heard from.
    """
    missed = ((day, True) for day, state in windows if state is WindowState.MISSED)
    arrived = ((day, False) for day in set(reading_dates))
    found: list[Run] = []
    current: list[date] = []
    for day, was_missed in sorted(chain(missed, arrived)):
        if was_missed:
            current.append(day)
        elif current:
            found.append(Run(current[0], current[-1], len(current), ended=True))
            current = []
    if current:
        found.append(Run(current[0], current[-1], len(current), ended=False))
    return found


def silence_cause(
    checked_in: bool, prompts: Sequence[tuple[MessageState, bool]], *, is_lost: bool = False
) -> SilenceCause:
    """Why a window was missed, as far as we know.

    `prompts` are the window's prompt and reminder messages as (state, was it ever
    tried). One that was tried and never taken is *not delivered*; one that was never
    tried (no way to send it, a contact known to be broken), or that never existed, is
    *not asked*: ours to explain, not theirs.
    Where the end of a hand-over was never seen, it is *uncertain* whether they were asked;
    and so it is where what happened meanwhile was lost (`is_lost`).
    """
    if checked_in:
        return SilenceCause.DIARY_ONLY
    if is_lost:
        return SilenceCause.UNCERTAIN
    if any(state in REACHED for state, _ in prompts):
        return SilenceCause.NO_REPLY
    if any(state is MessageState.UNCERTAIN for state, _ in prompts):
        return SilenceCause.UNCERTAIN
    if any(tried for _, tried in prompts):
        return SilenceCause.NOT_DELIVERED
    return SilenceCause.NOT_ASKED
