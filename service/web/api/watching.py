"""What was expected and what became of it: windows, silences, caregivers' answers, messages, tasks, the audit trail."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

from marshmallow import Schema, fields

from service.delivery import operating
from service.domain.rights import Right
from service.domain.tasks import from_json
from service.domain.vocabulary import MessageKind, MessageState, Role, Scope, TaskKind, TaskState, WindowState
from service.reviewing import inbox
from service.store.tables import AuditLine, CaregiverReply, Message, Silence, Task, Window
from service.web.api.base import Blueprint, Dates, Listed, list_rows, said, shows, text, word
from service.web.api.guards import Call, for_staff, reads
from service.web.auth import own
from service.web.problems import Problem
from service.words.sentences import tasks as task_words

blueprint = Blueprint("watching", "Windows, silences, messages, tasks and the audit trail")


WindowOut = shows(
    "WindowOut",
    Window,
    "id patient_id local_date zone opens_at due_at closes_at wants_reading wants_checkin state reading_at checkin_at",
)
SilenceOut = shows("SilenceOut", Silence, "id patient_id first_date last_date missed cause opened_at ended_at")
MessageOut = shows(
    "MessageOut",
    Message,
    "id patient_id caregiver_id kind channel state reason attempts created_at expires_at settled_at",
)
ReplyOut = shows("ReplyOut", CaregiverReply, "id patient_id caregiver_id window_id answer until note at")
TaskOut = shows(
    "TaskOut",
    Task,
    "id patient_id kind sentence raised_at state staff_id role taken_by taken_at closed_at close_reason",
    sentence=said(lambda say, task: task_words.task(say, from_json(task.facts))),
    close_reason=said(lambda say, task: task_words.close_reason(say, task.close_reason), type=["string", "null"]),
)
AuditOut = shows("AuditOut", AuditLine, "id at actor_kind actor_id action subject_kind subject_id detail")


class TaskClose(Schema):
    """`reason`: what was done; needed where the task is urgent. `promised`: when a silence that lasts is told again."""

    reason = text(inbox.LONGEST_REASON, required=False, load_default="")
    promised = fields.Date()


class OfPatient(Listed):
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
    """`staff_id`, `role`: handed to them; `taken_by`: who is looking at it."""

    staff_id = fields.UUID()
    role = word(Role)
    taken_by = fields.UUID()
    state = word(TaskState)
    kind = word(TaskKind)


class AuditQuery(Listed):
    subject_id = fields.UUID()


@blueprint.get("/windows", allowed=reads(Scope.REVIEW))
@blueprint.lists(WindowOut, WindowQuery)
def list_windows(query: dict[str, Any]) -> dict[str, Any]:
    """What was expected on each local date and how it ended, newest first."""
    return list_rows(query, Window, Window.local_date.desc())


@blueprint.get("/silences", allowed=reads(Scope.REVIEW))
@blueprint.lists(SilenceOut, SilenceQuery)
def list_silences(query: dict[str, Any]) -> dict[str, Any]:
    """Runs of missed reading windows with their cause, newest first."""
    return list_rows(query, Silence, Silence.first_date.desc())


@blueprint.get("/caregiver-replies", allowed=reads(Scope.REVIEW))
@blueprint.lists(ReplyOut, OfPatient)
def list_caregiver_replies(query: dict[str, Any]) -> dict[str, Any]:
    """What caregivers said happened, newest first."""
    return list_rows(query, CaregiverReply, CaregiverReply.at.desc())


@blueprint.get("/messages", allowed=reads(Scope.REVIEW))
@blueprint.lists(MessageOut, MessageQuery)
def list_messages(query: dict[str, Any]) -> dict[str, Any]:
    """What was sent, or why not, newest first."""
    return list_rows(query, Message, Message.created_at.desc())


class MessageCancel(Schema):
    reason = text(60)


@blueprint.post("/messages/<uuid:message_id>/retry", allowed=for_staff(Right.CARE))
@blueprint.writes(MessageOut)
def retry_message(call: Call, message_id: uuid.UUID) -> Message:
    """Queue a message again for now; it is rechecked like any other."""
    message = own(call.session, Message, message_id)
    operating.try_again(call.session, message_id, call.actor, call.now)
    call.session.refresh(message)
    return message


@blueprint.post("/messages/<uuid:message_id>/cancel", allowed=for_staff(Right.CARE))
@blueprint.writes(MessageOut, takes=MessageCancel)
def cancel_message(call: Call, how: dict[str, Any], message_id: uuid.UUID) -> Message:
    """Cancel a message that has not begun to leave, with the reason."""
    message = own(call.session, Message, message_id)
    operating.cancel(call.session, message_id, how["reason"], call.actor, call.now)
    call.session.refresh(message)
    return message


@blueprint.get("/tasks", allowed=reads(Scope.REVIEW))
@blueprint.lists(TaskOut, TaskQuery)
def list_tasks(query: dict[str, Any]) -> dict[str, Any]:
    """What staff must look at, newest first."""
    return list_rows(query, Task, Task.raised_at.desc())


@blueprint.post("/tasks/<uuid:task_id>/take", allowed=for_staff(Right.CARE))
@blueprint.writes(TaskOut)
def take_task(call: Call, task_id: uuid.UUID) -> Task:
    """Say that you are looking at it. 409 names who was first."""
    return _move(call, task_id, lambda: inbox.take(call.act, task_id))


@blueprint.post("/tasks/<uuid:task_id>/close", allowed=for_staff(Right.CARE))
@blueprint.writes(TaskOut, takes=TaskClose)
def close_task(call: Call, how: dict[str, Any], task_id: uuid.UUID) -> Task:
    """Close it, saying what was done. 409 names who was first."""
    return _move(call, task_id, lambda: inbox.close(call.act, task_id, how["reason"], how.get("promised")))


@blueprint.get("/audit", allowed=for_staff(Right.ADMINISTER))
@blueprint.lists(AuditOut, AuditQuery)
def list_audit_lines(query: dict[str, Any]) -> dict[str, Any]:
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
