"""Tasks for staff in words. Whatever a person wrote stands in their own words."""

from __future__ import annotations

from service.domain.tasks import (
    AlarmWritten,
    CaregiverSaid,
    CaregiverWrote,
    ChannelMissing,
    ContactBroke,
    HandOverUnknown,
    LimitPassed,
    LongSilence,
    NobodyToReach,
    SafetyAnswered,
    StaffStopped,
    TaskFacts,
    Whose,
    WordingFailed,
)
from service.domain.vocabulary import CaregiverAnswer, SafetySign, StepKind, TaskSettled
from service.words.labels import label
from service.words.language import Language


def task(say: Language, facts: TaskFacts) -> str:
    """What somebody must look at, in one or a few sentences."""
    match facts:
        case LongSilence():
            return say.ngettext(
                "No reading on %(num)d planned day in a row: %(cause)s.",
                "No reading on %(num)d planned days in a row: %(cause)s.",
                facts.missed,
                cause=label(say, facts.cause),
            )
        case NobodyToReach():
            return _nobody(say, facts)
        case SafetyAnswered():
            return _safety(say, facts)
        case AlarmWritten():
            return _alarm(say, facts)
        case LimitPassed():
            return _limit(say, facts)
        case CaregiverSaid():
            return _caregiver(say, facts)
        case CaregiverWrote():
            return say.gettext(
                "%(name)s wrote, in answer to a nudge: “%(words)s”", name=facts.caregiver, words=facts.words
            )
        case StaffStopped():
            return _stopped(say, facts)
        case WordingFailed():
            return say.gettext("A message could not be written out. The clinic's own wording of it may be at fault.")
        case ChannelMissing():
            return say.gettext(
                "Messages to %(contact)s cannot leave: this service is not set up to send that way.",
                contact=_contact(say, facts),
            )
        case ContactBroke():
            return _broke(say, facts)
        case HandOverUnknown():
            return say.ngettext(
                "A message was being handed over when the service stopped, so nobody knows whether it arrived.",
                "%(num)d messages were being handed over when the service stopped, so nobody knows whether they "
                "arrived.",
                len(facts.messages),
            )


def close_reason(say: Language, reason: str | None) -> str | None:
    """Why a task was closed: what staff typed, as they typed it, or why the service closed it."""
    if reason in list(TaskSettled):
        return label(say, TaskSettled(reason))
    return reason


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
    return " ".join([*sentences, say.gettext("Call them.")])


def _alarm(say: Language, facts: AlarmWritten) -> str:
    if facts.caregiver:
        wrote = say.gettext("Their caregiver %(name)s wrote: “%(words)s”.", name=facts.caregiver, words=facts.words)
    else:
        wrote = say.gettext("They wrote: “%(words)s”.", words=facts.words)
    return " ".join([wrote, _told(say, facts.told_to_call), say.gettext("Call them.")])


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


def _contact(say: Language, facts: ChannelMissing | ContactBroke) -> str:
    """`the patient's text contact`."""
    channel = facts.channel.value
    match facts.whose:
        case Whose.PATIENT:
            return say.gettext("the patient's %(channel)s contact", channel=channel)
        case Whose.CAREGIVER:
            return say.gettext("the caregiver's %(channel)s contact", channel=channel)
        case Whose.STAFF:
            return say.gettext("the staff member's %(channel)s contact", channel=channel)
