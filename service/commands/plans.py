"""`neaptide plan …` and `neaptide pause …`: what is expected of a patient and when, and when it is not."""

from __future__ import annotations

import uuid
from datetime import datetime, time
from typing import Any

import click
from sqlalchemy import select

from service import enrolling
from service.clock import SystemClock
from service.commands import opening
from service.commands.enrol import CLINIC, WEEKDAYS, LocalTime
from service.domain.refused import Refused
from service.domain.words import PauseCause
from service.store.audit import OPERATOR
from service.store.session import reading, writing
from service.store.tables import Pause, Plan

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
def set_plan(
    clinic: str | None, named: str, opens: time, due: time, closes: time, weekdays: tuple[str, ...], **wants: Any
) -> None:
    """Set or replace a patient's plan, from its next opening on."""
    days = sum(1 << WEEKDAYS.index(day) for day in set(weekdays or WEEKDAYS))
    new = enrolling.NewPlan(opens=opens, due=due, closes=closes, weekdays=days, **wants)
    with opening.database(opening.settings()) as engine, writing(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        added = enrolling.set_plan(session, held, new, OPERATOR, SystemClock().now())
        opening.say(plan=added.id, next_window=f"{added.next_date} {added.opens:%H:%M} {held.zone}")


@plan.command("show")
@CLINIC
@click.argument("named", metavar="PATIENT")
def show(clinic: str | None, named: str) -> None:
    """A patient's plan."""
    with opening.database(opening.settings()) as engine, reading(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        found = session.scalar(select(Plan).where(Plan.patient_id == held.id))
        if found is None:
            raise Refused("patient", named, "a patient with a plan: set one first")
        days = [name for bit, name in enumerate(WEEKDAYS) if found.weekdays >> bit & 1]
        opening.say(
            plan=found.id, weekdays=" ".join(days), opens=f"{found.opens:%H:%M}", due=f"{found.due:%H:%M}",
            closes=f"{found.closes:%H:%M}", zone=held.zone, reading=found.wants_reading, checkin=found.wants_checkin,
            next_window=f"{found.next_date} ({found.next_open_at.isoformat()})",
        )  # fmt: skip


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
    with opening.database(opening.settings()) as engine, writing(engine) as session:
        held = opening.patient_of(session, opening.clinic_of(session, clinic), named)
        added = enrolling.pause(
            session, held, PauseCause(cause), first.date(), last.date() if last else None, note, OPERATOR,
            SystemClock().now(),
        )  # fmt: skip
        opening.say(pause=added.id)


@pause.command("end")
@click.argument("pause_id", type=click.UUID)
@click.option("--last-day", type=DATE, required=True, help="YYYY-MM-DD; before the first day cancels the pause.")
def end(pause_id: uuid.UUID, last_day: datetime) -> None:
    """End a pause after a day."""
    with opening.database(opening.settings()) as engine, writing(engine) as session:
        held = session.get(Pause, pause_id)
        if held is None:
            raise Refused("pause", str(pause_id), "the id of a pause")
        enrolling.end_pause(session, held, last_day.date(), OPERATOR, SystemClock().now())
