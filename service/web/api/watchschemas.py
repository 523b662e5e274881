"""Windows, silences, messages, tasks and the audit trail, out; accounts and keys, in and out."""

from __future__ import annotations

from marshmallow import Schema, fields, validate

from service.domain import vocabulary
from service.web.api.fields import instant, text, word


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


class StaffIn(Schema):
    email = text(254)
    name = text(120)
    role = word(vocabulary.Role, required=True)
    password = text(200, load_only=True)


class StaffOut(Schema):
    id = fields.UUID()
    email = fields.String()
    name = fields.String()
    role = word(vocabulary.Role)
    active = fields.Boolean()


class KeyIn(Schema):
    name = text(80)
    scopes = fields.List(word(vocabulary.Scope), required=True, validate=validate.Length(1, len(vocabulary.Scope)))


class KeyOut(Schema):
    id = fields.UUID()
    name = fields.String()
    scopes = fields.List(fields.String())
    created_at = instant()
    revoked_at = instant(allow_none=True)


class NewKeyOut(KeyOut):
    secret = fields.String()
