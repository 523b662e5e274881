"""Signals, pictures and responses in words for staff.

Promises clauses that state a fact with its uncertainty and its date, and nothing else: none says that
all is well, none advises a treatment. The sentence of a picture says which facts it rests on and what
is not known.
"""

from __future__ import annotations

from datetime import date

from service.domain.signals.facts import (
    EIGHTY,
    Break,
    ContextTag,
    High,
    Jump,
    LimitRun,
    Picture,
    PictureFacts,
    PressureFacts,
    ResponseFacts,
    SilenceFacts,
)
from service.domain.signals.picture import DAYS_NEEDED
from service.domain.trend.response import WITHIN
from service.domain.vocabulary import Knowledge, Response, SignalKind
from service.words.labels import label
from service.words.language import Language, sentence
from service.words.sentences import diary, record
from service.words.sentences.ahead import forecast_clause, past_clause

STEADY = 0.05  # mmHg a day: below it a slope is not worth a number
WORTH_TELLING = 1.0  # mmHg between the reference and the recent usual


def signal(say: Language, kind: SignalKind, facts: PictureFacts) -> str:
    """The sentence of a signal, from the facts of the day it was raised."""
    match kind:
        case SignalKind.ABOVE_LIMIT | SignalKind.BELOW_LIMIT:
            return sentence(limit_clause(say, facts, up=kind is SignalKind.ABOVE_LIMIT))
        case SignalKind.WEIGHT_GAIN | SignalKind.WEIGHT_LOSS:
            moved = facts.diary.weight_gain if kind is SignalKind.WEIGHT_GAIN else facts.diary.weight_loss
            clause = diary.weight_clause(say, moved) if moved else say.gettext("weight changed")
            return sentence(f"{clause}; {_pressure_beside(say, facts)}")
        case _:
            return picture(say, facts)


def picture(say: Language, facts: PictureFacts) -> str:
    """The one sentence of pressure, diary and silence together."""
    clauses = [_head(say, facts), *_beside(say, facts)]
    return sentence("; ".join(clause for clause in clauses if clause))


def _head(say: Language, facts: PictureFacts) -> str:
    """What the picture is called for."""
    pressure, told = facts.pressure, facts.diary
    worse = say.listed(diary.worse(say, told))
    words = {
        "moved": _moved(say, facts),
        "level": compared_clause(say, facts),
        "worse": worse,
        "silent": silent_clause(say, facts.silence, pressure),
        "light": diary.light_headed_clause(say, told),
    }
    match facts.picture:
        case Picture.SAFETY_ANSWER:
            signs = say.listed([label(say, sign) for sign in told.safety])
            now = words["moved"] if pressure.broken or pressure.jump or pressure.high else words["level"]
            return say.gettext("The diary reports %(signs)s; %(pressure)s", signs=signs, pressure=now)
        case Picture.JUMP | Picture.JUMP_GOES_ON:
            silent = words["silent"] if facts.silence.silent else ""
            return "; ".join(clause for clause in (words["moved"], silent) if clause)
        case Picture.UP_AND_WORSE if told.worse:
            return say.gettext("Pressure up and feeling worse: %(moved)s; %(worse)s", **words)
        case Picture.UP_AND_WORSE:
            return say.gettext("Pressure up and weight up: %(moved)s; %(worse)s", **words)
        case Picture.SILENT_WHILE_RISING:
            return say.gettext("Silent while rising: %(silent)s; before that, %(moved)s", **words)
        case Picture.DOWN_AND_LIGHT_HEADED:
            loss = diary.weight_clause(say, told.weight_loss) if told.weight_loss else ""
            signs = say.listed([clause for clause in (words["light"], loss) if clause])
            return say.gettext("Pressure down with signs of dryness: %(moved)s; %(signs)s", signs=signs, **words)
        case Picture.SILENT_AND_UNWELL if facts.silence.silent:
            return say.gettext("Silent and unwell: %(silent)s; %(worse)s", **words)
        case Picture.SILENT_AND_UNWELL:
            days = diary.no_diary_for(say, facts)
            return say.gettext("Unwell, and no diary since: %(days)s; %(worse)s; %(level)s", days=days, **words)
        case Picture.UP_AND_WELL if diary.is_unchanged(told):
            return say.gettext("Pressure up, diary unchanged: %(moved)s", **words)
        case Picture.UP_AND_WELL:
            return say.gettext("Pressure up: %(moved)s", **words)
        case Picture.UP_AND_LIGHTER if told.weight_loss:
            loss = diary.weight_clause(say, told.weight_loss)
            return say.gettext("Pressure up while weight is down: %(moved)s; %(loss)s", loss=loss, **words)
        case Picture.HIGH_STEADY:
            silent = words["silent"] if facts.silence.missed else ""
            return "; ".join(clause for clause in (words["moved"], silent) if clause)
        case Picture.DOWN:
            return say.gettext("Pressure down: %(moved)s", **words)
        case _:
            return _head_without_break(say, facts, words)


def _head_without_break(say: Language, facts: PictureFacts, words: dict[str, str]) -> str:
    match facts.picture:
        case Picture.WORSE_WITH_FLAT_PRESSURE | Picture.WORSE_WITHOUT_PRESSURE if facts.diary.worse:
            return say.gettext("Feeling worse: %(worse)s; %(level)s", **words)
        case Picture.WORSE_WITH_FLAT_PRESSURE | Picture.WORSE_WITHOUT_PRESSURE:
            return say.gettext("Weight up: %(worse)s; %(level)s", **words)
        case Picture.TRAVELLING:
            return say.gettext("Away from home, so the pressures are not compared: %(level)s", **words)
        case Picture.COMING_DOWN:
            return say.gettext("Pressure coming down: %(level)s", **words)
        case Picture.LIGHT_HEADED:
            return say.gettext("Light-headed: %(light)s; %(level)s", **words)
        case Picture.CHANGED:
            return say.gettext("Changed: %(what)s; %(level)s", what=_changed(say, facts), **words)
        case Picture.STARTING:
            return _starting(say, facts)
        case Picture.SILENT:
            return f"{words['silent']}; {words['level']}"
        case Picture.TOO_LITTLE:
            return say.gettext("Too little came to say how it is going: %(level)s", **words)
        case Picture.UNCOMPARED:
            return say.gettext("Not all of it can be compared: %(level)s", **words)
        case _:
            return words["level"]


# Pictures whose head has told the diary, all that is worse of it.
_TELLS_DIARY = frozenset({
    Picture.UP_AND_WORSE, Picture.SILENT_AND_UNWELL, Picture.WORSE_WITH_FLAT_PRESSURE, Picture.WORSE_WITHOUT_PRESSURE,
})  # fmt: skip
# Those whose head has told what changed in the diary, but not that it is unchanged or not known.
_TELLS_CHANGES = frozenset({Picture.DOWN_AND_LIGHT_HEADED, Picture.LIGHT_HEADED, Picture.CHANGED})


def silence_told(facts: PictureFacts) -> int | None:
    """How many missed readings its sentence tells of; None where it tells of none."""
    silent = facts.picture in {Picture.SILENT, Picture.SILENT_WHILE_RISING}
    silent = silent or (facts.picture is Picture.SILENT_AND_UNWELL and facts.silence.silent)
    return facts.silence.missed if silent else None


# Those where nobody else says that nothing was typed in for this patient.
_TELLS_UNSET = frozenset({Picture.HIGH_STEADY, Picture.COMING_DOWN, Picture.QUIET})


def _beside(say: Language, facts: PictureFacts) -> list[str]:
    """What else the diary said, or that it said too little, and whether medicines were missed."""
    told, clauses = facts.diary, []
    if facts.picture in _TELLS_DIARY:
        clauses.append(diary.light_headed_clause(say, told))
    elif facts.picture not in _TELLS_CHANGES or told.compared.knowledge is not Knowledge.CHANGED:
        clauses.append(diary.diary_clause(say, facts))
        clauses.append(diary.weight_clause(say, told.weight_gain) if told.weight_gain else "")
    clauses.append(diary.nights_clause(say, told))
    if facts.pressure.broken is not None or told.compared.knowledge is Knowledge.CHANGED or told.weight_gain:
        clauses.append(diary.medicines_clause(say, told))
    clauses.append(unset_clause(say, facts.pressure) if facts.picture in _TELLS_UNSET else "")
    clauses.append("" if facts.picture is Picture.CHANGED else _other_heart(say, facts))
    clauses += [context_clause(say, facts.pressure), record.after_stay(say, facts)]
    return clauses


def _changed(say: Language, facts: PictureFacts) -> str:
    told = facts.diary
    loss = diary.weight_clause(say, told.weight_loss) if told.weight_loss else ""
    eased = diary.eased_clause(say, told)
    beyond = ""
    if facts.pressure.compared.knowledge is Knowledge.CHANGED:
        beyond = say.gettext("the pressure is beyond a limit set for this patient")
    return say.listed([clause for clause in (beyond, eased, loss, _other_heart(say, facts)) if clause])


def _other_heart(say: Language, facts: PictureFacts) -> str:
    """Heart rate where it has changed, and the break of pressure does not name it."""
    pressure = facts.pressure
    named = pressure.broken is not None and pressure.broken.beside is not None and pressure.broken.beside.heart
    return heart_clause(say, pressure) if pressure.heart_compared is Knowledge.CHANGED and not named else ""


def _starting(say: Language, facts: PictureFacts) -> str:
    """A new patient: nothing can be settled yet, and nothing is held against them."""
    enrolled = facts.starting or facts.today
    return say.gettext(
        "Starting: day %(day)d since enrolment on %(enrolled)s; %(level)s",
        day=(facts.today - enrolled).days + 1,
        enrolled=say.day(enrolled),
        level=compared_clause(say, facts),
    )


def response(say: Language, facts: ResponseFacts) -> str:
    """What the pressures did after an adjustment; says nothing of cause: other things change on the same days."""
    change = say.gettext("the change of %(day)s", day=say.day(facts.adjustment.made_on))
    if facts.response is Response.TOO_FEW_READINGS or facts.before is None or facts.after is None:
        days = say.ngettext("%(num)d day", "%(num)d days", facts.readings_after)
        return say.gettext(
            "Too few readings since %(change)s to tell (%(days)s with a reading).", change=change, days=days
        )
    moved = say.gettext(
        "about %(before)s mmHg before it, last known %(now)s",
        before=say.figure(facts.before),
        now=say.figure(facts.after),
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
        case Response.OVERSHOT:
            return say.gettext("Overshot since %(change)s: %(moved)s, past the reference.", change=change, moved=moved)
        case _:
            return say.gettext("Not settling since %(change)s: %(moved)s.", change=change, moved=moved)


# --- clauses of the pressure -----------------------------------------------------------


def break_clause(say: Language, facts: PictureFacts) -> str:
    """`PA diastolic rising about 0.4 mmHg a day since 3 March, now about 22.1 mmHg (give or take 0.8) …`."""
    pressure = facts.pressure
    broken = pressure.broken
    if broken is None:
        return level_clause(say, facts)
    if broken.gap_from is not None and broken.gap_to is not None:
        return _in_gap(say, facts, broken.gap_from, broken.gap_to, up=broken.up)
    return say.gettext(
        "%(name)s %(course)s since %(day)s, %(level)s",
        name=label(say, pressure.of),
        course=_course(say, broken, pressure.slope),
        day=say.day(broken.began_on),
        level=_now(say, facts),
    )


def _in_gap(say: Language, facts: PictureFacts, first: date, last: date, *, up: bool) -> str:
    words = {
        "name": label(say, facts.pressure.of),
        "first": say.day(first),
        "last": say.day(last),
        "level": _now(say, facts),
    }
    if up:
        return say.gettext(
            "%(name)s rose somewhere between %(first)s and %(last)s, when nothing was read, %(level)s", **words
        )
    return say.gettext(
        "%(name)s fell somewhere between %(first)s and %(last)s, when nothing was read, %(level)s", **words
    )


def level_clause(say: Language, facts: PictureFacts) -> str:
    """`PA diastolic about 18.4 mmHg (give or take 0.7) against the reference of 18`."""
    pressure = facts.pressure
    if pressure.level is None:
        return say.gettext("too few readings to say where the pressure is")
    if pressure.coming_down is None:
        return f"{label(say, pressure.of)} {_level(say, facts)}"
    words = {
        "name": label(say, pressure.of),
        "day": say.day(pressure.coming_down.since),
        "level": _now(say, facts),
    }
    if pressure.coming_down.by is None:
        return say.gettext("%(name)s coming down since %(day)s, %(level)s", **words)
    return say.gettext(
        "%(name)s coming down since %(day)s by %(by)s mmHg, %(level)s",
        by=say.figure(pressure.coming_down.by),
        **words,
    )


def limit_clause(say: Language, facts: PictureFacts, *, up: bool) -> str:
    """`PA diastolic about 26 mmHg (…) against the reference of 20: above the limit of 25 mmHg set for this patient`."""
    pressure = facts.pressure
    limit = pressure.limits.upper if up else pressure.limits.lower
    level = level_clause(say, facts)
    if limit is None:
        return level
    if pressure.in_a_row is not None and pressure.in_a_row.up is up:
        return run_clause(say, pressure.in_a_row)
    return f"{level}: {past_clause(say, limit, up=up, perhaps=pressure.is_near(limit))}"


def _moved(say: Language, facts: PictureFacts) -> str:
    pressure = facts.pressure
    if pressure.jump is not None:
        return jump_clause(say, pressure, pressure.jump)
    if pressure.high is not None:
        return high_clause(say, facts, pressure.high)
    ahead = "" if facts.last_known_on and not pressure.is_past_limit else forecast_clause(say, pressure)
    clauses = (break_clause(say, facts), joint_clause(say, pressure), ahead)
    return "; ".join(clause for clause in clauses if clause)


def joint_clause(say: Language, pressure: PressureFacts) -> str:
    """`judged together with heart rate 78, 12 above the usual 66: the pressure alone is not sure enough`."""
    if pressure.broken is None or pressure.broken.beside is None:
        return ""
    beside = pressure.broken.beside
    others = [
        heart_clause(say, pressure) if beside.heart else "",
        diary.symptom_clause(say, beside.breath) if beside.breath else "",
        "" if beside.weight_kg is None else say.gettext("%(kg)s kg in a week", kg=say.change(beside.weight_kg)),
    ]
    if not any(others):
        return say.gettext("the pressure alone is not sure enough")
    return say.gettext(
        "judged together with %(others)s: the pressure alone is not sure enough",
        others=say.listed([one for one in others if one]),
    )


def heart_clause(say: Language, pressure: PressureFacts) -> str:
    """`heart rate 78, 12 above the usual 66, for a fortnight already`; empty where it cannot be compared."""
    if (heart := pressure.heart) is None:
        return ""
    now, usual = round(heart.now), round(heart.usual)
    words = {"now": now, "usual": usual, "size": abs(now - usual)}
    above = say.gettext("heart rate %(now)d, %(size)d above the usual %(usual)d", **words)
    told = above if now >= usual else say.gettext("heart rate %(now)d, %(size)d below the usual %(usual)d", **words)
    stays = heart.steady and heart.knowledge is Knowledge.CHANGED
    return say.gettext("%(heart_rate)s, for a fortnight already", heart_rate=told) if stays else told


def jump_clause(say: Language, pressure: PressureFacts, jump: Jump) -> str:
    """`PA diastolic: 3 readings near 35 mmHg since 3 March (34, 36 and 36), 17 above …: a jump or a fault, not …`."""
    words = {
        "name": label(say, pressure.of),
        "near": say.figure(jump.around, 0),
        "day": say.day(jump.since),
        "read": _read(say, pressure),
        "far": say.figure(abs(jump.around - jump.level), 0),
        "level": say.figure(jump.level, 0),
    }
    if jump.up:
        return say.ngettext(
            "%(name)s: %(num)d reading near %(near)s mmHg since %(day)s (last read %(read)s), %(far)s above this "
            "patient's level of about %(level)s: a jump or a fault, not yet known",
            "%(name)s: %(num)d readings near %(near)s mmHg since %(day)s (last read %(read)s), %(far)s above this "
            "patient's level of about %(level)s: a jump or a fault, not yet known",
            jump.readings,
            **words,
        )
    return say.ngettext(
        "%(name)s: %(num)d reading near %(near)s mmHg since %(day)s (last read %(read)s), %(far)s below this "
        "patient's level of about %(level)s: a jump or a fault, not yet known",
        "%(name)s: %(num)d readings near %(near)s mmHg since %(day)s (last read %(read)s), %(far)s below this "
        "patient's level of about %(level)s: a jump or a fault, not yet known",
        jump.readings,
        **words,
    )


def high_clause(say: Language, facts: PictureFacts, high: High) -> str:
    """`high for 41 days, since 3 March: PA diastolic about 22 mmHg (…) against …; over the reference by 28 …`."""
    words = {
        "day": say.day(high.since),
        "level": level_clause(say, facts),
        "over": say.listed([say.figure(one, 0) for one in high.over]),
        "above": say.figure(high.above),
        "periods": say.listed([str(days) for days in high.periods]),
    }
    if high.over_goal:
        return say.ngettext(
            "high for %(num)d day, since %(day)s: %(level)s; %(over)s mmHg-days over the goal's upper end of %(above)s "
            "in the last %(periods)s days",
            "high for %(num)d days, since %(day)s: %(level)s; %(over)s mmHg-days over the goal's upper end of "
            "%(above)s in the last %(periods)s days",
            high.days,
            **words,
        )
    return say.ngettext(
        "high for %(num)d day, since %(day)s: %(level)s; %(over)s mmHg-days over the reference in the last "
        "%(periods)s days",
        "high for %(num)d days, since %(day)s: %(level)s; %(over)s mmHg-days over the reference in the last "
        "%(periods)s days",
        high.days,
        **words,
    )


def unset_clause(say: Language, pressure: PressureFacts) -> str:
    """`no goal and no limits set`: what nobody typed in for this patient; empty where there is a goal or a limit."""
    if pressure.goal is not None or pressure.limits.upper is not None or pressure.limits.lower is not None:
        return ""
    if pressure.reference is None:
        return say.gettext("no reference, no goal and no limits set")
    return say.gettext("no goal and no limits set")


def context_clause(say: Language, pressure: PressureFacts) -> str:
    """`noted: travel or altitude since 3 March`; empty where nothing was noted for these days."""
    return "; ".join(_noted(say, tag) for tag in pressure.tags)


def _noted(say: Language, tag: ContextTag) -> str:
    words = {"what": label(say, tag.kind), "day": say.day(tag.from_day)}
    if tag.to_day is None:
        return say.gettext("noted: %(what)s since %(day)s", **words)
    if tag.to_day == tag.from_day:
        return say.gettext("noted: %(what)s on %(day)s", **words)
    return say.gettext("noted: %(what)s from %(day)s to %(last)s", last=say.day(tag.to_day), **words)


def _read(say: Language, pressure: PressureFacts) -> str:
    """`34, 36 and 36`: what was read last, as it was read."""
    return say.listed([say.figure(one.value) for one in pressure.last])


def _course(say: Language, broken: Break, slope: float | None) -> str:
    if broken.over_usual:
        return _from_usual(say, broken, slope)
    if pace := _pace(say, broken, slope):
        if broken.up:
            return say.gettext("rising about %(pace)s mmHg a day", pace=pace)
        return say.gettext("falling about %(pace)s mmHg a day", pace=pace)
    return say.gettext("above its baseline") if broken.up else say.gettext("below its baseline")


def _pace(say: Language, broken: Break, slope: float | None) -> str:
    """mmHg a day, of a break that is steady and goes on its way still; empty for any other."""
    way = 1.0 if broken.up else -1.0
    if broken.pace is None or broken.pace * way < STEADY or slope is None or slope * way <= 0:
        return ""
    return say.figure(abs(broken.pace), 1 if abs(broken.pace) >= 0.1 else 2)


def _from_usual(say: Language, broken: Break, slope: float | None) -> str:
    """A break from the recent usual, wherever the reference is."""
    size = say.figure(abs(broken.size))
    if pace := _pace(say, broken, slope):
        words = {"pace": pace, "size": size}
        if broken.up:
            return say.gettext("rising about %(pace)s mmHg a day to %(size)s mmHg above its recent usual", **words)
        return say.gettext("falling about %(pace)s mmHg a day to %(size)s mmHg below its recent usual", **words)
    if broken.up:
        return say.gettext("%(size)s mmHg above its recent usual", size=size)
    return say.gettext("%(size)s mmHg below its recent usual", size=size)


def _now(say: Language, facts: PictureFacts) -> str:
    """`now about 22.1 mmHg …`; of a reading of some days ago, as the last known."""
    level = _level(say, facts)
    if facts.pressure.level is None or facts.last_known_on is not None:
        return level
    return say.gettext("now %(level)s", level=level)


def _level(say: Language, facts: PictureFacts) -> str:
    """`about 22.1 mmHg (give or take 0.8) against …`, or `last known on 3 March about 22.1 mmHg …`."""
    pressure = facts.pressure
    if pressure.level is None:
        return say.gettext("not known")
    against = _against(say, pressure)
    if facts.last_known_on is None:
        return against
    return say.gettext("last known on %(day)s %(level)s", day=say.day(facts.last_known_on), level=against)


def _against(say: Language, pressure: PressureFacts) -> str:
    """The level with its error, and what it is held against."""
    text = say.gettext("about %(level)s mmHg", level=say.figure(pressure.level or 0.0))
    if pressure.level_sd is not None:
        spread = say.figure(EIGHTY * pressure.level_sd)
        if pressure.last:
            text += " " + say.gettext(
                "(give or take %(spread)s; last read %(read)s)", spread=spread, read=_read(say, pressure)
            )
        else:
            text += " " + say.gettext("(give or take %(spread)s)", spread=spread)
    reference = pressure.reference
    if reference is None and pressure.usual is not None:
        return say.gettext(
            "%(level)s against about %(usual)s in recent weeks (no settled reference yet)",
            level=text,
            usual=say.figure(pressure.usual),
        )
    if reference is None:
        return say.gettext("%(level)s, no reference yet", level=text)
    value = say.figure(reference.value)
    if reference.is_set:
        text = say.gettext("%(level)s against the reference of %(value)s", level=text, value=value)
    else:
        text = say.gettext("%(level)s against the first settled fortnight's mean of %(value)s", level=text, value=value)
    if pressure.usual is not None and abs(pressure.usual - reference.value) >= WORTH_TELLING:
        return say.gettext(
            "%(level)s and about %(usual)s in recent weeks", level=text, usual=say.figure(pressure.usual)
        )
    return text


def _pressure_beside(say: Language, facts: PictureFacts) -> str:
    """What the pressure does while the weight changes."""
    pressure = facts.pressure
    if pressure.broken is not None:
        return say.gettext("pressure up as well") if pressure.rising else say.gettext("pressure down as well")
    return compared_clause(say, facts)


def compared_clause(say: Language, facts: PictureFacts) -> str:
    """Where the pressure is, and what comparing it came to: one of the four states of knowledge."""
    pressure = facts.pressure
    level, compared = level_clause(say, facts), pressure.compared
    days = {"days": compared.days, "heard": compared.heard, "of": compared.of}
    match compared.knowledge:
        case Knowledge.NOTHING:
            return say.gettext("no reading yet")
        case Knowledge.UNCHANGED:
            text = say.gettext(
                "%(level)s, compared and unchanged on %(days)d of the last %(of)d days", level=level, **days
            )
            return _with_fortnight(say, text, pressure)
        case Knowledge.CHANGED:
            return level
        case Knowledge.TOO_LITTLE if compared.heard >= DAYS_NEEDED.get(compared.of, 0) and pressure.has_baseline:
            if pressure.far:
                return say.gettext("%(level)s, far from it, and no fortnight has settled there lately", level=level)
            return say.gettext("%(level)s; whether it has moved is not sure yet", level=level)
    words = {"level": level, "day": say.day(compared.last_on) if compared.last_on else "", **days}
    return say.gettext(
        "%(level)s, too little to compare: readings on %(heard)d of the last %(of)d days, the last on %(day)s", **words
    )


def _with_fortnight(say: Language, text: str, pressure: PressureFacts) -> str:
    """With the settled fortnight that the level is held against, where that is not the reference's."""
    settled = pressure.fortnight
    if settled is None or settled.to_day is None:
        return text
    return say.gettext(
        "%(compared)s against the settled fortnight to %(day)s, about %(value)s",
        compared=text,
        day=say.day(settled.to_day),
        value=say.figure(settled.value),
    )


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


# --- silence ----------------------------------------------------------------------------


def silent_clause(say: Language, silence: SilenceFacts, pressure: PressureFacts) -> str:
    """`no reading for 4 planned days (last on 20 November)`."""
    if silence.missed == 0:
        return say.gettext("no reading expected was missed")
    text = say.ngettext("no reading for %(num)d planned day", "no reading for %(num)d planned days", silence.missed)
    if pressure.last_reading_on:
        return say.gettext("%(silent)s (last on %(day)s)", silent=text, day=say.day(pressure.last_reading_on))
    return text
