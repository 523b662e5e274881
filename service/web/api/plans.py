"""Plans, pauses, references and limits: what is expected of a patient, and against what it is read."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields, validate
from sqlalchemy import select

from service.care import pauses
from service.domain import vocabulary
from service.domain.vocabulary import CLINICAL_STAFF, Scope
from service.enrolling import baselines, plans
from service.store.session import read_session
from service.store.tables import Limits, Pause, Plan, Reference
from service.web.api.base import Blueprint, instant, list_rows, number, own, own_patient, part_of, text, whole, word
from service.web.api.guards import Call, for_staff, needs
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("plans", "Plans, pauses, references and limits")


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


class PauseChangeOut(Schema):
    at = instant()
    by = fields.String()
    event = word(pauses.PauseEvent)
    from_date = fields.Date(allow_none=True)
    was_to = fields.Date(allow_none=True)
    to_date = fields.Date(allow_none=True)


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


@blueprint.get("/patients/<uuid:patient_id>/plan")
@needs(Scope.ENROL)
@blueprint.response(200, PlanOut)
def show_plan(patient_id: uuid.UUID) -> Plan:
    """What is expected of the patient, and when the next window opens."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id))
    if plan is None:
        raise Problem(404, "The patient has no plan yet.")
    return plan


@blueprint.put("/patients/<uuid:patient_id>/plan")
@needs(Scope.ENROL)
@blueprint.writes(PlanOut, takes=PlanIn)
def set_plan(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Plan:
    """Set or replace the plan, from its next opening on. `weekdays` counts from Monday = 0."""
    new["weekdays"] = sum(1 << day for day in set(new["weekdays"]))
    patient = own_patient(call.session, patient_id)
    return plans.set_plan(call.act, patient, plans.NewPlan(**new))


@blueprint.get("/patients/<uuid:patient_id>/pauses")
@needs(Scope.ENROL)
@blueprint.lists(PauseOut)
def list_pauses(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """When nothing was or is expected, newest first."""
    return list_rows(query, Pause, Pause.from_date.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/pauses")
@needs(Scope.ENROL)
@blueprint.writes(PauseOut, 201, takes=PauseIn)
def add_pause(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Pause:
    """Nothing is expected in these dates, both included; their windows are excused."""
    patient = own_patient(call.session, patient_id)
    return pauses.add_pause(call.act, patient, **new)


@blueprint.get("/pauses/<uuid:pause_id>/history")
@needs(Scope.ENROL)
@blueprint.lists(PauseChangeOut)
def list_pause_changes(query: dict[str, Any], pause_id: uuid.UUID) -> dict[str, Any]:
    """Who set which dates of a pause, and when, oldest first; `was_to` is the last day before, null is until told."""
    with read_session(services().engine) as session:
        pause = own(session, Pause, pause_id)
        return part_of(pauses.history(session, pause.id), query)


@blueprint.post("/pauses/<uuid:pause_id>/end")
@needs(Scope.ENROL)
@blueprint.writes(PauseOut, takes=PauseEnd)
def end_pause(call: Call, how: dict[str, Any], pause_id: uuid.UUID) -> Pause:
    """End a pause after `last_day`; a day before its first cancels it."""
    pause = own(call.session, Pause, pause_id)
    pauses.end_pause(call.act, pause, how["last_day"])
    return pause


@blueprint.get("/patients/<uuid:patient_id>/references")
@needs(Scope.REVIEW)
@blueprint.lists(ReferenceOut)
def list_references(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every reference, newest first; the newest counts."""
    return list_rows(query, Reference, Reference.set_at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/references")
@for_staff(*CLINICAL_STAFF)
@blueprint.writes(ReferenceOut, 201, takes=ReferenceIn)
def set_reference(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Reference:
    """Anchor the baseline, mmHg: typed, or the mean of some dates' readings. Clinical staff only: a person answers."""
    patient = own_patient(call.session, patient_id)
    return baselines.set_reference(call.act, patient, **new)


@blueprint.get("/patients/<uuid:patient_id>/limits")
@needs(Scope.REVIEW)
@blueprint.lists(LimitsOut)
def list_limits(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every pair of limits, newest first; the newest counts."""
    return list_rows(query, Limits, Limits.set_at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/limits")
@for_staff(*CLINICAL_STAFF)
@blueprint.writes(LimitsOut, 201, takes=LimitsIn)
def set_limits(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Limits:
    """PA diastolic limits, mmHg, as a clinician types them; there is no default. Clinical staff only."""
    patient = own_patient(call.session, patient_id)
    return baselines.set_limits(call.act, patient, **new)
