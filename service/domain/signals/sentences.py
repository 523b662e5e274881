"""Signals and pictures in words for staff.

Promises clauses that state a fact with its uncertainty and its date, in plain
English, and nothing else: none says that all is well, none advises a treatment.
Pressure, diary and silence joined make exactly one picture in every combination;
its sentence says which facts it rests on and what is not known. The order inside
a lane is: expected days to a limit, then size of the break, then length of silence.
"""

from __future__ import annotations

import math
from datetime import date

import numpy as np

from service.domain import spoken
from service.domain.signals.diary import DiaryFindings
from service.domain.signals.facts import (
    Break,
    DiaryFacts,
    Fact,
    Forecast,
    JoinedPicture,
    LimitRun,
    Picture,
    PressureFacts,
    SilenceFacts,
)
from service.domain.signals.rules import IN_A_ROW
from service.domain.vocabulary import Lane, SafetySign, SignalKind

SIGNS = {
    SafetySign.BREATHLESS_AT_REST: "breathless at rest",
    SafetySign.CHEST_PAIN: "chest pain",
    SafetySign.FAINTING: "fainting",
    SafetySign.PINK_SPUTUM: "pink or foamy sputum",
    SafetySign.NEW_CONFUSION: "new confusion",
}
_SWELLING = ("none", "ankle", "shin", "knee or above")
STEADY = 0.05  # mmHg a day: below it a slope is not worth a number
WORTH_TELLING = 1.0  # mmHg between the reference and the recent usual
SURE = 1.28  # standard deviations either side: 80 %


def break_clause(pressure: PressureFacts) -> str:
    """`PA diastolic rising about 0.4 mmHg a day since 3 March, now about 22.1 mmHg (give or take 0.8) …`."""
    broken = pressure.broken
    if broken is None:
        return level_clause(pressure)
    return f"{pressure.of} {_course(broken, pressure.slope)} since {spoken.day(broken.began_on)}, now {_now(pressure)}"


def level_clause(pressure: PressureFacts) -> str:
    """`PA diastolic about 18.4 mmHg (give or take 0.7) against a reference of 18`."""
    if pressure.level is None:
        return "too few readings to say where the pressure is"
    return f"{pressure.of} {_now(pressure)}"


def limit_clause(pressure: PressureFacts, *, up: bool) -> str:
    """`PA diastolic about 26 mmHg (…) against a reference of 20: above the limit of 25 set for this patient`."""
    limit = pressure.limits.upper if up else pressure.limits.lower
    if limit is None:
        return level_clause(pressure)
    way = "above" if up else "below"
    if pressure.in_a_row is not None and pressure.in_a_row.up is up:
        return run_clause(pressure.in_a_row)
    return f"{level_clause(pressure)}: {way} the limit of {spoken.figure(limit)} mmHg set for this patient"


def run_clause(run: LimitRun) -> str:
    """`Above the limit: the last 3 readings of PA diastolic, since 3 March, were above the 25 mmHg set for …`."""
    way = "above" if run.up else "below"
    return (
        f"{way} the limit: the last {spoken.count(run.readings, 'reading')} of PA diastolic, since "
        f"{spoken.day(run.since)}, were {way} the {spoken.figure(run.limit)} mmHg set for this patient; "
        f"the last {IN_A_ROW} have a median of {spoken.figure(run.median)} mmHg"
    )


def forecast_clause(forecast: Forecast | None) -> str:
    """`likely to pass 25 mmHg in 5 to 9 days`; empty when nothing points at a limit."""
    if forecast is None or forecast.days is None:
        return ""
    limit = f"{spoken.figure(forecast.limit)} mmHg"
    verb = "pass" if forecast.up else "fall below"
    if forecast.days <= 0:
        return f"already {'above' if forecast.up else 'below'} the limit of {limit} set for this patient"
    low = max(1, round(forecast.low))
    if forecast.high is None:
        return f"may {verb} {limit} in {spoken.count(low, 'day')} or later"
    high = max(low, round(forecast.high))
    when = f"about {spoken.count(low, 'day')}" if high == low else f"{low} to {high} days"
    return f"likely to {verb} {limit} in {when}"


def _course(broken: Break, slope: float | None) -> str:
    way = 1.0 if broken.up else -1.0
    if broken.pace is not None and broken.pace * way >= STEADY and slope is not None and slope * way > 0:
        pace = spoken.figure(abs(broken.pace), 1 if abs(broken.pace) >= 0.1 else 2)
        return f"{'rising' if broken.up else 'falling'} about {pace} mmHg a day"
    return f"{'above' if broken.up else 'below'} its baseline"


def _now(pressure: PressureFacts) -> str:
    if pressure.level is None:
        return "not known"
    sure = f" (give or take {spoken.figure(SURE * pressure.level_sd)})" if pressure.level_sd is not None else ""
    text = f"about {spoken.figure(pressure.level)} mmHg{sure}"
    reference = pressure.reference
    if reference is None:
        return f"{text}, no reference yet"
    kind = "the reference of" if reference.is_set else "the first fortnight's mean of"
    text = f"{text} against {kind} {spoken.figure(reference.value)}"
    if pressure.usual is not None and abs(pressure.usual - reference.value) >= WORTH_TELLING:
        text += f" and about {spoken.figure(pressure.usual)} in recent weeks"
    return text


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


def signal_sentence(
    kind: SignalKind, pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date
) -> tuple[str, dict[str, Fact]]:
    """The sentence of a signal told today, and the facts it rests on."""
    joined = joined_picture(pressure, diary, silence, today)
    facts = dict(joined.facts) | {"picture": joined.picture.value}
    match kind:
        case SignalKind.ABOVE_LIMIT | SignalKind.BELOW_LIMIT:
            sentence = spoken.sentence(limit_clause(pressure, up=kind is SignalKind.ABOVE_LIMIT))
            if (run := pressure.in_a_row) is not None:
                facts |= {"limit": run.limit, "readings": run.readings, "median": run.median}
        case SignalKind.WEIGHT_GAIN | SignalKind.WEIGHT_LOSS:
            clause = diary.weight_gain if kind is SignalKind.WEIGHT_GAIN else diary.weight_loss
            sentence = spoken.sentence(f"{clause or 'weight changed'}; {_about(pressure)}")
        case _:
            sentence = joined.sentence
    return sentence, facts


def _about(pressure: PressureFacts) -> str:
    if pressure.broken is not None:
        return f"pressure {'up' if pressure.rising else 'down'} as well"
    if pressure.level is None:
        return level_clause(pressure)
    return f"no break in pressure: {level_clause(pressure)}"


def worse_clauses(judged: DiaryFindings, patient: int) -> list[str]:
    found = judged.symptoms
    told = []
    if found.breathless[patient]:
        usual, now = found.breath_usual[patient], found.breath[patient]
        told.append(f"more breathless (usual {spoken.figure(float(usual), 0)}, now {spoken.figure(float(now), 0)})")
    if found.more_pillows[patient]:
        told.append(f"{spoken.count(int(found.pillows[patient]), 'more pillow')} than usual")
    if found.woken[patient]:
        told.append(f"woken by breathlessness on {spoken.count(int(found.nights_woken[patient]), 'night')} of 7")
    if found.more_swelling[patient]:
        told.append(f"swelling up to the {_SWELLING[round(float(found.swelling[patient]))]}")
    if told and found.more_tired[patient]:
        told.append("more tired than usual")
    return told


def light_headed_clause(judged: DiaryFindings, patient: int) -> str:
    if not judged.symptoms.light_headed[patient]:
        return ""
    return f"light-headed on {spoken.count(int(judged.symptoms.days_light_headed[patient]), 'day')} of 7"


def weight_clause(judged: DiaryFindings, patient: int, *, up: bool) -> str:
    found = judged.weight
    if not (found.gain if up else found.loss)[patient]:
        return ""
    way = 1.0 if up else -1.0
    spans = (
        (found.in_3_days, "from about 3 days ago"),
        (found.in_week, "from about a week ago"),
        (found.in_fortnight, "in 14 days by the trend of all weighings"),
        (found.over_dry, f"{'over' if up else 'under'} the dry weight set for this patient"),
    )
    changes = [(way * float(change[patient]), words) for change, words in spans if not np.isnan(change[patient])]
    if not changes:
        return ""
    size, words = max(changes)
    return f"weight {'up' if up else 'down'} {spoken.figure(size)} kg {words}"
