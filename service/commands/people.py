"""`neaptide caregiver|contact|consent …`: who looks out for a patient, how people are reached, what they agreed to."""

from __future__ import annotations

import uuid
from typing import Any

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import consents
from service.commands import opening
from service.commands.enrol import CLINIC
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind
from service.enrolling import people
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Consent, Contact, Patient
from service.words.language import codes

CAREGIVER = click.option("--caregiver", "caregiver_id", type=click.UUID, help="The caregiver whom it is about, by id.")


@click.group("caregiver")
def caregiver() -> None:
    """Who looks out for a patient."""


@caregiver.command("add")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--name", required=True)
@click.option("--relation", default="")
@click.option("--zone", help="Where they live; the patient's zone when left out.")
@click.option("--language", type=click.Choice(codes()))
@click.option("--telephone", required=True, help="With country code.")
def add_caregiver(clinic: str | None, named: str, telephone: str, **given: Any) -> None:
    """Add a caregiver. Nothing is sent before both sides' consents are recorded."""
    read = opening.settings()
    now = opening.clock_of(read).now()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        added = people.add_caregiver(Act(session, OPERATOR, held.clinic_id, now), held, people.NewCaregiver(**given))
        people.add_contact(
            Act(session, OPERATOR, added.clinic_id, now), added, people.NewContact(Channel.TEXT, telephone)
        )
        opening.say(caregiver=added.id)


@caregiver.command("list")
@CLINIC
@click.argument("named", metavar="PATIENT")
def list_caregivers(clinic: str | None, named: str) -> None:
    """A patient's caregivers in the order they are asked, and those who have ended."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        whose = select(Caregiver).where(Caregiver.patient_id == held.id)
        for one in session.scalars(whose.order_by(Caregiver.position, Caregiver.id)):
            click.echo(f"{one.id}  {'active' if one.active else 'ended':<6}  {one.name}  {one.relation}".rstrip())


@caregiver.command("end")
@click.argument("caregiver_id", metavar="CAREGIVER", type=click.UUID)
def end_caregiver(caregiver_id: uuid.UUID) -> None:
    """The caregiver is sent nothing more: what is queued is cancelled, consents are withdrawn, what they said stays."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = session.get(Caregiver, caregiver_id)
        if held is None:
            raise Refused("caregiver", str(caregiver_id), "the id of a caregiver")
        people.end_caregiver(Act(session, OPERATOR, held.clinic_id, opening.clock_of(read).now()), held)


@click.group("contact")
def contact() -> None:
    """How patients and caregivers are reached."""


@contact.command("add")
@CLINIC
@click.argument("named", metavar="PATIENT")
@CAREGIVER
@click.option("--channel", required=True, type=click.Choice([Channel.TEXT.value, Channel.EMAIL.value]))
@click.option("--address", required=True, help="A telephone number with country code, or a mailbox.")
def add_contact(clinic: str | None, named: str, caregiver_id: uuid.UUID | None, channel: str, address: str) -> None:
    """Add a way to reach the patient, or a caregiver of theirs, tried after those already there."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        owner = _caregiver_of(session, held, caregiver_id) or held
        new = people.NewContact(Channel(channel), address)
        added = people.add_contact(Act(session, OPERATOR, owner.clinic_id, opening.clock_of(read).now()), owner, new)
        opening.say(contact=added.id)


@contact.command("list")
@CLINIC
@click.argument("named", metavar="PATIENT")
def list_contacts(clinic: str | None, named: str) -> None:
    """The contacts of a patient and of their caregivers, in the order they are tried."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        of_caregivers = Contact.caregiver_id.in_(select(Caregiver.id).where(Caregiver.patient_id == held.id))
        wanted = select(Contact).where((Contact.patient_id == held.id) | of_caregivers)
        order = (Contact.caregiver_id.is_not(None), Contact.caregiver_id, Contact.position, Contact.id)
        for one in session.scalars(wanted.order_by(*order)):
            whose = f"caregiver {one.caregiver_id}" if one.caregiver_id else "patient"
            # A push address is a secret of the phone's.
            address = "" if one.channel is Channel.WEBPUSH else one.address
            click.echo(f"{one.id}  {one.state.value:<6}  {one.channel.value:<7}  {address}  {whose}")


@contact.command("change")
@click.argument("contact_id", metavar="CONTACT", type=click.UUID)
@click.option("--address", required=True, help="A telephone number with country code, or a mailbox.")
def change_contact(contact_id: uuid.UUID, address: str) -> None:
    """Correct an address; one that was marked broken is tried again."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = session.get(Contact, contact_id)
        if held is None:
            raise Refused("contact", str(contact_id), "the id of a contact")
        people.mend_contact(Act(session, OPERATOR, held.clinic_id, opening.clock_of(read).now()), held, address)


@click.group("consent")
def consent() -> None:
    """Consents given and withdrawn."""


@consent.command("record")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--kind", type=click.Choice([kind.value for kind in ConsentKind]), default="messages", show_default=True)
@CAREGIVER
@click.option("--given/--withdrawn", default=True)
@click.option("--how", required=True, help='How it was given, such as "signed form".')
def record(clinic: str | None, named: str, kind: str, caregiver_id: uuid.UUID | None, given: bool, how: str) -> None:
    """Record a consent. A withdrawal cancels what is queued at once."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        about = _caregiver_of(session, held, caregiver_id)
        now = opening.clock_of(read).now()
        recorded = consents.record_consent(
            Act(session, OPERATOR, held.clinic_id, now), held, ConsentKind(kind), given, how, about
        )
        opening.say(consent=recorded.id)


@consent.command("list")
@CLINIC
@click.argument("named", metavar="PATIENT")
def list_consents(clinic: str | None, named: str) -> None:
    """Every consent of and about a patient, newest first; of each kind and person the newest counts."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        wanted = select(Consent).where(Consent.patient_id == held.id).order_by(Consent.at.desc(), Consent.id)
        for one in session.scalars(wanted):
            whose = f"caregiver {one.caregiver_id}" if one.caregiver_id else "patient"
            told = "given" if one.given else "withdrawn"
            click.echo(f"{one.at:%Y-%m-%d %H:%M:%SZ}  {one.kind.value:<16}  {told:<9}  {whose}  {one.how}")


def _caregiver_of(session: Session, patient: Patient, caregiver_id: uuid.UUID | None) -> Caregiver | None:
    if caregiver_id is None:
        return None
    found = session.get(Caregiver, caregiver_id)
    if found is None or found.patient_id != patient.id:
        raise Refused("caregiver", str(caregiver_id), "the id of one of the patient's caregivers")
    return found
