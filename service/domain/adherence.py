"""What was expected, what came, and the runs of days on which nothing did.

Promises that the same windows and readings always give the same silences,
whatever order they arrived in. Knows neither messages nor people.

A pause excuses even what was answered: excused days are left out of both numbers of
adherence, which counting their readings would flatter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain

from service.domain.vocabulary import MessageState, SilenceCause, WindowState

# The message left our hands, whatever the provider made of it afterwards.
REACHED = frozenset(
    {MessageState.HANDING_OVER, MessageState.SENT, MessageState.DELIVERED, MessageState.UNCERTAIN},
)


@dataclass(frozen=True)
class Run:
    """An unbroken run of missed reading windows; `last` is the latest of its `missed` dates."""

    first: date
    last: date
    missed: int
    ended: bool  # a reading came after it


def runs(windows: Iterable[tuple[date, WindowState]], reading_dates: Collection[date]) -> list[Run]:
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


def cause(checked_in: bool, prompts: Sequence[tuple[MessageState, bool]]) -> SilenceCause:
    """Why a window was missed, as far as we know.

    `prompts` are the window's prompt and reminder messages as (state, was it ever
    tried). One that was tried and never taken is *not delivered*; one that was
    never tried, or that never existed, is *not asked*: ours to explain, not theirs.
    """
    if checked_in:
        return SilenceCause.DIARY_ONLY
    if any(state in REACHED for state, _ in prompts):
        return SilenceCause.NO_REPLY
    if any(state is MessageState.FAILED or tried for state, tried in prompts):
        return SilenceCause.NOT_DELIVERED
    return SilenceCause.NOT_ASKED
