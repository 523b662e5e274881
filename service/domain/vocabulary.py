"""The service's closed vocabularies: each word has one spelling, in code, database and API."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    NURSE = "nurse"
    PHYSICIAN = "physician"
    ADMINISTRATOR = "administrator"
    READ_ONLY = "read_only"


# Who is told of open tasks. Who may do what: `domain.rights`.
CLINICAL_STAFF = (Role.NURSE, Role.PHYSICIAN)


class Scope(StrEnum):
    """What a machine's bearer key may do."""

    ENROL = "enrol"  # patients, caregivers, plans, consents
    CONTACTS = "contacts"  # where messages go: whoever sets that reads what they link to
    READINGS = "readings"
    CHECKINS = "checkins"
    REVIEW = "review"
    RESULTS = "results"  # enters laboratory results and vital signs, and reads nothing


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
    TRANSFER = "transfer"  # the patient agrees that another clinic takes over, and has their record


class Channel(StrEnum):
    TEXT = "text"
    EMAIL = "email"
    WEBPUSH = "webpush"


class ContactState(StrEnum):
    OK = "ok"
    BROKEN = "broken"


class InvitationState(StrEnum):
    """How far an invitation has come, on which somebody enrols themselves and staff confirm."""

    OPEN = "open"
    ANSWERED = "answered"  # all was said: staff look at it and confirm
    DECLINED = "declined"
    ENROLLED = "enrolled"
    REVOKED = "revoked"
    RUN_OUT = "run_out"
    LOCKED = "locked"  # the question at its door was answered wrongly too often


class PauseCause(StrEnum):
    IN_HOSPITAL = "in_hospital"
    AWAY = "away"
    EQUIPMENT = "equipment"
    NOT_IN_CARE = "not_in_care"  # from the end of care to the day before it begins again; nobody enters it


PAUSES_ENTERED = (PauseCause.IN_HOSPITAL, PauseCause.AWAY, PauseCause.EQUIPMENT)


class BeginsAgain(StrEnum):
    """Why care that had ended begins again."""

    ENDED_BY_MISTAKE = "ended_by_mistake"
    CAME_BACK = "came_back"


class EraseWhy(StrEnum):
    """Why what tells who a patient was is taken out."""

    ASKED = "asked"
    TIME_OVER = "time_over"  # for which it had to be kept
    MISTAKE = "mistake"  # they should never have been enrolled


class ContextKind(StrEnum):
    """What else was so on some dates, for whoever reads the pressures of those dates."""

    TRAVEL = "travel"  # or another altitude
    INFECTION = "infection"
    STEROID_OR_NSAID = "steroid_or_nsaid"
    DIALYSIS = "dialysis"
    RHYTHM_OR_DEVICE = "rhythm_or_device"  # changed
    PACED_OR_IRREGULAR = "paced_or_irregular"  # the rhythm: on these dates heart rate counts for nothing
    RECALIBRATED = "recalibrated"  # the sensor: from that date on it reads so much higher


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
    UNCERTAIN = "uncertain"  # nobody knows whether they were asked
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


HEIGHTS = tuple(Swelling)  # by rank, from none


class WeightDoubt(StrEnum):
    """Why a weight is not compared with others: nobody has said that it is right as it was given."""

    OTHER_UNIT = "other_unit"  # in the other unit it would be near the last
    FAR = "far"  # from the last


class WeightSaid(StrEnum):
    """How somebody answers when asked about a weight in doubt."""

    AS_GIVEN = "as_given"
    OTHER_UNIT = "other_unit"


class SafetySign(StrEnum):
    BREATHLESS_AT_REST = "breathless_at_rest"
    CHEST_PAIN = "chest_pain"
    FAINTING = "fainting"
    PINK_SPUTUM = "pink_sputum"
    NEW_CONFUSION = "new_confusion"
    RACING_HEART = "racing_heart"
    ONE_SHOCK = "one_shock"  # of a defibrillator, and feels well
    SHOCKS = "shocks"  # more than one, or one and feels unwell


class Urgency(StrEnum):
    """What somebody with signs of an emergency is told to do."""

    EMERGENCY = "emergency"  # call the emergency number now
    SAME_DAY = "same_day"  # call the clinic today


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


class PasskeyPurpose(StrEnum):
    """What a browser was asked for a passkey for."""

    ENTER = "enter"  # to sign in
    CONFIRM = "confirm"  # to show once more that it is they
    ADD = "add"  # a new one, beside what opens the account already
    TAKE_UP = "take_up"  # a new one, by an invitation


class LinkPurpose(StrEnum):
    """What a link opens."""

    CHECKIN = "checkin"  # a window's diary page
    CAREGIVER = "caregiver"  # what a caregiver is asked about a window
    CALENDAR = "calendar"
    PUSH = "push"  # where somebody sets their own phone up for notices
    INVITATION = "invitation"  # where somebody reads what would be asked of them, and says yes or no


class MessageKind(StrEnum):
    PROMPT = "prompt"
    REMINDER = "reminder"
    NUDGE = "nudge"
    SAFETY = "safety"
    CALL_CLINIC = "call_clinic"
    REPLY = "reply"
    STOPPED = "stopped"
    STARTED = "started"
    HELP = "help"
    STRANGER = "stranger"  # to a number that nobody has
    FROM_CLINIC = "from_clinic"  # sent by hand, in a wording from the clinic's list
    STAFF_TASK = "staff_task"
    DIGEST = "digest"
    TEST = "test"  # asked for by staff, to see that it arrives
    INVITATION = "invitation"  # to somebody who agreed to that one text, and is not enrolled yet


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
    SAME_DAY = "same_day"
    CALL_TODAY = "call_today"  # somebody entered that lane
    SILENT = "silent"
    NO_CONTACT = "no_contact"
    BROKEN_CONTACT = "broken_contact"
    CHECK_NUMBER = "check_number"
    MESSAGE_UNCERTAIN = "message_uncertain"
    NOT_SENT = "not_sent"  # what staff wrote by hand
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    CAREGIVER_SAYS = "caregiver_says"
    PATIENT_SAYS = "patient_says"  # in a text that no question asked for
    WEIGHT_DOUBT = "weight_doubt"
    FOLLOW_UP = "follow_up"
    REFERENCE_PROPOSAL = "reference_proposal"
    CHECK_FOUND = "check_found"
    NO_WAY_OUT = "no_way_out"  # the service itself cannot send in some way: about nobody alone
    NEXT_CONTACT = "next_contact"  # is due, or overdue
    CHEMISTRY_DUE = "chemistry_due"
    RESULT_LIMIT = "result_limit"  # a result is beyond a clinician's own limit
    GOAL_OVER = "goal_over"  # its last date has passed
    TRANSFER = "transfer"  # of the care of a patient, from clinic to clinic
    EMERGENCY_ACCESS = "emergency_access"  # somebody came in with a code on paper
    INVITATION = "invitation"  # somebody who was invited has answered, or will not by this link


class TaskSettled(StrEnum):
    """Why the service closed a task itself: what it asked about is settled."""

    WORDING_CHANGED = "wording_changed"
    ARRIVAL_KNOWN = "arrival_known"
    TEXTED_START = "texted_start"
    WEIGHT_KNOWN = "weight_known"
    REFERENCE_SET = "reference_set"
    EMERGENCY_SEEN = "emergency_seen"
    CHANNEL_SET_UP = "channel_set_up"
    PATIENT_DIED = "patient_died"
    EPISODE_CLOSED = "episode_closed"  # by staff, and what they were called for holds no more
    CONTACT_SETTLED = "contact_settled"  # it took place, or was planned anew or taken back
    CHEMISTRY_SETTLED = "chemistry_settled"  # a result or a reason came, or nothing makes it due any more
    RESULT_SETTLED = "result_settled"  # a newer result came, or the limit was changed
    GOAL_SETTLED = "goal_settled"  # a newer one was set, or it was ended
    TRANSFER_SETTLED = "transfer_settled"  # accepted, declined or called back
    INVITATION_SETTLED = "invitation_settled"  # enrolled, revoked, or answered anew
    IMPORT_UNDONE = "import_undone"  # the file that brought what it tells of was taken back


class TransferState(StrEnum):
    """What became of one clinic's asking another to take over. Until it is accepted, care is where it was."""

    ASKED = "asked"
    ACCEPTED = "accepted"
    DECLINED = "declined"
    CALLED_BACK = "called_back"


class Keeps(StrEnum):
    """Why a line of a file stays taken in."""

    CORRECTED = "corrected"
    SIGNED = "signed"
    ACTED = "acted"
    TOLD = "told"
    REFERENCE = "reference"
    IN_USE = "in_use"
    MOVED = "moved"


class TaskState(StrEnum):
    OPEN = "open"
    TAKEN = "taken"
    CLOSED = "closed"


class SignalKind(StrEnum):
    RISING = "rising"
    FALLING = "falling"
    JUMP = "jump"
    HIGH_STEADY = "high_steady"
    ABOVE_LIMIT = "above_limit"
    BELOW_LIMIT = "below_limit"
    WEIGHT_GAIN = "weight_gain"
    WEIGHT_LOSS = "weight_loss"
    WORSE_SYMPTOMS = "worse_symptoms"
    SAFETY_ANSWER = "safety_answer"
    SILENT = "silent"


class Knowledge(StrEnum):
    """What is known of something that is compared. Only of the second may "no change" or "as usual" be said."""

    CHANGED = "changed"
    UNCHANGED = "unchanged"  # compared, and unchanged
    TOO_LITTLE = "too_little"  # something came once, and too little to compare
    NOTHING = "nothing"  # nothing ever came


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
    OVERSHOT = "overshot"  # past the reference, to the other side
    TOO_FEW_READINGS = "too_few_readings"


class IntakeOutcome(StrEnum):
    """What became of a reading, check-in or reply that was sent."""

    RECORDED = "recorded"
    DUPLICATE = "duplicate"  # it was there already; nothing was written


class Sex(StrEnum):
    """As an equation for the kidney asks for it."""

    FEMALE = "female"
    MALE = "male"


class ResultKind(StrEnum):
    """Laboratory results and vital signs."""

    CREATININE = "creatinine"
    EGFR = "egfr"  # as a laboratory reported it; one that is computed here is marked as such and kept nowhere
    POTASSIUM = "potassium"
    SODIUM = "sodium"
    UREA = "urea"
    BNP = "bnp"
    NT_PROBNP = "nt_probnp"  # never one series with BNP
    HAEMOGLOBIN = "haemoglobin"
    FERRITIN = "ferritin"
    SYSTOLIC = "systolic"  # of the arm, never of the pulmonary artery
    DIASTOLIC = "diastolic"
    SATURATION = "saturation"
    WEDGE = "wedge"  # of a right-heart catheter, as are the next two
    RIGHT_ATRIAL = "right_atrial"
    CARDIAC_OUTPUT = "cardiac_output"
    CATHETER_DIASTOLIC = "catheter_diastolic"  # PA diastolic at the catheter, which is no reading of the sensor
    EJECTION_FRACTION = "ejection_fraction"
    NYHA = "nyha"  # class 1 to 4, as a clinician judges it
    MRC = "mrc"  # breathlessness grade 1 to 5
    RHYTHM = "rhythm"


class EjectionClass(StrEnum):
    REDUCED = "reduced"
    MILDLY_REDUCED = "mildly_reduced"
    PRESERVED = "preserved"


class Rhythm(StrEnum):
    SINUS = "sinus"
    ATRIAL_FIBRILLATION = "atrial_fibrillation"
    PACED = "paced"
    OTHER = "other"


class Side(StrEnum):
    LEFT = "left"
    RIGHT = "right"


class Device(StrEnum):
    """What paces or defibrillates the heart."""

    NONE = "none"
    PACEMAKER = "pacemaker"
    CRT = "crt"  # cardiac resynchronisation therapy
    DEFIBRILLATOR = "defibrillator"
    CRT_DEFIBRILLATOR = "crt_defibrillator"


class ContactWay(StrEnum):
    """How the next contact is to be."""

    CALL = "call"
    VIDEO = "video"
    VISIT = "visit"
    HOME_VISIT = "home_visit"


class HospitalCounts(StrEnum):
    """Whether signing in at the hospital is the second step too."""

    NEVER = "never"
    ALWAYS = "always"
    TOLD = "told"  # where the hospital's provider says so of this time


class Paper(StrEnum):
    """What a clinic prints on."""

    A4 = "a4"
    LETTER = "letter"


class ArmPosture(StrEnum):
    """How a pressure of the arm was taken."""

    LYING = "lying"
    SITTING = "sitting"
    STANDING = "standing"


class MedicineClass(StrEnum):
    LOOP_DIURETIC = "loop_diuretic"
    THIAZIDE = "thiazide"
    MRA = "mra"
    ACE_INHIBITOR = "ace_inhibitor"
    ARB = "arb"
    ARNI = "arni"
    BETA_BLOCKER = "beta_blocker"
    SGLT2_INHIBITOR = "sglt2_inhibitor"
    NITRATE = "nitrate"
    OTHER = "other"


class Route(StrEnum):
    ORAL = "oral"
    IV = "iv"
    SUBCUTANEOUS = "subcutaneous"
    OTHER = "other"


class EarlierCourse(StrEnum):
    """What becomes of a course of the same medicine where another is entered."""

    ENDED = "ended"  # the day before
    BESIDE = "beside"  # both are taken


class NoResult(StrEnum):
    """What there is in place of a result where chemistry was due."""

    DONE_ELSEWHERE = "done_elsewhere"
    NOT_WANTED = "not_wanted"


class EventKind(StrEnum):
    """What happened to a patient. An admission has an end; the others are of one date."""

    ADMISSION = "admission"
    URGENT_VISIT = "urgent_visit"
    IV_DIURETIC = "iv_diuretic"
    DEATH = "death"


class EventCause(StrEnum):
    HEART_FAILURE = "heart_failure"
    OTHER_HEART = "other_heart"
    OTHER = "other"
    NOT_KNOWN = "not_known"


class Opened(StrEnum):
    """What somebody asked for, in the trail of who opened what."""

    RECORD = "record"  # one patient's, in whole or in part
    REACH = "reach"  # how a patient and their caregivers are reached, and what they agreed to
    PAPER = "paper"  # a patient's record as a PDF
    LIST = "list"  # many patients at once: the review, the inbox
    EXPORT = "export"  # a file of many days or patients
    DIARY = "diary"  # by the link in a message
    CALENDAR = "calendar"
    TRAIL = "trail"  # who did or opened what
    SETTINGS = "settings"  # what an administrator answers for
    ACCOUNT = "account"  # one's own
    DOOR = "door"  # signing in, going out, confirming that it is they
    CALL = "call"  # a provider's receipts and replies
    LOST = "lost"  # no request: lines that could not be kept


class Answered(StrEnum):
    """How a request for it ended."""

    SHOWN = "shown"  # at the door: let in
    CHANGED = "changed"  # what it changed is in the audit trail
    REFUSED = "refused"  # the account or key has no right to it
    ABSENT = "absent"  # the clinic has no such record
    UNKNOWN = "unknown"  # no good session, key, link or signature
    WRONG = "wrong"  # a wrong password or code
    OVER = "over"  # a link whose time has passed
    SLOWED = "slowed"  # too many tries
