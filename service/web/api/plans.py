"""Plans, pauses, references, limits, goals and tags: what is expected of a patient, and against what it is read."""

from __future__ import annotations

import uuid
from functools import partial
from typing import Any

from marshmallow import Schema, fields, validate
from sqlalchemy import select

from service.care import pauses
from service.domain import plan as rules
from service.domain import steps, vocabulary
from service.domain.plan import WindowAhead, weekday_bits, weekdays_of
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import Scope
from service.enrolling import baselines, contexts, plans
from service.reviewing import proposing
from service.store.session import read_session
from service.store.tables import AuditLine, ContextTagRow, GoalRow, Limits, Pause, Plan, Reference
from service.web.api.base import (
    AsSent,
    Blueprint,
    Page,
    TimeOfDay,
    asked,
    list_rows,
    number,
    part_of,
    shows,
    text,
    told,
    whole,
    word,
    yes_no,
)
from service.web.api.guards import Call, for_staff, needs, reads
from service.web.auth import own, own_patient
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("plans", "Plans, pauses, references and limits")


class PhaseIn(Schema):
    """Dates, ends included, with weekdays of their own; without `to_date` until told."""

    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    weekdays = fields.List(whole(0, 6), required=True, validate=validate.Length(1, 7))


class PhaseOut(Schema):
    from_date = fields.Date()
    to_date = fields.Date(allow_none=True)
    weekdays = fields.List(whole(0, 6))
    after_stay = fields.Boolean()


class FollowUpStep(Schema):
    """What is done how long after a window's opening, due time or closing."""

    kind = word(vocabulary.StepKind, required=True)
    anchor = fields.String(required=True, validate=validate.OneOf(steps.ANCHORS))
    after_minutes = whole(0, steps.LATEST_MINUTES, required=True)


class PlanIn(Schema):
    """On `weekdays`, or on `days_a_week` weekdays evenly apart; `phases` have their own, from a date to a date."""

    weekdays = fields.List(whole(0, 6), validate=validate.Length(1, 7))
    days_a_week = whole(1, 7)
    phases = fields.List(fields.Nested(PhaseIn), load_default=list, validate=validate.Length(max=rules.MOST_PHASES))
    opens = TimeOfDay(required=True)
    opens_again = TimeOfDay(allow_none=True)
    due = TimeOfDay(required=True)
    closes = TimeOfDay(required=True)
    wants_reading = yes_no(load_default=True)
    wants_checkin = yes_no(load_default=True)
    steps = fields.List(AsSent(FollowUpStep), allow_none=True, validate=validate.Length(max=10))
    silent_days = whole(1, 30, allow_none=True)


PlanOut = shows(
    "PlanOut",
    Plan,
    "id weekdays phases opens due closes wants_reading wants_checkin steps silent_days next_date next_open_at active",
    phases=fields.List(AsSent(PhaseOut), allow_none=True),
    weekdays=fields.Function(
        lambda plan: weekdays_of(plan.weekdays), metadata={"type": "array", "items": {"type": "integer"}}
    ),
    steps=fields.List(AsSent(FollowUpStep), allow_none=True),
)


class PauseIn(Schema):
    cause = word(vocabulary.PauseCause, required=True, validate=validate.OneOf(vocabulary.PAUSES_ENTERED))
    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    note = text(2000, required=False, load_default="")


class PauseEnd(Schema):
    """`last_day` null lets it go on until somebody ends it."""

    last_day = fields.Date(required=True, allow_none=True)


PauseOut = shows("PauseOut", Pause, "id cause from_date to_date note recorded_by recorded_at cancelled_at")
PauseChangeOut = shows("PauseChangeOut", pauses.PauseChange, "at by event from_date was_to to_date")


class ReferenceIn(Schema):
    """Without pressures, the mean of the readings from `from_date` to `to_date`."""

    pa_diastolic = number(1, 150, allow_none=True, load_default=None)
    pa_mean = number(1, 150, allow_none=True, load_default=None)
    pa_systolic = number(1, 150, allow_none=True, load_default=None)
    from_date = fields.Date(allow_none=True, load_default=None)
    to_date = fields.Date(allow_none=True, load_default=None)


ReferenceOut = shows(
    "ReferenceOut", Reference, "id pa_diastolic pa_mean pa_systolic from_date to_date sd set_by set_at"
)
LimitsOut = shows("LimitsOut", Limits, "id upper lower origin set_by set_at")


ProposalOut = shows(
    "ProposalOut",
    proposing.WaitingProposal,
    "task_id proposal.value proposal.sd proposal.from_day proposal.to_day "
    "proposal.reference proposal.is_set proposal.why",
)


class LimitsIn(Schema):
    upper = number(1, 150, allow_none=True, load_default=None)
    lower = number(1, 150, allow_none=True, load_default=None)


class TroubleLevelIn(Schema):
    """The level, mmHg, as it was seen: with another event it is another."""

    level = number(1, 150, required=True)


class GoalIn(Schema):
    """A range of PA diastolic, mmHg, either end or both; why, and the last day on which it is in force."""

    lower = number(1, 150, allow_none=True, load_default=None)
    upper = number(1, 150, allow_none=True, load_default=None)
    why = text(baselines.LONGEST_WHY)
    until = fields.Date(required=True)


GoalOut = shows("GoalOut", GoalRow, "id lower upper why until set_by set_at ended_at")


class ContextTagIn(Schema):
    """What else was so on these dates; without `to_date` until told. `offset_mmhg` is a recalibration's alone."""

    kind = word(vocabulary.ContextKind, required=True)
    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    offset_mmhg = number(-contexts.MOST_OFFSET, contexts.MOST_OFFSET, allow_none=True, load_default=None)
    note = text(2000, required=False, load_default="")


class ContextTagEnd(Schema):
    last_day = fields.Date(required=True)


ContextTagOut = shows(
    "ContextTagOut",
    ContextTagRow,
    "id kind from_date to_date offset_mmhg note recorded_by recorded_at cancelled_at",
)


@blueprint.get("/patients/<uuid:patient_id>/plan", allowed=reads(Scope.ENROL))
@blueprint.response(200, PlanOut)
def show_plan(patient_id: uuid.UUID) -> Plan:
    """What is expected of the patient, and when the next window opens."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        plan = session.scalar(select(Plan).where(Plan.patient_id == patient_id))
    if plan is None:
        raise Problem(404, "The patient has no plan yet.")
    return plan


@blueprint.put("/patients/<uuid:patient_id>/plan", allowed=needs(Scope.ENROL))
@blueprint.writes(PlanOut, takes=PlanIn)
def set_plan(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Plan:
    """Set or replace the plan, from its next opening on. `weekdays` counts from Monday = 0.

    What the end of a stay added to it (`after_stay` in `phases`) stays.

    A prompt before 06:00 or after 21:00 is taken only when `opens` is said a second time, in `opens_again`.
    """
    return plans.set_plan(call.act, own_patient(call.session, patient_id), new_plan(new))


def new_plan(new: dict[str, Any]) -> plans.NewPlan:
    """What `PlanIn` read, as the use case takes it. Raises Refused."""
    days = new.pop("days_a_week", None)
    if days is not None and "weekdays" in new:
        raise Refused("days_a_week", days, "nothing beside weekdays: one of the two")
    new["weekdays"] = rules.spread(days or 7) if "weekdays" not in new else weekday_bits(new["weekdays"])
    new["phases"] = tuple(rules.PlanPhase(**one | {"weekdays": weekday_bits(one["weekdays"])}) for one in new["phases"])
    return plans.NewPlan(**new)


WindowAheadOut = shows("WindowAheadOut", WindowAhead, "day paused times.opens_at times.due_at times.closes_at")


class DaysAhead(Page):
    days = asked(1, 366, load_default=7)


@blueprint.get("/patients/<uuid:patient_id>/plan/ahead", allowed=reads(Scope.ENROL))
@blueprint.lists(WindowAheadOut, DaysAhead)
def list_windows_ahead(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """The windows that will open on the next `days` dates as the plan stands, today's included where it is to come.

    Worked out when asked: windows that have opened come by arrival, from `/windows`.
    """
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        return part_of(plans.windows_to_come(session, patient_id, services().clock.now(), query.pop("days")), query)


@blueprint.get("/patients/<uuid:patient_id>/pauses", allowed=reads(Scope.ENROL))
@blueprint.lists(PauseOut)
def list_pauses(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """When nothing was or is expected, newest first."""
    return list_rows(query, Pause, Pause.from_date.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/pauses", allowed=needs(Scope.ENROL))
@blueprint.writes(PauseOut, 201, takes=PauseIn)
def add_pause(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Pause:
    """Nothing is expected in these dates, both included; their windows are excused."""
    return pauses.add_pause(call.act, own_patient(call.session, patient_id), **new)


@blueprint.get("/pauses/<uuid:pause_id>/history", allowed=reads(Scope.ENROL))
@blueprint.lists(PauseChangeOut)
def list_pause_changes(query: dict[str, Any], pause_id: uuid.UUID) -> dict[str, Any]:
    """Who set which dates of a pause, and when, oldest first; `was_to` is the last day before, null is until told."""
    with read_session(services().engine) as session:
        pause = own(session, Pause, pause_id)
        return told(session, query, pauses.told_of([pause.id]), AuditLine, partial(pauses.history, session, pause.id))


@blueprint.post("/pauses/<uuid:pause_id>/end", allowed=needs(Scope.ENROL))
@blueprint.writes(PauseOut, takes=PauseEnd)
def end_pause(call: Call, how: dict[str, Any], pause_id: uuid.UUID) -> Pause:
    """End a pause after `last_day`; a day before its first cancels it, and null lets it go on until told."""
    pause = own(call.session, Pause, pause_id)
    if how["last_day"] is None:
        pauses.move_pause(call.act, pause, None)
    else:
        pauses.end_pause(call.act, pause, how["last_day"])
    return pause


@blueprint.get("/patients/<uuid:patient_id>/references", allowed=reads(Scope.REVIEW))
@blueprint.lists(ReferenceOut)
def list_references(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every reference, newest first; the newest counts."""
    return list_rows(query, Reference, Reference.set_at.desc(), patient_id=patient_id)


@blueprint.get("/patients/<uuid:patient_id>/reference-proposal", allowed=reads(Scope.REVIEW))
@blueprint.response(200, ProposalOut)
def show_proposal(patient_id: uuid.UUID) -> proposing.WaitingProposal:
    """A settled fortnight (PA diastolic, else mean, mmHg) that may be the reference; 404 where none waits.

    Accept it by posting its days as `from_date` and `to_date` of a reference, or type one; keep what counts
    now by closing the task with a reason.
    """
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        waiting = proposing.waiting(session, patient_id)
    if waiting is None:
        raise Problem(404, "No reference is proposed for the patient.")
    return waiting


@blueprint.post("/patients/<uuid:patient_id>/references", allowed=for_staff(Right.DECIDE))
@blueprint.writes(ReferenceOut, 201, takes=ReferenceIn)
def set_reference(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Reference:
    """Anchor the baseline, mmHg: typed, or the mean of some dates' readings. Clinical staff only: a person answers."""
    return baselines.set_reference(call.act, own_patient(call.session, patient_id), **new)


@blueprint.get("/patients/<uuid:patient_id>/limits", allowed=reads(Scope.REVIEW))
@blueprint.lists(LimitsOut)
def list_limits(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every pair of limits, newest first; the newest counts."""
    return list_rows(query, Limits, Limits.set_at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/limits", allowed=for_staff(Right.DECIDE))
@blueprint.writes(LimitsOut, 201, takes=LimitsIn)
def set_limits(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Limits:
    """PA diastolic limits, mmHg, as a clinician types them; there is no default. Clinical staff only."""
    return baselines.set_limits(call.act, own_patient(call.session, patient_id), **new)


@blueprint.post("/patients/<uuid:patient_id>/limits/from-events", allowed=for_staff(Right.DECIDE))
@blueprint.writes(LimitsOut, 201, takes=TroubleLevelIn)
def accept_trouble_level(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Limits:
    """Take the level at which trouble came before (`trouble` of the record) as the upper limit. Clinical staff only.

    Until somebody does, it is no limit; then it is one like any other, with its `origin`.
    """
    return baselines.accept_trouble_level(call.act, own_patient(call.session, patient_id), **new)


@blueprint.get("/patients/<uuid:patient_id>/goals", allowed=reads(Scope.REVIEW))
@blueprint.lists(GoalOut)
def list_goals(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Every goal, newest first; the newest counts, until its date or its end."""
    return list_rows(query, GoalRow, GoalRow.set_at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/goals", allowed=for_staff(Right.DECIDE))
@blueprint.writes(GoalOut, 201, takes=GoalIn)
def set_goal(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> GoalRow:
    """A clinician's aim for PA diastolic; there is no default. Clinical staff only."""
    return baselines.set_goal(call.act, own_patient(call.session, patient_id), **new)


@blueprint.post("/goals/<uuid:goal_id>/end", allowed=for_staff(Right.DECIDE))
@blueprint.writes(GoalOut)
def end_goal(call: Call, goal_id: uuid.UUID) -> GoalRow:
    """The goal is none any more."""
    goal = own(call.session, GoalRow, goal_id)
    baselines.end_goal(call.act, goal)
    return goal


@blueprint.get("/patients/<uuid:patient_id>/context-tags", allowed=reads(Scope.REVIEW))
@blueprint.lists(ContextTagOut)
def list_context_tags(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """What else was so on which dates, newest first."""
    return list_rows(query, ContextTagRow, ContextTagRow.from_date.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/context-tags", allowed=for_staff(Right.CARE))
@blueprint.writes(ContextTagOut, 201, takes=ContextTagIn)
def record_context_tag(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> ContextTagRow:
    """Tag some dates; what is told is judged anew from the first of them."""
    return contexts.record(call.act, own_patient(call.session, patient_id), **new)


@blueprint.post("/context-tags/<uuid:tag_id>/end", allowed=for_staff(Right.CARE))
@blueprint.writes(ContextTagOut, takes=ContextTagEnd)
def end_context_tag(call: Call, how: dict[str, Any], tag_id: uuid.UUID) -> ContextTagRow:
    """Give a tag its last date; one before its first takes it back."""
    tag = own(call.session, ContextTagRow, tag_id)
    contexts.end(call.act, tag, how["last_day"])
    return tag
