"""What the pressures did after an adjustment, followed from evening to evening.

Promises one of five words and the numbers it rests on: the level before and now,
and the days until the level was back within the margin of the reference. Only the
newest adjustment is followed, and for four weeks: later, other things have happened.
Says nothing of cause: other things change on the same days.

The response is the trend's to tell, not staff's to type.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from service.domain.arrays import Array, Days, Flags, rounded
from service.domain.signals.facts import AdjustmentMade, AnchoredReference, ResponseFacts
from service.domain.vocabulary import Response

FOLLOWED = 28  # days; common practice, no source
WITHIN = 1.5  # mmHg of the reference that count as back at it; common practice, no source
MOVED = 1.0  # mmHg towards the reference that count as on the way
FEWEST = 4  # days with readings after it, before anything is said
HELD = 3  # days in a row within the margin, so that one low day is not "settled"


@dataclass(frozen=True, slots=True)
class ResponseState:
    """The newest adjustment of each patient and what came after it, [patient]. Days are ordinals, 0 is never."""

    made_on: Days
    before: Array  # the level of the evening before it, mmHg; nan where none was known
    read: Days  # days with a reading since
    run: Days  # evenings in a row within the margin of the reference, up to now
    back_on: Days  # the first of HELD such evenings
    compared: Days  # evenings since on which there was a reference to compare with


def nothing_made(patients: int) -> ResponseState:
    """No adjustment yet."""
    return ResponseState(
        made_on=np.zeros(patients, dtype=np.int64),
        before=np.full(patients, np.nan),
        read=np.zeros(patients, dtype=np.int64),
        run=np.zeros(patients, dtype=np.int64),
        back_on=np.zeros(patients, dtype=np.int64),
        compared=np.zeros(patients, dtype=np.int64),
    )


def follow(
    state: ResponseState, day: int, adjusted: Flags, before: Array, level: Array, read: Flags, reference: Array
) -> ResponseState:
    """One evening on, [patient]: the level before and now (nan: none yet), and the reference (nan: none yet), mmHg."""
    made_on = np.where(adjusted, day, state.made_on)
    followed = made_on > 0
    within = followed & (np.abs(level - reference) <= WITHIN)
    run = np.where(within, np.where(adjusted, 0, state.run) + 1, 0)
    back_on = np.where(adjusted, 0, state.back_on)
    return ResponseState(
        made_on,
        np.where(adjusted, before, state.before),
        np.where(followed, np.where(adjusted, 0, state.read) + read, 0),
        run,
        np.where((back_on == 0) & (run == HELD), day - HELD + 1, back_on),
        np.where(followed, np.where(adjusted, 0, state.compared) + ~np.isnan(reference), 0),
    )


def response(
    adjustment: AdjustmentMade,
    state: ResponseState,
    patient: int,
    today: date,
    level: float | None,
    reference: AnchoredReference | None,
) -> ResponseFacts:
    """The response of one patient on the evening of `state`, which is `today`'s, at its level (mmHg).

    In how many days the level came back is said only where there was a reference from
    the adjustment on: before that, nobody compared.
    """
    read = int(state.read[patient])
    before = None if np.isnan(state.before[patient]) else float(state.before[patient])
    now = level if read else None
    back_on = int(state.back_on[patient])
    made_on, compared = int(state.made_on[patient]), int(state.compared[patient])
    is_back = back_on > 0 and reference is not None
    back = back_on - made_on if is_back and compared == today.toordinal() - made_on + 1 else None
    word = Response.TOO_FEW_READINGS if compared < HELD else _word(before, now, read, reference, is_back)
    return ResponseFacts(adjustment, word, rounded(before), rounded(now), read, back)


def _word(
    before: float | None, now: float | None, read: int, reference: AnchoredReference | None, back: bool
) -> Response:
    if before is None or now is None or reference is None or read < FEWEST:
        return Response.TOO_FEW_READINGS
    if back and abs(now - reference.value) <= WITHIN:
        return Response.SETTLED
    if (before - reference.value) * (now - reference.value) < 0 and abs(now - reference.value) > WITHIN:
        return Response.OVERSHOT
    closer = abs(before - reference.value) - abs(now - reference.value)
    return Response.SETTLING if closer >= MOVED else Response.NOT_SETTLING
