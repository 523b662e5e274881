"""Take in what people and machines send: readings, check-ins, caregivers' answers, files.

Every write is one transaction with its audit line and everything that follows
from it. What cannot be true is refused by field, value and what is accepted.
"""

from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.intake.caregivers import record_caregiver_reply
from service.intake.checkins import record_checkin
from service.intake.many import record_readings, try_readings
from service.intake.outcomes import Outcome, Recorded, RecordedCheckin, RecordedReply
from service.intake.readings import record_reading

__all__ = [
    "Answers",
    "NewCheckin",
    "NewReading",
    "Outcome",
    "Recorded",
    "RecordedCheckin",
    "RecordedReply",
    "record_caregiver_reply",
    "record_checkin",
    "record_reading",
    "record_readings",
    "try_readings",
]
