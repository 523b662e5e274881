"""Plans, pauses, references and limits: what is expected of a patient, and against what it is read."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields, validate
from sqlalchemy import select

from service.domain import vocabulary
from service.domain.vocabulary import CLINICAL_STAFF, Scope
from service.enrolling import baselines, plans
from service.store.session import read_session, write_session
from service.store.tables import Limits, Pause, Plan, Reference
from service.web.api import base
from service.web.api.base import Blueprint, Page, instant, listing, number, of_patient, text, whole, word
from service.web.api.guards import caller, for_staff, needs, once
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint(
    "api_plans", __name__, url_prefix="/api/v1", description="Plans, pauses, references and limits"
)  # fmt: skip


class PlanIn(Schema):
    weekdays = fields.List(whole(0, 6), load_default=lambda: list(range(7)), validate=validate.Length(1, 7))
    opens = fields.Time(required=True)
    due = fields.Time(required=True)
    closes = fields.Time(required=True)
    wants_reading = fields.Boolean(load_default=True, truthy={True}, falsy={False})
    wants_checkin = fields.Boolean(load_default=True, truthy={True}, falsy={False})
    steps = fields.List(fields.Dict(), allow_none=True, validate=validate.Length(max=10))
    silent_days = whole(1, 30, allow_none=True)


class PlanOut(Schema):
    id = fields.UUID()
    weekdays = fields.Function(lambda plan: [day for day in range(7) if plan.weekdays >> day & 1])
    opens = fields.Time()
    due = fields.Time()
    closes = fields.Time()
    wants_reading = fields.Boolean()
    wants_checkin = fields.Boolean()
    steps = fields.List(fields.Dict(), allow_none=True)
    silent_days = fields.Integer(allow_none=True)
    next_date = fields.Date()
    next_open_at = instant()
    active = fields.Boolean()


class PauseIn(Schema):
    cause = word(vocabulary.PauseCause, required=True)
    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    note = text(2000, required=False, load_default="")


class PauseEnd(Schema):
    last_day = fields.Date(required=True)


class PauseOut(Schema):
    id = fields.UUID()
    cause = word(vocabulary.PauseCause)
    from_date = fields.Date()
    to_date = fields.Date(allow_none=True)
    note = fields.String()
    recorded_by = fields.String()
    recorded_at = instant()
    cancelled_at = instant(allow_none=True)


class ReferenceIn(Schema):
    """Without pressures, the mean of the readings from `from_date` to `to_date`."""

    pa_diastolic = number(1, 150, allow_none=True, load_default=None)
    pa_mean = number(1, 150, allow_none=True, load_default=None)
    pa_systolic = number(1, 150, allow_none=True, load_default=None)
    from_date = fields.Date(allow_none=True, load_default=None)
    to_date = fields.Date(allow_none=True, load_default=None)


class ReferenceOut(Schema):
    id = fields.UUID()
    pa_diastolic = fields.Float()
    pa_mean = fields.Float(allow_none=True)
    pa_systolic = fields.Float(allow_none=True)
    from_date = fields.Date(allow_none=True)
    to_date = fields.Date(allow_none=True)
    set_by = fields.String()
    set_at = instant()


class LimitsIn(Schema):
    upper = number(1, 150, allow_none=True, load_default=None)
    lower = number(1, 150, allow_none=True, load_default=None)


class LimitsOut(Schema):
    id = fields.UUID()
    upper = fields.Float(allow_none=True)
    lower = fields.Float(allow_none=True)
    set_by = fields.String()
    set_at = instant()


PLAN, PAUSE, PAUSES = PlanOut(), PauseOut(), listing(PauseOut)
REFERENCE, REFERENCES = ReferenceOut(), listing(ReferenceOut)
LIMITS, ALL_LIMITS = LimitsOut(), listing(LimitsOut)


@blueprint.route("/patients/<uuid:patient_id>/plan", methods=["GET"])
@needs(Scope.ENROL)
@blueprint.response(200, PLAN)
def show_plan(patient_id: uuid.UUID) -> Plan:
    """What is expected of the patient, and when the next window opens."""
    with read_session(services().engine) as session:
        base.own_patient(session, patient_id)
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
        patient = base.own_patient(session, patient_id)
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
        patient = base.own_patient(call.session, patient_id)
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
        pause = base.own(call.session, Pause, pause_id)
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
        patient = base.own_patient(call.session, patient_id)
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
        patient = base.own_patient(call.session, patient_id)
        added = baselines.set_limits(call.session, patient, **new, actor=caller().actor, now=services().clock.now())
        return call.answer(LIMITS, added)
