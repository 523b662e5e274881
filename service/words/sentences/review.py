"""The weekly review in words: why a patient is where they are, what is known of them, and what changed since.

Promises that every reason stands alone, and that none says that all is well or advises a dose.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date, timedelta

from service.domain.days import Day, Paused
from service.domain.plan import HoursProposal
from service.domain.review import (
    Because,
    BeingWorkedOut,
    FollowUpDue,
    HighAccepted,
    JustDischarged,
    Lacking,
    LookPlanned,
    NoOtherReason,
    NoReadingYet,
    NothingExpected,
    NotReached,
    OpenTask,
    Reason,
    StillSilent,
)
from service.domain.signals.facts import Episode, PictureFacts, ResponseFacts
from service.domain.since import Later, LaterDay, LaterFact, Standing
from service.domain.summary import DIARY_ONLY, MISSED, STRIP_DAYS, Strip, Summary
from service.domain.vocabulary import AdjustmentKind, Lane, Pace, SafetySign, SilenceCause, Swelling, WeightDoubt
from service.words.labels import label, title
from service.words.language import Language, sentence
from service.words.sentences import record, signals, tasks


def reasons(say: Language, given: Iterable[Reason], news: Collection[Reason] = ()) -> list[str]:
    """Each reason as a sentence, in order, those of `news` marked as new; what reads the same is said once.

    Of a silence that a picture's sentence has told, only its cause is said beside it.
    """
    given = list(given)
    told: dict[str, bool] = {}
    silences = {signals.silence_told(one.because) for one in given if isinstance(one.because, PictureFacts)}
    for one in given:
        text = reason(say, one.because)
        if isinstance(one.because, StillSilent) and one.because.silence.missed in silences:
            text = _cause(say, one.because)
        told.setdefault(text, one in news)
    return [say.gettext("New: %(why)s", why=text) if is_new else text for text, is_new in told.items()]


def reason(say: Language, because: Because) -> str:
    """One reason as a sentence."""
    match because:
        case OpenTask():
            return tasks.task(say, because.facts)
        case Episode():
            text = signals.signal(say, because.kind, because.facts)
            if because.ended_on is None:
                return say.gettext(
                    "%(signal)s (as of %(day)s, when it was told).",
                    signal=text.rstrip("."),
                    day=say.day(because.raised_on),
                )
            return say.gettext("%(signal)s (no longer so, not yet seen by anyone).", signal=text.rstrip("."))
        case PictureFacts():
            return signals.picture(say, because)
        case FollowUpDue():
            return _follow_up(say, because)
        case ResponseFacts():
            return signals.response(say, because)
        case NotReached():
            return say.gettext("Carried over: could not be reached on %(day)s.", day=say.day(because.signed_on))
        case LookPlanned():
            return say.gettext("Another look was planned for %(day)s.", day=say.day(because.day))
        case Paused():
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
        case HighAccepted():
            return _accepted(say, because)
        case NoOtherReason():
            return _no_other_reason(say, because)
        case BeingWorkedOut():
            return _behind(say, because)
        case JustDischarged():
            return sentence(record.day_after_stay(say, because.day, because.discharged_on))
        case Lacking.PLAN:
            return say.gettext("Nothing is planned for this patient, so no reading is asked for.")
        case Lacking.REFERENCE:
            return say.gettext("Too few readings yet to know this patient's own reference.")
        case Lacking.DATA:
            return say.gettext(
                "This patient's data could not be worked out: look at the readings one by one, and tell the operator."
            )


def _accepted(say: Language, known: HighAccepted) -> str:
    return say.gettext(
        "%(picture)s. Accepted on %(day)s by %(name)s until %(until)s: “%(reason)s”",
        picture=signals.picture(say, known.picture).rstrip("."),
        day=say.day(known.accepted.on),
        name=known.accepted.by,
        until=say.day(known.accepted.until),
        reason=known.accepted.reason,
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


def _cause(say: Language, silent: StillSilent) -> str:
    """`Asked, and no reply.`"""
    return sentence(label(say, silent.silence.cause))


def missed(say: Language, number: int, cause: SilenceCause) -> str:
    """`3 missed: asked, and no reply`, where the dates stand beside it."""
    return say.gettext("%(missed)d missed: %(cause)s", missed=number, cause=label(say, cause))


def _follow_up(say: Language, due: FollowUpDue) -> str:
    words = {"what": due.what or say.gettext("Follow-up"), "day": say.day(due.made_on)}
    if due.days_late == 0:
        return sentence(say.gettext("%(what)s after the change of %(day)s is due today", **words))
    days = say.ngettext("%(num)d day", "%(num)d days", due.days_late)
    return sentence(say.gettext("%(what)s after the change of %(day)s is %(days)s overdue", days=days, **words))


def _paused(say: Language, pause: Paused) -> str:
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


def _behind(say: Language, because: BeingWorkedOut) -> str:
    if because.as_of is None:
        return say.gettext(
            "The readings and answers that came in are being worked out, and nothing is said of them yet: look again "
            "in a few minutes."
        )
    return say.gettext(
        "As of %(time)s on %(day)s: the rest is being worked out. Look again in a few minutes.",
        time=because.at,
        day=say.day(because.as_of),
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
            text += say.gettext(", mean of the first settled fortnight %(value)s", value=value)
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
    if day.weight_doubt is not None:
        doubt = label(say, day.weight_doubt)
        parts.append(say.gettext("weight in doubt, %(doubt)s: not compared", doubt=doubt))
    if day.slept_in_chair:
        parts.append(say.gettext("slept in a chair"))
    if day.swelling not in {None, Swelling.NONE}:
        parts.append(say.gettext("swelling %(place)s", place=label(say, day.swelling)))
    if day.full_belly:
        parts.append(say.gettext("belly swollen or full early"))
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


def since(say: Language, signed_on: Sequence[date], news: Sequence[Reason]) -> str:
    """`Signed 25 November; since then: The diary reports chest pain.` Empty where there is no news.

    The dates are the signature's and those of what was added to it.
    """
    if not news:
        return ""
    words = {"day": say.day(signed_on[0]), "why": " ".join(reasons(say, news)), "last": say.day(signed_on[-1])}
    if len(signed_on) == 1:
        return say.gettext("Signed %(day)s; since then: %(why)s", **words)
    return say.gettext("Signed %(day)s, last added to %(last)s; since then: %(why)s", **words)


def came_since(say: Language, then: Standing, known: Summary, lane: Lane) -> str:
    """What came after a signature or an addition and is no news: `Since then: last reading 26 November.`

    Says nothing of what it was, and of the lane only that it is another. Empty where no newer date has anything.
    """
    parts, reading, diary = [], known.last_reading_on, known.last_diary_on
    if reading is not None and (then.reading_on is None or reading > then.reading_on):
        parts.append(say.gettext("last reading %(day)s", day=say.day(reading)))
    if diary is not None and (then.diary_on is None or diary > then.diary_on):
        parts.append(say.gettext("last diary %(day)s", day=say.day(diary)))
    if lane is not then.lane:
        parts.append(say.gettext("now in “%(lane)s”", lane=label(say, lane)))
    return say.gettext("Since then: %(what)s.", what=", ".join(parts)) if parts else ""


# --- what reads differently after a signature ---------------------------------------------------------------


def later_day(say: Language, later: LaterDay) -> str:
    """`25 November: a reading came since, PA diastolic 27.5 mmHg; weight was 80 kg, now 81 kg.`"""
    return f"{say.day(later.day)}: {'; '.join(_later(say, fact) for fact in later.facts)}."


def _later(say: Language, fact: LaterFact) -> str:
    match fact.what:
        case Later.READING_CAME:
            return say.gettext(
                "a reading came since, PA diastolic %(value)s", value=_value(say, "pa_diastolic", fact.now)
            )
        case Later.READING_WITHDRAWN:
            return say.gettext(
                "the reading (PA diastolic %(value)s) was withdrawn", value=_value(say, "pa_diastolic", fact.was)
            )
        case Later.CHECKIN_CAME:
            return say.gettext("a check-in came since")
        case Later.VALUE:
            return say.gettext(
                "%(name)s was %(was)s, now %(now)s",
                name=_name(say, fact.name),
                was=_value(say, fact.name, fact.was),
                now=_value(say, fact.name, fact.now),
            )
        case Later.PAUSE_RECORDED:
            return say.gettext("a pause was recorded")
        case Later.PAUSE_TAKEN_BACK:
            return say.gettext("a pause was taken back")
        case Later.DAY_EXCUSED:
            return say.gettext("the day was excused")


def _name(say: Language, field: str) -> str:
    return {
        "pa_diastolic": say.gettext("PA diastolic"),
        "pa_mean": say.gettext("PA mean"),
        "pa_systolic": say.gettext("PA systolic"),
        "heart_rate": say.gettext("heart rate"),
        "weight_kg": say.gettext("weight"),
        "weight_doubt": say.gettext("doubt about the weight"),
        "breathlessness": say.gettext("breathlessness"),
        "extra_pillows": say.gettext("extra pillows"),
        "woke_breathless": say.gettext("woken breathless"),
        "slept_in_chair": say.gettext("slept in a chair"),
        "swelling": say.gettext("swelling"),
        "full_belly": say.gettext("belly swollen or full early"),
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
    if isinstance(value, Swelling | WeightDoubt):
        return label(say, value)
    return str(value)


# --- how a patient is followed -------------------------------------------------------


def pace(say: Language, followed: Pace) -> str:
    """What staff read beside a patient who is followed at this pace."""
    match followed:
        case Pace.NEW_HERE:
            return say.gettext(
                "Closer follow-up in the first two weeks: an earlier reminder, and you are told a day sooner."
            )
        case Pace.BACK_FROM_HOSPITAL:
            return say.gettext(
                "Closer follow-up for two weeks after a hospital stay: an earlier reminder, and you are told a day "
                "sooner."
            )
        case Pace.ANSWERS_RELIABLY:
            return say.gettext(
                "Easier follow-up, because nearly every day is answered: a later reminder, and the caregiver is asked "
                "an hour later."
            )


def moved(say: Language, on: date, before: str, after: str, without_window: Sequence[date]) -> str:
    """That a patient has moved from one zone to another, and which planned dates that has left without a window."""
    told = say.gettext("Moved on %(day)s from %(before)s to %(after)s.", day=say.day(on), before=before, after=after)
    if not without_window:
        return told
    days = say.listed([say.day(day) for day in without_window])
    left = say.ngettext(
        "%(days)s has no window: its hours were over there already, so nothing was asked.",
        "%(days)s have no window: their hours were over there already, so nothing was asked.",
        len(without_window),
        days=days,
    )
    return f"{told} {left}"


def hours(say: Language, proposal: HoursProposal) -> str:
    """Other hours for a plan, and the habit they follow from."""
    return say.ngettext(
        "Usually measures at about %(usual)s (%(num)d reading): %(opens)s to %(closes)s, reminder %(due)s, would suit "
        "better.",
        "Usually measures at about %(usual)s (%(num)d readings): %(opens)s to %(closes)s, reminder %(due)s, would suit "
        "better.",
        proposal.readings,
        usual=f"{proposal.usual:%H:%M}",
        opens=f"{proposal.rule.opens:%H:%M}",
        closes=f"{proposal.rule.closes:%H:%M}",
        due=f"{proposal.rule.due:%H:%M}",
    )


def usual_follow_up(say: Language, kind: AdjustmentKind) -> str:
    """What is usually looked at again after this kind of change; KeyError where nothing is usual."""
    return {
        AdjustmentKind.DIET: say.gettext("Weight and symptoms"),
        AdjustmentKind.DIALYSIS: say.gettext("Weight and pressures"),
        AdjustmentKind.DEVICE: say.gettext("Pressures after reprogramming"),
    }[kind]


def follow_up_source(say: Language) -> str:
    """Where that is from."""
    return say.gettext("Common practice: review days to 2 weeks after a change (NICE NG106, QS9).")
