"""A patient enrolled in one call, whole or not at all."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from service.domain.vocabulary import ActorKind, Scope
from service.enrolling import enrolment, people
from service.enrolling.enrolment import Agreed, Enrolment, NewHelper
from service.store.tables import Patient
from service.web.api.base import Blueprint, instant, shows, text, yes_no
from service.web.api.guards import Call, caller, needs
from service.web.api.people import PATIENT, CaregiverIn, ContactIn, PatientIn
from service.web.api.plans import PlanIn, new_plan
from service.web.problems import Problem

blueprint = Blueprint("enrolment", "Enrolment in one call")


class AgreedIn(Schema):
    """How a consent was given, and on which date where that was not today."""

    how = text(200)
    on = fields.Date(allow_none=True, load_default=None)


class HelperIn(CaregiverIn):
    """A caregiver: `allowed` is the patient's consent, `agreed` their own. Nothing is sent to them before both."""

    contact = fields.Nested(ContactIn, allow_none=True, load_default=None)
    allowed = fields.Nested(AgreedIn, allow_none=True, load_default=None)
    agreed = fields.Nested(AgreedIn, allow_none=True, load_default=None)


class EnrolmentIn(PatientIn):
    """`is_other`: those who are known and alike were looked at, and it is somebody else."""

    born_on = fields.Date(allow_none=True, load_default=None)
    contact = fields.Nested(ContactIn, allow_none=True, load_default=None)
    agreed = fields.Nested(AgreedIn, allow_none=True, load_default=None)
    plan = fields.Nested(PlanIn, allow_none=True, load_default=None)
    caregiver = fields.Nested(HelperIn, allow_none=True, load_default=None)
    is_other = yes_no(load_default=False)


EnrolledOut = shows("EnrolledOut", Patient, PATIENT, first_prompt_at=instant(allow_none=True))


@blueprint.post("/enrolments", allowed=needs(Scope.ENROL))
@blueprint.writes(EnrolledOut, 201, takes=EnrolmentIn)
def enrol_whole(call: Call, new: dict[str, Any]) -> dict[str, Any]:
    """Enrol a patient with contact, consent, plan and caregiver, each of which may be left for later.

    Refused for `is_other` where the clinic has somebody of that name and date of birth, or with that number:
    look first. `first_prompt_at` is when the patient is asked first, null where nothing would ask.
    """
    machine = caller() if caller().actor.kind is ActorKind.KEY else None
    if machine is not None and Scope.CONTACTS not in machine.scopes and _has_contact(new):
        raise Problem(403, f"The key has no scope {Scope.CONTACTS.value!r}: it enrols without a contact.")
    patient = enrolment.enrol(call.act, enrolment_of(new))
    first = enrolment.first_prompt(call.session, patient.id)
    return {name: getattr(patient, name) for name in PATIENT.split()} | {"first_prompt_at": first}


def enrolment_of(new: dict[str, Any]) -> Enrolment:
    """What `EnrolmentIn` read, as the use case takes it."""
    rest = {name: new.pop(name) for name in ("born_on", "contact", "agreed", "plan", "caregiver", "is_other")}
    return Enrolment(
        people.NewPatient(**new),
        rest["born_on"],
        _contact(rest["contact"]),
        _agreed(rest["agreed"]),
        None if rest["plan"] is None else new_plan(rest["plan"]),
        None if rest["caregiver"] is None else helper_of(rest["caregiver"]),
        rest["is_other"],
    )


def helper_of(new: dict[str, Any]) -> NewHelper:
    """What `HelperIn` read, as the use case takes it."""
    contact, allowed, agreed = (new.pop(name) for name in ("contact", "allowed", "agreed"))
    return NewHelper(people.NewCaregiver(**new), _contact(contact), _agreed(allowed), _agreed(agreed))


def _has_contact(new: dict[str, Any]) -> bool:
    return any(whose is not None and whose["contact"] is not None for whose in (new, new["caregiver"]))


def _contact(given: dict[str, Any] | None) -> people.NewContact | None:
    return None if given is None else people.NewContact(**given)


def _agreed(given: dict[str, Any] | None) -> Agreed | None:
    return None if given is None else Agreed(**given)
