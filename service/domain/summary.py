"""What the panel shows of one patient, small enough to be carried forward, in and out of JSON.

Promises that a summary is made from the joined days and the judgement of the
trend alone, that it survives JSON unchanged to the tenth of a mmHg that a sensor
gives, and that a day without a reading stays visibly empty in it. A record of
another layout is refused, never guessed at. Does not decide lanes: that is
`domain.review`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Any

from service.domain import spoken
from service.domain.days import Day
from service.domain.review import Adherence, PauseNow, Raised, SilenceNow
from service.domain.signals.facts import Picture
from service.domain.vocabulary import Lane, PauseCause, Response, SignalKind, SilenceCause, Swelling, WindowState

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
class TrendSummary:
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
    judged: TrendSummary
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


def as_json(known: Summary) -> dict[str, Any]:
    """Plain JSON; pressures to a tenth of a mmHg, as a sensor gives them."""
    judged = known.judged
    return {
        "today": known.today.isoformat(),
        "first": known.strip.first_day.isoformat(),
        "values": [None if value is None else round(value, 1) for value in known.strip.values],
        "marks": known.strip.marks,
        "received": [known.adherence.received, known.adherence.expected, known.adherence.excused],
        "level": _tenth(judged.level),
        "level_sd": _rounded(judged.level_sd, 3),
        "pace": _rounded(judged.pace, 3),
        "pace_sd": _rounded(judged.pace_sd, 3),
        "reference": _tenth(judged.reference),
        "reference_is_set": judged.reference_is_set,
        "days_to_limit": _tenth(judged.days_to_limit),
        "signals": [[signal.kind.value, signal.sentence, signal.since.isoformat()] for signal in judged.signals],
        "picture": [judged.picture, judged.lane, judged.sentence, round(judged.size, 2)],
        "response": None if judged.response is None else [judged.response.value, judged.response_sentence],
        "upper": known.upper,
        "lower": known.lower,
        "last_reading": _iso(known.last_reading_on),
        "last_diary": _iso(known.last_diary_on),
        "weight": None
        if known.weight is None
        else [known.weight.now_kg, round(known.weight.change_kg, 2), known.weight.on.isoformat()],
        "symptoms": known.symptoms,
        "silence": None
        if known.silence is None
        else [
            known.silence.first_day.isoformat(),
            known.silence.last_day.isoformat(),
            known.silence.missed,
            known.silence.cause.value,
        ],
        "pause": None
        if known.pause is None
        else [known.pause.cause.value, known.pause.from_day.isoformat(), _iso(known.pause.to_day)],
        "has_plan": known.has_plan,
        "silent_days": known.silent_days,
        "trouble": known.trouble,
    }


def from_json(told: Mapping[str, Any]) -> Summary:
    """The summary that `as_json` told of. Raises KeyError or ValueError for anything else."""
    response = told["response"]
    weight, silence, pause = told["weight"], told["silence"], told["pause"]
    return Summary(
        today=date.fromisoformat(told["today"]),
        strip=Strip(date.fromisoformat(told["first"]), tuple(told["values"]), told["marks"]),
        adherence=Adherence(*told["received"]),
        judged=TrendSummary(
            level=told["level"],
            level_sd=told["level_sd"],
            pace=told["pace"],
            pace_sd=told["pace_sd"],
            reference=told["reference"],
            reference_is_set=told["reference_is_set"],
            days_to_limit=told["days_to_limit"],
            signals=tuple(
                Raised(SignalKind(kind), sentence, date.fromisoformat(since))
                for kind, sentence, since in told["signals"]
            ),
            picture=None if told["picture"][0] is None else Picture(told["picture"][0]),
            lane=None if told["picture"][1] is None else Lane(told["picture"][1]),
            sentence=told["picture"][2],
            size=told["picture"][3],
            response=None if response is None else Response(response[0]),
            response_sentence="" if response is None else response[1],
        ),
        upper=told["upper"],
        lower=told["lower"],
        last_reading_on=_date(told["last_reading"]),
        last_diary_on=_date(told["last_diary"]),
        weight=None if weight is None else WeightChange(weight[0], weight[1], date.fromisoformat(weight[2])),
        symptoms=told["symptoms"],
        silence=None
        if silence is None
        else SilenceNow(
            date.fromisoformat(silence[0]), date.fromisoformat(silence[1]), silence[2], SilenceCause(silence[3])
        ),
        pause=None if pause is None else PauseNow(PauseCause(pause[0]), date.fromisoformat(pause[1]), _date(pause[2])),
        has_plan=told["has_plan"],
        silent_days=told["silent_days"],
        trouble=told["trouble"],
    )


def as_kept(known: Summary) -> Summary:
    """The summary as it will read once stored: what is compared, so that rounding is no difference."""
    return from_json(as_json(known))


def _tenth(value: float | None) -> float | None:
    return _rounded(value, 1)


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
