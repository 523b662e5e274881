"""Where what staff are told is mended: from a reason to the page, and the part of it, that holds the field.

Promises that every reason of these vocabularies has its places, or none on purpose: what calls for a person, or for
whoever runs the service, is mended on no page. A place is shown to whoever may open it.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from enum import Enum, StrEnum
from typing import Any

from flask import current_app, url_for
from flask_babel import lazy_gettext

from service.domain import tasks
from service.domain.record.limits import ResultBeyond
from service.domain.review import Lacking, OpenTask, StillSilent
from service.domain.rights import Right
from service.domain.sending import SendReason
from service.domain.vocabulary import SilenceCause
from service.web.auth import signed_in

_ = lazy_gettext


class Spot(Enum):
    """A part of a page: its endpoint, the part's mark, and what it is called. One of a patient's knows whose."""

    CONTACTS = ("clinic.patient.upkeep.page", "contacts", _("Contacts"))
    CONSENTS = ("clinic.patient.upkeep.page", "consents", _("Consents"))
    CAREGIVERS = ("clinic.patient.upkeep.page", "caregivers", _("Caregivers"))
    PLAN = ("clinic.patient.upkeep.page", "plan", _("Plan"))
    PAUSES = ("clinic.patient.upkeep.page", "pauses", _("Pauses"))
    REFERENCE = ("clinic.patient.upkeep.page", "reference", _("Reference"))
    LIMITS = ("clinic.patient.upkeep.page", "limits", _("Limits for PA diastolic"))
    BEGIN = ("clinic.patient.upkeep.page", "begin", _("Begin care again"))
    GOAL = ("clinic.patient.record.page", "goal", _("Goal"))
    CHEMISTRY = ("clinic.patient.record.page", "no-results", _("Chemistry due"))
    NEXT_CONTACT = ("clinic.patient.record.page", "next-contacts", _("Next contact"))
    RESULTS = ("clinic.patient.record.page", "results", _("Results"))
    PROPOSED = ("clinic.patient.page", "proposed", _("Decide on the reference"))
    TRANSFER = ("clinic.transfers.one", "", _("Transfer"))
    EMERGENCY = ("clinic.emergency.page", "used", _("Who came in"))
    INVITATION = ("clinic.inviting.page", "", _("Invitation"))
    UNCERTAIN = ("clinic.sent.page", "", _("Messages"))
    WORDINGS = ("clinic.wordings.page", "", _("Wordings"))
    COLLEAGUES = ("clinic.colleagues.page", "", _("Colleagues"))
    QUIET_HOURS = ("clinic.settings.page", "", _("Settings"))


class Never(StrEnum):
    """Why nothing is ever sent to somebody."""

    PATIENT_NOT_AGREED = "patient_not_agreed"
    PATIENT_NO_WAY = "patient_no_way"
    NOT_KNOWN = "not_known"
    NOT_BOTH_AGREED = "not_both_agreed"
    NO_WAY = "no_way"
    NO_STEP = "no_step"


NEVER = {
    Never.PATIENT_NOT_AGREED: _("Nothing is sent: they have not agreed to messages."),
    Never.NOT_KNOWN: _("Nothing is sent: the consent is not found as it was written. Ask, and record it anew."),
    Never.PATIENT_NO_WAY: _("Nothing is sent: no way to reach them works."),
    Never.NOT_BOTH_AGREED: _("Never asked: both agreements are needed, the patient’s and their own."),
    Never.NO_WAY: _("Never asked: no way to reach them works."),
    Never.NO_STEP: _("Never asked: no follow-up step of this patient asks a caregiver."),
}
P = Spot
CALL: tuple[Spot, ...] = ()  # somebody is to be called, or has only to be read
OPERATOR: tuple[Spot, ...] = ()  # whoever runs the service mends it
OF_TASK: Mapping[type, tuple[Spot, ...]] = {
    tasks.LongSilence: CALL,  # by its cause, below
    tasks.NobodyToReach: (P.CONTACTS,),
    tasks.SafetyAnswered: CALL,
    tasks.WeightDoubted: CALL,
    tasks.AlarmWritten: CALL,
    tasks.AlarmInDoubt: CALL,
    tasks.AlarmOfStaff: CALL,
    tasks.CallUntold: CALL,
    tasks.WordsUnsent: (P.CONTACTS, P.CONSENTS),
    tasks.ConsentDoubted: (P.CONSENTS,),
    tasks.StrangerWrote: CALL,
    tasks.StrangersFlood: OPERATOR,
    tasks.LimitPassed: CALL,
    tasks.CaregiverSaid: (P.PAUSES,),
    tasks.CaregiverWrote: CALL,
    tasks.PatientWrote: CALL,
    tasks.StaffStopped: (P.COLLEAGUES,),
    tasks.StartTexted: (P.CONSENTS,),
    tasks.NumberToCheck: (P.CONTACTS,),
    tasks.PhoneUntold: (P.CONTACTS,),
    tasks.WordingFailed: (P.WORDINGS,),
    tasks.ChannelMissing: OPERATOR,
    tasks.ContactBroke: (P.CONTACTS,),
    tasks.HandOverUnknown: (P.UNCERTAIN,),
    tasks.ReferenceProposed: (P.PROPOSED,),
    tasks.EnteredCallToday: CALL,
    tasks.CheckFound: OPERATOR,
    tasks.ContactDue: (P.NEXT_CONTACT,),
    tasks.ChemistryWanted: (P.CHEMISTRY, P.RESULTS),
    tasks.GoalOver: (P.GOAL,),
    tasks.EmergencyOpened: (P.EMERGENCY,),
    tasks.InvitationTold: (P.INVITATION,),
    ResultBeyond: (P.RESULTS,),
    tasks.TransferAsked: (P.TRANSFER,),
    tasks.TransferAnswered: (P.TRANSFER,),
    tasks.TakenOver: (P.PLAN, P.CONTACTS, P.LIMITS, P.REFERENCE, P.GOAL),
}
OF_REASON: Mapping[StrEnum, tuple[Spot, ...]] = {
    SilenceCause.NOT_ASKED: (P.PLAN, P.CONTACTS, P.CONSENTS),
    SilenceCause.NOT_DELIVERED: (P.CONTACTS,),
    SilenceCause.UNCERTAIN: (P.CONTACTS,),
    SilenceCause.NO_REPLY: (P.PLAN, P.CAREGIVERS),
    SilenceCause.DIARY_ONLY: CALL,
    Lacking.DATA: OPERATOR,
    Lacking.PLAN: (P.PLAN,),
    Lacking.REFERENCE: (P.REFERENCE,),
    Never.PATIENT_NOT_AGREED: (P.CONSENTS,),
    Never.PATIENT_NO_WAY: (P.CONTACTS,),
    Never.NOT_KNOWN: (P.CONSENTS,),
    Never.NOT_BOTH_AGREED: (P.CONSENTS,),
    Never.NO_WAY: (P.CONTACTS,),
    Never.NO_STEP: (P.PLAN,),
    # Why a message by hand cannot leave; the others are never told of one.
    SendReason.PATIENT_ENDED: (P.BEGIN,),
    SendReason.CONSENT_WITHDRAWN: (P.CONSENTS,),
    SendReason.CONSENT_IN_DOUBT: (P.CONSENTS,),
    SendReason.CONTACT_BROKEN: (P.CONTACTS,),
    SendReason.CHANNEL_NOT_SET_UP: (P.CONTACTS,),
    SendReason.EXPIRED: (P.QUIET_HOURS,),
    **dict.fromkeys((
        SendReason.WANTED, SendReason.ANSWERED, SendReason.EXCUSED, SendReason.ACKNOWLEDGED, SendReason.QUIET_HOURS,
        SendReason.ACCOUNT_CLOSED, SendReason.TASK_TAKEN,
    ), CALL),
}  # fmt: skip


def spots(reason: object) -> tuple[Spot, ...]:
    """Where that is mended. What is no task, cause or lack, such as a signal, is mended nowhere."""
    match reason:
        case OpenTask():
            return spots(reason.facts)
        case StillSilent():
            return OF_REASON[reason.silence.cause]
        case tasks.LongSilence():
            return OF_REASON[reason.cause]
        case StrEnum():
            return OF_REASON[reason]
    return OF_TASK.get(type(reason), CALL)


def mending(reason: object, patient_id: uuid.UUID | None) -> list[tuple[str, str]]:
    """What the places are called, and their addresses: those that whoever is signed in may open."""
    found = []
    for place in spots(reason):
        endpoint, part, called = place.value
        of_patient = endpoint.startswith("clinic.patient.")
        if (of_patient and patient_id is None) or not signed_in().may(_needs(endpoint)):
            continue
        whose: dict[str, Any] = {"patient_id": patient_id} if of_patient else {}
        if place is Spot.TRANSFER:
            whose = {"transfer_id": getattr(reason, "transfer", None)}
        if place is Spot.INVITATION:
            whose = {"invitation_id": getattr(reason, "invitation", None)}
        if place is Spot.UNCERTAIN:
            whose = {"state": "uncertain"}
        found.append((str(called), url_for(endpoint, _anchor=part or None, **whose)))
    return found


def _needs(endpoint: str) -> Right:
    view: Any = current_app.view_functions[endpoint]
    needed: Right = view.needs  # set by `staff_only`
    return needed
