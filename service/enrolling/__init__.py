"""Who is looked after, by whom, and what is expected: clinics, patients, caregivers, consents, plans, pauses.

Every function works inside the caller's transaction and writes its audit line
there. None sends anything.
"""

from service.enrolling.baselines import set_limits, set_reference
from service.enrolling.caregivers import end_caregiver
from service.enrolling.clinics import NewClinic, change_clinic, enrol_clinic
from service.enrolling.consenting import record_consent
from service.enrolling.people import (
    NewCaregiver,
    NewContact,
    NewPatient,
    add_caregiver,
    add_contact,
    change_patient,
    end_patient,
    enrol_patient,
    mend_contact,
    put_first,
)
from service.enrolling.phones import Begun, begin_phone, end_phone, note_link, phone_of, renew_phone
from service.enrolling.planning import NewPlan, end_pause, pause, set_plan
from service.enrolling.wordings import (
    SampleLinks,
    Wording,
    find_wording,
    list_wordings,
    preview_wording,
    reset_wording,
    set_wording,
)

__all__ = [
    "Begun",
    "NewCaregiver",
    "NewClinic",
    "NewContact",
    "NewPatient",
    "NewPlan",
    "SampleLinks",
    "Wording",
    "add_caregiver",
    "add_contact",
    "begin_phone",
    "change_clinic",
    "change_patient",
    "end_caregiver",
    "end_patient",
    "end_pause",
    "end_phone",
    "enrol_clinic",
    "enrol_patient",
    "find_wording",
    "list_wordings",
    "mend_contact",
    "note_link",
    "pause",
    "phone_of",
    "preview_wording",
    "put_first",
    "record_consent",
    "renew_phone",
    "reset_wording",
    "set_limits",
    "set_plan",
    "set_reference",
    "set_wording",
]
