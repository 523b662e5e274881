"""What was expected and what became of it: windows, silences, caregivers' answers, messages, tasks, the audit trail."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

from flask import g
from marshmallow import Schema, fields

from service.domain import vocabulary
from service.domain.tasks import from_json
from service.domain.vocabulary import MessageKind, MessageState, Role, Scope, TaskKind, TaskState, WindowState
from service.reviewing import inbox
from service.store.tables import AuditLine, CaregiverReply, Message, Silence, Task, Window
from service.web.api.base import Blueprint, Dates, Page, Words, instant, list_rows, own, text, word
from service.web.api.guards import Call, for_staff, needs
from service.web.problems import Problem
from service.words.language import Language
from service.words.sentences import tasks as task_words

blueprint = Blueprint("watching", "Windows, silences, messages, tasks and the audit trail")


def _task(say: Language, stored: dict[str, Any]) -> str:
    return task_words.task(say, from_json(stored))


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
    sentence = Words(_task, attribute="facts")
    raised_at = instant()
    state = word(vocabulary.TaskState)
    taken_at = instant(allow_none=True)
    closed_at = instant(allow_none=True)
    close_reason = Words(task_words.close_reason, allow_none=True)


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


@blueprint.get("/windows")
@needs(Scope.REVIEW)
@blueprint.lists(WindowOut, WindowQuery)
def windows(query: dict[str, Any]) -> dict[str, Any]:
    """What was expected on each local date and how it ended, newest first."""
    return list_rows(query, Window, Window.local_date.desc())


@blueprint.get("/silences")
@needs(Scope.REVIEW)
@blueprint.lists(SilenceOut, SilenceQuery)
def silences(query: dict[str, Any]) -> dict[str, Any]:
    """Runs of missed reading windows with their cause, newest first."""
    return list_rows(query, Silence, Silence.first_date.desc())


@blueprint.get("/caregiver-replies")
@needs(Scope.REVIEW)
@blueprint.lists(ReplyOut, OfPatient)
def replies(query: dict[str, Any]) -> dict[str, Any]:
    """What caregivers said happened, newest first."""
    return list_rows(query, CaregiverReply, CaregiverReply.at.desc())


@blueprint.get("/messages")
@needs(Scope.REVIEW)
@blueprint.lists(MessageOut, MessageQuery)
def messages(query: dict[str, Any]) -> dict[str, Any]:
    """What was sent, or why not, newest first."""
    return list_rows(query, Message, Message.created_at.desc())


@blueprint.get("/tasks")
@needs(Scope.REVIEW)
@blueprint.lists(TaskOut, TaskQuery)
def tasks(query: dict[str, Any]) -> dict[str, Any]:
    """What staff must look at, newest first."""
    return list_rows(query, Task, Task.raised_at.desc())


@blueprint.post("/tasks/<uuid:task_id>/take")
@for_staff()
@blueprint.writes(TaskOut)
def take(call: Call, task_id: uuid.UUID) -> Task:
    """Say that you are looking at it. 409 names who was first."""
    return _move(call, task_id, lambda: inbox.take(call.session, g.clinic_id, task_id, call.staff, call.now))


@blueprint.post("/tasks/<uuid:task_id>/close")
@for_staff()
@blueprint.writes(TaskOut, takes=TaskClose)
def close(call: Call, how: dict[str, Any], task_id: uuid.UUID) -> Task:
    """Close it with a reason. 409 names who was first."""
    why = how["reason"]
    return _move(call, task_id, lambda: inbox.close(call.session, g.clinic_id, task_id, call.staff, why, call.now))


@blueprint.get("/audit")
@for_staff(Role.ADMINISTRATOR)
@blueprint.lists(AuditOut, AuditQuery)
def audit(query: dict[str, Any]) -> dict[str, Any]:
    """Who did what to which record, newest first. For administrators."""
    return list_rows(query, AuditLine, AuditLine.at.desc())


def _move(call: Call, task_id: uuid.UUID, act: Callable[[], None]) -> Task:
    task = own(call.session, Task, task_id)
    try:
        act()
    except inbox.AlreadyHandled as first:
        raise Problem(409, str(first)) from None
    call.session.refresh(task)
    return task
