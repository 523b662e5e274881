"""The plan on the patient's page: how closely somebody is followed, how often and at which hours.

Promises that hours which would suit are proposed and never imposed, and that a change leaves the rest of the plan
as it is and holds from the next window on.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, time

from flask import Blueprint, abort, flash, g, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.localtime import local_date
from service.domain.plan import HoursProposal, PlanPhase, PlanRule, spread, weekday_bits
from service.domain.rights import Right
from service.domain.validation import Refused
from service.enrolling import plans
from service.enrolling.people import newest_move
from service.store.tables import PatientMove, Plan, Window
from service.web import forms
from service.web.auth import own_patient, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.words.language import sentence
from service.words.sentences import plan as plan_words
from service.words.sentences import review

blueprint = Blueprint("plan", __name__, url_prefix="/plan")


@dataclass(frozen=True)
class Followed:
    """The plan as staff see it: its hours, the pace of the newest window in words, and a proposal if there is one."""

    plan: Plan | None
    sentence: str
    proposal: HoursProposal | None
    night: time | None  # when the proposal would ask, where that is at night
    moved: str  # the newest move in words; empty where there is none
    weekdays: tuple[str, ...]  # their names, Monday first
    often: str  # the weekdays in force outside of phases, in words
    phases: list[tuple[PlanPhase, str]]  # those that are not over, each in words
    ahead: str  # the next seven days, in words


def followed(session: Session, patient_id: uuid.UUID, now: datetime) -> Followed:
    """What the patient's page says of the plan. A constant number of queries."""
    plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id, Plan.clinic_id == g.clinic_id, Plan.active))
    newest = session.scalar(
        select(Window.pace).where(Window.patient_id == patient_id).order_by(Window.local_date.desc()).limit(1)
    )
    proposal = plans.propose_hours(session, g.clinic_id, patient_id, now)
    move = newest_move(session, patient_id)
    return Followed(
        plan,
        review.pace(page_language(), newest) if plan is not None and newest is not None else "",
        proposal,
        None if plan is None or proposal is None else plans.asks_at_night(session, plan, proposal.rule),
        "" if move is None else _moved(move),
        page_language().weekdays,
        *_how_often(session, plan, patient_id, now),
    )


def _how_often(
    session: Session, plan: Plan | None, patient_id: uuid.UUID, now: datetime
) -> tuple[str, list[tuple[PlanPhase, str]], str]:
    if plan is None:
        return "", [], ""
    say, today = page_language(), local_date(now, own_patient(session, patient_id).zone)
    phases = [phase for phase in plan.rule.phases if phase.to_date is None or phase.to_date >= today]
    coming = plans.windows_to_come(session, patient_id, now, 7)
    told = [(phase, plan_words.phase(say, phase)) for phase in phases]
    return sentence(plan_words.how_often(say, plan.weekdays)), told, plan_words.ahead(say, coming)


def _moved(move: PatientMove) -> str:
    on = local_date(move.at, move.to_zone)
    left = [date.fromisoformat(day) for day in move.without_window]
    return review.moved(page_language(), on, move.from_zone, move.to_zone, left)


def _changed(patient_id: uuid.UUID, again: time | None, change: Callable[[PlanRule], PlanRule]) -> None:
    """Set the plan as `change` makes it; the rest stays as it is. Raises Refused."""
    with staff_act() as act:
        whose = own_patient(act.session, patient_id)
        plan = act.session.scalar(select(Plan).where(Plan.patient_id == patient_id))
        if plan is None:
            abort(404)
        begin = min(plan.next_date, local_date(act.now, whose.zone))
        phases = tuple(phase for phase in plan.rule.phases if phase.to_date is None or phase.to_date >= begin)
        rule = change(replace(plan.rule, phases=phases))  # what is over takes up no room
        asked_before = plan.opens if rule.opens == plan.opens else again  # at night: staff said so before
        new = plans.NewPlan(**vars(rule), steps=plan.steps, silent_days=plan.silent_days, opens_again=asked_before)
        plans.set_plan(act, whose, new)


@blueprint.post("/frequency")
@staff_only(Right.ENROL)
def set_frequency(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Ask on these weekdays, or so many a week: from now on, or on some dates alone; or drop those of some dates."""
    try:
        first, last, dropped = (forms.day(name) for name in ("from_date", "to_date", "drop"))
        if dropped is not None:
            _changed(patient_id, None, lambda rule: replace(rule, phases=_without(rule, dropped)))
        else:
            given = {int(day) for day in request.form.getlist("weekdays") if day in set("0123456")}
            number = forms.number("days_a_week")
            weekdays = weekday_bits(given) if number is None else spread(int(number))
            if first is None and last is not None:
                raise Refused("from_date", None, gettext("a first date where there is a last one"))
            if first is None:
                _changed(patient_id, None, lambda rule: replace(rule, weekdays=weekdays))
            else:
                new = PlanPhase(first, last, weekdays)
                _changed(patient_id, None, lambda rule: replace(rule, phases=(*rule.phases, new)))
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
    else:
        flash(gettext("Changed from the next window on."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="plan"), 303)


def _without(rule: PlanRule, first: date) -> tuple[PlanPhase, ...]:
    return tuple(phase for phase in rule.phases if phase.after_stay or phase.from_date != first)


@blueprint.post("/hours")
@staff_only(Right.ENROL)
def use_hours(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Use the hours that were shown. The rest of the plan stays as it is."""
    try:
        opens, due, closes = (forms.hour(name) for name in ("opens", "due", "closes"))
        again = forms.hour("opens_again") if forms.text("opens_again") else None
        _changed(patient_id, again, lambda rule: replace(rule, opens=opens, due=due, closes=closes))
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
    else:
        hours = {"opens": f"{opens:%H:%M}", "closes": f"{closes:%H:%M}", "due": f"{due:%H:%M}"}
        flash(gettext("From the next window on: %(opens)s to %(closes)s, reminder %(due)s.", **hours), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="plan"), 303)


def _names() -> dict[str, str]:
    """What the fields are called on the page."""
    days, first, last = gettext("Ask on"), gettext("Only from"), gettext("Until, that day included")
    names = {"weekdays": days, "from_date": first, "to_date": last}
    return names | {f"phases.{field}": name for field, name in names.items()}
