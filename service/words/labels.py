"""What each word of the vocabularies is called by staff: one table, in the reader's language.

Promises one name for each word, wherever staff read it: page, sentence, drawing, record. Names are as
they stand inside a sentence; a heading takes them with a capital (`title`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from service.domain.vocabulary import (
    AdjustmentKind,
    CaregiverAnswer,
    Channel,
    Lane,
    MessageKind,
    MessageState,
    Outcome,
    PauseCause,
    Pressure,
    Response,
    SafetySign,
    SignalKind,
    SilenceCause,
    StepKind,
    Swelling,
    TaskKind,
    TaskSettled,
    TaskState,
)
from service.words.language import Language


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated when it is read."""
    return message


_NAMES: Mapping[type[StrEnum], Mapping[StrEnum, str]] = {
    Lane: {
        Lane.CALL_TODAY: _("Call today"),
        Lane.LOOK_CLOSELY: _("Look closely"),
        Lane.NOT_HEARD_FROM: _("Not heard from"),
        Lane.SETTLED: _("Settled"),
    },
    Outcome: {
        Outcome.NO_CHANGE: _("No change"),
        Outcome.CALLED: _("Called"),
        Outcome.ADJUSTED: _("Adjusted"),
        Outcome.VISIT_ARRANGED: _("Visit arranged"),
        Outcome.EMERGENCY_CARE: _("Sent to emergency care"),
        Outcome.NOT_REACHED: _("Could not reach"),
    },
    Response: {
        Response.SETTLING: _("settling"),
        Response.SETTLED: _("settled"),
        Response.NOT_SETTLING: _("not settling"),
        Response.TOO_FEW_READINGS: _("too few readings"),
    },
    AdjustmentKind: {
        AdjustmentKind.MEDICINE: _("Medicine"),
        AdjustmentKind.DIET: _("Diet or fluids"),
        AdjustmentKind.DIALYSIS: _("Dialysis"),
        AdjustmentKind.DEVICE: _("Device programming"),
        AdjustmentKind.VISIT: _("Visit"),
        AdjustmentKind.CALL: _("Call"),
    },
    TaskKind: {
        TaskKind.SAFETY_ANSWER: _("Safety answer"),
        TaskKind.SILENT: _("Silent"),
        TaskKind.NO_CONTACT: _("Nobody to reach"),
        TaskKind.BROKEN_CONTACT: _("Contact does not work"),
        TaskKind.MESSAGE_UNCERTAIN: _("Message may not have gone"),
        TaskKind.ABOVE_LIMIT: _("Above the limit"),
        TaskKind.BELOW_LIMIT: _("Below the limit"),
        TaskKind.CAREGIVER_SAYS: _("A caregiver says"),
        TaskKind.FOLLOW_UP: _("Follow-up"),
    },
    TaskSettled: {
        TaskSettled.WORDING_CHANGED: _("The wording was changed."),
        TaskSettled.ARRIVAL_KNOWN: _("The provider has said since what became of it."),
        TaskSettled.TEXTED_START: _("They texted START."),
    },
    TaskState: {
        TaskState.OPEN: _("open"),
        TaskState.TAKEN: _("taken"),
        TaskState.CLOSED: _("closed"),
    },
    SignalKind: {
        SignalKind.RISING: _("pressure rising"),
        SignalKind.FALLING: _("pressure falling"),
        SignalKind.ABOVE_LIMIT: _("above the limit"),
        SignalKind.BELOW_LIMIT: _("below the limit"),
        SignalKind.WEIGHT_GAIN: _("weight gain"),
        SignalKind.WEIGHT_LOSS: _("weight loss"),
        SignalKind.WORSE_SYMPTOMS: _("worse symptoms"),
        SignalKind.SAFETY_ANSWER: _("safety answer"),
        SignalKind.SILENT: _("silent"),
    },
    CaregiverAnswer: {
        CaregiverAnswer.SPOKE: _("spoke to them"),
        CaregiverAnswer.IN_HOSPITAL: _("in hospital"),
        CaregiverAnswer.AWAY: _("away"),
        CaregiverAnswer.EQUIPMENT: _("equipment trouble"),
    },
    PauseCause: {
        PauseCause.IN_HOSPITAL: _("in hospital"),
        PauseCause.AWAY: _("away"),
        PauseCause.EQUIPMENT: _("equipment trouble"),
    },
    SilenceCause: {
        SilenceCause.NOT_ASKED: _("we did not ask"),
        SilenceCause.NOT_DELIVERED: _("our messages did not arrive"),
        SilenceCause.NO_REPLY: _("asked, and no reply"),
        SilenceCause.DIARY_ONLY: _("the diary came, but no reading"),
    },
    Swelling: {
        Swelling.NONE: _("none"),
        Swelling.ANKLE: _("ankle"),
        Swelling.SHIN: _("shin"),
        Swelling.KNEE: _("knee or above"),
    },
    SafetySign: {
        SafetySign.BREATHLESS_AT_REST: _("breathless at rest"),
        SafetySign.CHEST_PAIN: _("chest pain or pressure"),
        SafetySign.FAINTING: _("fainting"),
        SafetySign.PINK_SPUTUM: _("pink or foamy sputum"),
        SafetySign.NEW_CONFUSION: _("new confusion"),
    },
    Pressure: {
        Pressure.DIASTOLIC: _("PA diastolic"),
        Pressure.MEAN: _("mean PA pressure"),
        Pressure.SYSTOLIC: _("PA systolic"),
    },
    StepKind: {
        StepKind.PROMPT: _("prompt"),
        StepKind.REMINDER: _("reminder"),
        StepKind.NUDGE: _("caregiver nudge"),
        StepKind.TASK: _("clinic task"),
    },
    Channel: {
        Channel.TEXT: _("text"),
        Channel.EMAIL: _("e-mail"),
        Channel.WEBPUSH: _("notices on their phone"),
    },
    MessageKind: {
        MessageKind.PROMPT: _("prompt"),
        MessageKind.REMINDER: _("reminder"),
        MessageKind.NUDGE: _("nudge"),
        MessageKind.SAFETY: _("safety"),
        MessageKind.REPLY: _("reply"),
        MessageKind.STOPPED: _("stopped"),
        MessageKind.STARTED: _("started"),
        MessageKind.HELP: _("help"),
        MessageKind.STAFF_TASK: _("staff task"),
        MessageKind.DIGEST: _("digest"),
    },
    MessageState: {
        MessageState.QUEUED: _("queued"),
        MessageState.CLAIMED: _("claimed"),
        MessageState.HANDING_OVER: _("handing over"),
        MessageState.SENT: _("sent"),
        MessageState.DELIVERED: _("delivered"),
        MessageState.FAILED: _("failed"),
        MessageState.CANCELLED: _("cancelled"),
        MessageState.EXPIRED: _("expired"),
        MessageState.UNCERTAIN: _("uncertain"),
    },
}

# What is odd about a reading, as `domain.readings` notes it in the row.
REMARKS = (_("small pulse pressure"), _("taken sitting"), _("clock ahead"))

_EXPLANATIONS: Mapping[Lane, str] = {
    Lane.CALL_TODAY: _("Somebody should speak with these people today."),
    Lane.LOOK_CLOSELY: _("Something has changed, or something is due."),
    Lane.NOT_HEARD_FROM: _("Readings have stopped, never began, or are paused."),
    Lane.SETTLED: _("No signal. That is not the same as nothing being wrong."),
}

_ADVICE: Mapping[SilenceCause, str] = {
    SilenceCause.NOT_ASKED: _("Ours to mend: look at the plan, the contact and the consent."),
    SilenceCause.NOT_DELIVERED: _("Check the number or address with them; add a second way to reach them."),
    SilenceCause.NO_REPLY: _("Call, or ask the caregiver. A different hour may suit them better."),
    SilenceCause.DIARY_ONLY: _("They answer, so ask about the equipment and how readings are taken."),
}


def label(say: Language, word: StrEnum) -> str:
    """The word as it stands inside a sentence. KeyError for a vocabulary that staff never read."""
    return say.gettext(_NAMES[type(word)][word])


def title(say: Language, word: StrEnum) -> str:
    """The word at the head of a line, with a capital."""
    name = label(say, word)
    return name[:1].upper() + name[1:]


def explanation(say: Language, lane: Lane) -> str:
    """What a lane of the weekly review holds."""
    return say.gettext(_EXPLANATIONS[lane])


def advice(say: Language, cause: SilenceCause) -> str:
    """What can be done about a silence of this cause."""
    return say.gettext(_ADVICE[cause])
