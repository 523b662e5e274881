"""The service's closed vocabularies: each word has one spelling, in code, database and API."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    NURSE = "nurse"
    PHYSICIAN = "physician"
    ADMINISTRATOR = "administrator"


# Who signs, adjusts, sets references and limits, and is told of open tasks.
CLINICAL_STAFF = (Role.NURSE, Role.PHYSICIAN)


class Scope(StrEnum):
    """What a machine's bearer key may do."""

    ENROL = "enrol"
    READINGS = "readings"
    CHECKINS = "checkins"
    REVIEW = "review"


class ActorKind(StrEnum):
    """Who did it, in the audit trail."""

    STAFF = "staff"
    KEY = "key"
    PATIENT = "patient"
    CAREGIVER = "caregiver"
    OPERATOR = "operator"
    SYSTEM = "system"


class PatientState(StrEnum):
    ACTIVE = "active"
    ENDED = "ended"


class ConsentKind(StrEnum):
    """Each is given, refused or withdrawn on its own; the newest record counts."""

    MESSAGES = "messages"  # the person agrees to be sent messages (patient, or caregiver for themselves)
    CAREGIVER = "caregiver"  # the patient agrees that this caregiver is told of a missed reading
    CAREGIVER_VALUES = "caregiver_values"  # the patient agrees that this caregiver sees values
    WEBPUSH = "webpush"  # the person agrees to notices on a phone of theirs; MESSAGES is needed beside it


class Channel(StrEnum):
    TEXT = "text"
    EMAIL = "email"
    WEBPUSH = "webpush"


class ContactState(StrEnum):
    OK = "ok"
    BROKEN = "broken"


class PauseCause(StrEnum):
    IN_HOSPITAL = "in_hospital"
    AWAY = "away"
    EQUIPMENT = "equipment"


class WindowState(StrEnum):
    OPEN = "open"
    ANSWERED = "answered"
    MISSED = "missed"
    EXCUSED = "excused"


class Pace(StrEnum):
    """Why a window's follow-up is closer, or easier, than the clinic's usual."""

    NEW_HERE = "new_here"
    BACK_FROM_HOSPITAL = "back_from_hospital"
    ANSWERS_RELIABLY = "answers_reliably"


class StepKind(StrEnum):
    PROMPT = "prompt"
    REMINDER = "reminder"
    NUDGE = "nudge"
    TASK = "task"


class StepState(StrEnum):
    PENDING = "pending"
    DONE = "done"
    PASSED = "passed"  # its time came and there was nobody, or no reason, to do it
    CANCELLED = "cancelled"


class SilenceCause(StrEnum):
    NOT_ASKED = "not_asked"
    NOT_DELIVERED = "not_delivered"
    NO_REPLY = "no_reply"
    DIARY_ONLY = "diary_only"


class CaregiverAnswer(StrEnum):
    SPOKE = "spoke"
    IN_HOSPITAL = "in_hospital"
    AWAY = "away"
    EQUIPMENT = "equipment"


class Swelling(StrEnum):
    NONE = "none"
    ANKLE = "ankle"
    SHIN = "shin"
    KNEE = "knee"  # to the knee or above


class SafetySign(StrEnum):
    BREATHLESS_AT_REST = "breathless_at_rest"
    CHEST_PAIN = "chest_pain"
    FAINTING = "fainting"
    PINK_SPUTUM = "pink_sputum"
    NEW_CONFUSION = "new_confusion"


class Source(StrEnum):
    """How a reading or a check-in reached us."""

    API = "api"
    FILE = "file"
    PAGE = "page"
    TEXT = "text"
    STAFF = "staff"
    DEMO = "demo"


class Pressure(StrEnum):
    """One of the pressures of a reading, by the name of its field."""

    DIASTOLIC = "pa_diastolic"
    MEAN = "pa_mean"
    SYSTOLIC = "pa_systolic"


class Posture(StrEnum):
    LYING = "lying"
    SITTING = "sitting"


class MessageKind(StrEnum):
    PROMPT = "prompt"
    REMINDER = "reminder"
    NUDGE = "nudge"
    SAFETY = "safety"
    REPLY = "reply"
    STOPPED = "stopped"
    STARTED = "started"
    HELP = "help"
    STAFF_TASK = "staff_task"
    DIGEST = "digest"


class MessageState(StrEnum):
    QUEUED = "queued"
    CLAIMED = "claimed"
    HANDING_OVER = "handing_over"  # stamped and committed just before the provider is called
    SENT = "sent"
    DELIVERED = "delivered"
    FAILED = "failed"
    CANCELLED = "cancelled"
    EXPIRED = "expired"
    UNCERTAIN = "uncertain"  # the hand-over began and its end was never seen


class TaskKind(StrEnum):
    SAFETY_ANSWER = "safety_answer"
    SILENT = "silent"
    NO_CONTACT = "no_contact"
    BROKEN_CONTACT = "broken_contact"
    MESSAGE_UNCERTAIN = "message_uncertain"
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    CAREGIVER_SAYS = "caregiver_says"
    FOLLOW_UP = "follow_up"


class TaskSettled(StrEnum):
    """Why the service closed a task itself: what it asked about is settled."""

    WORDING_CHANGED = "wording_changed"
    ARRIVAL_KNOWN = "arrival_known"
    TEXTED_START = "texted_start"


class TaskState(StrEnum):
    OPEN = "open"
    TAKEN = "taken"
    CLOSED = "closed"


class SignalKind(StrEnum):
    RISING = "rising"
    FALLING = "falling"
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    WEIGHT_GAIN = "weight_gain"
    WEIGHT_LOSS = "weight_loss"
    WORSE_SYMPTOMS = "worse_symptoms"
    SAFETY_ANSWER = "safety_answer"
    SILENT = "silent"


class Lane(StrEnum):
    CALL_TODAY = "call_today"
    LOOK_CLOSELY = "look_closely"
    NOT_HEARD_FROM = "not_heard_from"
    SETTLED = "settled"


class Outcome(StrEnum):
    """How a member of staff signed a patient off in the weekly review."""

    NO_CHANGE = "no_change"
    CALLED = "called"
    ADJUSTED = "adjusted"
    VISIT_ARRANGED = "visit_arranged"
    EMERGENCY_CARE = "emergency_care"
    NOT_REACHED = "not_reached"


class AdjustmentKind(StrEnum):
    MEDICINE = "medicine"
    DIET = "diet"
    DIALYSIS = "dialysis"
    DEVICE = "device"
    VISIT = "visit"
    CALL = "call"


class Response(StrEnum):
    SETTLING = "settling"
    SETTLED = "settled"
    NOT_SETTLING = "not_settling"
    TOO_FEW_READINGS = "too_few_readings"


class IntakeOutcome(StrEnum):
    """What became of a reading, check-in or reply that was sent."""

    RECORDED = "recorded"
    DUPLICATE = "duplicate"  # it was there already; nothing was written
