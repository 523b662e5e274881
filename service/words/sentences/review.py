"""The weekly review in words: why a patient is where they are, what is known of them, and what changed since.

Promises that every reason stands alone, and that none says that all is well or advises a dose.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from service.domain.days import Day
from service.domain.review import (
    Amended,
    AmendedFact,
    Amendment,
    Because,
    DataInTrouble,
    FollowUpDue,
    LookPlanned,
    NoOtherReason,
    NoReadingYet,
    NoReference,
    NothingExpected,
    NothingPlanned,
    NotReached,
    NotSettling,
    OpenTask,
    PauseNow,
    Raised,
    Reason,
    StillSilent,
)
from service.domain.signals.facts import PictureFacts
from service.domain.summary import DIARY_ONLY, MISSED, STRIP_DAYS, Strip, Summary, SymptomWeek
from service.domain.vocabulary import SafetySign, SilenceCause, Swelling
from service.words.labels import label, title
from service.words.language import Language, sentence
from service.words.sentences import signals, tasks


def reasons(say: Language, given: Iterable[Reason]) -> list[str]:
    """Each reason as a sentence, in order; what reads the same is said once."""
    return list(dict.fromkeys(reason(say, one.because) for one in given))


def reason(say: Language, because: Because) -> str:
    """One reason as a sentence."""
    match because:
        case OpenTask():
            return tasks.task(say, because.facts)
        case Raised():
            text = signals.signal(say, because.kind, because.facts)
            if not because.ended:
                return text
            return say.gettext("%(signal)s (no longer so, not yet seen by anyone).", signal=text.rstrip("."))
        case PictureFacts():
            return signals.picture(say, because)
        case FollowUpDue():
            return _follow_up(say, because)
        case NotSettling():
            return signals.response(say, because.response)
        case NotReached():
            return say.gettext("Carried over: could not be reached on %(day)s.", day=say.day(because.signed_on))
        case LookPlanned():
            return say.gettext("Another look was planned for %(day)s.", day=say.day(because.day))
        case PauseNow():
            return _paused(say, because)
        case NoReadingYet():
            return _no_reading_yet(say, because)
        case StillSilent():
            return silence(say, because)
        case NothingExpected():
            return say.gettext(
                "Nothing was expected in these %(days)d days; last reading %(day)s.",
                days=STRIP_DAYS,
                day=say.day(because.last_reading_on),
            )
        case NoOtherReason():
            return _no_other_reason(say, because)
        case NothingPlanned():
            return say.gettext("Nothing is planned for this patient, so no reading is asked for.")
        case NoReference():
            return say.gettext("Too few readings yet to know this patient's own reference.")
        case DataInTrouble():
            return say.gettext(
                "This patient's data could not be worked out: look at the readings one by one, and tell the operator."
            )


def silence(say: Language, silent: StillSilent) -> str:
    """`No reading for 4 planned days (last on 20 November): asked, and no reply.`"""
    missed = say.ngettext("%(num)d planned day", "%(num)d planned days", silent.silence.missed)
    cause = label(say, silent.silence.cause)
    if silent.last_reading_on is None:
        return say.gettext("No reading for %(days)s: %(cause)s.", days=missed, cause=cause)
    return say.gettext(
        "No reading for %(days)s (last on %(day)s): %(cause)s.",
        days=missed,
        day=say.day(silent.last_reading_on),
        cause=cause,
    )


def missed(say: Language, number: int, cause: SilenceCause) -> str:
    """`3 missed: asked, and no reply`, where the dates stand beside it."""
    return say.gettext("%(missed)d missed: %(cause)s", missed=number, cause=label(say, cause))


def _follow_up(say: Language, due: FollowUpDue) -> str:
    words = {"what": due.what or say.gettext("Follow-up"), "day": say.day(due.made_on)}
    if due.days_late == 0:
        return sentence(say.gettext("%(what)s after the change of %(day)s is due today", **words))
    days = say.ngettext("%(num)d day", "%(num)d days", due.days_late)
    return sentence(say.gettext("%(what)s after the change of %(day)s is %(days)s overdue", days=days, **words))


def _paused(say: Language, pause: PauseNow) -> str:
    words = {"cause": title(say, pause.cause), "first": say.day(pause.from_day)}
    if pause.to_day is None:
        return say.gettext("%(cause)s since %(first)s, until told: nothing is expected.", **words)
    return say.gettext(
        "%(cause)s since %(first)s to %(last)s: nothing is expected.", last=say.day(pause.to_day), **words
    )


def _no_reading_yet(say: Language, known: NoReadingYet) -> str:
    enrolled = say.day(known.enrolled_on)
    if known.last_diary_on is None:
        return say.gettext("No reading yet since enrolment on %(day)s.", day=enrolled)
    return say.gettext(
        "No reading yet since enrolment on %(day)s; last diary on %(diary)s.",
        day=enrolled,
        diary=say.day(known.last_diary_on),
    )


def _no_other_reason(say: Language, known: NoOtherReason) -> str:
    text = signals.picture(say, known.picture) if known.picture else say.gettext("No signal in what was received.")
    parts = [
        text.rstrip("."),
        say.gettext(
            "%(received)d of %(expected)d readings in %(days)d days",
            received=known.adherence.received,
            expected=known.adherence.expected,
            days=STRIP_DAYS,
        ),
    ]
    if known.silent_for:
        parts.append(say.ngettext("none for %(num)d day", "none for %(num)d days", known.silent_for))
    return f"{'; '.join(parts)}."


# --- what is known of a patient --------------------------------------------------------------


def symptoms(say: Language, week: SymptomWeek) -> str:
    """What of the last 7 days' diary differs from the days before; empty when nothing does."""
    parts = []
    if week.breathless_then is not None and week.breathless_now is not None:
        words = {"then": say.figure(week.breathless_then, 0), "now": say.figure(week.breathless_now, 0)}
        if week.breathless_now > week.breathless_then:
            parts.append(say.gettext("more breathless (%(then)s → %(now)s)", **words))
        else:
            parts.append(say.gettext("less breathless (%(then)s → %(now)s)", **words))
    if week.pillows > 0:
        parts.append(say.ngettext("+%(num)d pillow", "+%(num)d pillows", week.pillows))
    if week.nights_woken:
        parts.append(
            say.ngettext("woken breathless %(num)d night", "woken breathless %(num)d nights", week.nights_woken)
        )
    if week.swelling is not None:
        parts.append(say.gettext("swelling to the %(place)s", place=label(say, week.swelling)))
    if week.light_headed:
        parts.append(say.ngettext("light-headed %(num)d day", "light-headed %(num)d days", week.light_headed))
    if week.missed_medicines:
        parts.append(
            say.ngettext("medicines missed %(num)d day", "medicines missed %(num)d days", week.missed_medicines)
        )
    return ", ".join(parts)


def strip(say: Language, shown: Strip) -> str:
    """The strip in words, for whoever cannot see it."""
    days = say.ngettext("%(num)d day", "%(num)d days", len(shown.values))
    known = [value for value in shown.values if value is not None]
    if not known:
        return say.gettext("No reading in %(days)s.", days=days)
    last = next(index for index in range(len(shown.values) - 1, -1, -1) if shown.values[index] is not None)
    gaps = shown.marks.count(MISSED) + shown.marks.count(DIARY_ONLY)
    return say.gettext(
        "PA diastolic over %(days)s: %(low)s to %(high)s mmHg on %(known)s, last %(last)s on %(day)s; "
        "%(gaps)s without an expected reading.",
        days=days,
        low=say.figure(min(known)),
        high=say.figure(max(known)),
        known=say.ngettext("%(num)d day", "%(num)d days", len(known)),
        last=say.figure(known[-1]),
        day=say.day(shown.first_day + timedelta(days=last)),
        gaps=say.ngettext("%(num)d day", "%(num)d days", gaps),
    )


def level(say: Language, known: Summary) -> str:
    """`PA diastolic about 18.4 mmHg, reference 18; limits set: upper 25`."""
    judged = known.trend
    if judged.level is None:
        return say.gettext("not known: too few readings")
    text = say.gettext("PA diastolic about %(level)s mmHg", level=say.figure(judged.level))
    if judged.reference is not None:
        value = say.figure(judged.reference)
        if judged.reference_is_set:
            text += say.gettext(", reference %(value)s", value=value)
        else:
            text += say.gettext(", mean of the first fortnight %(value)s", value=value)
    limits = []
    if known.upper is not None:
        limits.append(say.gettext("upper %(limit)s", limit=say.figure(known.upper)))
    if known.lower is not None:
        limits.append(say.gettext("lower %(limit)s", limit=say.figure(known.lower)))
    return say.gettext(
        "%(level)s; limits set: %(limits)s", level=text, limits=", ".join(limits) or say.pgettext("limits", "none")
    )


def remarks(say: Language, day: Day) -> list[str]:
    """What else the day holds: for the record and the page's table alike."""
    parts = []
    if day.extra_pillows:
        change = say.change(day.extra_pillows, 0)
        parts.append(say.ngettext("%(change)s pillow", "%(change)s pillows", abs(day.extra_pillows), change=change))
    if day.woke_breathless:
        parts.append(say.gettext("woken breathless"))
    if day.swelling not in {None, Swelling.NONE}:
        parts.append(say.gettext("swelling %(place)s", place=label(say, day.swelling)))
    if day.light_headed:
        parts.append(say.gettext("light-headed"))
    if day.tiredness:
        parts.append(say.gettext("tiredness %(number)d", number=day.tiredness))
    if day.missed_medicines:
        parts.append(say.gettext("missed medicines"))
    parts += [say.gettext("safety answer: %(sign)s", sign=label(say, sign)) for sign in day.safety_signs]
    if day.pause is not None:
        parts.append(label(say, day.pause))
    elif day.reading_missing:
        parts.append(say.gettext("no reading") if day.checkin else say.gettext("no reading, no diary"))
    parts += [say.gettext(remark) for remark in day.remarks]  # marked in `labels.REMARKS`
    if day.note:
        parts.append(f"“{day.note}”")
    return parts


# --- what changed after a signature ---------------------------------------------------------------


def amendment(say: Language, amended: Amendment) -> str:
    """`25 November: a reading came late, PA diastolic 27.5 mmHg; weight was 80 kg, now 81 kg.`"""
    return f"{say.day(amended.day)}: {'; '.join(_amended(say, fact) for fact in amended.facts)}."


def _amended(say: Language, fact: AmendedFact) -> str:
    match fact.what:
        case Amended.READING_CAME:
            return say.gettext(
                "a reading came late, PA diastolic %(value)s", value=_value(say, "pa_diastolic", fact.now)
            )
        case Amended.READING_WITHDRAWN:
            return say.gettext(
                "the reading (PA diastolic %(value)s) was withdrawn", value=_value(say, "pa_diastolic", fact.was)
            )
        case Amended.CHECKIN_CAME:
            return say.gettext("a check-in came late")
        case Amended.VALUE:
            return say.gettext(
                "%(name)s was %(was)s, now %(now)s",
                name=_name(say, fact.name),
                was=_value(say, fact.name, fact.was),
                now=_value(say, fact.name, fact.now),
            )
        case Amended.PAUSE_RECORDED:
            return say.gettext("a pause was recorded")
        case Amended.PAUSE_TAKEN_BACK:
            return say.gettext("a pause was taken back")
        case Amended.DAY_EXCUSED:
            return say.gettext("the day was excused")


def _name(say: Language, field: str) -> str:
    return {
        "pa_diastolic": say.gettext("PA diastolic"),
        "pa_mean": say.gettext("PA mean"),
        "pa_systolic": say.gettext("PA systolic"),
        "heart_rate": say.gettext("heart rate"),
        "weight_kg": say.gettext("weight"),
        "breathlessness": say.gettext("breathlessness"),
        "extra_pillows": say.gettext("extra pillows"),
        "woke_breathless": say.gettext("woken breathless"),
        "swelling": say.gettext("swelling"),
        "light_headed": say.gettext("light-headed"),
        "tiredness": say.gettext("tiredness"),
        "missed_medicines": say.gettext("missed medicines"),
        "safety_signs": say.gettext("safety answer"),
        "note": say.gettext("note"),
    }[field]


_UNITS = {"pa_diastolic": "mmHg", "pa_mean": "mmHg", "pa_systolic": "mmHg", "heart_rate": "/min", "weight_kg": "kg"}


def _value(say: Language, field: str, value: object) -> str:
    if value is None or value == () or value == "":
        return say.gettext("not given")
    if isinstance(value, bool):
        return say.gettext("yes") if value else say.gettext("no")
    if isinstance(value, int | float):
        return f"{say.figure(value)} {_UNITS.get(field, '')}".strip()
    if isinstance(value, tuple):
        return say.listed([label(say, SafetySign(sign)) for sign in value])
    if isinstance(value, Swelling):
        return label(say, value)
    return str(value)
