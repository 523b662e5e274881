"""What the pressures did after an adjustment.

Promises one of four words and the numbers it rests on: the level before and now,
and the days until the level was back within the margin of the reference. Says
nothing of cause: other things change on the same days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from service.domain import spoken
from service.domain.signals.facts import AdjustmentMade, AnchoredReference, ResponseFacts
from service.domain.vocabulary import Response

WITHIN = 1.5  # mmHg of the reference that count as back at it; common practice, no source
MOVED = 1.0  # mmHg towards the reference that count as on the way
FEWEST = 4  # days with readings after it, before anything is said
HELD = 3  # days in a row within the margin, so that one low day is not "settled"


@dataclass(frozen=True, slots=True)
class LevelOn:
    """The filter's level on one evening, mmHg, and whether a reading came that day."""

    day: date
    level: float
    read: bool


def response(
    adjustment: AdjustmentMade, course: Sequence[LevelOn], reference: AnchoredReference | None
) -> ResponseFacts:
    """The response as of the last evening of `course` (in order, no day twice)."""
    before = next((evening.level for evening in reversed(course) if evening.day < adjustment.made_on), None)
    since = [evening for evening in course if evening.day >= adjustment.made_on]
    read = sum(evening.read for evening in since)
    now = since[-1].level if since and read else None
    back = _back(adjustment, since, reference)
    word = _word(before, now, read, reference, back is not None)
    return ResponseFacts(
        adjustment, word, before, now, read, back, _sentence(adjustment, word, before, now, read, back)
    )


def _word(
    before: float | None, now: float | None, read: int, reference: AnchoredReference | None, back: bool
) -> Response:
    if before is None or now is None or reference is None or read < FEWEST:
        return Response.TOO_FEW_READINGS
    if back and abs(now - reference.value) <= WITHIN:
        return Response.SETTLED
    closer = abs(before - reference.value) - abs(now - reference.value)
    return Response.SETTLING if closer >= MOVED else Response.NOT_SETTLING


def _back(adjustment: AdjustmentMade, since: Sequence[LevelOn], reference: AnchoredReference | None) -> int | None:
    """Days from the adjustment to the first of HELD evenings within the margin, the last of which may be today."""
    if reference is None:
        return None
    run = 0
    for position, evening in enumerate(since):
        run = run + 1 if abs(evening.level - reference.value) <= WITHIN else 0
        if run == HELD:
            return (since[position - HELD + 1].day - adjustment.made_on).days
    return None


def _sentence(
    adjustment: AdjustmentMade, word: Response, before: float | None, now: float | None, read: int, back: int | None
) -> str:
    change = f"the change of {spoken.day(adjustment.made_on)}"
    if word is Response.TOO_FEW_READINGS or before is None or now is None:
        return f"Too few readings since {change} to tell ({spoken.count(read, 'day')} with a reading)."
    moved = f"about {spoken.figure(before)} mmHg before it, {spoken.figure(now)} now"
    match word:
        case Response.SETTLED:
            days = f", within {spoken.figure(WITHIN)} mmHg of the reference after {spoken.count(back or 0, 'day')}"
            return f"Settled since {change}: {moved}{days}."
        case Response.SETTLING:
            return f"Settling since {change}: {moved}, not yet back at the reference."
        case _:
            return f"Not settling since {change}: {moved}."
