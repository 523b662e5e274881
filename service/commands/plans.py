"""`neaptide plan …` and `neaptide pause …`: what is expected of a patient and when, and when it is not."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import pauses
from service.clock import SystemClock
from service.commands import opening
from service.commands.enrol import CLINIC, STEPS, WEEKDAYS, LocalTime, steps_in_words
from service.domain.localtime import local_date, zone
from service.domain.validation import Refused
from service.domain.vocabulary import PauseCause
from service.enrolling import plans
from service.links import Links, Purpose
from service.reports import yearsheet
from service.scheduling.plans import PlanAhead, plans_ahead
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Patient, Pause, Plan

FEED_LASTS = timedelta(days=2 * 365)
HAS_A_PLAN = "a patient with a plan: set one first"
DATE = click.DateTime(["%Y-%m-%d"])


@click.group("plan")
def plan() -> None:
    """What is expected of a patient and when."""


@plan.command("set")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--opens", type=LocalTime(), required=True, help="When the prompt comes, in the patient's own time.")
@click.option("--due", type=LocalTime(), required=True, help="When a reminder comes.")
@click.option("--closes", type=LocalTime(), required=True, help="When the day counts as missed.")
@click.option("--weekday", "weekdays", multiple=True, type=click.Choice(WEEKDAYS), help="Every day when left out.")
@click.option("--reading/--no-reading", "wants_reading", default=True)
@click.option("--checkin/--no-checkin", "wants_checkin", default=True)
@STEPS
@click.option("--silent-days", type=int, help="Missed windows before staff get a task; the clinic's when left out.")
def set_plan(
    clinic: str | None, named: str, weekdays: tuple[str, ...], steps: tuple[dict[str, Any], ...], **given: Any
) -> None:
    """Set or replace a patient's plan, from its next opening on. Without --step it takes the clinic's own steps."""
    days = sum(1 << WEEKDAYS.index(day) for day in set(weekdays or WEEKDAYS))
    new = plans.NewPlan(**given, weekdays=days, steps=list(steps) or None)
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        _set(session, held, new, opening.clock_of(read).now())


@plan.command("steps")
@CLINIC
@click.argument("named", metavar="PATIENT")
@STEPS
@click.option("--silent-days", type=int, help="Missed windows before staff get a task.")
@click.option("--as-clinic", is_flag=True, help="Take the clinic's steps and silent days again.")
def override_steps(
    clinic: str | None, named: str, steps: tuple[dict[str, Any], ...], silent_days: int | None, as_clinic: bool
) -> None:
    """Follow a patient up in another way than the clinic's, from the next window on. The rest of the plan stays."""
    if as_clinic is bool(steps or silent_days is not None):
        raise Refused(
            "steps", "none" if not as_clinic else "--as-clinic", "--step, --silent-days or both; or --as-clinic"
        )
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        now = _plan_of(session, held, named)
        new = plans.NewPlan(
            now.opens, now.due, now.closes, now.weekdays, now.wants_reading, now.wants_checkin,
            None if as_clinic else list(steps) or now.steps,
            None if as_clinic else now.silent_days if silent_days is None else silent_days,
        )  # fmt: skip
        _set(session, held, new, opening.clock_of(read).now())


@plan.command("show")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--year", type=click.IntRange(1990, 2100), help="Print every window of a year, one line a day.")
def show(clinic: str | None, named: str, year: int | None) -> None:
    """A patient's plan; with --year, a sheet for the printer.

    Every time on the sheet is what a clock on the wall will show there. Nights on which
    the clocks change and days inside a pause are marked. It tells the plan as it stands today.
    """
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        if year is not None:
            click.echo(_sheet(_ahead(session, held, named), year), nl=False)
            return
        found = _plan_of(session, held, named)
        days = [name for bit, name in enumerate(WEEKDAYS) if found.weekdays >> bit & 1]
        opening.say(
            plan=found.id, weekdays=" ".join(days), opens=f"{found.opens:%H:%M}", due=f"{found.due:%H:%M}",
            closes=f"{found.closes:%H:%M}", zone=held.zone, reading=found.wants_reading, checkin=found.wants_checkin,
            next_window=f"{found.next_date} ({found.next_open_at.isoformat()})",
            steps=steps_in_words(found.steps) if found.steps else "the clinic's",
            silent_days=found.silent_days or "the clinic's",
        )  # fmt: skip


@plan.command("feed")
@CLINIC
@click.argument("named", metavar="PATIENT")
def feed(clinic: str | None, named: str) -> None:
    """The address of a patient's plan as a calendar to subscribe to, good for two years.

    Whoever has the address can read the hours of the plan and the clinic's short name, nothing else.
    """
    read = opening.settings()
    with opening.database(read) as engine, read_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        ahead = _ahead(session, held, named)
    until = opening.clock_of(read).now() + FEED_LASTS
    links = Links(read.secret_key, read.base_url)
    click.echo(f"{links.address(Purpose.CALENDAR, ahead.patient_id, None, until)}.ics")


def _set(session: Session, held: Patient, new: plans.NewPlan, now: datetime) -> None:
    added = plans.set_plan(Act(session, OPERATOR, held.clinic_id, now), held, new)
    opening.say(plan=added.id, next_window=f"{added.next_date} {added.opens:%H:%M} {held.zone}")


def _plan_of(session: Session, held: Patient, named: str) -> Plan:
    found = session.scalar(select(Plan).where(Plan.patient_id == held.id))
    if found is None:
        raise Refused("patient", named, HAS_A_PLAN)
    return found


def _ahead(session: Session, held: Patient, named: str) -> PlanAhead:
    found = plans_ahead(session, Patient.id == held.id)
    if not found:
        raise Refused("patient", named, HAS_A_PLAN)
    return found[0]


def _sheet(ahead: PlanAhead, year: int) -> str:
    place = zone(ahead.zone)
    first = local_date(ahead.enrolled_at, place)
    sheet = yearsheet.Sheet(ahead.clinic_ref, ahead.sender_name, place, ahead.rule, first, ahead.pauses)
    return yearsheet.write(sheet, year)


@click.group("pause")
def pause() -> None:
    """Dates on which nothing is expected."""


@pause.command("add")
@CLINIC
@click.argument("named", metavar="PATIENT")
@click.option("--cause", required=True, type=click.Choice([cause.value for cause in PauseCause]))
@click.option("--from", "first", type=DATE, required=True, help="First day, YYYY-MM-DD.")
@click.option("--to", "last", type=DATE, help="Last day; until told when left out.")
@click.option("--note", default="")
def add(clinic: str | None, named: str, cause: str, first: datetime, last: datetime | None, note: str) -> None:
    """Excuse the windows of these dates, both included."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        added = pauses.add_pause(
            Act(session, OPERATOR, held.clinic_id, SystemClock().now()),
            held,
            PauseCause(cause),
            first.date(),
            last.date() if last else None,
            note,
        )
        opening.say(pause=added.id)


@pause.command("end")
@click.argument("pause_id", type=click.UUID)
@click.option("--last-day", type=DATE, required=True, help="YYYY-MM-DD; before the first day cancels the pause.")
def end(pause_id: uuid.UUID, last_day: datetime) -> None:
    """End a pause after a day."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        held = session.get(Pause, pause_id)
        if held is None:
            raise Refused("pause", str(pause_id), "the id of a pause")
        pauses.end_pause(Act(session, OPERATOR, held.clinic_id, SystemClock().now()), held, last_day.date())
