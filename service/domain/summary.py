"""What the panel shows of one patient, small enough to be carried forward.

Promises that a summary is made from the joined days and the judgement of the
trend alone, that it survives JSON unchanged, and that a day without a reading
stays visibly empty in it. Does not decide lanes: that is `domain.review`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

from service.domain import spoken
from service.domain.days import Day
from service.domain.review_facts import Adherence, PauseNow, Raised, SilenceNow
from service.domain.signals_facts import Picture
from service.domain.vocabulary import Lane, Response, Swelling, WindowState

STRIP_DAYS = 30
# One letter a day, so that a strip is 30 numbers and 30 letters.
RECEIVED, MISSED, DIARY_ONLY, EXCUSED, WAITING, NOTHING = "r", "m", "d", "e", "w", "-"


@dataclass(frozen=True, slots=True)
class Strip:
    """The last days' diastolic pressures (mmHg, None where there is none) and what became of each day."""

    first_day: date
    values: tuple[float | None, ...]
    marks: str

    def sentence(self) -> str:
        """The strip in words, for whoever cannot see it."""
        known = [value for value in self.values if value is not None]
        if not known:
            return f"No reading in {spoken.count(len(self.values), 'day')}."
        last = next(index for index in range(len(self.values) - 1, -1, -1) if self.values[index] is not None)
        gaps = self.marks.count(MISSED) + self.marks.count(DIARY_ONLY)
        return (
            f"PA diastolic over {spoken.count(len(self.values), 'day')}: {spoken.figure(min(known))} to "
            f"{spoken.figure(max(known))} mmHg on {spoken.count(len(known), 'day')}, last "
            f"{spoken.figure(known[-1])} on {spoken.day(self.first_day + timedelta(days=last))}; "
            f"{spoken.count(gaps, 'day')} without an expected reading."
        )


@dataclass(frozen=True, slots=True)
class WeightChange:
    """Newest weight against the median of about a week before, kg."""

    now_kg: float
    change_kg: float
    on: date


@dataclass(frozen=True, slots=True)
class Judged:
    """What the trend makes of the pressures and the diary, mmHg."""

    level: float | None = None
    level_sd: float | None = None
    pace: float | None = None  # mmHg a day that a forecast goes by, while there is a break
    pace_sd: float | None = None
    reference: float | None = None
    reference_is_set: bool = False
    days_to_limit: float | None = None
    signals: tuple[Raised, ...] = ()  # that hold now
    picture: Picture | None = None  # pressure, diary and silence together
    lane: Lane | None = None  # that the picture calls for
    sentence: str = ""
    size: float = 0.0  # of the break from baseline, signed
    response: Response | None = None  # to the newest adjustment
    response_sentence: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """One patient's row of the panel, as of `today` (the patient's own date)."""

    today: date
    strip: Strip
    adherence: Adherence
    judged: Judged
    upper: float | None
    lower: float | None
    last_reading_on: date | None
    last_diary_on: date | None
    weight: WeightChange | None
    symptoms: str
    silence: SilenceNow | None
    pause: PauseNow | None
    has_plan: bool
    silent_days: int | None
    trouble: bool = False  # this patient's data could not be worked out


def adherence(days: Sequence[Day]) -> Adherence:
    """Readings received ÷ expected. Excused days are out of both; a window still open counts once answered."""
    received = expected = excused = 0
    for day in days:
        if not day.wants_reading or day.window is None:
            continue
        if day.window is WindowState.EXCUSED:
            excused += 1
        elif day.got_reading:
            received += 1
            expected += 1
        elif day.window is not WindowState.OPEN:
            expected += 1
    return Adherence(received, expected, excused)


def strip(days: Sequence[Day]) -> Strip:
    """The newest `STRIP_DAYS` of the joined days."""
    newest = days[-STRIP_DAYS:]
    return Strip(newest[0].day, tuple(day.pa_diastolic for day in newest), "".join(_mark(day) for day in newest))


def weight_change(days: Sequence[Day]) -> WeightChange | None:
    """The newest weight of the last three days against the median of 5 to 9 days before it.

    A median of several days, because one weighing in clothes is not a change.
    """
    weighed = {day.day: day.weight_kg for day in days if day.weight_kg is not None}
    if not weighed:
        return None
    newest = max(weighed)
    before = [kg for on, kg in weighed.items() if 5 <= (newest - on).days <= 9]
    if not before or (days[-1].day - newest).days > 2:
        return None
    return WeightChange(weighed[newest], weighed[newest] - median(before), newest)


def symptom_change(days: Sequence[Day]) -> str:
    """What of the last 7 days' diary differs from the days before, in words; empty when nothing does."""
    week = [day for day in days[-7:] if day.checkin]
    before = [day for day in days[:-7] if day.checkin]
    told = []
    now = [day.breathlessness for day in week if day.breathlessness is not None]
    then = [day.breathlessness for day in before if day.breathlessness is not None]
    if now and then and abs(median(now) - median(then)) >= 1:
        more = "more" if median(now) > median(then) else "less"
        told.append(f"{more} breathless ({spoken.figure(median(then), 0)} → {spoken.figure(median(now), 0)})")
    if (pillows := max((day.extra_pillows or 0 for day in week), default=0)) > 0:
        told.append(f"+{spoken.count(pillows, 'pillow')}")
    if nights := sum(day.woke_breathless is True for day in week):
        told.append(f"woken breathless {spoken.count(nights, 'night')}")
    if (worst := _worst_swelling(week)) is not None and worst is not _worst_swelling(before[-7:]):
        told.append(f"swelling to the {worst.value}")
    if light := sum(day.light_headed is True for day in week):
        told.append(f"light-headed {spoken.count(light, 'day')}")
    if missed := sum(day.missed_medicines is True for day in week):
        told.append(f"medicines missed {spoken.count(missed, 'day')}")
    return ", ".join(told)


def _worst_swelling(days: Sequence[Day]) -> Swelling | None:
    ranks = [Swelling.NONE, Swelling.ANKLE, Swelling.SHIN, Swelling.KNEE]
    seen = [day.swelling for day in days if day.swelling not in {None, Swelling.NONE}]
    return max((swelling for swelling in seen if swelling is not None), key=ranks.index, default=None)


def _mark(day: Day) -> str:
    if day.readings:
        return RECEIVED
    if day.pause is not None or day.window is WindowState.EXCUSED:
        return EXCUSED
    if day.window is WindowState.OPEN:
        return WAITING
    if day.wants_reading and day.window is not None:
        return DIARY_ONLY if day.checkin else MISSED
    return NOTHING
