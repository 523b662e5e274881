"""Build, freeze and sign the weekly review; everything staff do between reviews.

Use cases only: what is decided is in `domain.review`, what is drawn is in `reports`.
"""

from service.reviewing.adjusting import NewAdjustment, follow_up_done, record_adjustment
from service.reviewing.covering import Covered, coverage, days_since, joined_days
from service.reviewing.inbox import AlreadyHandled, Item, close, inbox, open_count, take
from service.reviewing.measuring import Measures, measure
from service.reviewing.panel import Panel, PanelEntry, Signed, build_panel
from service.reviewing.patient import RANGES, Past, PatientReview, adjustments_of, build_patient, reviews_of
from service.reviewing.patientrecord import patient_record
from service.reviewing.recordwords import Record, remarks
from service.reviewing.refreshing import differing, rebuild, refresh
from service.reviewing.signing import AlreadySigned, fingerprint, freeze, sign
from service.reviewing.stopping import Stopping, why_readings_stop
from service.reviewing.telling import tell_staff
from service.reviewing.timelines import timeline_of
from service.reviewing.weekrecord import weekly_record

__all__ = [
    "RANGES",
    "AlreadyHandled",
    "AlreadySigned",
    "Covered",
    "Item",
    "Measures",
    "NewAdjustment",
    "Panel",
    "PanelEntry",
    "Past",
    "PatientReview",
    "Record",
    "Signed",
    "Stopping",
    "adjustments_of",
    "build_panel",
    "build_patient",
    "close",
    "coverage",
    "days_since",
    "differing",
    "fingerprint",
    "follow_up_done",
    "freeze",
    "inbox",
    "joined_days",
    "measure",
    "open_count",
    "patient_record",
    "rebuild",
    "record_adjustment",
    "refresh",
    "remarks",
    "reviews_of",
    "sign",
    "take",
    "tell_staff",
    "timeline_of",
    "weekly_record",
    "why_readings_stop",
]
