"""`neaptide plan show|feed PATIENT`: a plan told ahead, for a printer or for a calendar."""

from __future__ import annotations

import contextlib
import uuid
from datetime import timedelta

import click
from sqlalchemy import or_

from service.clock import Clock, SystemClock
from service.config import Settings
from service.domain.localtime import local_date, zone
from service.reports import yearsheet
from service.store.plans import PlanAhead, plans_ahead
from service.store.session import open_engine, reading
from service.store.tables import Patient
from service.web.tokens import Links, Purpose

FEED_LASTS = timedelta(days=2 * 365)


@click.group("plan")
def group() -> None:
    """Tell a patient's plan ahead."""


@group.command("show")
@click.argument("patient")
@click.option("--year", type=click.IntRange(1990, 2100), help="Which year; without it, the present one there.")
def show(patient: str, year: int | None) -> None:
    """Print a year of PATIENT's windows (id, or the clinic's own reference), one line a day.

    Every time is what a clock on the wall will show there; nights on which the clocks
    change and days inside a pause are marked. It tells the plan as it stands today.
    """
    ahead = _find(patient)
    place = zone(ahead.zone)
    clock: Clock = SystemClock()
    sheet = yearsheet.Sheet(
        clinic_ref=ahead.clinic_ref,
        sender_name=ahead.sender_name,
        zone=place,
        rule=ahead.rule,
        first=local_date(ahead.enrolled_at, place),
        pauses=ahead.pauses,
    )
    click.echo(yearsheet.write(sheet, year or local_date(clock.now(), place).year), nl=False)


@group.command("feed")
@click.argument("patient")
def feed(patient: str) -> None:
    """Print the address of PATIENT's plan as a calendar to subscribe to.

    Whoever has the address can read the hours of the plan, nothing else. It is good for two years.
    """
    settings = Settings.from_env()
    ahead = _find(patient)
    until = SystemClock().now() + FEED_LASTS
    links = Links(settings.secret_key, settings.base_url)
    click.echo(f"{links.address(Purpose.CALENDAR, ahead.patient_id, None, until)}.ics")


def _find(given: str) -> PlanAhead:
    is_it = [Patient.clinic_ref == given]
    with contextlib.suppress(ValueError):
        is_it.append(Patient.id == uuid.UUID(given))
    engine = open_engine(Settings.from_env().database_url)
    try:
        with reading(engine) as session:
            found = plans_ahead(session, or_(*is_it))
    finally:
        engine.dispose()
    if len(found) > 1:
        raise click.ClickException(f"{given} is a patient of {len(found)} clinics; give the patient's id")
    if not found:
        raise click.ClickException(f"{given} is no patient with a plan")
    return found[0]
