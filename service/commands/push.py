"""`neaptide push …`: the key that signs notices on phones, and the link by which somebody sets their phone up."""

from __future__ import annotations

import base64
import uuid

import click
from cryptography.hazmat.primitives.asymmetric import ec

from service.commands import opening
from service.commands.enrol import CLINIC
from service.domain.validation import Refused
from service.links import Links, make_push_link, why_no_push
from service.store.audit import OPERATOR
from service.store.session import write_session
from service.store.tables import Caregiver, Patient


@click.group("push")
def push() -> None:
    """Notices on people's own phones (web push)."""


@push.command("key")
def key() -> None:
    """Make a private key for NEAPTIDE_PUSH_KEY, and print it.

    Keep it like a password, and keep it: phones that were set up with another key get no more notices.
    """
    # RFC 8292 section 2: ECDSA on P-256. The scalar alone, 32 bytes, in base64url.
    secret = ec.generate_private_key(ec.SECP256R1()).private_numbers().private_value.to_bytes(32, "big")
    click.echo(base64.urlsafe_b64encode(secret).rstrip(b"=").decode("ascii"))


@push.command("link")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--caregiver", "caregiver_id", type=click.UUID, help="For this caregiver of the patient's, by id.")
def link(clinic: str | None, named: str, caregiver_id: uuid.UUID | None) -> None:
    """Make the link by which the patient, or a caregiver, sets their own phone up for notices.

    For that person alone. It sets a phone up for a week; the notices can be ended by it for as long as they come.
    """
    read = opening.settings()
    if why := why_no_push(read):
        raise click.ClickException(why)
    with opening.database(read) as engine, write_session(engine) as session:
        person: Patient | Caregiver = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        if caregiver_id is not None:
            held = session.get(Caregiver, caregiver_id)
            if held is None or held.patient_id != person.id:
                raise Refused("caregiver", str(caregiver_id), "the id of one of the patient's caregivers")
            person = held
        links = Links(read.secret_key, read.base_url)
        made = make_push_link(session, links, person, OPERATOR, opening.clock_of(read).now())
        opening.say(link=made.link, until=made.until.isoformat())
