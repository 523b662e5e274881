"""The record in words: what counts now, each fact with its date, and what is not known said as such.

Promises no advice and no judgement: a published stage or equation is named, a limit is nobody's here.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.record.goals import InRange
from service.domain.record.kidney import KidneyInjury
from service.domain.record.limits import ResultBeyond, ResultLimit
from service.domain.record.medicines import Course, LoopSum
from service.domain.record.now import NEWS_DAYS, ChemistryDue, Contacting, Happened, InPlace, RecordNow, Taking
from service.domain.record.rates import AroundImplant, EventRate
from service.domain.record.results import TimedResult, written
from service.domain.record.standing import Catheter
from service.domain.record.trouble import NEAR, TroubleLevel
from service.domain.signals.facts import PictureFacts
from service.domain.vocabulary import EventKind, ResultKind, Rhythm, TaskKind
from service.words.labels import label, title
from service.words.language import Language, sentence

PLACES = 3  # of a limit for results
IN_EIGHT_OF_TEN = 1.2816  # standard deviations on either side that hold 80 % of a normal distribution


def happened(say: Language, event: Happened) -> str:
    """`Admission from 3 May 2026 to 9 May 2026, heart failure`."""
    kind, cause = title(say, event.kind), label(say, event.cause)
    first = say.dated(event.from_date)
    if event.kind is not EventKind.ADMISSION:
        return say.gettext("%(kind)s on %(day)s, %(cause)s", kind=kind, day=first, cause=cause)
    if event.to_date is None:
        return say.gettext("%(kind)s on %(day)s, %(cause)s; not yet discharged", kind=kind, day=first, cause=cause)
    last = say.dated(event.to_date)
    return say.gettext("%(kind)s from %(first)s to %(last)s, %(cause)s", kind=kind, first=first, last=last, cause=cause)


def died(say: Language, name: str, event: Happened) -> str:
    """`Asha Invented died on Wednesday 25 November 2026.`"""
    return say.gettext("%(name)s died on %(day)s.", name=name, day=say.full_day(event.from_date))


def course(say: Language, taken: Course) -> str:
    """`Furosemide 40 mg, 2 a day, by mouth, since 3 May 2026`."""
    what = taken_as(say, taken)
    if taken.to_date is None:
        return say.gettext("%(what)s, since %(day)s", what=what, day=say.dated(taken.from_date))
    first, last = say.dated(taken.from_date), say.dated(taken.to_date)
    return say.gettext("%(what)s, from %(first)s to %(last)s", what=what, first=first, last=last)


def taken_as(say: Language, taken: Course) -> str:
    """`Furosemide 40 mg, 2 a day, by mouth`."""
    return say.gettext(
        "%(name)s %(dose)s %(unit)s, %(times)s a day, %(route)s",
        name=taken.name,
        dose=say.figure(float(taken.dose), 3),
        unit=taken.unit,
        times=say.figure(float(taken.times_a_day), 2),
        route=label(say, taken.route),
    )


def result(say: Language, one: TimedResult, where: ZoneInfo) -> str:
    """`Potassium 4.9 mmol/L on 3 May 2026 (4.4 mmol/L on 19 Apr 2026)`; of a pressure of the arm with its posture."""
    told = f"{title(say, one.result.kind)} {_result(say, one, where)}"
    if one.before is not None:
        told += f" ({_result(say, one.before, where)})"
    return told if one.posture is None else f"{told}, {label(say, one.posture)}"


def rhythm(say: Language, heard: Rhythm, at: datetime, where: ZoneInfo) -> str:
    """`Rhythm: sinus rhythm on 3 May 2026`."""
    name = title(say, ResultKind.RHYTHM)
    day = say.dated(local_date(at, where))
    return say.gettext("%(name)s: %(rhythm)s on %(day)s", name=name, rhythm=label(say, heard), day=day)


def _result(say: Language, one: TimedResult, where: ZoneInfo) -> str:
    day = say.dated(local_date(one.at, where))
    return say.gettext("%(value)s on %(day)s", value=measured(say, one), day=day)


def measured(say: Language, one: TimedResult) -> str:
    """`4.0 mmol/L`: as it was given, in the unit as people write it."""
    return f"{say.as_given(one.result.value)} {written(one.result.unit)}".rstrip()


def between(say: Language, lower: float | None, upper: float | None) -> str:
    """`12 to 18 mmHg`: a range of which one end may be open."""
    if lower is None:
        return say.gettext("up to %(upper)s mmHg", upper="–" if upper is None else say.figure(upper))
    if upper is None:
        return say.gettext("from %(lower)s mmHg", lower=say.figure(lower))
    return say.gettext("%(lower)s to %(upper)s mmHg", lower=say.figure(lower), upper=say.figure(upper))


def in_range(say: Language, found: InRange) -> str:
    """`Last 30 days: within the goal on 18 of 27 days with a reading, 12.5 mmHg-days above it.`"""
    span = say.ngettext("Last %(num)d day", "Last %(num)d days", found.days)
    if found.is_cut:
        span = say.gettext("%(span)s, since it was set on %(day)s", span=span, day=say.day(found.first))
    if not found.read:
        return say.gettext("%(span)s: no reading.", span=span)
    words = {"span": span, "within": found.within}
    if found.above is None:
        return say.ngettext(
            "%(span)s: within it on %(within)d of %(num)d day with a reading.",
            "%(span)s: within it on %(within)d of %(num)d days with a reading.",
            found.read, **words,
        )  # fmt: skip
    return say.ngettext(
        "%(span)s: within it on %(within)d of %(num)d day with a reading; %(above)s mmHg-days above it.",
        "%(span)s: within it on %(within)d of %(num)d days with a reading; %(above)s mmHg-days above it.",
        found.read, above=say.figure(found.above), **words,
    )  # fmt: skip


def missed(say: Language, taking: Taking) -> str:
    """`Since 25 Nov 2026: some medicine missed on 2 of the last 7 check-ins`; empty where no check-in said either."""
    if not taking.answered:
        return ""
    return say.ngettext(
        "Since %(day)s: some medicine missed on %(missed)d of the last %(num)d check-in",
        "Since %(day)s: some medicine missed on %(missed)d of the last %(num)d check-ins",
        taking.answered,
        missed=taking.missed,
        day=say.dated(taking.course.from_date),
    )


def in_place(say: Language, one: InPlace) -> str:
    """`Chemistry due by 3 May: done elsewhere on 1 May`."""
    day, why = say.day(one.due_on), label(say, one.why)
    if one.done_on is None:
        return say.gettext("Chemistry due by %(day)s: %(why)s", day=day, why=why)
    return say.gettext("Chemistry due by %(day)s: %(why)s on %(done)s", day=day, why=why, done=say.day(one.done_on))


def contacting(say: Language, contact: Contacting, today: date) -> str:
    """`Call by 3 May: Nurse Invented, agreed with the patient`."""
    who = contact.who or ("" if contact.role is None else label(say, contact.role))
    way, day = title(say, contact.way), say.day(contact.due_on)
    text = say.gettext("%(way)s by %(day)s: %(who)s", way=way, day=day, who=who)
    if contact.agreed:
        text = say.gettext("%(contact)s, agreed with the patient", contact=text)
    return say.gettext("%(contact)s. Overdue", contact=text) if contact.due_on < today else text


def contact_briefly(say: Language, contact: Contacting, *, overdue: bool, most_words: int) -> str:
    """`Visit overdue, 24 Nov: Noor Invented`; of a long name the first words."""
    words = {"way": title(say, contact.way), "day": say.short_day(contact.due_on)}
    told = say.gettext("%(way)s overdue, %(day)s", **words) if overdue else say.gettext("%(way)s due %(day)s", **words)
    who = (contact.who or ("" if contact.role is None else label(say, contact.role))).split()
    room = most_words - len(told.split())
    return f"{told}: {' '.join(who[:room])}{'…' if len(who) > room else ''}" if who else told


def due(say: Language, one: ChemistryDue, today: date) -> str:
    """`Chemistry due by 3 May: spironolactone since 26 April`."""
    day, since, after = (say.day(known) for known in (one.due_on, one.changed_on, one.answered_to or one.changed_on))
    if one.due_on < today:
        return say.gettext(
            "Chemistry was due by %(day)s: %(medicine)s since %(since)s, and no result after %(after)s",
            day=day, medicine=one.medicine, since=since, after=after,
        )  # fmt: skip
    return say.gettext(
        "Chemistry due by %(day)s: %(medicine)s since %(since)s", day=day, medicine=one.medicine, since=since
    )


def today(say: Language, now: RecordNow, day: date, where: ZoneInfo) -> list[str]:
    """What of the record changes how today is read, the most pressing first; empty where nothing does.

    Of somebody who has died nothing: nothing more is due.
    """
    if now.death is not None:
        return []
    told: list[str] = []
    if now.in_hospital_since is not None:
        told.append(say.gettext("In hospital since %(day)s.", day=say.day(now.in_hospital_since)))
    if now.day_after_stay is not None and now.discharged_on is not None:
        told.append(sentence(day_after_stay(say, now.day_after_stay, now.discharged_on)))
    told += [f"{beyond(say, one)}." for one in now.beyond]
    if now.injury is not None:
        told.append(_injury(say, now.injury, where))
    told += [f"{due(say, one, day)}." for one in now.due]
    if now.changed is not None and now.changed_days_ago is not None:
        told.append(_changed(say, now.changed, now.changed_days_ago))
    if now.trouble is not None:
        told.append(trouble(say, now.trouble))
    if now.catheter is not None and now.catheter.is_raised:
        told.append(gradient(say, now.catheter))
    return told


def beyond(say: Language, one: ResultBeyond) -> str:
    """`Potassium 5.8 mmol/L on 3 May: above their own limit of 5.5 mmol/L, set on 1 April`."""
    words = {
        "kind": title(say, one.kind), "value": _given(say, one.value, one.unit), "day": say.day(one.on),
        "limit": _given(say, one.limit, one.limit_unit), "since": say.day(one.set_on),
    }  # fmt: skip
    if one.up:
        return say.gettext(
            "%(kind)s %(value)s on %(day)s: above this patient’s limit of %(limit)s, set on %(since)s", **words
        )
    return say.gettext(
        "%(kind)s %(value)s on %(day)s: below this patient’s limit of %(limit)s, set on %(since)s", **words
    )


def beyond_briefly(say: Language, one: ResultBeyond) -> str:
    """`Potassium 5.8, limit 5.5`; where they are in two units, `Potassium beyond limit`."""
    kind = title(say, one.kind)
    if one.unit != one.limit_unit:
        return say.gettext("%(kind)s beyond limit", kind=kind)
    value, limit = say.figure(one.value, PLACES), say.figure(one.limit, PLACES)
    return say.gettext("%(kind)s %(value)s, limit %(limit)s", kind=kind, value=value, limit=limit)


def result_limit(say: Language, limit: ResultLimit, by: str) -> str:
    """`Potassium: from 3.5 mmol/L, up to 5.5 mmol/L, set on 3 May by Nurse Invented`."""
    ends = []
    if limit.lower is not None:
        ends.append(say.gettext("from %(lower)s", lower=_given(say, float(limit.lower.value), limit.lower.unit)))
    if limit.upper is not None:
        ends.append(say.gettext("up to %(upper)s", upper=_given(say, float(limit.upper.value), limit.upper.unit)))
    told = {"kind": title(say, limit.kind), "ends": ", ".join(ends), "day": say.day(limit.set_on)}
    if not by:
        return say.gettext("%(kind)s: %(ends)s, set on %(day)s", **told)
    return say.gettext("%(kind)s: %(ends)s, set on %(day)s by %(name)s", **told, name=by)


def _given(say: Language, value: float, unit: str) -> str:
    return f"{say.figure(value, PLACES)} {written(unit)}".rstrip()


def after_stay(say: Language, facts: PictureFacts) -> str:
    """The same of the day that a picture is of; empty where no stay is just over."""
    if facts.after_stay is None or facts.day_after_stay is None:
        return ""
    return day_after_stay(say, facts.day_after_stay, facts.after_stay.discharged_on)


def day_after_stay(say: Language, count: int, discharged_on: date) -> str:
    """`day 9 after the discharge of 3 March`, as a clause."""
    return say.gettext("day %(count)d after the discharge of %(day)s", count=count, day=say.day(discharged_on))


def beside(
    say: Language, now: RecordNow, day: date, where: ZoneInfo, level: float | None, told: Collection[TaskKind] = ()
) -> str:
    """The one line that changes how the pressure is read: beside a row of the review. Empty where there is none.

    The day after a stay is in the row's own reason. `level` is where PA diastolic is now, mmHg; None is not known.
    What `told`, the open tasks, tell is not said twice.
    """
    recent = [one for one in now.beyond if (day - one.on).days <= NEWS_DAYS]
    if recent and TaskKind.RESULT_LIMIT not in told:
        return f"{beyond(say, recent[0])}."
    before = "" if now.trouble is None or level is None else _before_event(say, now.trouble, level)
    if now.trouble is not None and level is not None and now.trouble.above(level) >= -NEAR:
        return before
    if now.injury is not None:
        return _injury(say, now.injury, where)
    overdue = [one for one in now.due if one.due_on < day]
    if overdue and TaskKind.CHEMISTRY_DUE not in told:
        return f"{due(say, overdue[0], day)}."
    if now.contact is not None and now.overdue(day) and TaskKind.NEXT_CONTACT not in told:
        return f"{contacting(say, now.contact, day)}."
    if now.changed is not None and now.changed_days_ago is not None:
        return _changed(say, now.changed, now.changed_days_ago)
    if now.catheter is not None and now.catheter.is_raised:
        return gradient(say, now.catheter)
    return before


def _before_event(say: Language, trouble: TroubleLevel, level: float) -> str:
    """`4 mmHg below where she was a week before her admission`, in words that fit everybody."""
    above, day = trouble.above(level), say.day(trouble.newest_on)
    value, apart = say.figure(trouble.newest_level, 0), say.figure(abs(above), 0)
    if apart == "0":
        return say.gettext("As high as a week before the event of %(day)s (%(value)s mmHg).", day=day, value=value)
    if above > 0:
        return say.gettext(
            "%(apart)s mmHg above the level a week before the event of %(day)s (%(value)s mmHg).",
            apart=apart, day=day, value=value,
        )  # fmt: skip
    return say.gettext(
        "%(apart)s mmHg below the level a week before the event of %(day)s (%(value)s mmHg).",
        apart=apart, day=day, value=value,
    )  # fmt: skip


def trouble(say: Language, known: TroubleLevel) -> str:
    """The level at which trouble came before, with its uncertainty and of how many events it is."""
    return say.ngettext(
        "Trouble came at about %(level)s mmHg, give or take %(sd)s: %(num)d event. Not a limit unless accepted.",
        "Trouble came at about %(level)s mmHg, give or take %(sd)s: %(num)d events. Not a limit unless accepted.",
        known.events,
        level=say.figure(known.level, 0),
        sd=say.figure(IN_EIGHT_OF_TEN * known.sd, 0),
    )


def around_implant(say: Language, known: AroundImplant) -> str:
    """How often trouble came before the sensor and since; a count with its interval, and no comparison."""
    return say.gettext(
        "Events of heart failure as entered: %(before)s in the year before the sensor, %(since)s since %(day)s.",
        before=_rate(say, known.before), since=_rate(say, known.since), day=say.full_day(known.implanted_on),
    )  # fmt: skip


def _rate(say: Language, one: EventRate) -> str:
    if not one.events:
        return say.gettext("none entered")
    return say.gettext(
        "%(count)d (%(rate)s a year, 95 %% interval %(low)s to %(high)s)",
        count=one.events, rate=say.figure(one.a_year, 1), low=say.figure(one.low, 1), high=say.figure(one.high, 1),
    )  # fmt: skip


def accepted_limit(say: Language, upper: float, on: date, by: str) -> str:
    """Who made that level a limit, and when."""
    return say.gettext(
        "The upper limit of %(upper)s mmHg was accepted from that level on %(day)s by %(name)s.",
        upper=say.figure(upper, 1), day=say.day(on), name=by,
    )  # fmt: skip


def _changed(say: Language, course: Course, days: int) -> str:
    if days == 0:
        return say.gettext("%(medicine)s changed today.", medicine=course.name)
    return say.ngettext(
        "%(medicine)s changed %(num)d day ago.", "%(medicine)s changed %(num)d days ago.", days, medicine=course.name
    )


def _injury(say: Language, injury: KidneyInjury, where: ZoneInfo) -> str:
    return say.gettext(
        "Creatinine %(now)s, %(before)s before: KDIGO stage %(stage)d (KDIGO 2012).",
        now=_result(say, injury.newest, where),
        before=_result(say, injury.earlier, where),
        stage=injury.stage,
    )


def gradient(say: Language, known: Catheter) -> str:
    """PA diastolic − wedge where it is raised: what a diastolic read as left filling leaves out."""
    values = {"gradient": say.as_given(known.gradient), "day": say.dated(known.on)}
    if known.at_implant:
        return say.gettext(
            "At implant PA diastolic was %(gradient)s mmHg above wedge (%(day)s; raised from 7: ESC/ERS 2015): "
            "it reads higher than left filling pressure.",
            **values,
        )
    return say.gettext(
        "At catheter PA diastolic was %(gradient)s mmHg above wedge (%(day)s; raised from 7: ESC/ERS 2015): "
        "it reads higher than left filling pressure.",
        **values,
    )


def loop(say: Language, known: LoopSum) -> tuple[str, tuple[str, ...]]:
    """The day's sum as furosemide by mouth, and how it was counted; an empty sum where nothing could be."""
    notes = []
    if known.factors:
        parts = [f"{which} × {say.figure(float(factor), 3)}" for which, factor in known.factors]
        notes.append(
            say.gettext("as furosemide by mouth: %(factors)s, by the clinic’s setting", factors=", ".join(parts))
        )
    if known.unknown:
        which = say.listed(list(known.unknown))
        notes.append(say.gettext("Not counted, for want of a factor: %(which)s.", which=which))
    sum_a_day = say.gettext("%(mg)s mg a day", mg=say.figure(float(known.mg))) if known.factors else ""
    return sum_a_day, tuple(notes)
