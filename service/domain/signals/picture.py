"""Pressure, diary and silence joined into one picture, and the lane that it calls for.

Promises that every combination has exactly one picture, and that *settled* is said only
where pressures, and the diary where one is expected, were compared and are unchanged:
absence of a signal is never told as absence of the thing.
"""

from __future__ import annotations

from datetime import date

from service.domain.signals.diary import STRONG_TOGETHER
from service.domain.signals.facts import (
    AfterStay,
    DiaryFacts,
    Episode,
    Picture,
    PictureFacts,
    PressureFacts,
    SilenceFacts,
)
from service.domain.signals.jumps import LAST
from service.domain.vocabulary import Knowledge, Lane, SignalKind

# Days ahead within which the next weekly review would come too late.
BEFORE_NEXT_REVIEW = 7
NEARLY_DAILY = 5  # diaries planned a week

# Of the last so many days, how many must have been compared and unchanged before "settled" is said.
# This service's own counts; no source prescribes them.
DAYS_NEEDED = {7: 4, 14: 3}

LANES: dict[Picture, Lane] = {
    Picture.SAFETY_ANSWER: Lane.CALL_TODAY,
    Picture.JUMP_GOES_ON: Lane.CALL_TODAY,
    Picture.UP_AND_WORSE: Lane.CALL_TODAY,
    Picture.SILENT_WHILE_RISING: Lane.CALL_TODAY,
    Picture.DOWN_AND_LIGHT_HEADED: Lane.CALL_TODAY,
    Picture.SILENT_AND_UNWELL: Lane.CALL_TODAY,
    Picture.JUMP: Lane.LOOK_CLOSELY,
    Picture.UP_AND_WELL: Lane.LOOK_CLOSELY,
    Picture.UP_AND_LIGHTER: Lane.LOOK_CLOSELY,
    Picture.WORSE_WITH_FLAT_PRESSURE: Lane.LOOK_CLOSELY,
    Picture.HIGH_STEADY: Lane.LOOK_CLOSELY,
    Picture.DOWN: Lane.LOOK_CLOSELY,
    Picture.WORSE_WITHOUT_PRESSURE: Lane.LOOK_CLOSELY,
    Picture.TRAVELLING: Lane.LOOK_CLOSELY,
    Picture.COMING_DOWN: Lane.LOOK_CLOSELY,
    Picture.LIGHT_HEADED: Lane.LOOK_CLOSELY,
    Picture.CHANGED: Lane.LOOK_CLOSELY,
    Picture.STARTING: Lane.LOOK_CLOSELY,
    Picture.SILENT: Lane.NOT_HEARD_FROM,
    Picture.TOO_LITTLE: Lane.NOT_HEARD_FROM,
    Picture.UNCOMPARED: Lane.LOOK_CLOSELY,
    Picture.QUIET: Lane.SETTLED,
}


def joined_picture(
    pressure: PressureFacts,
    diary: DiaryFacts,
    silence: SilenceFacts,
    today: date,
    starting: date | None = None,
    after_stay: AfterStay | None = None,
) -> PictureFacts:
    """The one picture these facts make on `today`; `starting` is a new patient's enrolment."""
    picture = _found(pressure, diary, silence, today) or _nothing_found(pressure, diary, silence, starting)
    return PictureFacts(picture, today, pressure, diary, silence, starting, after_stay)


def lane_of(facts: PictureFacts) -> Lane:
    """The lane that a picture calls for. A limit already passed, or reached before the next weekly
    review, moves "pressure up and well" to *Call today*; so do two strong answers at once, and weight
    that is up while a symptom is worse."""
    lane = LANES[facts.picture]
    forecast = facts.pressure.forecast
    soon = forecast.days if forecast else None
    if _passed(facts) or (soon is not None and lane is Lane.LOOK_CLOSELY and soon <= BEFORE_NEXT_REVIEW):
        return Lane.CALL_TODAY
    # A gain of weight beside any symptom that is worse: a convention of ours, no source.
    if facts.diary.at_once >= STRONG_TOGETHER or (facts.diary.weight_gain and facts.diary.worse):
        return Lane.CALL_TODAY
    if facts.picture is Picture.STARTING and facts.silence.missed and not _anything_came(facts):
        return Lane.NOT_HEARD_FROM
    return lane


def _passed(facts: PictureFacts) -> bool:
    forecast = facts.pressure.forecast
    return forecast is not None and forecast.days <= 0 and facts.picture is not Picture.SILENT


def name_of(because: PictureFacts | Episode) -> str:
    """The name under which it is a reason: the signal's or the picture's; the limit's, where only that one calls."""
    if isinstance(because, Episode):
        return because.kind.value
    forecast = because.pressure.forecast
    if forecast is not None and _passed(because) and LANES[because.picture] is not Lane.CALL_TODAY:
        return (SignalKind.ABOVE_LIMIT if forecast.up else SignalKind.BELOW_LIMIT).value
    return because.picture.value


def is_compared_beside(facts: PictureFacts) -> bool:
    """Whether enough came, and the diary is compared and unchanged, so that a known level may rest."""
    pressure, diary = facts.pressure, facts.diary
    if facts.starting is not None or facts.silence.silent:
        return False
    if diary.weighed.knowledge is Knowledge.CHANGED or pressure.heart_moved:
        return False
    is_heard = pressure.compared.heard >= DAYS_NEEDED[pressure.compared.of]
    return is_heard and (not diary.asked or diary.compared.knowledge is Knowledge.UNCHANGED)


def _found(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, today: date) -> Picture | None:
    if diary.safety:
        return Picture.SAFETY_ANSWER
    if pressure.jump is not None:
        # Until it is known which it is, the level is no ground for any other picture.
        beside = diary.unwell or diary.light_headed or diary.weight_loss or silence.missed >= 2
        return Picture.JUMP_GOES_ON if pressure.jump.readings >= LAST or beside else Picture.JUMP
    # A level that has been high for weeks is up, whether or not it still counts as risen.
    if (pressure.rising or pressure.high) and diary.unwell:
        return Picture.UP_AND_WORSE
    if pressure.rising and not pressure.high and silence.missed >= 2:
        return Picture.SILENT_WHILE_RISING
    if (pressure.falling or pressure.coming_down) and (diary.light_headed or diary.weight_loss):
        return Picture.DOWN_AND_LIGHT_HEADED
    if diary.unwell and (silence.silent or _diary_fell_silent(diary, silence, today)):
        return Picture.SILENT_AND_UNWELL
    if pressure.high:
        return Picture.HIGH_STEADY
    if pressure.rising:
        return Picture.UP_AND_LIGHTER if diary.weight_loss else Picture.UP_AND_WELL
    if pressure.falling:
        return Picture.DOWN
    if diary.unwell:
        known = pressure.level is not None and pressure.has_baseline
        return Picture.WORSE_WITH_FLAT_PRESSURE if known else Picture.WORSE_WITHOUT_PRESSURE
    return Picture.LIGHT_HEADED if diary.light_headed else None


def _nothing_found(pressure: PressureFacts, diary: DiaryFacts, silence: SilenceFacts, starting: date | None) -> Picture:
    """What can be said where nothing calls for attention in what came."""
    if starting is not None:
        return Picture.STARTING
    if silence.silent:
        return Picture.SILENT
    # A fall from a raised start is what treatment wants: it is told as such, and is no reason in itself.
    falls = pressure.coming_down is not None
    moved = pressure.compared.knowledge is Knowledge.CHANGED and not falls
    if moved or pressure.heart_moved or Knowledge.CHANGED in {diary.compared.knowledge, diary.weighed.knowledge}:
        return Picture.CHANGED
    if pressure.travelling:
        return Picture.TRAVELLING
    needed = DAYS_NEEDED[pressure.compared.of]
    if pressure.compared.heard < needed or (diary.asked and not diary.compared.heard):
        return Picture.TOO_LITTLE
    compared = not diary.asked or diary.compared.knowledge is Knowledge.UNCHANGED
    if falls and compared:
        return Picture.COMING_DOWN
    still = pressure.compared.knowledge is Knowledge.UNCHANGED and pressure.compared.days >= needed
    return Picture.QUIET if compared and still else Picture.UNCOMPARED


def _diary_fell_silent(diary: DiaryFacts, silence: SilenceFacts, today: date) -> bool:
    """Whether expected diaries have stopped: by the days that make a silence, where one is asked nearly daily."""
    if not diary.asked or diary.last_on is None:
        return False
    patience = silence.silent_days if diary.asked >= NEARLY_DAILY else diary.compared.of
    return (today - diary.last_on).days >= max(patience, 1)


def _anything_came(facts: PictureFacts) -> bool:
    return facts.pressure.last_reading_on is not None or facts.diary.last_on is not None
