"""Every reason of the weekly review in a few words, for a list that is read at one glance.

Promises at most `MOST_WORDS` words for any reason, made from the same facts as its sentence
(`service.words.sentences.review`), and never more than the sentence says: "unchanged" only of what was
compared, and nobody is told to be well. What a person wrote is not among them, since it may be long.
The number of words is this service's own; no source prescribes it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from service.domain.days import Paused
from service.domain.diary import urgency
from service.domain.record.limits import ResultBeyond
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
from service.domain.signals.facts import (
    DiaryFacts,
    Episode,
    Picture,
    PictureFacts,
    PressureFacts,
    ResponseFacts,
    Symptom,
    SymptomChange,
    WeightChange,
)
from service.domain.signals.picture import DAYS_NEEDED
from service.domain.summary import BEYOND_LIMIT, STRIP_DAYS
from service.domain.tasks import (
    AlarmInDoubt,
    AlarmWritten,
    CaregiverSaid,
    CheckFound,
    ChemistryWanted,
    ConsentDoubted,
    ContactBroke,
    ContactDue,
    EnteredCallToday,
    GoalOver,
    InvitationTold,
    LimitPassed,
    LongSilence,
    NobodyToReach,
    NumberToCheck,
    PhoneUntold,
    SafetyAnswered,
    StartTexted,
    TakenOver,
    TaskFacts,
    TransferAnswered,
    TransferAsked,
    WeightDoubted,
    Whose,
    kind_of,
)
from service.domain.vocabulary import Knowledge, Lane, Response, SafetySign, SignalKind, TransferState, Urgency
from service.words.labels import label, title
from service.words.language import Language
from service.words.sentences import diary as at_length
from service.words.sentences import record, signals

MOST_WORDS = 8


def reasons(say: Language, given: Iterable[Reason], last_known_on: date | None = None) -> list[str]:
    """Each reason in a few words, in order; what has been said is not said again.

    `last_known_on` is the day of the newest reading, where it is not one of now.
    """
    told: list[str] = []
    given = list(given)
    passed = any(isinstance(one.because, Episode) and one.because.kind in BEYOND_LIMIT for one in given)
    silences = {signals.silence_told(one.because) for one in given if isinstance(one.because, PictureFacts)}
    for one in _why_first(given):
        if isinstance(one.because, StillSilent) and one.because.silence.missed in silences:
            continue
        # "3 readings above the limit" and "perhaps above the limit" side by side would contradict each other.
        if passed and isinstance(one.because, PictureFacts):
            text = _capital(picture(say, one.because, limit_told=True))
        else:
            text = reason(say, one.because, last_known_on)
        if not any(text.casefold() in before.casefold() for before in told):
            told.append(text)
    return told


def _why_first(given: list[Reason]) -> list[Reason]:
    """What the nightly check found missing comes after what calls by itself: that says why."""
    found = [one for one in given if isinstance(one.because, OpenTask) and isinstance(one.because.facts, CheckFound)]
    others = [one for one in given if one not in found]
    return others + found if any(one.lane is Lane.CALL_TODAY for one in others) else given


def reason(say: Language, because: Because, last_known_on: date | None = None) -> str:
    """One reason in at most `MOST_WORDS` words, with a capital letter and no full stop."""
    return _capital(_reason(say, because, last_known_on))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _reason(say: Language, because: Because, last_known_on: date | None) -> str:
    match because:
        case OpenTask():
            return task(say, because.facts)
        case Episode():
            return _episode(say, because, last_known_on)
        case PictureFacts():
            return picture(say, because)
        case FollowUpDue():
            if because.days_late == 0:
                return say.gettext("Follow-up due today")
            return say.ngettext("Follow-up %(num)d day overdue", "Follow-up %(num)d days overdue", because.days_late)
        case ResponseFacts():
            return _response(say, because)
        case NotReached():
            return say.gettext("Not reached on %(day)s", day=say.short_day(because.signed_on))
        case LookPlanned():
            return say.gettext("Another look planned for %(day)s", day=say.short_day(because.day))
        case NoReadingYet():
            return say.gettext("No reading since enrolment, %(day)s", day=say.short_day(because.enrolled_on))
        case StillSilent():
            return _silent(say, because.silence.missed)
        case NothingExpected():
            return say.gettext("Nothing expected in %(days)d days", days=STRIP_DAYS)
        case HighAccepted():
            return say.gettext("High, accepted until %(day)s", day=say.short_day(because.accepted.until))
        case NoOtherReason():
            return picture(say, because.picture) if because.picture else say.gettext("No signal in what came")
        case Paused():
            first = say.short_day(because.from_day)
            return say.gettext("%(cause)s since %(day)s", cause=title(say, because.cause), day=first)
        case BeingWorkedOut():
            return say.gettext("Being worked out: look again")
        case JustDischarged():
            return say.gettext("Day %(day)d after discharge", day=because.day)
        case Lacking.PLAN:
            return say.gettext("No plan: no reading asked for")
        case Lacking.REFERENCE:
            return say.gettext("Too few readings for a reference")
        case Lacking.DATA:
            return say.gettext("Data could not be worked out")


def _episode(say: Language, raised: Episode, last_known_on: date | None) -> str:
    """Its facts are of the day it was raised: a limit still passed when nothing is read any more has the last date."""
    if raised.ended_on is not None:
        name = title(say, raised.kind)
        return say.gettext("%(signal)s, over, not seen", signal=name)
    match raised.kind:
        case SignalKind.ABOVE_LIMIT | SignalKind.BELOW_LIMIT:
            passed = _beyond(say, raised.facts.pressure, up=raised.kind is SignalKind.ABOVE_LIMIT)
            return _both(say, passed, "" if last_known_on is None else say.short_day(last_known_on))
        case SignalKind.WEIGHT_GAIN | SignalKind.WEIGHT_LOSS:
            told = raised.facts.diary
            moved = told.weight_gain if raised.kind is SignalKind.WEIGHT_GAIN else told.weight_loss
            return _weight(say, moved) if moved else title(say, raised.kind)
        case _:
            return picture(say, raised.facts)


def picture(say: Language, facts: PictureFacts, *, limit_told: bool = False) -> str:
    """What pressure, diary and silence say together, in a few words; nothing of a limit that is told beside it."""
    told = facts.diary
    if facts.pressure.is_past_limit and not limit_told and facts.picture is not Picture.SAFETY_ANSWER:
        return _past(say, facts)
    worst = _worst(say, told)
    match facts.picture:
        case Picture.SAFETY_ANSWER:
            return _signs(say, told.safety)
        case Picture.JUMP | Picture.JUMP_GOES_ON:
            return _jump(say, facts.pressure)
        case Picture.UP_AND_WORSE | Picture.UP_AND_LIGHTER:
            loss = _weight(say, told.weight_loss) if told.weight_loss and not worst else worst
            return _over(say, facts, loss)
        case Picture.SILENT_WHILE_RISING:
            return _silent_and(say, facts.silence.missed, _before(say, facts.pressure))
        case Picture.DOWN_AND_LIGHT_HEADED:
            loss = _weight(say, told.weight_loss) if told.weight_loss else ""
            return _over(say, facts, say.gettext("light-headed") if told.light_headed else loss)
        case Picture.SILENT_AND_UNWELL if facts.silence.silent:
            return _silent_and(say, facts.silence.missed, worst)
        case Picture.SILENT_AND_UNWELL:
            return _both(say, at_length.no_diary_for(say, facts), worst)
        case Picture.UP_AND_WELL:
            return _up_and_well(say, facts, limit_told=limit_told)
        case Picture.WORSE_WITH_FLAT_PRESSURE | Picture.WORSE_WITHOUT_PRESSURE:
            return worst if not told.worse else say.gettext("Feeling worse: %(worst)s", worst=worst)
        case Picture.HIGH_STEADY if facts.pressure.high is not None and facts.last_known_on is None:
            days = say.ngettext("High for %(num)d day", "High for %(num)d days", facts.pressure.high.days)
            return _both(say, days, _over(say, facts))
        case _:
            return _calmer(say, facts)


def _calmer(say: Language, facts: PictureFacts) -> str:
    told, compared = facts.diary, facts.pressure.compared
    match facts.picture:
        case Picture.TRAVELLING:
            return say.gettext("Away from home: pressures not compared")
        case Picture.COMING_DOWN if facts.last_known_on is None:
            return _both(say, say.gettext("Coming down"), _over(say, facts))
        case Picture.LIGHT_HEADED:
            return at_length.light_headed_clause(say, told) or say.gettext("Light-headed")
        case Picture.CHANGED:
            return _changed(say, facts)
        case Picture.STARTING:
            number = (facts.today - (facts.starting or facts.today)).days + 1
            if facts.pressure.last_reading_on is None:
                return say.gettext("Starting, day %(day)d: no reading yet", day=number)
            return say.gettext("Starting: day %(day)d since enrolment", day=number)
        case Picture.SILENT:
            return _silent(say, facts.silence.missed)
        case Picture.TOO_LITTLE:
            return say.gettext("Too little came to say")
        case Picture.UNCOMPARED:
            return _uncompared(say, facts)
        case Picture.QUIET:
            return say.gettext("Compared, unchanged on %(days)d of %(of)d days", days=compared.days, of=compared.of)
        case _:
            return _over(say, facts)


def _up_and_well(say: Language, facts: PictureFacts, *, limit_told: bool) -> str:
    forecast = facts.pressure.forecast
    if forecast is not None and not limit_told and facts.last_known_on is None:
        days = round(forecast.low)
        if days <= 0:
            return _over(say, facts, say.gettext("perhaps past limit"))
        if not forecast.slowing:
            return _over(say, facts, say.ngettext("limit in %(num)d day", "limit in %(num)d days", days))
    if at_length.is_unchanged(facts.diary):
        return _over(say, facts, say.gettext("diary unchanged"))
    return _over(say, facts)


def _uncompared(say: Language, facts: PictureFacts) -> str:
    """Which of the two cannot be compared: the pressures first."""
    pressures = facts.pressure.compared
    if pressures.knowledge is Knowledge.UNCHANGED and pressures.days >= DAYS_NEEDED.get(pressures.of, 0):
        return say.gettext("Too little diary to compare")
    if pressures.knowledge is Knowledge.UNCHANGED:
        return say.gettext("Pressures compared on %(days)d of %(of)d days", days=pressures.days, of=pressures.of)
    return say.gettext("Not sure whether the pressure has moved")


def _changed(say: Language, facts: PictureFacts) -> str:
    told, pressure = facts.diary, facts.pressure
    if pressure.compared.knowledge is Knowledge.CHANGED:
        return say.gettext("Beyond a limit set for this patient")
    if told.eased is not None:
        return say.gettext("less breathless: %(now)s of 10", now=say.figure(told.eased.now, 0))
    if told.weight_loss is not None:
        return _weight(say, told.weight_loss)
    if pressure.heart is not None:
        now, usual = round(pressure.heart.now), round(pressure.heart.usual)
        return say.gettext("Heart rate %(now)d, usually %(usual)d", now=now, usual=usual)
    return say.gettext("Something differs from the usual")


# --- parts of them: four words at most --------------------------------------------------------------


def _both(say: Language, one: str, other: str) -> str:
    return say.pgettext("brief", "%(one)s, %(other)s", one=one, other=other) if one and other else one or other


def _over(say: Language, facts: PictureFacts, beside: str = "") -> str:
    """`+9 mmHg over reference`, and what stands beside it.

    Of a reading of some days ago with its date, as the last known.
    """
    pressure, day = facts.pressure, facts.last_known_on
    if day is None or pressure.level is None:
        return _both(say, _over_now(say, pressure), beside)
    words = {"what": _figure(say, pressure), "day": say.short_day(day)}
    if beside:
        return _both(say, say.gettext("%(what)s on %(day)s", **words), beside)
    return say.gettext("last known %(what)s mmHg, %(day)s", **words)


def _before(say: Language, pressure: PressureFacts) -> str:
    """What stood before a silence."""
    if pressure.level is None:
        return ""
    return say.gettext("before it %(what)s mmHg", what=_figure(say, pressure))


def _figure(say: Language, pressure: PressureFacts) -> str:
    """`+9`, against the reference or the usual; `24` where there is neither."""
    against = pressure.usual if pressure.reference is None else pressure.reference.value
    level = pressure.level or 0.0
    return say.figure(level, 0) if against is None else say.change(level - against, 0)


def _over_now(say: Language, pressure: PressureFacts) -> str:
    """Where there is no reference, against the recent usual, or the level alone."""
    if pressure.level is None:
        return say.gettext("level not known")
    if pressure.reference is not None:
        far = pressure.level - pressure.reference.value
        words = {"far": say.figure(abs(far), 0)}
        if words["far"] == "0":
            return say.gettext("at the reference")
        if far > 0:
            return say.gettext("+%(far)s mmHg over reference", **words)
        return say.gettext("−%(far)s mmHg under reference", **words)
    if pressure.usual is not None:
        return say.gettext("%(far)s mmHg against usual", far=say.change(pressure.level - pressure.usual, 0))
    return say.gettext("about %(level)s mmHg", level=say.figure(pressure.level, 0))


def _worst(say: Language, told: DiaryFacts) -> str:
    """What is worst of the diary, and the weight where nothing else is."""
    if told.worse:
        return symptom(say, told.worse[0])
    return _weight(say, told.weight_gain) if told.weight_gain else ""


def symptom(say: Language, change: SymptomChange) -> str:
    """`breathless 4`."""
    match change.symptom:
        case Symptom.BREATHLESS:
            return say.gettext("breathless %(now)s", now=say.figure(change.now, 0))
        case Symptom.WOKEN:
            return say.gettext("woken breathless")
        case Symptom.CHAIR:
            return say.gettext("slept in a chair")
        case Symptom.PILLOWS:
            return say.ngettext("%(num)d more pillow", "%(num)d more pillows", int(change.now))
        case Symptom.SWELLING:
            return say.gettext("more swelling")
        case Symptom.BELLY:
            return say.gettext("belly swollen")
        case Symptom.TIRED:
            return say.gettext("more tired")


def _weight(say: Language, moved: WeightChange) -> str:
    return say.gettext("weight %(change)s kg", change=say.change(moved.kg))


def _silent(say: Language, missed: int) -> str:
    return say.ngettext("no reading for %(num)d planned day", "no reading for %(num)d planned days", missed)


def _silent_and(say: Language, missed: int, other: str) -> str:
    return _both(say, say.ngettext("silent %(num)d day", "silent %(num)d days", missed), other)


def _jump(say: Language, pressure: PressureFacts) -> str:
    jump = pressure.jump
    if jump is None:
        return title(say, SignalKind.JUMP)
    return say.ngettext(
        "%(num)d reading near %(near)s: jump or fault",
        "%(num)d readings near %(near)s: jump or fault",
        jump.readings,
        near=say.figure(jump.around, 0),
    )


def _past(say: Language, facts: PictureFacts) -> str:
    forecast = facts.pressure.forecast
    told = "" if forecast is None else _limit(say, facts.pressure, forecast.limit, up=forecast.up)
    return _both(say, told, "" if facts.last_known_on is None else say.short_day(facts.last_known_on))


def _beyond(say: Language, pressure: PressureFacts, *, up: bool) -> str:
    run, limit = pressure.in_a_row, pressure.limits.upper if up else pressure.limits.lower
    if run is not None and run.up is up:
        words = {"limit": say.figure(run.limit)}
        if up:
            return say.ngettext(
                "%(num)d reading above the limit of %(limit)s",
                "%(num)d readings above the limit of %(limit)s",
                run.readings,
                **words,
            )
        return say.ngettext(
            "%(num)d reading below the limit of %(limit)s",
            "%(num)d readings below the limit of %(limit)s",
            run.readings,
            **words,
        )
    if limit is None:
        return title(say, SignalKind.ABOVE_LIMIT if up else SignalKind.BELOW_LIMIT)
    return _limit(say, pressure, limit, up=up)


def _limit(say: Language, pressure: PressureFacts, limit: float, *, up: bool) -> str:
    """`above the limit of 25`; perhaps, where the level is no farther from it than its error."""
    words = {"limit": say.figure(limit)}
    if pressure.is_near(limit):
        if up:
            return say.gettext("perhaps above limit %(limit)s", **words)
        return say.gettext("perhaps below limit %(limit)s", **words)
    if up:
        return say.gettext("above the limit of %(limit)s", **words)
    return say.gettext("below the limit of %(limit)s", **words)


def _response(say: Language, facts: ResponseFacts) -> str:
    day = say.short_day(facts.adjustment.made_on)
    match facts.response:
        case Response.OVERSHOT:
            return say.gettext("Past the reference since change, %(day)s", day=day)
        case Response.NOT_SETTLING:
            return say.gettext("Not settling since change, %(day)s", day=day)
        case _:
            return say.gettext("%(response)s since change, %(day)s", response=title(say, facts.response), day=day)


# --- what may be an emergency, and other tasks --------------------------------------------------------


def _signs(say: Language, signs: Iterable[SafetySign], day: date | None = None) -> str:
    """`Chest pain reported`: the first in the order of the vocabulary, and how many more there are."""
    given = [sign for sign in SafetySign if sign in set(signs)]
    if not given:
        return say.gettext("Safety answer")
    pressing = [sign for sign in given if urgency((sign,)) is Urgency.EMERGENCY] or given
    words = {"sign": _sign(say, pressing[0])}
    if len(given) > 1:
        return say.ngettext(
            "%(sign)s and %(num)d more sign", "%(sign)s and %(num)d more signs", len(given) - 1, **words
        )
    if day is not None:
        return say.gettext("%(sign)s, %(day)s", day=say.short_day(day), **words)
    return say.gettext("%(sign)s reported", **words)


def _sign(say: Language, sign: SafetySign) -> str:
    match sign:
        case SafetySign.CHEST_PAIN:
            return say.gettext("Chest pain")
        case SafetySign.PINK_SPUTUM:
            return say.gettext("Pink sputum")
        case SafetySign.RACING_HEART:
            return say.gettext("Racing heartbeat")
        case SafetySign.ONE_SHOCK:
            return say.gettext("One defibrillator shock")
        case SafetySign.SHOCKS:
            return say.gettext("Defibrillator shocks")
        case _:
            return title(say, sign)


def task(say: Language, facts: TaskFacts) -> str:
    """What somebody must look at, in a few words; its name where that says enough."""
    match facts:
        case LongSilence():
            return say.gettext("No reading from %(day)s on", day=say.short_day(facts.first))
        case EnteredCallToday():
            return _called(say, facts)
        case NobodyToReach():
            return (
                say.gettext("No way to reach the patient")
                if facts.whose is Whose.PATIENT
                else say.gettext("No way to reach a caregiver")
            )
        case SafetyAnswered():
            return _signs(say, facts.signs, facts.day)
        case AlarmWritten():
            return say.gettext("Wrote what may be an emergency")
        case AlarmInDoubt():
            return say.gettext("Their number texted a possible emergency")
        case WeightDoubted():
            return say.gettext("Weight of %(day)s in doubt", day=say.short_day(facts.day))
        case LimitPassed():
            words = {
                "value": say.figure(facts.pa_diastolic),
                "day": say.short_day(facts.day),
                "limit": say.figure(facts.limit),
            }
            return say.gettext("%(value)s mmHg on %(day)s, limit %(limit)s", **words)
        case ResultBeyond():
            return record.beyond_briefly(say, facts)
        case ChemistryWanted():
            return say.gettext("Chemistry due by %(day)s", day=say.short_day(facts.due.due_on))
        case GoalOver():
            return say.gettext("Goal ran out on %(day)s", day=say.short_day(facts.aim.goal.until))
        case InvitationTold():
            return say.gettext("Invitation of %(name)s", name=facts.name)
        case CaregiverSaid():
            return say.gettext("Caregiver: %(answer)s", answer=label(say, facts.answer))
        case TransferAsked():
            return say.gettext("%(clinic)s asks you to take over", clinic=facts.clinic)
        case TransferAnswered():
            answer = TransferState.ACCEPTED if facts.accepted else TransferState.DECLINED
            return f"{facts.name}: {label(say, answer)}"
        case TakenOver():
            return say.gettext("Taken over from %(clinic)s", clinic=facts.clinic)
        case StartTexted():
            return say.gettext("Texted START, no consent on record")
        case ConsentDoubted():
            return say.gettext("Consent in doubt: nothing is sent")
        case NumberToCheck():
            return say.gettext("Telephone number to check")
        case PhoneUntold():
            return say.gettext("Another phone for their notices")
        case ContactDue():
            return record.contact_briefly(say, facts.contact, overdue=facts.is_overdue, most_words=MOST_WORDS)
        case ContactBroke():
            return say.gettext("Contact works no more: %(channel)s", channel=label(say, facts.channel))
        case _:
            return _named(say, facts)


def _called(say: Language, facts: EnteredCallToday) -> str:
    if not facts.because:
        return say.gettext("In Call today since %(day)s", day=say.short_day(facts.day))
    first = facts.because[0]
    return _episode(say, first, None) if isinstance(first, Episode) else picture(say, first)


def _named(say: Language, facts: TaskFacts) -> str:
    if isinstance(facts, CheckFound):
        return say.gettext("Nightly check: %(what)s", what=label(say, kind_of(facts)))
    return title(say, kind_of(facts))
