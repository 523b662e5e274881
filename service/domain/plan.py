"""What is expected of a patient and when, from the rule to how one day's window ends.

The rule (weekdays and one local window a day), the window of one date as instants, the
windows of the dates ahead with what the clocks do on the way, and hours that would suit
a patient better.

Promises that stepping from one date to the next never lands on the same date twice and
never leaves out a date that was lived; that a window always has a length, whatever the
clocks do that night, and ends in exactly one state; and that what is told ahead is what
the worker will do, because it asks the same rules. Does not know who is told about it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from math import ceil
from zoneinfo import ZoneInfo

from service.domain.localtime import day_bounds, first_instant, is_lived, local_date
from service.domain.validation import Refused
from service.domain.vocabulary import WindowState

EVERY_DAY = 0b1111111
# Our own floor: a person needs the time to sit down, measure and answer.
SHORTEST_WINDOW = timedelta(minutes=30)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class PlanRule:
    """`weekdays` is a bit mask (bit 0 is Monday); the times are wall times in the patient's zone."""

    weekdays: int
    opens: time
    due: time
    closes: time
    wants_reading: bool = True
    wants_checkin: bool = True


def checked(rule: PlanRule) -> PlanRule:
    """`rule` itself. Raises Refused when it can never be met: no weekday, an empty window, nothing wanted."""
    if not 1 <= rule.weekdays <= EVERY_DAY:
        raise Refused("weekdays", rule.weekdays, "at least one weekday")
    for name in ("opens", "due", "closes"):
        at: time = getattr(rule, name)
        if at.tzinfo is not None or at.second or at.microsecond:
            raise Refused(name, at.isoformat(), "a local time in whole minutes, such as 07:30")
    if _since_midnight(rule.closes) - _since_midnight(rule.opens) < SHORTEST_WINDOW:
        minutes = int(SHORTEST_WINDOW.total_seconds()) // 60
        raise Refused("closes", rule.closes.isoformat("minutes"), f"at least {minutes} minutes after opens, same day")
    if not rule.opens <= rule.due <= rule.closes:
        raise Refused("due", rule.due.isoformat("minutes"), "a time from opens to closes")
    if not (rule.wants_reading or rule.wants_checkin):
        raise Refused("wants_reading", rule.wants_reading, "a plan that wants a reading, a check-in, or both")
    return rule


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
    """The next date later than `day` that falls on a planned weekday."""
    day += _DAY
    while not rule.weekdays >> day.weekday() & 1:
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
        start, end = day_bounds(day, zone)
        if is_lived(day, zone) and (before := _offset(start - _SECOND, zone)) != (
            after := _offset(end - _SECOND, zone)
        ):
            at = _change_between(start - _SECOND, end - _SECOND, zone)
            found.append(ClockChange(day, at, after - before))
        day += _DAY
    return found


def _offset(at: datetime, zone: ZoneInfo) -> timedelta:
    return at.astimezone(zone).utcoffset() or timedelta(0)


def _change_between(low: datetime, high: datetime, zone: ZoneInfo) -> datetime:
    before = _offset(low, zone)
    while high - low > _SECOND:
        middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
        if _offset(middle, zone) == before:
            low = middle
        else:
            high = middle
    return high.astimezone(UTC)


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
