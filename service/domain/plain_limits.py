"""Three days of readings in a row beyond a typed-in limit are beyond it, whatever a filter makes of them.

The engine is slow, on purpose, to believe a sudden step; a limit that a clinician
typed in is not to wait for that. Ships no limit of its own. Three days is this
service's own choice; no source prescribes it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from statistics import median

from service.domain import spoken
from service.domain.days import Day
from service.domain.signals_facts import Limits, Signal
from service.domain.vocabulary import SignalKind

IN_A_ROW = 3
STILL_NEWS = 7  # days without a reading after which the last ones say nothing of now


def beyond(days: Iterable[Day], limits: Limits, today: date) -> Signal | None:
    """The signal that the newest days' readings make, raised on the third day in a row; None when they make none."""
    read = [(day.day, day.pa_diastolic) for day in days if day.pa_diastolic is not None and day.day <= today]
    if not read or (today - read[-1][0]).days > STILL_NEWS:
        return None
    for limit, up in ((limits.upper, True), (limits.lower, False)):
        if limit is None:
            continue
        run = _run(read, limit, up=up)
        if len(run) >= IN_A_ROW:
            return _signal(run, limit, up=up)
    return None


def _run(read: list[tuple[date, float]], limit: float, *, up: bool) -> list[tuple[date, float]]:
    """The newest unbroken run of days beyond the limit."""
    run: list[tuple[date, float]] = []
    for day, value in reversed(read):
        if (value > limit) is not up or value == limit:
            break
        run.append((day, value))
    return run[::-1]


def _signal(run: list[tuple[date, float]], limit: float, *, up: bool) -> Signal:
    middle = median(value for _, value in run[-IN_A_ROW:])
    word = "above" if up else "below"
    sentence = (
        f"{word.capitalize()} the limit: the last {spoken.count(len(run), 'reading')} of PA diastolic, since "
        f"{spoken.day(run[0][0])}, were {word} the {spoken.figure(limit)} mmHg set for this patient; "
        f"the last {IN_A_ROW} have a median of {spoken.figure(middle)} mmHg."
    )
    return Signal(
        SignalKind.ABOVE_LIMIT if up else SignalKind.BELOW_LIMIT,
        raised_on=run[IN_A_ROW - 1][0],
        began_on=run[0][0],
        sentence=sentence,
        facts={"limit": limit, "readings": len(run), "median": round(middle, 1)},
    )
