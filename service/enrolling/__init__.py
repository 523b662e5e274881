"""Who is looked after, by whom, and what is expected: clinics, patients, caregivers, consents, plans, pauses.

Every function works inside the caller's transaction and writes its audit line
there. None sends anything.
"""

from service.enrolling.baselines import set_limits, set_reference
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
)
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
    "NewCaregiver",
    "NewClinic",
    "NewContact",
    "NewPatient",
    "NewPlan",
    "SampleLinks",
    "Wording",
    "add_caregiver",
    "add_contact",
    "change_clinic",
    "change_patient",
    "end_patient",
    "end_pause",
    "enrol_clinic",
    "enrol_patient",
    "find_wording",
    "list_wordings",
    "mend_contact",
    "pause",
    "preview_wording",
    "record_consent",
    "reset_wording",
    "set_limits",
    "set_plan",
    "set_reference",
    "set_wording",
]
