"""When staff are told of an open task, and when it escalates to the next of them.

Promises that what may be an emergency is told at once, that an unanswered task
steps up to somebody else, and that nothing is told for ever. The intervals are
this service's own; no source prescribes them.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.domain.localtime import first_instant, local_date
from service.domain.vocabulary import TaskKind

AT_ONCE = timedelta(0)
A_DAY = timedelta(days=1)

# How long a task may wait in the inbox before somebody is sent a message about it.
FIRST: dict[TaskKind, timedelta | None] = {
    TaskKind.SAFETY_ANSWER: AT_ONCE,
    TaskKind.ABOVE_LIMIT: AT_ONCE,
    TaskKind.BELOW_LIMIT: AT_ONCE,
    TaskKind.CAREGIVER_SAYS: A_DAY,
    TaskKind.SILENT: A_DAY,
    TaskKind.NO_CONTACT: A_DAY,
    TaskKind.BROKEN_CONTACT: A_DAY,
    TaskKind.MESSAGE_UNCERTAIN: A_DAY,
    TaskKind.FOLLOW_UP: None,  # the panel shows it; no message
}
# Told whatever the hour: quiet hours are there for what can wait until the morning.
AT_ANY_HOUR = frozenset({TaskKind.SAFETY_ANSWER})
# How long the one told has before the next is told.
NEXT: dict[TaskKind, timedelta] = {
    TaskKind.SAFETY_ANSWER: timedelta(minutes=30),
    TaskKind.ABOVE_LIMIT: timedelta(hours=2),
    TaskKind.BELOW_LIMIT: timedelta(hours=2),
}
GOOD_FOR = timedelta(hours=12)  # a message about a task that is older than this misleads


def first_told_at(kind: TaskKind, raised_at: datetime) -> datetime | None:
    """When the first of staff is told of a task raised at `raised_at`; None is never."""
    wait = FIRST[kind]
    return None if wait is None else raised_at + wait


def next_told_at(kind: TaskKind, told_at: datetime) -> datetime:
    """When the next of staff is told, if nobody has taken it by then."""
    return told_at + NEXT.get(kind, A_DAY)


def next_digest(now: datetime, at: time, zone: ZoneInfo) -> datetime:
    """The next instant after `now` at which clocks in `zone` show `at`: one digest for every local date."""
    today = local_date(now, zone)
    for ahead in range(3):  # a date that was never lived, or whose hour is past, is passed over
        instant = first_instant(today + timedelta(days=ahead), at, zone)
        if instant > now:
            return instant
    raise AssertionError(f"no {at} within three days of {now} in {zone}")
