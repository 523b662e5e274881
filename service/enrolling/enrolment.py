"""A patient enrolled whole: who they are, how they are reached and what they agreed to, when they are asked, who helps.

Promises that page, API and roster enrol by this one rule, in one transaction or not at all, and that somebody
who is probably known already is asked about before a second record of them begins.
"""

from __future__ import annotations

import unicodedata
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from service.care import contacts, persons
from service.domain import steps
from service.domain.localtime import zone
from service.domain.plan import window_times
from service.domain.validation import Clashes, Refused, storable
from service.domain.vocabulary import ConsentKind, StepKind
from service.enrolling import people, plans
from service.enrolling.people import NewCaregiver, NewContact, NewPatient
from service.enrolling.plans import NewPlan
from service.store.audit import Act
from service.store.tables import Caregiver, Clinic, Contact, EnrolmentDraft, Patient, PersonRow, Plan, Staff

DRAFT_LASTS = timedelta(days=7)
LONGEST_TYPED = 400  # characters of one field


@dataclass(frozen=True)
class Agreed:
    """A consent: how it was given, and on which date where that was not today."""

    how: str
    on: date | None = None


@dataclass(frozen=True)
class NewHelper:
    """A caregiver with a way to reach them, and both consents, each of which may still be lacking."""

    who: NewCaregiver
    contact: NewContact | None = None
    allowed: Agreed | None = None  # by the patient: this caregiver is told of a missed reading
    agreed: Agreed | None = None  # by the caregiver
    may_see: Agreed | None = None  # by the patient: this caregiver sees values


@dataclass(frozen=True)
class Enrolment:
    """What is typed at once. A contact, a consent or hours that are lacking: nothing is sent until they are there."""

    who: NewPatient
    born_on: date | None = None
    contact: NewContact | None = None
    agreed: Agreed | None = None
    hours: NewPlan | None = None
    helper: NewHelper | None = None
    is_other: bool = False  # those who are known and alike were looked at: it is somebody else


@dataclass(frozen=True)
class Alike:
    """Somebody known who may be the same person."""

    id: uuid.UUID
    name: str
    clinic_ref: str


def enrol(act: Act, new: Enrolment, its_id: uuid.UUID | None = None) -> Patient:
    """Write everything of an enrolment. Raises Refused; of somebody who is like a known person, for `is_other`."""
    patient = people.enrol_patient(act, new.who, its_id)
    address = None
    if new.contact is not None:
        address = people.add_contact(act, patient, new.contact).address
    if new.born_on is not None:
        persons.set_person(act, patient, born_on=new.born_on)
    if not new.is_other and (known := alike(act.session, patient, new.born_on, address)):
        raise is_alike([one.clinic_ref for one in known])
    if new.agreed is not None:
        contacts.record_consent(act, patient, ConsentKind.MESSAGES, True, new.agreed.how, on=new.agreed.on)
    if new.hours is not None:
        plans.set_plan(act, patient, new.hours)
    if new.helper is not None:
        add_helper(act, patient, new.helper)
    return patient


def is_alike(refs: Sequence[str]) -> Refused:
    """What is said of somebody who is like these known people, by the clinic's references."""
    said = ", ".join(refs)
    return Clashes("is_other", said, "true, once these patients were looked at and it is somebody else")


def add_helper(act: Act, patient: Patient, new: NewHelper) -> Caregiver:
    """Write a caregiver with what is known of them. Raises Refused, its field after `caregiver.`."""
    try:
        caregiver = people.add_caregiver(act, patient, new.who)
        if new.contact is not None:
            people.add_contact(act, caregiver, new.contact)
        asked = (ConsentKind.CAREGIVER, new.allowed), (ConsentKind.CAREGIVER_VALUES, new.may_see)
        for kind, agreed in (*asked, (ConsentKind.MESSAGES, new.agreed)):
            if agreed is not None:
                contacts.record_consent(act, patient, kind, True, agreed.how, caregiver, agreed.on)
    except Refused as refused:
        raise refused.of_field(f"caregiver.{refused.field}") from None
    return caregiver


def alike(session: Session, new: Patient, born_on: date | None, address: str | None) -> list[Alike]:
    """Others of the clinic with the same name and date of birth, or reached by the same number, by name."""
    born = select(PersonRow.patient_id).where(
        PersonRow.clinic_id == new.clinic_id, PersonRow.born_on == born_on, PersonRow.superseded_at.is_(None)
    )
    reached = select(Contact.patient_id).where(
        Contact.clinic_id == new.clinic_id, Contact.address == address, Contact.patient_id.is_not(None)
    )
    same_day = Patient.id.in_(born) if born_on is not None else None
    same_number = Patient.id.in_(reached) if address is not None else None
    either = [one for one in (same_day, same_number) if one is not None]
    if not either:
        return []
    found = session.execute(
        select(Patient.id, Patient.name, Patient.clinic_ref, Patient.id.in_(reached))
        .where(Patient.clinic_id == new.clinic_id, Patient.id != new.id, Patient.withdrawn.is_(False), or_(*either))
        .order_by(Patient.name, Patient.id)
    )
    return [
        Alike(patient_id, name, ref)
        for patient_id, name, ref, by_number in found
        if (by_number and address is not None) or plain(name) == plain(new.name)
    ]


def plain(name: str) -> list[str]:
    """The words of a name without case, accents and order: `Okoro, Asha` is `Asha Okoro`."""
    apart = unicodedata.normalize("NFKD", name.casefold())
    letters = "".join(one if one.isalpha() else " " for one in apart if not unicodedata.combining(one))
    return sorted(letters.split())


def first_prompt(session: Session, patient_id: uuid.UUID) -> datetime | None:
    """When the patient is first asked as the plan stands (UTC); None where nothing would ask."""
    row = session.execute(
        select(Plan, Patient.zone, Clinic.steps)
        .join(Patient, Patient.id == Plan.patient_id)
        .join(Clinic, Clinic.id == Plan.clinic_id)
        .where(Plan.patient_id == patient_id, Plan.active)
    ).first()
    if row is None:
        return None
    plan, place, usual = row
    times = window_times(plan.rule, plan.next_date, zone(place))
    rules = steps.from_json(usual if plan.steps is None else plan.steps)
    return next((at for _, kind, at in steps.freeze(rules, times) if kind is StepKind.PROMPT), None)


# --- what was begun and is not finished --------------------------------------------------------


def keep_draft(act: Act, staff_id: uuid.UUID, draft: EnrolmentDraft | None, typed: dict[str, str]) -> EnrolmentDraft:
    """Keep what was typed, for whoever goes on."""
    kept = {name: storable(value)[:LONGEST_TYPED] for name, value in typed.items()}
    if draft is None:
        draft = EnrolmentDraft(begun_by=staff_id, begun_at=act.now, typed=kept, step=1)
        act.add(draft)
        act.note("draft.begin", draft)
    else:
        draft.typed = {**draft.typed, **kept}
        act.session.flush()
    return draft


def forget_drafts(session: Session, now: datetime) -> None:
    """Let go of enrolments that nobody went on with for a week."""
    session.execute(delete(EnrolmentDraft).where(EnrolmentDraft.begun_at < now - DRAFT_LASTS))


def drop_draft(act: Act, draft: EnrolmentDraft, why: str) -> None:
    """It is finished, or nobody wants it any more."""
    act.session.delete(draft)
    act.note(f"draft.{why}", ("enrolment_draft", draft.id))


def drafts(session: Session, clinic_id: uuid.UUID, now: datetime) -> list[tuple[EnrolmentDraft, str]]:
    """Those of the clinic that were begun in the last week, newest first, each with who began it."""
    found = session.execute(
        select(EnrolmentDraft, Staff.name)
        .join(Staff, Staff.id == EnrolmentDraft.begun_by)
        .where(EnrolmentDraft.clinic_id == clinic_id, EnrolmentDraft.begun_at >= now - DRAFT_LASTS)
        .order_by(EnrolmentDraft.begun_at.desc(), EnrolmentDraft.id)
    )
    return [(draft, name) for draft, name in found]
