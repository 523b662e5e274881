"""Pressure, diary and silence joined into one picture, with its lane and its place in the lane.

Promises that every combination has exactly one picture, and that the order inside
a lane is: expected days to a limit, then size of the break, then length of silence.
"""

from __future__ import annotations

import math
from datetime import date

from service.domain.signals.facts import (
    DiaryFacts,
    JoinedPicture,
    Picture,
    PictureFacts,
    PressureFacts,
    SilenceFacts,
)
from service.domain.vocabulary import Lane

# Days ahead within which the next weekly review would come too late.
BEFORE_NEXT_REVIEW = 7

LANES: dict[Picture, Lane] = {
    Picture.SAFETY_ANSWER: Lane.CALL_TODAY,
    Picture.UP_AND_WORSE: Lane.CALL_TODAY,
    Picture.SILENT_WHILE_RISING: Lane.CALL_TODAY,
    Picture.DOWN_AND_LIGHT_HEADED: Lane.CALL_TODAY,
    Picture.SILENT_AND_UNWELL: Lane.CALL_TODAY,
    Picture.UP_AND_WELL: Lane.LOOK_CLOSELY,
    Picture.WORSE_WITH_FLAT_PRESSURE: Lane.LOOK_CLOSELY,
    Picture.DOWN: Lane.LOOK_CLOSELY,
    Picture.WORSE_WITHOUT_PRESSURE: Lane.LOOK_CLOSELY,
    Picture.SILENT: Lane.NOT_HEARD_FROM,
    Picture.QUIET: Lane.SETTLED,
}


def joined_picture(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date) -> JoinedPicture:
    """The one picture these facts make on `today`. A limit already passed, or reached before the
    next weekly review, moves "pressure up and well" to *Call today*."""
    picture = _picture(pressure, diary, silence)
    lane = LANES[picture]
    soon = days_to_limit(pressure)
    if (lane is Lane.LOOK_CLOSELY and soon is not None and soon <= BEFORE_NEXT_REVIEW) or (
        picture is Picture.QUIET and soon == 0
    ):
        lane = Lane.CALL_TODAY
    return JoinedPicture(
        PictureFacts(picture, today, pressure, diary, silence),
        lane,
        order_in_lane(soon, pressure.broken.size if pressure.broken else 0.0, silence.missed),
    )


def days_to_limit(pressure: PressureFacts) -> float | None:
    """Expected days until a typed-in limit is passed; 0 when it is; None when nothing points there."""
    return pressure.forecast.days if pressure.forecast else None


def order_in_lane(days: float | None, size: float, silent: int) -> tuple[float, float, float]:
    """Smallest first: soonest at a limit, then the largest break either way, then the longest silence."""
    return (math.inf if days is None else days, -abs(size), -float(silent))


def _picture(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts) -> Picture:
    if diary.safety:
        return Picture.SAFETY_ANSWER
    if pressure.rising and diary.unwell:
        return Picture.UP_AND_WORSE
    if pressure.rising and silence.missed >= 2:
        return Picture.SILENT_WHILE_RISING
    if pressure.falling and (diary.light_headed or diary.weight_loss):
        return Picture.DOWN_AND_LIGHT_HEADED
    if silence.silent and diary.unwell:
        return Picture.SILENT_AND_UNWELL
    if pressure.rising:
        return Picture.UP_AND_WELL
    if diary.unwell or diary.light_headed:
        known = pressure.level is not None and pressure.reference is not None
        if pressure.falling:
            return Picture.DOWN
        return Picture.WORSE_WITH_FLAT_PRESSURE if known else Picture.WORSE_WITHOUT_PRESSURE
    if pressure.falling:
        return Picture.DOWN
    return Picture.SILENT if silence.silent else Picture.QUIET
