"""Signals, pictures and responses in words for staff.

Promises clauses that state a fact with its uncertainty and its date, and nothing else: none says that
all is well, none advises a treatment. The sentence of a picture says which facts it rests on and what
is not known.
"""

from __future__ import annotations

from service.domain.signals.facts import (
    Break,
    DiaryFacts,
    Forecast,
    LimitRun,
    Picture,
    PictureFacts,
    PressureFacts,
    ResponseFacts,
    SilenceFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
)
from service.domain.trend.response import WITHIN
from service.domain.vocabulary import Response, SignalKind, Swelling
from service.words.labels import label
from service.words.language import Language, sentence

STEADY = 0.05  # mmHg a day: below it a slope is not worth a number
WORTH_TELLING = 1.0  # mmHg between the reference and the recent usual
SURE = 1.28  # standard deviations either side: 80 %
_HEIGHTS = tuple(Swelling)  # by rank, from none


def signal(say: Language, kind: SignalKind, facts: PictureFacts) -> str:
    """The sentence of a signal, from the facts of the day it was raised."""
    pressure = facts.pressure
    match kind:
        case SignalKind.ABOVE_LIMIT | SignalKind.BELOW_LIMIT:
            return sentence(limit_clause(say, pressure, up=kind is SignalKind.ABOVE_LIMIT))
        case SignalKind.WEIGHT_GAIN | SignalKind.WEIGHT_LOSS:
            moved = facts.diary.weight_gain if kind is SignalKind.WEIGHT_GAIN else facts.diary.weight_loss
            clause = weight_clause(say, moved) if moved else say.gettext("weight changed")
            return sentence(f"{clause}; {_pressure_beside(say, pressure)}")
        case _:
            return picture(say, facts)


def picture(say: Language, facts: PictureFacts) -> str:
    """The one sentence of pressure, diary and silence together."""
    pressure, diary = facts.pressure, facts.diary
    moved, level, heard = _moved(say, pressure), level_clause(say, pressure), heard_clause(say, facts)
    worse = say.listed(_worse(say, diary)) or light_headed_clause(say, diary)
    silent = silent_clause(say, facts.silence, pressure)
    words = {"moved": moved, "level": level, "heard": heard, "worse": worse, "silent": silent}
    match facts.picture:
        case Picture.SAFETY_ANSWER:
            signs = say.listed([label(say, sign) for sign in diary.safety])
            now = moved if pressure.broken else level
            text = say.gettext("The diary reports %(signs)s; %(pressure)s", signs=signs, pressure=now)
        case Picture.UP_AND_WORSE if diary.worse:
            text = say.gettext("Pressure up and feeling worse: %(moved)s; %(worse)s", **words)
        case Picture.UP_AND_WORSE:
            text = say.gettext("Pressure up and weight up: %(moved)s; %(worse)s", **words)
        case Picture.SILENT_WHILE_RISING:
            text = say.gettext("Silent while rising: %(silent)s; before that, %(moved)s", **words)
        case Picture.DOWN_AND_LIGHT_HEADED:
            loss = [weight_clause(say, diary.weight_loss)] if diary.weight_loss else []
            light = [light_headed_clause(say, diary)] if diary.light_headed else []
            signs = say.listed([*light, *loss])
            text = say.gettext("Pressure down with signs of dryness: %(moved)s; %(signs)s", moved=moved, signs=signs)
        case Picture.SILENT_AND_UNWELL:
            text = say.gettext("Silent and unwell: %(silent)s; %(worse)s", **words)
        case Picture.UP_AND_WELL if diary.answered:
            text = say.gettext("Pressure up, diary without change: %(moved)s; %(heard)s", **words)
        case Picture.UP_AND_WELL:
            text = say.gettext("Pressure up: %(moved)s; %(heard)s", **words)
        case Picture.WORSE_WITH_FLAT_PRESSURE if diary.worse or diary.light_headed:
            text = say.gettext(
                "Feeling worse without a rise in pressure, look for another cause: %(worse)s; %(level)s", **words
            )
        case Picture.WORSE_WITH_FLAT_PRESSURE:
            text = say.gettext(
                "Weight up without a rise in pressure, look for another cause: %(worse)s; %(level)s", **words
            )
        case Picture.WORSE_WITHOUT_PRESSURE if diary.worse or diary.light_headed:
            text = say.gettext("Feeling worse: %(worse)s; too few readings to judge the pressure", **words)
        case Picture.WORSE_WITHOUT_PRESSURE:
            text = say.gettext("Weight up: %(worse)s; too few readings to judge the pressure", **words)
        case Picture.DOWN:
            text = say.gettext("Pressure down: %(moved)s; %(diary)s", moved=moved, diary=worse or heard)
        case Picture.SILENT:
            text = f"{silent}; {level}"
        case Picture.QUIET:
            text = say.gettext("No signal in what was received: %(level)s; %(heard)s", **words)
    return sentence(text)


def response(say: Language, facts: ResponseFacts) -> str:
    """What the pressures did after an adjustment; says nothing of cause: other things change on the same days."""
    change = say.gettext("the change of %(day)s", day=say.day(facts.adjustment.made_on))
    if facts.response is Response.TOO_FEW_READINGS or facts.before is None or facts.after is None:
        days = say.ngettext("%(num)d day", "%(num)d days", facts.readings_after)
        return say.gettext(
            "Too few readings since %(change)s to tell (%(days)s with a reading).", change=change, days=days
        )
    moved = say.gettext(
        "about %(before)s mmHg before it, %(now)s now", before=say.figure(facts.before), now=say.figure(facts.after)
    )
    match facts.response:
        case Response.SETTLED:
            margin, taken = say.figure(WITHIN), facts.days_to_reference
            if taken is None:
                return say.gettext(
                    "Settled since %(change)s: %(moved)s, within %(margin)s mmHg of the reference.",
                    change=change,
                    moved=moved,
                    margin=margin,
                )
            return say.gettext(
                "Settled since %(change)s: %(moved)s, within %(margin)s mmHg of the reference after %(days)s.",
                change=change,
                moved=moved,
                margin=margin,
                days=say.ngettext("%(num)d day", "%(num)d days", taken),
            )
        case Response.SETTLING:
            return say.gettext(
                "Settling since %(change)s: %(moved)s, not yet back at the reference.", change=change, moved=moved
            )
        case _:
            return say.gettext("Not settling since %(change)s: %(moved)s.", change=change, moved=moved)


# --- clauses of the pressure -----------------------------------------------------------


def break_clause(say: Language, pressure: PressureFacts) -> str:
    """`PA diastolic rising about 0.4 mmHg a day since 3 March, now about 22.1 mmHg (give or take 0.8) …`."""
    broken = pressure.broken
    if broken is None:
        return level_clause(say, pressure)
    return say.gettext(
        "%(name)s %(course)s since %(day)s, now %(level)s",
        name=label(say, pressure.of),
        course=_course(say, broken, pressure.slope),
        day=say.day(broken.began_on),
        level=_now(say, pressure),
    )


def level_clause(say: Language, pressure: PressureFacts) -> str:
    """`PA diastolic about 18.4 mmHg (give or take 0.7) against the reference of 18`."""
    if pressure.level is None:
        return say.gettext("too few readings to say where the pressure is")
    return f"{label(say, pressure.of)} {_now(say, pressure)}"


def limit_clause(say: Language, pressure: PressureFacts, *, up: bool) -> str:
    """`PA diastolic about 26 mmHg (…) against the reference of 20: above the limit of 25 mmHg set for this patient`."""
    limit = pressure.limits.upper if up else pressure.limits.lower
    level = level_clause(say, pressure)
    if limit is None:
        return level
    if pressure.in_a_row is not None and pressure.in_a_row.up is up:
        return run_clause(say, pressure.in_a_row)
    if up:
        return say.gettext(
            "%(level)s: above the limit of %(limit)s mmHg set for this patient", level=level, limit=say.figure(limit)
        )
    return say.gettext(
        "%(level)s: below the limit of %(limit)s mmHg set for this patient", level=level, limit=say.figure(limit)
    )


def forecast_clause(say: Language, forecast: Forecast | None) -> str:
    """`likely to pass 25 mmHg in 5 to 9 days`; empty when nothing points at a limit."""
    if forecast is None or forecast.days is None:
        return ""
    limit = say.figure(forecast.limit)
    if forecast.days <= 0:
        if forecast.up:
            return say.gettext("already above the limit of %(limit)s mmHg set for this patient", limit=limit)
        return say.gettext("already below the limit of %(limit)s mmHg set for this patient", limit=limit)
    low = max(1, round(forecast.low))
    days = say.ngettext("%(num)d day", "%(num)d days", low)
    if forecast.high is None:
        if forecast.up:
            return say.gettext("may pass %(limit)s mmHg in %(days)s or later", limit=limit, days=days)
        return say.gettext("may fall below %(limit)s mmHg in %(days)s or later", limit=limit, days=days)
    high = max(low, round(forecast.high))
    when = say.gettext("about %(days)s", days=days)
    if high != low:
        when = say.gettext("%(low)d to %(high)d days", low=low, high=high)
    if forecast.up:
        return say.gettext("likely to pass %(limit)s mmHg in %(when)s", limit=limit, when=when)
    return say.gettext("likely to fall below %(limit)s mmHg in %(when)s", limit=limit, when=when)


def _moved(say: Language, pressure: PressureFacts) -> str:
    clause, ahead = break_clause(say, pressure), forecast_clause(say, pressure.forecast)
    return f"{clause}; {ahead}" if ahead else clause


def _course(say: Language, broken: Break, slope: float | None) -> str:
    way = 1.0 if broken.up else -1.0
    if broken.pace is not None and broken.pace * way >= STEADY and slope is not None and slope * way > 0:
        pace = say.figure(abs(broken.pace), 1 if abs(broken.pace) >= 0.1 else 2)
        if broken.up:
            return say.gettext("rising about %(pace)s mmHg a day", pace=pace)
        return say.gettext("falling about %(pace)s mmHg a day", pace=pace)
    return say.gettext("above its baseline") if broken.up else say.gettext("below its baseline")


def _now(say: Language, pressure: PressureFacts) -> str:
    if pressure.level is None:
        return say.gettext("not known")
    text = say.gettext("about %(level)s mmHg", level=say.figure(pressure.level))
    if pressure.level_sd is not None:
        text += " " + say.gettext("(give or take %(spread)s)", spread=say.figure(SURE * pressure.level_sd))
    reference = pressure.reference
    if reference is None:
        return say.gettext("%(level)s, no reference yet", level=text)
    value = say.figure(reference.value)
    if reference.is_set:
        text = say.gettext("%(level)s against the reference of %(value)s", level=text, value=value)
    else:
        text = say.gettext("%(level)s against the first fortnight's mean of %(value)s", level=text, value=value)
    if pressure.usual is not None and abs(pressure.usual - reference.value) >= WORTH_TELLING:
        return say.gettext(
            "%(level)s and about %(usual)s in recent weeks", level=text, usual=say.figure(pressure.usual)
        )
    return text


def _pressure_beside(say: Language, pressure: PressureFacts) -> str:
    """What the pressure does while the weight changes."""
    if pressure.broken is not None:
        return say.gettext("pressure up as well") if pressure.rising else say.gettext("pressure down as well")
    if pressure.level is None:
        return level_clause(say, pressure)
    return say.gettext("no break in pressure: %(level)s", level=level_clause(say, pressure))


def run_clause(say: Language, run: LimitRun) -> str:
    """`above the limit: the last 3 readings of PA diastolic, since 3 March, were above the 25 mmHg set for …`."""
    words = {
        "readings": say.ngettext("%(num)d reading", "%(num)d readings", run.readings),
        "day": say.day(run.since),
        "limit": say.figure(run.limit),
        "newest": run.newest,
        "median": say.figure(run.median),
    }
    if run.up:
        return say.gettext(
            "above the limit: the last %(readings)s of PA diastolic, since %(day)s, were above the %(limit)s mmHg "
            "set for this patient; the last %(newest)d have a median of %(median)s mmHg",
            **words,
        )
    return say.gettext(
        "below the limit: the last %(readings)s of PA diastolic, since %(day)s, were below the %(limit)s mmHg "
        "set for this patient; the last %(newest)d have a median of %(median)s mmHg",
        **words,
    )


# --- clauses of the diary and of silence ------------------------------------------------


def heard_clause(say: Language, facts: PictureFacts) -> str:
    """What the diary adds when it reports no change, or that nobody knows."""
    diary = facts.diary
    if diary.answered:
        return say.gettext(
            "diary on %(answered)d of the last 7 days, no change from the usual reported", answered=diary.answered
        )
    if diary.last_on is not None:
        days = say.ngettext("%(num)d day", "%(num)d days", (facts.today - diary.last_on).days)
        return say.gettext("no diary for %(days)s, so how they feel is not known", days=days)
    return say.gettext("no diary, so how they feel is not known")


def silent_clause(say: Language, silence: SilenceFacts, pressure: PressureFacts) -> str:
    """`no reading for 4 planned days (last on 20 November)`."""
    if silence.missed == 0:
        return say.gettext("no reading expected was missed")
    text = say.ngettext("no reading for %(num)d planned day", "no reading for %(num)d planned days", silence.missed)
    if pressure.last_reading_on:
        return say.gettext("%(silent)s (last on %(day)s)", silent=text, day=say.day(pressure.last_reading_on))
    return text


def _worse(say: Language, diary: DiaryFacts) -> list[str]:
    gain = [weight_clause(say, diary.weight_gain)] if diary.weight_gain else []
    return [*(symptom_clause(say, change) for change in diary.worse), *gain]


def symptom_clause(say: Language, change: SymptomChange) -> str:
    """`woken by breathlessness on 2 nights of 7`."""
    match change.symptom:
        case Symptom.BREATHLESS:
            return say.gettext(
                "more breathless (usual %(usual)s, now %(now)s)",
                usual=say.figure(change.usual or 0.0, 0),
                now=say.figure(change.now, 0),
            )
        case Symptom.PILLOWS:
            return say.ngettext("%(num)d more pillow than usual", "%(num)d more pillows than usual", int(change.now))
        case Symptom.WOKEN:
            return say.ngettext(
                "woken by breathlessness on %(num)d night of 7",
                "woken by breathlessness on %(num)d nights of 7",
                int(change.now),
            )
        case Symptom.SWELLING:
            return say.gettext(
                "swelling up to the %(place)s", place=label(say, _HEIGHTS[min(round(change.now), len(_HEIGHTS) - 1)])
            )
        case Symptom.TIRED:
            return say.gettext("more tired than usual")


def light_headed_clause(say: Language, diary: DiaryFacts) -> str:
    """`light-headed on 3 days of 7`; empty when it was not reported more than usual."""
    if not diary.light_headed:
        return ""
    return say.ngettext("light-headed on %(num)d day of 7", "light-headed on %(num)d days of 7", diary.light_headed)


def weight_clause(say: Language, moved: WeightChange) -> str:
    """`weight up 1.6 kg from about a week ago`."""
    spans = {
        WeightSpan.DAYS_3: say.gettext("from about 3 days ago"),
        WeightSpan.WEEK: say.gettext("from about a week ago"),
        WeightSpan.FORTNIGHT: say.gettext("in 14 days by the trend of all weighings"),
        WeightSpan.OVER_DRY: say.gettext("over the dry weight set for this patient"),
        WeightSpan.UNDER_DRY: say.gettext("under the dry weight set for this patient"),
    }
    words = {"kg": say.figure(abs(moved.kg)), "span": spans[moved.span]}
    if moved.kg > 0:
        return say.gettext("weight up %(kg)s kg %(span)s", **words)
    return say.gettext("weight down %(kg)s kg %(span)s", **words)
