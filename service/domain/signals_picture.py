"""Pressure, diary and silence joined into one picture, with its sentence, its lane and its place in the lane.

`joined_picture(pressure, diary, silence, today) -> Joined` is all a caller needs.

Promises that every combination has exactly one picture, that its sentence says
which facts it rests on and what is not known, and that the order inside a lane
is: expected days to a limit, then size of the break, then length of silence.
No sentence says that all is well, none advises a treatment.
"""

from __future__ import annotations

import math
from datetime import date

from service.domain import spoken
from service.domain.signals_facts import DiaryFacts, Fact, Joined, Picture, PressureFacts, SilenceFacts
from service.domain.signals_sentences import break_clause, forecast_clause, level_clause
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


def joined_picture(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date) -> Joined:
    """The one picture these facts make on `today`. A limit already passed, or reached before the
    next weekly review, moves "pressure up and well" to *Call today*."""
    picture = _picture(pressure, diary, silence)
    lane = LANES[picture]
    soon = days_to_limit(pressure)
    if (lane is Lane.LOOK_CLOSELY and soon is not None and soon <= BEFORE_NEXT_REVIEW) or (
        picture is Picture.QUIET and soon == 0
    ):
        lane = Lane.CALL_TODAY
    return Joined(
        picture,
        lane,
        _sentence(picture, pressure, diary, silence, today),
        _facts(pressure, diary, silence),
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


def _sentence(picture: Picture, pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date) -> str:
    moved, heard = _moved(pressure), heard_clause(diary, today)
    worse = spoken.listed(_worse(diary)) or diary.light_headed
    silent = silent_clause(silence, pressure)
    match picture:
        case Picture.SAFETY_ANSWER:
            signs = spoken.listed(list(diary.safety))
            told = f"The diary reports {signs}; {moved if pressure.broken else level_clause(pressure)}"
        case Picture.UP_AND_WORSE:
            told = f"Pressure up and {'feeling worse' if diary.worse else 'weight up'}: {moved}; {worse}"
        case Picture.SILENT_WHILE_RISING:
            told = f"Silent while rising: {silent}; before that, {moved}"
        case Picture.DOWN_AND_LIGHT_HEADED:
            signs = spoken.listed([sign for sign in (diary.light_headed, diary.weight_loss) if sign])
            told = f"Pressure down with signs of dryness: {moved}; {signs}"
        case Picture.SILENT_AND_UNWELL:
            told = f"Silent and unwell: {silent}; {worse}"
        case Picture.UP_AND_WELL:
            told = f"Pressure up{', diary without change' if diary.answered else ''}: {moved}; {heard}"
        case Picture.WORSE_WITH_FLAT_PRESSURE:
            head = "Feeling worse" if diary.worse or diary.light_headed else "Weight up"
            told = f"{head} without a rise in pressure, look for another cause: {worse}; {level_clause(pressure)}"
        case Picture.WORSE_WITHOUT_PRESSURE:
            head = "Feeling worse" if diary.worse or diary.light_headed else "Weight up"
            told = f"{head}: {worse}; too few readings to judge the pressure"
        case Picture.DOWN:
            told = f"Pressure down: {moved}; {worse or heard}"
        case Picture.SILENT:
            told = f"{silent}; {level_clause(pressure)}"
        case Picture.QUIET:
            told = f"No signal in what was received: {level_clause(pressure)}; {heard}"
    return spoken.sentence(told)


def heard_clause(diary: DiaryFacts, today: date) -> str:
    """What the diary adds when it reports no change, or that nobody knows."""
    if diary.answered:
        return f"diary on {diary.answered} of the last 7 days, no change from the usual reported"
    if diary.last_on is not None:
        return f"no diary for {spoken.count((today - diary.last_on).days, 'day')}, so how they feel is not known"
    return "no diary, so how they feel is not known"


def silent_clause(silence: SilenceFacts, pressure: PressureFacts) -> str:
    """`no reading for 4 planned days (last on 20 November)`."""
    if silence.missed == 0:
        return "no reading expected was missed"
    last = f" (last on {spoken.day(pressure.last_reading_on)})" if pressure.last_reading_on else ""
    return f"no reading for {spoken.count(silence.missed, 'planned day')}{last}"


def _moved(pressure: PressureFacts) -> str:
    clause, ahead = break_clause(pressure), forecast_clause(pressure.forecast)
    return f"{clause}; {ahead}" if ahead else clause


def _worse(diary: DiaryFacts) -> list[str]:
    return [*diary.worse, *([diary.weight_gain] if diary.weight_gain else [])]


def _facts(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts) -> dict[str, Fact]:
    broken, forecast = pressure.broken, pressure.forecast
    return {
        "level": _round(pressure.level),
        "level_sd": _round(pressure.level_sd),
        "slope_per_day": _round(pressure.slope, 3),
        "reference": _round(pressure.reference.value) if pressure.reference else None,
        "reference_is_set": pressure.reference.is_set if pressure.reference else False,
        "break": _round(broken.size) if broken else None,
        "break_probability": _round(broken.probability, 3) if broken else None,
        "break_began_on": broken.began_on.isoformat() if broken else None,
        "days_to_limit": _round(forecast.days) if forecast else None,
        "days_to_limit_low": _round(forecast.low) if forecast else None,
        "days_to_limit_high": _round(forecast.high) if forecast else None,
        "diary_days": diary.answered,
        "worse": "; ".join(_worse(diary)),
        "light_headed": diary.light_headed,
        "weight_loss": diary.weight_loss,
        "missed_readings": silence.missed,
        "silence_cause": silence.cause.value if silence.cause else None,
    }


def _round(value: float | None, places: int = 2) -> float | None:
    return None if value is None else round(value, places)
