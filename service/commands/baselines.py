"""`neaptide reference …` and `neaptide limits …`: what a patient's pressures are read against.

A clinician answers for each, by account; the operator only types it.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.commands import opening
from service.commands.enrol import CLINIC
from service.commands.plans import DATE
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, ActorKind
from service.enrolling import baselines
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Limits, Reference, Staff

FORTNIGHT = timedelta(days=14)
DECIDED_BY = click.option(
    "--decided-by", "email", required=True, help="The account of the nurse or physician who decided it, by its address."
)


@click.group("reference")
def reference() -> None:
    """A patient's anchored baseline, mmHg."""


@reference.command("set")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--from", "first", type=DATE, help="First day of the settled fortnight, YYYY-MM-DD.")
@click.option("--to", "last", type=DATE, help="Its last day; 14 days with the first when left out.")
@click.option("--diastolic", type=float, help="Typed in, mmHg, rather than the mean of the fortnight's readings.")
@click.option("--mean", type=float)
@click.option("--systolic", type=float)
@DECIDED_BY
def set_reference(
    clinic: str | None,
    named: str,
    first: datetime | None,
    last: datetime | None,
    diastolic: float | None,
    mean: float | None,
    systolic: float | None,
    email: str,
) -> None:
    """Anchor a patient's baseline: the mean of a settled fortnight, or typed in. The newest counts."""
    if first is None and diastolic is None:
        raise Refused("diastolic", None, "a pressure in mmHg, or the first day of a fortnight with --from")
    from_date, to_date = _dates(first, last)
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        held = opening.patient_of(session, owner, named)
        added = baselines.set_reference(
            Act(session, OPERATOR, held.clinic_id, opening.clock_of(read).now()),
            held,
            diastolic,
            mean,
            systolic,
            from_date,
            to_date,
            decided_by=_clinician(session, owner, email),
        )
        opening.say(reference=added.id, diastolic=added.pa_diastolic, mean=added.pa_mean, systolic=added.pa_systolic)


@reference.command("show")
@CLINIC
@click.argument("named", metavar="PATIENT")
def show_references(clinic: str | None, named: str) -> None:
    """Every reference of a patient, newest first; the newest counts."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        wanted = (
            select(Reference).where(Reference.patient_id == held.id).order_by(Reference.set_at.desc(), Reference.id)
        )
        for one in session.scalars(wanted):
            days = f"  {one.from_date} to {one.to_date}" if one.from_date else ""
            values = f"{one.pa_diastolic:g}/{_said(one.pa_mean)}/{_said(one.pa_systolic)} mmHg"
            click.echo(f"{one.set_at:%Y-%m-%d %H:%M:%SZ}  {values}{days}  {one.set_by}")


@click.group("limits")
def limits() -> None:
    """A patient's PA diastolic limits, mmHg. There are none until a clinician types them."""


@limits.command("set")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--upper", type=float, help="mmHg; none on this side when left out.")
@click.option("--lower", type=float, help="mmHg; none on this side when left out.")
@DECIDED_BY
def set_limits(clinic: str | None, named: str, upper: float | None, lower: float | None, email: str) -> None:
    """Set a patient's limits; with neither, from now on there are none. The newest count."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        held = opening.patient_of(session, owner, named)
        added = baselines.set_limits(
            Act(session, OPERATOR, held.clinic_id, opening.clock_of(read).now()),
            held,
            upper,
            lower,
            decided_by=_clinician(session, owner, email),
        )
        opening.say(limits=added.id, upper=_said(added.upper), lower=_said(added.lower))


@limits.command("show")
@CLINIC
@click.argument("named", metavar="PATIENT")
def show_limits(clinic: str | None, named: str) -> None:
    """Every pair of limits of a patient, newest first; the newest counts."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        wanted = select(Limits).where(Limits.patient_id == held.id).order_by(Limits.set_at.desc(), Limits.id)
        for one in session.scalars(wanted):
            span = f"lower {_said(one.lower)}, upper {_said(one.upper)}"
            click.echo(f"{one.set_at:%Y-%m-%d %H:%M:%SZ}  {span}  {one.set_by}")


def _dates(first: datetime | None, last: datetime | None) -> tuple[date | None, date | None]:
    if first is None:
        return None, last.date() if last else None
    return first.date(), (last or first + FORTNIGHT - timedelta(days=1)).date()


def _clinician(session: Session, clinic: Clinic, email: str) -> Actor:
    found = session.scalar(
        select(Staff).where(Staff.clinic_id == clinic.id, Staff.email == email.strip().lower(), Staff.active)
    )
    if found is None or found.role not in CLINICAL_STAFF:
        raise Refused("decided_by", email, "the address of an open account of a nurse or physician of the clinic")
    return Actor(ActorKind.STAFF, found.id)


def _said(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"
