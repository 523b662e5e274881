"""`neaptide plan …`: what is expected of a patient and when, to print and to subscribe to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import timedelta
from typing import Any

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.commands import opening
from service.commands.accounts import WEEKDAYS
from service.commands.opening import CLINIC, PATIENT, Console, with_console
from service.domain.plan import PlanAhead, PlanPhase, weekdays_of
from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose
from service.enrolling.plans import plan_ahead
from service.links import Leads
from service.reports import yearsheet
from service.store.tables import Patient, Plan
from service.terminal import JSON, tell
from service.words.language import load_language

FEED_LASTS = timedelta(days=2 * 365)
HAS_A_PLAN = "a patient with a plan: set one first"


@click.group("plan")
def plan() -> None:
    """What is expected of a patient and when."""


@plan.command("show")
@CLINIC
@PATIENT
@click.option("--year", type=click.IntRange(1990, 2100), help="Print every window of a year, one line a day.")
@JSON
@with_console
def show(console: Console, clinic: str | None, named: str, year: int | None, as_json: bool) -> None:
    """A patient's plan; with --year, a sheet for the printer.

    Every time on the sheet is what a clock on the wall will show there. Nights on which
    the clocks change and days inside a pause are marked. It tells the plan as it stands today.
    """
    if as_json and year is not None:
        raise Refused("json", year, "no --year beside it: the sheet is for the printer")
    with console.read() as session:
        patient = opening.patient_of(session, clinic, named)
        if year is not None:
            ahead = _ahead(session, patient, named)
            click.echo(yearsheet.write(load_language(ahead.language), ahead, year), nl=False)
            return
        rule = _plan_of(session, patient, named)
        if as_json:
            from service.web.api.plans import PlanOut  # loaded for a machine alone: it takes half a second

            tell({**PlanOut().dump(rule), "patient_id": patient.id, "zone": patient.zone})
            return
        opening.say(
            plan=rule.id, weekdays=" ".join(rule.rule.on(WEEKDAYS)),
            phases=", ".join(_phase(phase) for phase in rule.rule.phases) or "none", opens=f"{rule.opens:%H:%M}",
            due=f"{rule.due:%H:%M}", closes=f"{rule.closes:%H:%M}", zone=patient.zone,
            reading=rule.wants_reading, checkin=rule.wants_checkin,
            next_window=f"{rule.next_date} ({rule.next_open_at.isoformat()})",
            steps=_in_words(rule.steps) if rule.steps else "the clinic's",
            silent_days=rule.silent_days or "the clinic's",
        )  # fmt: skip


@plan.command("feed")
@CLINIC
@PATIENT
@with_console
def feed(console: Console, clinic: str | None, named: str) -> None:
    """The address of a patient's plan as a calendar to subscribe to, good for two years.

    Whoever has the address can read the hours of the plan and the clinic's short name, nothing else.
    """
    with console.write() as session:
        patient = opening.patient_of(session, clinic, named)
        _ahead(session, patient, named)
        act = console.act(session, patient.clinic_id)
        leads = Leads(LinkPurpose.CALENDAR, patient.clinic_id, patient.id)
        link = console.links().make(session, leads, act.now, act.now + FEED_LASTS)
        act.note("calendar_link.make", patient)
    click.echo(f"{link}.ics")


def _phase(phase: PlanPhase) -> str:
    """`2026-03-02 to 2026-03-15: tue thu`"""
    days = " ".join(WEEKDAYS[day] for day in weekdays_of(phase.weekdays))
    return f"{phase.from_date} to {phase.to_date or 'until told'}: {days}"


def _in_words(steps: Iterable[Mapping[str, Any]]) -> str:
    return " ".join(
        f"{step['kind']}:{step['anchor']}" + (f"+{step['after_minutes']}" if step["after_minutes"] else "")
        for step in steps
    )


def _plan_of(session: Session, patient: Patient, named: str) -> Plan:
    found = session.scalar(select(Plan).where(Plan.patient_id == patient.id))
    if found is None:
        raise Refused("patient", named, HAS_A_PLAN)
    return found


def _ahead(session: Session, patient: Patient, named: str) -> PlanAhead:
    found = plan_ahead(session, patient.id)
    if found is None:
        raise Refused("patient", named, HAS_A_PLAN)
    return found
