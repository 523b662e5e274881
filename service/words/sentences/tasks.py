"""Tasks for staff in words. Whatever a person wrote stands in their own words."""

from __future__ import annotations

from datetime import timedelta

from service.domain.diary import WEIGHT_RANGES
from service.domain.record.limits import ResultBeyond
from service.domain.record.now import Aim
from service.domain.signals.facts import Episode, ProposalReason, ReferenceProposal
from service.domain.tasks import (
    AlarmInDoubt,
    AlarmOfStaff,
    AlarmWritten,
    CallUntold,
    CaregiverSaid,
    CaregiverWrote,
    ChannelMissing,
    CheckFound,
    ChemistryWanted,
    ConsentDoubted,
    ContactBroke,
    ContactDue,
    EmergencyOpened,
    EnteredCallToday,
    Found,
    GoalOver,
    HandOverUnknown,
    InvitationTold,
    InvitedOutcome,
    LimitPassed,
    LongSilence,
    NobodyToReach,
    NumberToCheck,
    PatientWrote,
    PhoneUntold,
    ReferenceProposed,
    SafetyAnswered,
    StaffStopped,
    StartTexted,
    StrangersFlood,
    StrangerWrote,
    TakenOver,
    TaskFacts,
    TransferAnswered,
    TransferAsked,
    WeightDoubted,
    Whose,
    WordingFailed,
    WordsUnsent,
)
from service.domain.vocabulary import CaregiverAnswer, Channel, SafetySign, StepKind, TaskSettled, Urgency, WeightDoubt
from service.words.labels import label
from service.words.language import Language
from service.words.sentences import record, signals


def task(say: Language, facts: TaskFacts) -> str:
    """What somebody must look at, in one or a few sentences."""
    match facts:
        case LongSilence():
            return _silence(say, facts)
        case EnteredCallToday():
            return _call_today(say, facts)
        case CheckFound():
            return _found(say, facts)
        case NobodyToReach():
            return _nobody(say, facts)
        case SafetyAnswered():
            return _safety(say, facts)
        case WeightDoubted():
            return _weight(say, facts)
        case AlarmWritten() | AlarmInDoubt() | AlarmOfStaff() | CallUntold() | StrangerWrote() | StrangersFlood():
            return _written(say, facts)
        case LimitPassed():
            return _limit(say, facts)
        case CaregiverSaid():
            return _caregiver(say, facts)
        case CaregiverWrote():
            return say.gettext(
                "%(name)s wrote, in answer to a nudge: “%(words)s”", name=facts.caregiver, words=facts.words
            )
        case PatientWrote():
            return say.gettext("Texted on %(day)s: “%(words)s”", day=say.day(facts.day), words=facts.words)
        case StaffStopped():
            return _stopped(say, facts)
        case StartTexted():
            return _start(say, facts)
        case NumberToCheck():
            return _check_number(say, facts)
        case EmergencyOpened():
            return say.gettext(
                "%(name)s came in by emergency access, with a code on paper: “%(reason)s” Nobody has proved the name. "
                "Administrators can end it and see what was done.",
                name=facts.name,
                reason=facts.reason,
            )
        case ConsentDoubted() | PhoneUntold() | WordsUnsent() | WordingFailed() | ChannelMissing() | ContactBroke():
            return _of_reaching(say, facts)
        case ContactDue():
            return _contact_due(say, facts)
        case ChemistryWanted() | ResultBeyond() | GoalOver():
            return _of_record(say, facts)
        case TransferAsked() | TransferAnswered() | TakenOver():
            return _transfer(say, facts)
        case InvitationTold():
            return _invited(say, facts)
        case ReferenceProposed():
            return _proposed(say, facts.proposal)
        case HandOverUnknown():
            return _unknown(say, facts)


def _unknown(say: Language, facts: HandOverUnknown) -> str:
    return say.ngettext(
        "The hand-over of a message was cut off, or not answered, so nobody knows whether it arrived.",
        "The hand-over of %(num)d messages was cut off, or not answered, so nobody knows whether they arrived.",
        len(facts.messages),
    )


def _contact_due(say: Language, facts: ContactDue) -> str:
    today = facts.contact.due_on + timedelta(days=1) if facts.is_overdue else facts.contact.due_on
    return _sentence(record.contacting(say, facts.contact, today))


def _of_record(say: Language, facts: ChemistryWanted | ResultBeyond | GoalOver) -> str:
    match facts:
        case ChemistryWanted():
            return _sentence(record.due(say, facts.due, facts.due.due_on))
        case ResultBeyond():
            return _sentence(record.beyond(say, facts))
        case GoalOver():
            return _goal_over(say, facts.aim)


def _goal_over(say: Language, aim: Aim) -> str:
    reach = record.between(say, aim.goal.lower, aim.goal.upper)
    return say.gettext(
        "The goal of %(range)s ran out on %(day)s (%(why)s). Set a newer one, or close this with the reason.",
        range=reach, day=say.day(aim.goal.until), why=aim.why,
    )  # fmt: skip


def _transfer(say: Language, facts: TransferAsked | TransferAnswered | TakenOver) -> str:
    match facts:
        case TransferAsked():
            return say.gettext(
                "%(clinic)s asks you to take over a patient, who has agreed. Until you accept, they look after them.",
                clinic=facts.clinic,
            )
        case TransferAnswered(accepted=True):
            return say.gettext(
                "%(clinic)s has taken over %(name)s: you look after them no longer, and see nothing new of them.",
                clinic=facts.clinic, name=facts.name,
            )  # fmt: skip
        case TransferAnswered():
            return say.gettext(
                "%(clinic)s declined to take over %(name)s: “%(reason)s” You look after them as before.",
                clinic=facts.clinic, name=facts.name, reason=facts.reason,
            )  # fmt: skip
        case TakenOver():
            came = say.gettext(
                "Taken over from %(clinic)s on %(day)s. Follow-up steps, quiet hours and the sender’s name are yours "
                "from now on: look at plan and contacts.",
                clinic=facts.clinic, day=say.day(facts.day),
            )  # fmt: skip
            decided = say.gettext(
                "Limits, goals and the reference that were set there count on, as who set them: look at each."
            )
            return f"{came} {decided}" if facts.decided else came


def _invited(say: Language, facts: InvitationTold) -> str:
    match facts.outcome:
        case InvitedOutcome.ANSWERED:
            return say.gettext(
                "%(name)s has read the invitation and answered. Nothing is sent before you have confirmed it.",
                name=facts.name,
            )
        case InvitedOutcome.DECLINED:
            return say.gettext("%(name)s has read the invitation and said no. Nothing is sent.", name=facts.name)
        case InvitedOutcome.NO_ANSWER:
            return say.gettext(
                "The invitation of %(name)s ran out without an answer. Whether it was ever read is not known.",
                name=facts.name,
            )
        case InvitedOutcome.NOT_SENT:
            return say.gettext("The text with the invitation of %(name)s did not arrive.", name=facts.name)
        case InvitedOutcome.LOCKED:
            return say.gettext(
                "The invitation of %(name)s was closed after too many wrong answers at its door. "
                "Somebody else may have it, or what you typed may be wrong.",
                name=facts.name,
            )


def _sentence(text: str) -> str:
    return f"{text}."


def _written(
    say: Language, facts: AlarmWritten | AlarmInDoubt | AlarmOfStaff | CallUntold | StrangerWrote | StrangersFlood
) -> str:
    """What came as a text or a note, and may be an emergency."""
    match facts:
        case AlarmWritten():
            return _alarm(say, facts)
        case AlarmInDoubt():
            return _alarm_in_doubt(say, facts)
        case AlarmOfStaff():
            wrote = say.gettext("From the telephone of %(name)s: “%(words)s”.", name=facts.name, words=facts.words)
            return " ".join([wrote, _told(say, facts.told_to_call), say.gettext("Call them.")])
        case CallUntold():
            return _untold(say, facts)
        case StrangerWrote():
            return _stranger(say, facts)
        case StrangersFlood():
            return _flood(say, facts)


def _call_today(say: Language, facts: EnteredCallToday) -> str:
    why = [
        signals.signal(say, one.kind, one.facts) if isinstance(one, Episode) else signals.picture(say, one)
        for one in facts.because
    ]
    return say.gettext("In Call today since %(day)s: %(why)s", day=say.day(facts.day), why=" ".join(why))


def _proposed(say: Language, proposal: ReferenceProposal) -> str:
    if proposal.reference is None:
        return say.gettext(
            "Steady from %(first)s to %(last)s at a mean of %(value)s mmHg, above the first readings. No reference "
            "counts yet: no fortnight had settled before the pressure rose. On this patient's page, accept this "
            "fortnight if it is a level that you are content with, keep none while treatment is not finished, or "
            "type one. Nothing changes until somebody decides, so it can wait for the review.",
            value=say.figure(proposal.value),
            first=say.day(proposal.from_day),
            last=say.day(proposal.to_day),
        )
    moved = proposal.value - proposal.reference
    words = {
        "value": say.figure(proposal.value),
        "first": say.day(proposal.from_day),
        "last": say.day(proposal.to_day),
        "size": say.figure(abs(moved)),
    }
    if words["size"] == say.figure(0.0):
        settled = say.gettext(
            "Steady from %(first)s to %(last)s at a mean of %(value)s mmHg, which is what counts now.", **words
        )
    elif moved < 0:
        settled = say.gettext(
            "Steady from %(first)s to %(last)s at a mean of %(value)s mmHg, %(size)s under what counts now.",
            **words,
        )
    else:
        settled = say.gettext(
            "Steady from %(first)s to %(last)s at a mean of %(value)s mmHg, %(size)s above what counts now.",
            **words,
        )
    reference = say.figure(proposal.reference)
    now = (
        say.gettext("The reference is %(value)s mmHg.", value=reference)
        if proposal.is_set
        else say.gettext(
            "No reference was accepted: the first settled fortnight's mean of %(value)s mmHg stands in for it.",
            value=reference,
        )
    )
    sentences = [settled, now]
    if proposal.why is ProposalReason.WAS_MOVING:
        sentences.append(say.gettext("The pressure was moving on the days that the reference was taken from."))
    if proposal.why is ProposalReason.OLD:
        sentences.append(say.gettext("It is more than a year old."))
    what_to_do = say.gettext(
        "A rise is told against what counts. On this patient's page, accept this fortnight if it is a level that you "
        "are content with, keep what counts now while treatment is not finished, or type another. Nothing changes "
        "until somebody decides, so it can wait for the review."
    )
    return " ".join([*sentences, what_to_do])


def close_reason(say: Language, reason: str | None) -> str | None:
    """Why a task was closed: what staff typed, as they typed it, or why the service closed it."""
    if reason in list(TaskSettled):
        return label(say, TaskSettled(reason))
    return reason


def _silence(say: Language, facts: LongSilence) -> str:
    """By its first day, which stays so while it lasts: the days of the task would be fewer than those of today."""
    lasts = say.gettext(
        "No reading on any planned day from %(day)s on: %(cause)s.",
        day=say.day(facts.first),
        cause=label(say, facts.cause),
    )
    if not facts.again:
        return lasts
    return " ".join([lasts, say.gettext("A task of this was closed before, and nothing has come since.")])


def _found(say: Language, facts: CheckFound) -> str:
    words = {
        Found.SILENCE_UNTOLD: say.gettext(
            "No reading has come since %(day)s, and nobody was told.", day=say.day(facts.day)
        ),
        Found.SAFETY_UNTOLD: say.gettext(
            "The check-in of %(day)s has signs of an emergency, and nobody was told. Call them.", day=say.day(facts.day)
        ),
        Found.WRONG_END: say.gettext(
            "The day %(day)s does not stand as what was recorded of it: look at the record.", day=say.day(facts.day)
        ),
        Found.NOT_ON_REVIEW: say.gettext(
            "This patient did not stand on the review, or not as of %(day)s.", day=say.day(facts.day)
        ),
        Found.CALL_UNTOLD: say.gettext(
            "In Call today on %(day)s, and nobody was told: see why on the review, and call them.",
            day=say.day(facts.day),
        ),
        Found.RECORD_ALTERED: say.gettext(
            "Signed reviews, consents or adjustments are not as they were written, or are gone (%(day)s). "
            "Do not rely on those that say so.",
            day=say.day(facts.day),
        ),
        Found.TRAIL_ALTERED: say.gettext(
            "The trail of who did what is not as it was written (%(day)s): lines were changed or deleted.",
            day=say.day(facts.day),
        ),
    }
    return " ".join(
        [words[facts.found], say.gettext("The nightly check found this: please tell whoever runs the service.")]
    )


def _nobody(say: Language, facts: NobodyToReach) -> str:
    steps = {
        StepKind.PROMPT: say.gettext("the prompt was not sent"),
        StepKind.REMINDER: say.gettext("the reminder was not sent"),
        StepKind.NUDGE: say.gettext("the nudge was not sent"),
        StepKind.TASK: say.gettext("the task was not sent"),
    }
    if facts.whose is Whose.PATIENT:
        return say.gettext("There is no working way to reach the patient: %(step)s.", step=steps[facts.step])
    return say.gettext("There is no working way to reach any caregiver: %(step)s.", step=steps[facts.step])


def _safety(say: Language, facts: SafetyAnswered) -> str:
    signs = say.listed([label(say, sign) for sign in SafetySign if sign in facts.signs])
    sentences = [say.gettext("Check-in of %(day)s: %(signs)s.", day=say.day(facts.day), signs=signs)]
    if facts.told_to_call:
        sentences.append(_told(say, facts.told_to_call))
    call = say.gettext("Call them.") if facts.urgency is Urgency.EMERGENCY else say.gettext("Call them today.")
    return " ".join([*sentences, call])


def _weight(say: Language, facts: WeightDoubted) -> str:
    words = {
        "day": say.day(facts.day),
        "given": f"{say.figure(facts.given, 2)} {WEIGHT_RANGES[facts.unit][2]}",
        "last": say.figure(facts.last_kg),
        "other": say.figure(facts.other_kg),
    }
    if facts.doubt is WeightDoubt.OTHER_UNIT:
        doubt = say.gettext(
            "Weight of %(day)s: %(given)s; in the other unit it would be %(other)s kg, near the last, %(last)s kg.",
            **words,
        )
    else:
        doubt = say.gettext("Weight of %(day)s: %(given)s, far from the last, %(last)s kg.", **words)
    return " ".join([doubt, say.gettext("Nobody has said that it is right; until then it is compared with nothing.")])


def _alarm(say: Language, facts: AlarmWritten) -> str:
    if facts.caregiver:
        wrote = say.gettext("Their caregiver %(name)s wrote: “%(words)s”.", name=facts.caregiver, words=facts.words)
    else:
        wrote = say.gettext("They wrote: “%(words)s”.", words=facts.words)
    told = _told(say, facts.told_to_call) if facts.told_to_call else ""
    return " ".join(part for part in (wrote, told, say.gettext("Call them.")) if part)


def _alarm_in_doubt(say: Language, facts: AlarmInDoubt) -> str:
    sentences = [
        say.gettext("A text that may be an emergency came from %(number)s.", number=_number(say, facts.whose)),
        say.gettext("Somebody else may have that number too: it is not known yet who wrote."),
        _told(say, facts.told_to_call),
        say.gettext("Call them."),
    ]
    return " ".join(sentences)


def _untold(say: Language, facts: CallUntold) -> str:
    if facts.is_known:
        text = say.gettext("The text that tells them to call %(number)s was not sent.", number=facts.number)
    else:
        text = say.gettext(
            "Nobody knows whether the text that tells them to call %(number)s arrived.", number=facts.number
        )
    return " ".join([text, say.gettext("Call them.")])


def _stranger(say: Language, facts: StrangerWrote) -> str:
    if facts.alarms:
        came = say.gettext("A text that may be an emergency came from a number that nobody here has.")
        do = say.gettext("Call them.")
    else:
        came = say.gettext("A text came from a number that nobody here has: nothing of it was taken in.")
        do = say.gettext("It may be the new number of somebody looked after here.")
    told = _told(say, facts.told_to_call) if facts.alarms and facts.told_to_call else ""
    whose = say.gettext("It may be meant for another clinic of this service, which is told too.")
    return " ".join(part for part in (came, told, whose if facts.several else "", do) if part)


def _flood(say: Language, facts: StrangersFlood) -> str:
    many = say.gettext("More texts from unknown numbers came in an hour than are told one by one.")
    some = say.gettext("Some may be emergencies, and were not answered.")
    tell = say.gettext("Please tell whoever runs the service: somebody may mean harm.")
    return " ".join((many, some, tell) if facts.alarms else (many, tell))


def _start(say: Language, facts: StartTexted) -> str:
    if facts.whose is Whose.CAREGIVER:
        wrote = say.gettext("Their caregiver texted START, but no agreement to messages of theirs is on record.")
    else:
        wrote = say.gettext("They texted START, but no agreement to messages of theirs is on record.")
    return " ".join([wrote, say.gettext("Nothing is sent until you have asked them and recorded it.")])


def _check_number(say: Language, facts: NumberToCheck) -> str:
    sentences = []
    if facts.unplaced:
        sentences.append(
            say.gettext(
                "A text came from %(number)s, and it was not said whom it was for: nothing of it is kept.",
                number=_number(say, facts.whose),
            )
        )
    sentences.append(
        say.gettext(
            "Please check the digits of %(number)s with them: somebody else may have it too.",
            number=_number(say, facts.whose),
        )
    )
    return " ".join(sentences)


def _of_reaching(
    say: Language, facts: ConsentDoubted | PhoneUntold | WordsUnsent | WordingFailed | ChannelMissing | ContactBroke
) -> str:
    match facts:
        case ConsentDoubted(whose=Whose.CAREGIVER):
            return say.gettext(
                "A consent to messages to a caregiver is not found as it was written: whether it was given is not "
                "known. Nothing is sent to them. Ask patient and caregiver, record it anew, and tell whoever runs the "
                "service."
            )
        case ConsentDoubted():
            return say.gettext(
                "The consent to messages is not found as it was written: whether the patient agrees is not known. "
                "Nothing is sent to them. Ask them, record it anew, and tell whoever runs the service."
            )
        case PhoneUntold():
            return _phone(say, facts)
        case WordsUnsent():
            return say.gettext(
                "What was written to them by hand was not sent: “%(words)s” Tell them another way.", words=facts.words
            )
        case WordingFailed():
            return say.gettext("A message could not be written out. The clinic's own wording of it may be at fault.")
        case ChannelMissing():
            return _missing(say, facts)
        case ContactBroke():
            return _broke(say, facts)


def _phone(say: Language, facts: PhoneUntold) -> str:
    if facts.whose is Whose.CAREGIVER:
        ask = say.gettext("Please ask the caregiver whether it was they.")
    else:
        ask = say.gettext("Please ask them whether it was they.")
    set_up = say.gettext(
        "Another phone gets their notices now, set up by a link, and they have no other way to be told."
    )
    return f"{set_up} {ask}"


def _number(say: Language, whose: Whose) -> str:
    """`the patient's telephone number`."""
    match whose:
        case Whose.PATIENT:
            return say.gettext("the patient's telephone number")
        case Whose.CAREGIVER:
            return say.gettext("the caregiver's telephone number")
        case Whose.STAFF:
            return say.gettext("the staff member's telephone number")


def _told(say: Language, number: str) -> str:
    return say.gettext("They were told at once to call %(number)s.", number=number)


def _limit(say: Language, facts: LimitPassed) -> str:
    words = {
        "pressure": say.figure(facts.pa_diastolic),
        "day": say.day(facts.day),
        "limit": say.figure(facts.limit),
        "set_on": say.day(facts.set_on),
    }
    if facts.up:
        return say.gettext(
            "PA diastolic %(pressure)s mmHg on %(day)s, above the upper limit of %(limit)s mmHg set for this patient "
            "on %(set_on)s.",
            **words,
        )
    return say.gettext(
        "PA diastolic %(pressure)s mmHg on %(day)s, below the lower limit of %(limit)s mmHg set for this patient "
        "on %(set_on)s.",
        **words,
    )


def _caregiver(say: Language, facts: CaregiverSaid) -> str:
    who = f"{facts.caregiver} ({facts.relation})" if facts.relation else facts.caregiver
    answers = {
        CaregiverAnswer.SPOKE: say.gettext("%(who)s spoke to them.", who=who),
        CaregiverAnswer.IN_HOSPITAL: say.gettext("%(who)s says they are in hospital.", who=who),
        CaregiverAnswer.AWAY: say.gettext("%(who)s says they are away.", who=who),
        CaregiverAnswer.EQUIPMENT: say.gettext("%(who)s says the equipment gives trouble.", who=who),
    }
    sentences = [answers[facts.answer]]
    if facts.paused_from is not None and facts.paused_to is not None:
        sentences.append(
            say.gettext(
                "Readings are not expected from %(first)s to %(last)s.",
                first=say.day(facts.paused_from),
                last=say.day(facts.paused_to),
            )
        )
    elif facts.paused_from is not None:
        sentences.append(
            say.gettext(
                "Readings are not expected from %(first)s until told otherwise.", first=say.day(facts.paused_from)
            )
        )
    elif facts.takes_back:
        sentences.append(say.gettext("This takes back an earlier answer: readings are expected again."))
    if facts.note:
        sentences.append(say.gettext("They add: “%(note)s”", note=facts.note))
    return " ".join(sentences)


def _stopped(say: Language, facts: StaffStopped) -> str:
    sentences = [
        say.gettext("%(name)s texted STOP: notices do not reach that telephone any more.", name=facts.name),
        say.gettext("An administrator should ask how else to reach them."),
    ]
    if facts.is_last:
        sentences.append(say.gettext("Nobody at the clinic is told of open tasks by a message now."))
    return " ".join(sentences)


def _broke(say: Language, facts: ContactBroke) -> str:
    contact = _contact(say, facts)
    return say.gettext(
        "%(contact)s does not work any more. Please ask for a new one.", contact=contact[:1].upper() + contact[1:]
    )


def _missing(say: Language, facts: ChannelMissing) -> str:
    match facts.channel:
        case Channel.TEXT:
            nobody = say.gettext("No text gateway is set up on this service: nobody is sent a text.")
        case Channel.EMAIL:
            nobody = say.gettext("No mail server is set up on this service: nobody is sent mail.")
        case Channel.WEBPUSH:
            nobody = say.gettext("Notices on phones are not set up on this service: no phone gets one.")
    must = say.gettext("Whoever runs it must set that up, or people need another way to be reached.")
    return f"{nobody} {must}"


def _contact(say: Language, facts: ContactBroke) -> str:
    """`the patient's text contact`."""
    channel = facts.channel.value
    match facts.whose:
        case Whose.PATIENT:
            return say.gettext("the patient's %(channel)s contact", channel=channel)
        case Whose.CAREGIVER:
            return say.gettext("the caregiver's %(channel)s contact", channel=channel)
        case Whose.STAFF:
            return say.gettext("the staff member's %(channel)s contact", channel=channel)
