"""What was expected and what became of it: windows, silences, caregivers' answers, messages, tasks, the audit trail."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any, cast

from flask import Response
from marshmallow import Schema, fields
from sqlalchemy import ColumnElement, Select, select

from service.domain import vocabulary
from service.domain.vocabulary import MessageKind, MessageState, Role, Scope, TaskKind, TaskState, WindowState
from service.reviewing import inbox
from service.store.session import read_session
from service.store.tables import AuditLine, CaregiverReply, Message, Silence, Task, Window
from service.web.api import base
from service.web.api.base import Blueprint, Page, instant, listing, paged, text, word
from service.web.api.guards import caller, for_staff, needs, once
from service.web.api.readings import Dates
from service.web.auth import current_staff
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint(
    "api_watching", __name__, url_prefix="/api/v1", description="Windows, silences, messages, tasks and the audit trail"
)  # fmt: skip


class WindowOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    local_date = fields.Date()
    zone = fields.String()
    opens_at = instant()
    due_at = instant()
    closes_at = instant()
    wants_reading = fields.Boolean()
    wants_checkin = fields.Boolean()
    state = word(vocabulary.WindowState)
    reading_at = instant(allow_none=True)
    checkin_at = instant(allow_none=True)


class SilenceOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    first_date = fields.Date()
    last_date = fields.Date()
    missed = fields.Integer()
    cause = word(vocabulary.SilenceCause)
    opened_at = instant()
    ended_at = instant(allow_none=True)


class MessageOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID(allow_none=True)
    caregiver_id = fields.UUID(allow_none=True)
    kind = word(vocabulary.MessageKind)
    channel = word(vocabulary.Channel)
    state = word(vocabulary.MessageState)
    reason = fields.String(allow_none=True)
    attempts = fields.Integer()
    created_at = instant()
    expires_at = instant()
    settled_at = instant(allow_none=True)


class ReplyOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    caregiver_id = fields.UUID()
    window_id = fields.UUID()
    answer = word(vocabulary.CaregiverAnswer)
    until = fields.Date(allow_none=True)
    note = fields.String()
    at = instant()


class TaskOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID(allow_none=True)
    kind = word(vocabulary.TaskKind)
    sentence = fields.String()
    raised_at = instant()
    state = word(vocabulary.TaskState)
    taken_at = instant(allow_none=True)
    closed_at = instant(allow_none=True)
    close_reason = fields.String(allow_none=True)


class TaskClose(Schema):
    reason = text(400)


class AuditOut(Schema):
    id = fields.UUID()
    at = instant()
    actor_kind = word(vocabulary.ActorKind)
    actor_id = fields.UUID(allow_none=True)
    action = fields.String()
    subject_kind = fields.String()
    subject_id = fields.UUID(allow_none=True)
    detail = fields.Dict()


TASK = TaskOut()


class OfPatient(Page):
    patient_id = fields.UUID()


class WindowQuery(OfPatient, Dates):
    state = word(WindowState)


class SilenceQuery(OfPatient):
    """`open`: whether it goes on."""

    open = fields.Boolean()


class MessageQuery(OfPatient):
    state = word(MessageState)
    kind = word(MessageKind)


class TaskQuery(OfPatient):
    state = word(TaskState)
    kind = word(TaskKind)


class AuditQuery(Page):
    subject_id = fields.UUID()


def _list(query: dict[str, Any], table: Any, order: Any) -> dict[str, Any]:
    """One page of the clinic's rows of `table`: of one patient or of all, and only those that every filter fits."""
    page = {name: query.pop(name) for name in ("page", "page_size")}
    wanted: Select[Any] = select(table).where(table.clinic_id == caller().clinic_id).order_by(order, table.id)
    with read_session(services().engine) as session:
        if "patient_id" in query:
            base.own_patient(session, query["patient_id"])
        for name, value in query.items():
            wanted = wanted.where(_fits(table, name, value))
        return paged(session, wanted, page)


def _fits(table: Any, name: str, value: Any) -> ColumnElement[bool]:
    match name:
        case "from_date":
            fits = table.local_date >= value
        case "to_date":
            fits = table.local_date <= value
        case "open":
            fits = table.ended_at.is_(None) if value else table.ended_at.is_not(None)
        case _:
            fits = getattr(table, name) == value
    return cast(ColumnElement[bool], fits)


@blueprint.route("/windows", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(WindowQuery, location="query")
@blueprint.response(200, listing(WindowOut))
def windows(query: dict[str, Any]) -> dict[str, Any]:
    """What was expected on each local date and how it ended, newest first."""
    return _list(query, Window, Window.local_date.desc())


@blueprint.route("/silences", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(SilenceQuery, location="query")
@blueprint.response(200, listing(SilenceOut))
def silences(query: dict[str, Any]) -> dict[str, Any]:
    """Runs of missed reading windows with their cause, newest first."""
    return _list(query, Silence, Silence.first_date.desc())


@blueprint.route("/caregiver-replies", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(OfPatient, location="query")
@blueprint.response(200, listing(ReplyOut))
def replies(query: dict[str, Any]) -> dict[str, Any]:
    """What caregivers said happened, newest first."""
    return _list(query, CaregiverReply, CaregiverReply.at.desc())


@blueprint.route("/messages", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(MessageQuery, location="query")
@blueprint.response(200, listing(MessageOut))
def messages(query: dict[str, Any]) -> dict[str, Any]:
    """What was sent, or why not, newest first."""
    return _list(query, Message, Message.created_at.desc())


@blueprint.route("/tasks", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(TaskQuery, location="query")
@blueprint.response(200, listing(TaskOut))
def tasks(query: dict[str, Any]) -> dict[str, Any]:
    """What staff must look at, newest first."""
    return _list(query, Task, Task.raised_at.desc())


@blueprint.route("/tasks/<uuid:task_id>/take", methods=["POST"])
@for_staff()
@blueprint.arguments(Schema.from_dict({}, name="NothingToTake"))
@blueprint.response(200, TASK)
def take(_nothing: dict[str, Any], task_id: uuid.UUID) -> Response:
    """Say that you are looking at it. 409 names who was first."""
    return _move(task_id, lambda session, staff, now: inbox.take(session, caller().clinic_id, task_id, staff, now))


@blueprint.route("/tasks/<uuid:task_id>/close", methods=["POST"])
@for_staff()
@blueprint.arguments(TaskClose)
@blueprint.response(200, TASK)
def close(how: dict[str, Any], task_id: uuid.UUID) -> Response:
    """Close it with a reason. 409 names who was first."""
    return _move(
        task_id,
        lambda session, staff, now: inbox.close(session, caller().clinic_id, task_id, staff, how["reason"], now),
    )


@blueprint.route("/audit", methods=["GET"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(AuditQuery, location="query")
@blueprint.response(200, listing(AuditOut))
def audit(query: dict[str, Any]) -> dict[str, Any]:
    """Who did what to which record, newest first. For administrators."""
    return _list(query, AuditLine, AuditLine.at.desc())


def _move(task_id: uuid.UUID, act: Callable[..., None]) -> Response:
    staff = current_staff()
    if staff is None:
        raise Problem(403, "For signed-in staff.")
    with once() as call:
        if call.answered:
            return call.answered
        task = base.own(call.session, Task, task_id)
        try:
            act(call.session, staff, services().clock.now())
        except inbox.AlreadyHandled as first:
            raise Problem(409, str(first)) from None
        call.session.refresh(task)
        return call.answer(TASK, task, 200)
