"""What each word of the vocabularies is called by staff: one table, in the reader's language.

Promises one name for each word, wherever staff read it: page, sentence, drawing, record. Names are as
they stand inside a sentence; a heading takes them with a capital (`title`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from service.domain.asking import HowOften
from service.domain.filedates import DateOrder
from service.domain.sending import SendReason
from service.domain.vocabulary import (
    ActorKind,
    AdjustmentKind,
    Answered,
    ArmPosture,
    BeginsAgain,
    CaregiverAnswer,
    Channel,
    ConsentKind,
    ContactWay,
    ContextKind,
    Device,
    EarlierCourse,
    EjectionClass,
    EraseWhy,
    EventCause,
    EventKind,
    InvitationState,
    Keeps,
    Lane,
    MedicineClass,
    MessageKind,
    MessageState,
    NoResult,
    Opened,
    Outcome,
    Paper,
    PauseCause,
    Pressure,
    Response,
    ResultKind,
    Rhythm,
    Role,
    Route,
    SafetySign,
    Scope,
    Sex,
    Side,
    SignalKind,
    SilenceCause,
    StepKind,
    Swelling,
    TaskKind,
    TaskSettled,
    TaskState,
    TransferState,
    WeightDoubt,
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
        Response.OVERSHOT: _("overshot"),
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
    ContextKind: {
        ContextKind.TRAVEL: _("travel or altitude"),
        ContextKind.INFECTION: _("infection"),
        ContextKind.STEROID_OR_NSAID: _("steroid or NSAID"),
        ContextKind.DIALYSIS: _("dialysis"),
        ContextKind.RHYTHM_OR_DEVICE: _("rhythm or device changed"),
        ContextKind.PACED_OR_IRREGULAR: _("paced or irregular rhythm"),
        ContextKind.RECALIBRATED: _("sensor recalibrated"),
    },
    TaskKind: {
        TaskKind.SAFETY_ANSWER: _("Safety answer"),
        TaskKind.SAME_DAY: _("Call the same day"),
        TaskKind.CALL_TODAY: _("Call today"),
        TaskKind.SILENT: _("Silent"),
        TaskKind.NO_CONTACT: _("Nobody to reach"),
        TaskKind.BROKEN_CONTACT: _("Contact does not work"),
        TaskKind.CHECK_NUMBER: _("Number to check"),
        TaskKind.MESSAGE_UNCERTAIN: _("Message may not have gone"),
        TaskKind.NOT_SENT: _("Message by hand not sent"),
        TaskKind.ABOVE_LIMIT: _("Above the limit"),
        TaskKind.BELOW_LIMIT: _("Below the limit"),
        TaskKind.CAREGIVER_SAYS: _("A caregiver says"),
        TaskKind.PATIENT_SAYS: _("The patient says"),
        TaskKind.WEIGHT_DOUBT: _("Weight in doubt"),
        TaskKind.FOLLOW_UP: _("Follow-up"),
        TaskKind.REFERENCE_PROPOSAL: _("Decide on the reference"),
        TaskKind.CHECK_FOUND: _("Found by the nightly check"),
        TaskKind.NO_WAY_OUT: _("Messages cannot leave"),
        TaskKind.NEXT_CONTACT: _("Next contact"),
        TaskKind.CHEMISTRY_DUE: _("Chemistry due"),
        TaskKind.RESULT_LIMIT: _("Result beyond the limit"),
        TaskKind.GOAL_OVER: _("Goal has run out"),
        TaskKind.TRANSFER: _("Transfer of care"),
        TaskKind.EMERGENCY_ACCESS: _("Emergency access"),
        TaskKind.INVITATION: _("Invitation"),
    },
    DateOrder: {
        DateOrder.DAY_FIRST: _("day first: 3 April"),
        DateOrder.MONTH_FIRST: _("month first: 4 March"),
    },
    Keeps: {
        Keeps.CORRECTED: _("it was corrected since"),
        Keeps.SIGNED: _("a review of this patient was signed since"),
        Keeps.ACTED: _("somebody has taken the task that it raised"),
        Keeps.TOLD: _("somebody has been sent a message about it"),
        Keeps.REFERENCE: _("a reference was taken from these days"),
        Keeps.IN_USE: _("more has been recorded of this patient since, or they have been sent a message"),
        Keeps.MOVED: _("this patient is in the care of another clinic now"),
    },
    TaskSettled: {
        TaskSettled.WORDING_CHANGED: _("The wording was changed."),
        TaskSettled.ARRIVAL_KNOWN: _("The provider has said since what became of it."),
        TaskSettled.TEXTED_START: _("They texted START."),
        TaskSettled.WEIGHT_KNOWN: _("They have said since what they weighed."),
        TaskSettled.REFERENCE_SET: _("A reference was set."),
        TaskSettled.EMERGENCY_SEEN: _("An administrator has looked into it."),
        TaskSettled.CHANNEL_SET_UP: _("The service has been set up to send that way."),
        TaskSettled.PATIENT_DIED: _("The patient has died."),
        TaskSettled.EPISODE_CLOSED: _("Staff closed the episode that it was raised for."),
        TaskSettled.CONTACT_SETTLED: _("The contact took place, or is planned otherwise."),
        TaskSettled.CHEMISTRY_SETTLED: _("A result or a reason came, or it is no longer due."),
        TaskSettled.RESULT_SETTLED: _("A newer result came, or the limit was changed."),
        TaskSettled.GOAL_SETTLED: _("A newer goal was set, or it was ended."),
        TaskSettled.INVITATION_SETTLED: _("They were enrolled, answered anew, or the invitation was revoked."),
        TaskSettled.TRANSFER_SETTLED: _("It was accepted, declined or called back."),
        TaskSettled.IMPORT_UNDONE: _("The file that brought it was taken back."),
    },
    TransferState: {
        TransferState.ASKED: _("not answered yet"),
        TransferState.ACCEPTED: _("taken over"),
        TransferState.DECLINED: _("declined"),
        TransferState.CALLED_BACK: _("called back"),
    },
    TaskState: {
        TaskState.OPEN: _("open"),
        TaskState.TAKEN: _("taken"),
        TaskState.CLOSED: _("closed"),
    },
    SignalKind: {
        SignalKind.RISING: _("pressure rising"),
        SignalKind.FALLING: _("pressure falling"),
        SignalKind.JUMP: _("a jump or a fault"),
        SignalKind.HIGH_STEADY: _("pressure high for weeks"),
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
    EarlierCourse: {
        EarlierCourse.ENDED: _("the earlier course ended the day before"),
        EarlierCourse.BESIDE: _("both are taken, one beside the other"),
    },
    NoResult: {
        NoResult.DONE_ELSEWHERE: _("done elsewhere"),
        NoResult.NOT_WANTED: _("not wanted"),
    },
    EventKind: {
        EventKind.ADMISSION: _("admission"),
        EventKind.URGENT_VISIT: _("urgent visit"),
        EventKind.IV_DIURETIC: _("diuretic into a vein"),
        EventKind.DEATH: _("death"),
    },
    EventCause: {
        EventCause.HEART_FAILURE: _("heart failure"),
        EventCause.OTHER_HEART: _("another cause of the heart"),
        EventCause.OTHER: _("another cause"),
        EventCause.NOT_KNOWN: _("cause not known"),
    },
    MedicineClass: {
        MedicineClass.LOOP_DIURETIC: _("loop diuretic"),
        MedicineClass.THIAZIDE: _("thiazide"),
        MedicineClass.MRA: _("mineralocorticoid receptor antagonist"),
        MedicineClass.ACE_INHIBITOR: _("ACE inhibitor"),
        MedicineClass.ARB: _("angiotensin receptor blocker"),
        MedicineClass.ARNI: _("angiotensin receptor and neprilysin inhibitor"),
        MedicineClass.BETA_BLOCKER: _("beta blocker"),
        MedicineClass.SGLT2_INHIBITOR: _("SGLT2 inhibitor"),
        MedicineClass.NITRATE: _("nitrate"),
        MedicineClass.OTHER: _("other medicine"),
    },
    Route: {
        Route.ORAL: _("by mouth"),
        Route.IV: _("into a vein"),
        Route.SUBCUTANEOUS: _("under the skin"),
        Route.OTHER: _("another way"),
    },
    ResultKind: {
        ResultKind.CREATININE: _("creatinine"),
        ResultKind.EGFR: _("eGFR"),
        ResultKind.POTASSIUM: _("potassium"),
        ResultKind.SODIUM: _("sodium"),
        ResultKind.UREA: _("urea"),
        ResultKind.BNP: _("BNP"),
        ResultKind.NT_PROBNP: _("NT-proBNP"),
        ResultKind.HAEMOGLOBIN: _("haemoglobin"),
        ResultKind.FERRITIN: _("ferritin"),
        ResultKind.SYSTOLIC: _("arm pressure, systolic"),
        ResultKind.DIASTOLIC: _("arm pressure, diastolic"),
        ResultKind.SATURATION: _("oxygen saturation"),
        ResultKind.WEDGE: _("wedge pressure (catheter)"),
        ResultKind.RIGHT_ATRIAL: _("right atrial pressure (catheter)"),
        ResultKind.CARDIAC_OUTPUT: _("cardiac output (catheter)"),
        ResultKind.CATHETER_DIASTOLIC: _("PA diastolic (catheter)"),
        ResultKind.EJECTION_FRACTION: _("ejection fraction"),
        ResultKind.NYHA: _("NYHA class"),
        ResultKind.MRC: _("MRC breathlessness grade"),
        ResultKind.RHYTHM: _("rhythm"),
    },
    EjectionClass: {
        EjectionClass.REDUCED: _("reduced"),
        EjectionClass.MILDLY_REDUCED: _("mildly reduced"),
        EjectionClass.PRESERVED: _("preserved"),
    },
    Rhythm: {
        Rhythm.SINUS: _("sinus rhythm"),
        Rhythm.ATRIAL_FIBRILLATION: _("atrial fibrillation"),
        Rhythm.PACED: _("paced"),
        Rhythm.OTHER: _("another rhythm"),
    },
    ArmPosture: {
        ArmPosture.LYING: _("lying"),
        ArmPosture.SITTING: _("sitting"),
        ArmPosture.STANDING: _("standing"),
    },
    Paper: {Paper.A4: "A4", Paper.LETTER: "Letter"},
    Sex: {Sex.FEMALE: _("female"), Sex.MALE: _("male")},
    Side: {Side.LEFT: _("left"), Side.RIGHT: _("right")},
    Device: {
        Device.NONE: _("no device"),
        Device.PACEMAKER: _("pacemaker"),
        Device.CRT: _("resynchronisation"),
        Device.DEFIBRILLATOR: _("defibrillator"),
        Device.CRT_DEFIBRILLATOR: _("resynchronisation and defibrillator"),
    },
    ContactWay: {
        ContactWay.CALL: _("call"),
        ContactWay.VIDEO: _("video call"),
        ContactWay.VISIT: _("visit"),
        ContactWay.HOME_VISIT: _("home visit"),
    },
    Role: {
        Role.NURSE: _("nurse"),
        Role.PHYSICIAN: _("physician"),
        Role.ADMINISTRATOR: _("administrator"),
        Role.READ_ONLY: _("reads only"),
    },
    PauseCause: {
        PauseCause.IN_HOSPITAL: _("in hospital"),
        PauseCause.AWAY: _("away"),
        PauseCause.EQUIPMENT: _("equipment trouble"),
        PauseCause.NOT_IN_CARE: _("not looked after here"),
    },
    BeginsAgain: {
        BeginsAgain.ENDED_BY_MISTAKE: _("its end was entered by mistake"),
        BeginsAgain.CAME_BACK: _("they have come back to the clinic"),
    },
    EraseWhy: {
        EraseWhy.ASKED: _("they asked for it"),
        EraseWhy.TIME_OVER: _("the time for which it had to be kept is over"),
        EraseWhy.MISTAKE: _("they should never have been enrolled"),
    },
    SilenceCause: {
        SilenceCause.NOT_ASKED: _("we did not ask"),
        SilenceCause.NOT_DELIVERED: _("our messages did not arrive"),
        SilenceCause.UNCERTAIN: _("nobody knows whether our messages arrived"),
        SilenceCause.NO_REPLY: _("asked, and no reply"),
        SilenceCause.DIARY_ONLY: _("the diary came, but no reading"),
    },
    Swelling: {
        Swelling.NONE: _("none"),
        Swelling.ANKLE: _("ankle"),
        Swelling.SHIN: _("shin"),
        Swelling.KNEE: _("knee or above"),
    },
    WeightDoubt: {
        WeightDoubt.OTHER_UNIT: _("near the last in the other unit"),
        WeightDoubt.FAR: _("far from the last"),
    },
    SafetySign: {
        SafetySign.BREATHLESS_AT_REST: _("breathless at rest"),
        SafetySign.CHEST_PAIN: _("chest pain or pressure"),
        SafetySign.FAINTING: _("fainting"),
        SafetySign.PINK_SPUTUM: _("pink or foamy sputum"),
        SafetySign.NEW_CONFUSION: _("new confusion"),
        SafetySign.RACING_HEART: _("racing or irregular heartbeat"),
        SafetySign.ONE_SHOCK: _("one shock of a defibrillator, feeling well"),
        SafetySign.SHOCKS: _("shocks of a defibrillator, or one and feeling unwell"),
    },
    Pressure: {
        Pressure.DIASTOLIC: _("PA diastolic"),
        Pressure.MEAN: _("mean PA pressure"),
        Pressure.SYSTOLIC: _("PA systolic"),
    },
    Scope: {
        Scope.ENROL: _("enrol and change plans"),
        Scope.CONTACTS: _("read and change contacts"),
        Scope.READINGS: _("send readings"),
        Scope.CHECKINS: _("send check-ins"),
        Scope.REVIEW: _("read what the review reads"),
        Scope.RESULTS: _("send results"),
    },
    HowOften: {
        HowOften.DAILY: _("daily"),
        HowOften.WEEKLY: _("weekly"),
        HowOften.AFTER_CHANGE: _("in the two weeks after a change"),
    },
    ConsentKind: {
        ConsentKind.MESSAGES: _("messages to themselves"),
        ConsentKind.CAREGIVER: _("told of a missed reading"),
        ConsentKind.CAREGIVER_VALUES: _("sees values"),
        ConsentKind.WEBPUSH: _("notices on their phone"),
        ConsentKind.TRANSFER: _("care by another clinic, with the record"),
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
    InvitationState: {
        InvitationState.OPEN: _("not answered yet"),
        InvitationState.ANSWERED: _("waits for you to confirm"),
        InvitationState.DECLINED: _("said no"),
        InvitationState.ENROLLED: _("enrolled"),
        InvitationState.REVOKED: _("revoked"),
        InvitationState.RUN_OUT: _("ran out unanswered"),
        InvitationState.LOCKED: _("closed: wrong tries"),
    },
    MessageKind: {
        MessageKind.PROMPT: _("prompt"),
        MessageKind.REMINDER: _("reminder"),
        MessageKind.NUDGE: _("nudge"),
        MessageKind.SAFETY: _("safety"),
        MessageKind.CALL_CLINIC: _("call the clinic"),
        MessageKind.REPLY: _("reply"),
        MessageKind.STOPPED: _("stopped"),
        MessageKind.STARTED: _("started"),
        MessageKind.HELP: _("help"),
        MessageKind.STRANGER: _("to an unknown number"),
        MessageKind.FROM_CLINIC: _("sent by hand"),
        MessageKind.STAFF_TASK: _("staff task"),
        MessageKind.DIGEST: _("digest"),
        MessageKind.TEST: _("test message"),
        MessageKind.INVITATION: _("invitation"),
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
    SendReason: {
        SendReason.WANTED: _("it is wanted"),
        SendReason.EXPIRED: _("its time was over"),
        SendReason.PATIENT_ENDED: _("care here has ended"),
        SendReason.CONSENT_WITHDRAWN: _("no consent to it stands"),
        SendReason.CONSENT_IN_DOUBT: _("the consent is not found as it was written"),
        SendReason.CONTACT_BROKEN: _("this number or mailbox does not work"),
        SendReason.ANSWERED: _("the answer had come"),
        SendReason.EXCUSED: _("the day is excused"),
        SendReason.ACKNOWLEDGED: _("somebody has seen it"),
        SendReason.QUIET_HOURS: _("waits for the end of the quiet hours"),
        SendReason.ACCOUNT_CLOSED: _("the account is closed"),
        SendReason.TASK_TAKEN: _("somebody has taken the task"),
        SendReason.CHANNEL_NOT_SET_UP: _("this service cannot send that way"),
    },
    ActorKind: {
        ActorKind.STAFF: _("a member of staff"),
        ActorKind.KEY: _("a program"),
        ActorKind.PATIENT: _("the patient"),
        ActorKind.CAREGIVER: _("a caregiver"),
        ActorKind.OPERATOR: _("whoever runs the service"),
        ActorKind.SYSTEM: _("the service"),
    },
    Opened: {
        Opened.RECORD: _("the record"),
        Opened.REACH: _("numbers, addresses and consents"),
        Opened.PAPER: _("the record as a PDF"),
        Opened.LIST: _("a list of patients"),
        Opened.EXPORT: _("a file to take away"),
        Opened.DIARY: _("the page behind a link in a message"),
        Opened.CALENDAR: _("the calendar"),
        Opened.TRAIL: _("who did or opened what"),
        Opened.SETTINGS: _("settings, colleagues and keys"),
        Opened.ACCOUNT: _("their own account"),
        Opened.DOOR: _("the sign-in"),
        Opened.CALL: _("a provider's call"),
        Opened.LOST: _("lines that could not be kept"),
    },
    Answered: {
        Answered.SHOWN: _("opened"),
        Answered.CHANGED: _("changed"),
        Answered.REFUSED: _("no right to it"),
        Answered.ABSENT: _("the clinic has no such record"),
        Answered.UNKNOWN: _("nobody signed in, or no good key or link"),
        Answered.WRONG: _("wrong password or code"),
        Answered.OVER: _("link whose time had passed"),
        Answered.SLOWED: _("too many tries"),
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
    SilenceCause.NOT_ASKED: _(
        "Ours to mend: look at the plan, the contact, the consent, and whether messages can leave this service."
    ),
    SilenceCause.NOT_DELIVERED: _("Check the number or address with them; add a second way to reach them."),
    SilenceCause.UNCERTAIN: _("Ask whether our messages reach them, before asking why no reading came."),
    SilenceCause.NO_REPLY: _("Call, or ask the caregiver. A different hour may suit them better."),
    SilenceCause.DIARY_ONLY: _("They answer, so ask about the equipment and how readings are taken."),
}


def label(say: Language, word: StrEnum | None) -> str:
    """The word as it stands inside a sentence; None was altered. KeyError for a vocabulary that staff never read."""
    return say.gettext("not known") if word is None else say.gettext(_NAMES[type(word)][word])


def why_held(say: Language, reason: str) -> str:
    """Why a message has not left; what a provider said stands as it said it."""
    return label(say, SendReason(reason)) if reason in set(SendReason) else reason


def title(say: Language, word: StrEnum) -> str:
    """The word at the head of a line, with a capital."""
    name = label(say, word)
    return name if name[1:2].isupper() else name[:1].upper() + name[1:]  # eGFR stays eGFR


def explanation(say: Language, lane: Lane) -> str:
    """What a lane of the weekly review holds."""
    return say.gettext(_EXPLANATIONS[lane])


def advice(say: Language, cause: SilenceCause) -> str:
    """What can be done about a silence of this cause."""
    return say.gettext(_ADVICE[cause])
