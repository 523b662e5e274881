"""The patient and their caregivers on the patient's page: how each is reached, their links, an end.

Promises that a link is shown once, to the member of staff who asked for it, and is
kept nowhere; that where none can be made the page says which setting is missing; and
that a caregiver's part ends only by the button on a page that says what that comes to.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from dataclasses import dataclass

from flask import Blueprint, abort, flash, g, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, ngettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import links
from service.care import contacts
from service.domain import steps
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ContactState, StepKind
from service.enrolling import people as enrolling_people
from service.store.session import read_session
from service.store.tables import Caregiver, Clinic, Contact, Patient, Plan
from service.web import forms
from service.web.auth import own, own_clinic, own_patient, staff_act, staff_only
from service.web.frame import at_clock, page_language
from service.web.pages.clinic import refusals
from service.web.pages.clinic.mending import NEVER, Never
from service.web.services import services
from service.words import countries
from service.words.labels import title

contacts_blueprint = Blueprint("ways", __name__, url_prefix="/ways")
caregivers_blueprint = Blueprint("people", __name__, url_prefix="/caregivers/<uuid:caregiver_id>")


@dataclass(frozen=True)
class Way:
    """One contact as staff read it. A push address means nothing to anybody, and is not shown."""

    id: uuid.UUID
    words: str
    trouble: str  # why it is not used; empty while it works
    may_be_first: bool
    address: str
    is_phone: bool  # for notices: set up by its own link, and not by typing
    since: str  # when it last began to lead elsewhere, or a phone was set up; empty for one that never changed


@dataclass(frozen=True)
class Reached:
    """One person with their contacts, in the order they are tried."""

    caregiver: Caregiver | None
    ways: tuple[Way, ...]
    why_never: Never | None = None  # why nothing is ever sent to them; None where something is

    @property
    def never(self) -> str:
        """The same in words."""
        return "" if self.why_never is None else str(NEVER[self.why_never])


@dataclass(frozen=True)
class Ways:
    people: tuple[Reached, ...]  # the patient, then the caregivers in the order they are asked
    why_no_link: str


def ways(session: Session, patient_id: uuid.UUID) -> Ways:
    """The patient and the caregivers who look out for them now. A constant number of queries."""
    caregivers = session.scalars(
        select(Caregiver)
        .where(Caregiver.patient_id == patient_id, Caregiver.clinic_id == g.clinic_id, Caregiver.active)
        .order_by(Caregiver.position, Caregiver.created_at, Caregiver.id)
    ).all()
    held: dict[uuid.UUID | None, list[Contact]] = defaultdict(list)
    for contact in session.scalars(
        select(Contact)
        .where(
            Contact.clinic_id == g.clinic_id,
            (Contact.patient_id == patient_id) | Contact.caregiver_id.in_([one.id for one in caregivers]),
        )
        .order_by(Contact.position, Contact.created_at, Contact.id)
    ):
        if contact.address:  # else it was erased
            held[contact.caregiver_id].append(contact)
    clinic = own_clinic(session)
    agreed: set[uuid.UUID | None] = {None} if contacts.patients_who_agreed(session, [patient_id]) else set()
    agreed |= contacts.caregivers_who_agreed(session, [patient_id])
    in_doubt = contacts.in_doubt(session, [patient_id])
    nudges = _asks_caregivers(session, patient_id)
    return Ways(
        tuple(
            Reached(
                one,
                tuple(_way(contact, held[key], clinic) for contact in held[key]),
                Never.NOT_KNOWN if (key or patient_id) in in_doubt else _never(key in agreed, held[key], one, nudges),
            )
            for one, key in ((one, one.id if one else None) for one in (None, *caregivers))
        ),
        links.why_no_push(services().settings),
    )


@contacts_blueprint.post("/push-link")
@staff_only(Right.ENROL, fresh="clinic.patient.page")
def make_link(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Make the link by which the patient, or the caregiver who is named, sets their own phone up for notices."""
    if why := links.why_no_push(services().settings):
        flash(gettext("No link was made. %(why)s", why=why), "wrong")
        return _back(patient_id)
    try:
        with staff_act() as act:
            person = _person(act.session, patient_id)
            made = links.make_push_link(act, services().links, person)
    except Refused as refused:
        flash(gettext("No link was made. Accepted is %(accepted)s.", accepted=refusals.accepted(refused)), "wrong")
        return _back(patient_id)
    return render_template("clinic/pushlink.html", patient_id=patient_id, person=person, made=made)


@contacts_blueprint.post("/<uuid:contact_id>/first")
@staff_only(Right.ENROL, fresh="clinic.patient.page")
def put_first(patient_id: uuid.UUID, contact_id: uuid.UUID) -> ResponseReturnValue:
    """Try this contact before the person's others."""
    with staff_act() as act:
        contact = own(act.session, Contact, contact_id)
        if not is_about(act.session, contact, patient_id):
            abort(404)
        enrolling_people.put_first(act, contact)
    flash(gettext("It is tried first from the next message on."), "good")
    return _back(patient_id)


@contacts_blueprint.get("/revoke-links")
@staff_only(Right.ENROL)
def ask_to_revoke(patient_id: uuid.UUID) -> ResponseReturnValue:
    """What revoking the patient's links comes to, and the button that does it."""
    with read_session(services().engine) as session:
        patient = own_patient(session, patient_id)
    return render_template("clinic/revokelinks.html", patient=patient)


@contacts_blueprint.post("/revoke-links")
@staff_only(Right.ENROL)
def revoke_links(patient_id: uuid.UUID) -> ResponseReturnValue:
    """No link that was made for the patient or a caregiver of theirs opens anything any more."""
    with staff_act() as act:
        revoked = links.revoke_links(act, own_patient(act.session, patient_id))
    flash(ngettext("%(num)s link opens nothing any more.", "%(num)s links open nothing any more.", revoked), "good")
    return _back(patient_id)


@caregivers_blueprint.get("/end")
@staff_only(Right.ENROL)
def ask(patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> ResponseReturnValue:
    """What ending a caregiver comes to, and the button that does it."""
    with read_session(services().engine) as session:
        caregiver = _caregiver(session, patient_id, caregiver_id)
        patient = session.get_one(Patient, patient_id)
    return render_template("clinic/endcaregiver.html", caregiver=caregiver, patient=patient)


@caregivers_blueprint.post("/end")
@staff_only(Right.ENROL)
def end(patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> ResponseReturnValue:
    """The caregiver is sent nothing more, and their links open nothing."""
    with staff_act() as act:
        caregiver = _caregiver(act.session, patient_id, caregiver_id)
        enrolling_people.end_caregiver(act, caregiver)
    flash(gettext("%(name)s is sent nothing more.", name=caregiver.name), "good")
    return _back(patient_id)


# --- helpers ---------------------------------------------------------------------------


def _back(patient_id: uuid.UUID) -> ResponseReturnValue:
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="ways"), 303)


def _way(contact: Contact, held: list[Contact], clinic: Clinic) -> Way:
    region = enrolling_people.region_of(clinic)
    words = title(page_language(), contact.channel)
    if contact.channel is not Channel.WEBPUSH:
        shown = contact.address
        if contact.channel is Channel.TEXT:
            shown, country = enrolling_people.as_dialled(contact.address)
            if country is not None and country != region:  # a slip of the pen is seen at once
                shown = f"{shown} ({countries.name(page_language(), country)})"
        words = f"{words}: {shown}"
    works = contact.state is ContactState.OK
    working = [one for one in held if one.state is ContactState.OK]
    trouble = ""
    if not works:
        trouble = gettext("not used: %(why)s", why=contact.broken_reason or gettext("does not work"))
    elif contact.channel not in services().transports:
        trouble = gettext("not used: this service is not set up to send that way")
    may_be_first = works and contact is not working[0]
    is_phone = contact.channel is Channel.WEBPUSH
    return Way(contact.id, words, trouble, may_be_first, contact.address, is_phone, _since(contact, clinic.zone))


def _since(contact: Contact, zone: str) -> str:
    if contact.changed_at is not None:
        return str(gettext("changed %(when)s", when=at_clock(page_language(), contact.changed_at, zone)))
    if contact.channel is Channel.WEBPUSH:
        return str(gettext("set up %(when)s", when=at_clock(page_language(), contact.created_at, zone)))
    return ""


def _never(has_agreed: bool, held: list[Contact], caregiver: Caregiver | None, nudges: bool) -> Never | None:
    reachable = any(one.state is ContactState.OK and one.channel in services().transports for one in held)
    if not has_agreed:
        return Never.PATIENT_NOT_AGREED if caregiver is None else Never.NOT_BOTH_AGREED
    if not reachable:
        return Never.PATIENT_NO_WAY if caregiver is None else Never.NO_WAY
    return None if caregiver is None or nudges else Never.NO_STEP


def _asks_caregivers(session: Session, patient_id: uuid.UUID) -> bool:
    """Whether a step of the patient's follow-up is for caregivers."""
    held = session.scalar(select(Plan.steps).where(Plan.patient_id == patient_id))
    rules = steps.from_json(own_clinic(session).steps if held is None else held)
    return any(one.kind is StepKind.NUDGE for one in rules)


def _person(session: Session, patient_id: uuid.UUID) -> Patient | Caregiver:
    patient = own_patient(session, patient_id)
    asked = forms.row_id("caregiver")
    return patient if asked is None else _caregiver(session, patient_id, asked)


def is_about(session: Session, contact: Contact, patient_id: uuid.UUID) -> bool:
    if contact.caregiver_id is None:
        return contact.patient_id == patient_id
    caregiver = session.get_one(Caregiver, contact.caregiver_id)
    return caregiver.patient_id == patient_id


def _caregiver(session: Session, patient_id: uuid.UUID, caregiver_id: uuid.UUID) -> Caregiver:
    found = own(session, Caregiver, caregiver_id)
    if found.patient_id != patient_id:
        abort(404)
    return found
