"""`neaptide clinic …` and `neaptide patient …`: enrolment from a terminal."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import time
from typing import Any

import click
from sqlalchemy import select

from service.clock import SystemClock
from service.commands import opening
from service.domain.readings import UNITS_OF_WEIGHT, to_kg
from service.domain.validation import Refused
from service.domain.vocabulary import Channel
from service.enrolling import clinics, people
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Contact, Patient, Plan
from service.words.language import codes

CLINIC = click.option("--clinic", help="Name or id of the clinic; may be left out where there is only one.")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
STEP = re.compile(r"([a-z]+):([a-z]+)(?:\+(\d{1,6}))?")


class LocalTime(click.ParamType[time]):
    """A wall time, HH:MM."""

    name = "HH:MM"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> time:
        if isinstance(value, time):
            return value
        try:
            return time.fromisoformat(value)
        except ValueError:
            raise Refused(param.name if param and param.name else "time", value, "a time such as 07:30") from None


class StepOfDay(click.ParamType[dict[str, Any]]):
    """A follow-up step as plain values: `reminder:due+15` is a quarter of an hour after the due time."""

    name = "KIND:WHEN[+MINUTES]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dict[str, Any]:
        if isinstance(value, dict):
            return value
        parts = STEP.fullmatch(value)
        if parts is None:
            raise Refused("step", value, "such as prompt:opens, reminder:due+15, nudge:closes or task:closes+60")
        return {"kind": parts[1], "anchor": parts[2], "after_minutes": int(parts[3] or 0)}


STEPS = click.option(
    "--step", "steps", multiple=True, type=StepOfDay(),
    help="One step, such as reminder:due+15; give every step, in order, the clinic's task last.",
)  # fmt: skip


def steps_in_words(steps: Iterable[Mapping[str, Any]]) -> str:
    """The steps as `--step` takes them."""
    return " ".join(
        f"{step['kind']}:{step['anchor']}" + (f"+{step['after_minutes']}" if step["after_minutes"] else "")
        for step in steps
    )


def changed(**given: Any) -> dict[str, Any]:
    """What was typed, without what was left out. Raises Refused when nothing was."""
    changes = {name: value for name, value in given.items() if value not in (None, ())}
    if not changes:
        raise Refused("options", "none", "at least one setting to change")
    return changes


@click.group("clinic")
def clinic() -> None:
    """The clinics on this database."""


@clinic.command("add")
@click.option("--name", required=True)
@click.option("--zone", required=True, help="IANA time zone, such as Pacific/Auckland.")
@click.option("--emergency-number", required=True, help="The local emergency number, shown to patients.")
@click.option("--contact-line", required=True, help="The clinic's own telephone number.")
@click.option("--sender-name", required=True, help="How messages are signed; it is read on locked screens.")
@click.option("--language", type=click.Choice(codes()), default="en", show_default=True)
@click.option("--review-weekday", type=click.Choice(WEEKDAYS), default="monday", show_default=True)
@click.option("--quiet-from", type=LocalTime(), default="21:00", show_default=True)
@click.option("--quiet-until", type=LocalTime(), default="08:00", show_default=True)
@click.option("--silent-days", type=int, default=3, show_default=True, help="Missed windows before staff get a task.")
@STEPS
def add_clinic(review_weekday: str, steps: tuple[dict[str, Any], ...], **given: Any) -> None:
    """Add a clinic."""
    new = clinics.NewClinic(**given, review_weekday=WEEKDAYS.index(review_weekday), steps=list(steps) or None)
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        added = clinics.enrol_clinic(session, new, OPERATOR, SystemClock().now())
        opening.say(clinic=added.id)


@clinic.command("change")
@CLINIC
@click.option("--name")
@click.option("--zone", help="IANA time zone, such as Pacific/Auckland.")
@click.option("--emergency-number", help="The local emergency number, shown to patients.")
@click.option("--contact-line", help="The clinic's own telephone number.")
@click.option("--sender-name", help="How messages are signed; it is read on locked screens.")
@click.option("--language", type=click.Choice(codes()))
@click.option("--review-weekday", type=click.Choice(WEEKDAYS))
@click.option("--quiet-from", type=LocalTime())
@click.option("--quiet-until", type=LocalTime())
@click.option("--silent-days", type=int, help="Missed windows before staff get a task.")
@STEPS
def change_clinic(clinic: str | None, review_weekday: str | None, **given: Any) -> None:
    """Change a clinic's settings; what is left out stays. Windows already open keep their steps."""
    weekday = None if review_weekday is None else WEEKDAYS.index(review_weekday)
    changes = changed(**given, review_weekday=weekday)
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.clinic_of(session, clinic)
        clinics.change_clinic(Act(session, OPERATOR, held.id, opening.clock_of(read).now()), held, changes)
        opening.say(clinic=held.id, changed=" ".join(sorted(changes)))


@clinic.command("show")
@CLINIC
def show_clinic(clinic: str | None) -> None:
    """A clinic's settings."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.clinic_of(session, clinic)
        names = [column.key for column in Clinic.__table__.columns if column.key != "id"]
        told = {name: getattr(held, name) for name in names}
        opening.say(clinic=held.id, **told | {"steps": steps_in_words(held.steps)})


@click.group("patient")
def patient() -> None:
    """The clinic's patients."""


@patient.command("add")
@CLINIC
@click.option("--ref", "clinic_ref", required=True, help="The clinic's own number for this person.")
@click.option("--name", required=True)
@click.option("--zone", required=True, help="Where they live: an IANA time zone.")
@click.option("--language", type=click.Choice(codes()), default="en", show_default=True)
@click.option("--usual-pillows", type=int)
@click.option("--dry-weight", type=float, help="In --weight-unit.")
@click.option("--weight-unit", type=click.Choice(list(UNITS_OF_WEIGHT)), default="kg", show_default=True)
@click.option("--telephone", help="With country code.")
@click.option("--email")
def add_patient(
    clinic: str | None,
    dry_weight: float | None,
    weight_unit: str,
    telephone: str | None,
    email: str | None,
    **given: Any,
) -> None:
    """Enrol a patient. Nothing is sent before a consent is recorded and a plan is set."""
    kg = None if dry_weight is None else round(to_kg(dry_weight, weight_unit), 3)
    new = people.NewPatient(**given, dry_weight_kg=kg, weight_unit=weight_unit)
    now = SystemClock().now()
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        added = people.enrol_patient(Act(session, OPERATOR, opening.clinic_of(session, clinic).id, now), new)
        for channel, address in ((Channel.TEXT, telephone), (Channel.EMAIL, email)):
            if address:
                people.add_contact(
                    Act(session, OPERATOR, added.clinic_id, now), added, people.NewContact(channel, address)
                )
        opening.say(patient=added.id)


@patient.command("change")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--name")
@click.option("--zone", help="Where they live from now on: the next window is planned there.")
@click.option("--language", type=click.Choice(codes()))
@click.option("--usual-pillows", type=int)
@click.option("--dry-weight", type=float, help="In --weight-unit, or else in the unit on record.")
@click.option("--weight-unit", type=click.Choice(list(UNITS_OF_WEIGHT)))
def change_patient(clinic: str | None, named: str, dry_weight: float | None, **given: Any) -> None:
    """Change a patient's particulars; what is left out stays."""
    changes = changed(**given, dry_weight_kg=dry_weight)
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        if dry_weight is not None:
            changes["dry_weight_kg"] = round(to_kg(dry_weight, changes.get("weight_unit", held.weight_unit)), 3)
        people.change_patient(Act(session, OPERATOR, held.clinic_id, opening.clock_of(read).now()), held, changes)
        opening.say(patient=held.id, changed=" ".join(sorted(changes)))


@patient.command("list")
@CLINIC
def list_patients(clinic: str | None) -> None:
    """Every patient by the clinic's own reference."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        for one in session.scalars(select(Patient).where(Patient.clinic_id == owner.id).order_by(Patient.clinic_ref)):
            click.echo(f"{one.id}  {one.state.value:<6}  {one.zone:<24}  {one.clinic_ref}")


@patient.command("show")
@CLINIC
@click.argument("named", metavar="PATIENT")
def show_patient(clinic: str | None, named: str) -> None:
    """One patient's particulars, contacts and plan."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        opening.say(
            patient=held.id, ref=held.clinic_ref, name=held.name, zone=held.zone, language=held.language,
            state=held.state.value, usual_pillows=held.usual_pillows, dry_weight_kg=held.dry_weight_kg,
        )  # fmt: skip
        for contact in session.scalars(select(Contact).where(Contact.patient_id == held.id).order_by(Contact.position)):
            # A push address is a secret of the phone's.
            address = "" if contact.channel is Channel.WEBPUSH else f" {contact.address}"
            click.echo(f"contact: {contact.channel.value}{address} ({contact.state.value})")
        plan = session.scalar(select(Plan).where(Plan.patient_id == held.id))
        click.echo(f"next window: {plan.next_date} at {plan.opens:%H:%M}" if plan else "plan: none")


@patient.command("end")
@CLINIC
@click.argument("named", metavar="PATIENT")
def end_patient(clinic: str | None, named: str) -> None:
    """The patient is no longer looked after here; what was recorded stays."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        people.end_patient(Act(session, OPERATOR, held.clinic_id, SystemClock().now()), held)
