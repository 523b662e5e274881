"""Plans, pauses, references and limits: what is expected of a patient, and against what it is read."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from sqlalchemy import select

from service.domain.vocabulary import CLINICAL_STAFF, Scope
from service.enrolling import baselines, plans
from service.store.session import read_session, write_session
from service.store.tables import Limits, Pause, Plan, Reference
from service.web.api import finding
from service.web.api.enrolschemas import (
    LimitsIn,
    LimitsOut,
    PauseEnd,
    PauseIn,
    PauseOut,
    PlanIn,
    PlanOut,
    ReferenceIn,
    ReferenceOut,
)
from service.web.api.fields import Page, listing
from service.web.api.guards import caller, for_staff, needs, once
from service.web.api.paging import of_patient
from service.web.api.resource import Blueprint
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint(
    "api_plans", __name__, url_prefix="/api/v1", description="Plans, pauses, references and limits"
)  # fmt: skip
PLAN, PAUSE, PAUSES = PlanOut(), PauseOut(), listing(PauseOut)
REFERENCE, REFERENCES = ReferenceOut(), listing(ReferenceOut)
LIMITS, ALL_LIMITS = LimitsOut(), listing(LimitsOut)


@blueprint.route("/patients/<uuid:patient_id>/plan", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.response(200, PLAN)
def show_plan(patient_id: uuid.UUID) -> Plan:
    """What is expected of the patient, and when the next window opens."""
    with read_session(services().engine) as session:
        finding.patient(session, patient_id)
        plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id))
    if plan is None:
        raise Problem(404, "The patient has no plan yet.")
    return plan


@blueprint.route("/patients/<uuid:patient_id>/plan", methods=["PUT"])
@needs(Scope.ENROL)
@blueprint.arguments(PlanIn)
@blueprint.response(200, PLAN)
def set_plan(new: dict[str, Any], patient_id: uuid.UUID) -> Plan:
    """Set or replace the plan, from its next opening on. `weekdays` counts from Monday = 0."""
    new["weekdays"] = sum(1 << day for day in set(new["weekdays"]))
    with write_session(services().engine) as session:
        patient = finding.patient(session, patient_id)
        return plans.set_plan(session, patient, plans.NewPlan(**new), caller().actor, services().clock.now())


@blueprint.route("/patients/<uuid:patient_id>/pauses", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, PAUSES)
def list_pauses(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """When nothing was or is expected, newest first."""
    return of_patient(Pause, patient_id, Pause.from_date.desc(), page)


@blueprint.route("/patients/<uuid:patient_id>/pauses", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(PauseIn)
@blueprint.response(201, PAUSE)
def add_pause(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Nothing is expected in these dates, both included; their windows are excused."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = finding.patient(call.session, patient_id)
        added = plans.pause(call.session, patient, **new, actor=caller().actor, now=services().clock.now())
        return call.answer(PAUSE, added)


@blueprint.route("/pauses/<uuid:pause_id>/end", methods=["POST"])
@needs(Scope.ENROL)
@blueprint.arguments(PauseEnd)
@blueprint.response(200, PAUSE)
def end_pause(how: dict[str, Any], pause_id: uuid.UUID) -> Response:
    """End a pause after `last_day`; a day before its first cancels it."""
    with once() as call:
        if call.answered:
            return call.answered
        pause = finding.own(call.session, Pause, pause_id)
        plans.end_pause(call.session, pause, how["last_day"], caller().actor, services().clock.now())
        return call.answer(PAUSE, pause, 200)


@blueprint.route("/patients/<uuid:patient_id>/references", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, REFERENCES)
def list_references(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every reference, newest first; the newest counts."""
    return of_patient(Reference, patient_id, Reference.set_at.desc(), page)


@blueprint.route("/patients/<uuid:patient_id>/references", methods=["POST"])
@for_staff(*CLINICAL_STAFF)
@blueprint.arguments(ReferenceIn)
@blueprint.response(201, REFERENCE)
def set_reference(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Anchor the baseline, mmHg: typed, or the mean of some dates' readings. Clinical staff only: a person answers."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = finding.patient(call.session, patient_id)
        added = baselines.set_reference(call.session, patient, **new, actor=caller().actor, now=services().clock.now())
        return call.answer(REFERENCE, added)


@blueprint.route("/patients/<uuid:patient_id>/limits", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, ALL_LIMITS)
def list_limits(page: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every pair of limits, newest first; the newest counts."""
    return of_patient(Limits, patient_id, Limits.set_at.desc(), page)


@blueprint.route("/patients/<uuid:patient_id>/limits", methods=["POST"])
@for_staff(*CLINICAL_STAFF)
@blueprint.arguments(LimitsIn)
@blueprint.response(201, LIMITS)
def set_limits(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """PA diastolic limits, mmHg, as a clinician types them; there is no default. Clinical staff only."""
    with once() as call:
        if call.answered:
            return call.answered
        patient = finding.patient(call.session, patient_id)
        added = baselines.set_limits(call.session, patient, **new, actor=caller().actor, now=services().clock.now())
        return call.answer(LIMITS, added)
