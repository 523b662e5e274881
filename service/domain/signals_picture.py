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
from service.domain.words import Lane

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
    rise, worse = _moved(pressure), spoken.listed(_worse(diary))
    silent = _silent(silence, pressure)
    match picture:
        case Picture.SAFETY_ANSWER:
            told = f"The diary reports {spoken.listed(list(diary.safety))}"
            return _joined(told, _moved(pressure) if pressure.broken else level_clause(pressure))
        case Picture.UP_AND_WORSE:
            return _joined("Pressure up and feeling worse", f"{rise}; {worse}", colon=True)
        case Picture.SILENT_WHILE_RISING:
            return _joined("Silent while rising", f"{silent}; before that, {rise}", colon=True)
        case Picture.DOWN_AND_LIGHT_HEADED:
            signs = (["light-headed"] if diary.light_headed else []) + (
                [diary.weight_loss] if diary.weight_loss else []
            )
            head = "Pressure down with signs of dryness"
            return _joined(head, f"{rise}; {spoken.listed(signs)}", colon=True)
        case Picture.SILENT_AND_UNWELL:
            return _joined("Silent and unwell", f"{silent}; {worse}", colon=True)
        case Picture.UP_AND_WELL:
            return (
                _joined("Pressure up, diary without change", f"{rise}; {_heard(diary, today)}", colon=True)
                if (diary.answered)
                else _joined("Pressure up", f"{rise}; {_heard(diary, today)}", colon=True)
            )
        case Picture.WORSE_WITH_FLAT_PRESSURE:
            head = "Feeling worse without a break in pressure, look for another cause"
            return _joined(head, f"{worse or 'light-headed'}; {level_clause(pressure)}", colon=True)
        case Picture.WORSE_WITHOUT_PRESSURE:
            return _joined(
                "Feeling worse", f"{worse or 'light-headed'}; too few readings to judge the pressure", colon=True
            )
        case Picture.DOWN:
            return _joined("Pressure down", f"{rise}; {_heard(diary, today)}", colon=True)
        case Picture.SILENT:
            return _joined(silent, level_clause(pressure))
        case Picture.QUIET:
            return _joined(
                "No signal in what was received", f"{level_clause(pressure)}; {_heard(diary, today)}", colon=True
            )


def _moved(pressure: PressureFacts) -> str:
    clause = break_clause(pressure)
    ahead = forecast_clause(pressure.forecast)
    return f"{clause}; {ahead}" if ahead else clause


def _worse(diary: DiaryFacts) -> list[str]:
    return [*diary.worse, *([diary.weight_gain] if diary.weight_gain else [])]


def _heard(diary: DiaryFacts, today: date) -> str:
    if diary.answered:
        return f"diary on {diary.answered} of the last 7 days, no change against the usual reported"
    if diary.last_on is not None:
        return f"no diary for {spoken.count((today - diary.last_on).days, 'day')}, so how they feel is not known"
    return "no diary, so how they feel is not known"


def _silent(silence: SilenceFacts, pressure: PressureFacts) -> str:
    if silence.missed == 0:
        return "no reading expected was missed"
    last = f" (last on {spoken.day(pressure.last_reading_on)})" if pressure.last_reading_on else ""
    return f"no reading for {spoken.count(silence.missed, 'planned day')}{last}"


def _joined(head: str, tail: str, *, colon: bool = False) -> str:
    return spoken.sentence(f"{head}{': ' if colon else '; '}{tail}" if tail else head)


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
