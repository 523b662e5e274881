"""Readings and check-ins, in and out."""

from __future__ import annotations

from marshmallow import Schema, fields, validate

from service.domain import vocabulary
from service.web.api.fields import instant, text, word


class ReadingIn(Schema):
    """Pressures are in `unit` (UCUM). `patient` is the patient's id or the clinic's own reference."""

    patient = text(40)
    taken_at = instant(required=True)
    pa_systolic = fields.Float(required=True, allow_nan=False)
    pa_diastolic = fields.Float(required=True, allow_nan=False)
    pa_mean = fields.Float(allow_none=True, allow_nan=False)
    heart_rate = fields.Float(allow_none=True, allow_nan=False)
    unit = text(12, required=False, load_default="mm[Hg]")
    posture = word(vocabulary.Posture, allow_none=True)
    source_ref = text(80, required=False, allow_none=True)
    supersedes = fields.UUID(allow_none=True)


class ReadingBatchIn(Schema):
    """Each row is judged alone: `readings` is taken as it is, and every refusal is told by its place."""

    readings = fields.List(fields.Dict(), required=True, validate=validate.Length(1, 1000))


class RecordedOut(Schema):
    id = fields.UUID()
    outcome = fields.String()


class BatchOut(Schema):
    results = fields.List(fields.Dict())
    taken = fields.Integer()
    duplicates = fields.Integer()
    refused = fields.Integer()


class ReadingOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    taken_at = instant()
    received_at = instant()
    local_date = fields.Date()
    pa_systolic = fields.Float()
    pa_diastolic = fields.Float()
    pa_mean = fields.Float()
    mean_is_derived = fields.Boolean()
    heart_rate = fields.Float(allow_none=True)
    posture = word(vocabulary.Posture, allow_none=True)
    source = word(vocabulary.Source)
    remarks = fields.List(fields.String())
    supersedes_id = fields.UUID(allow_none=True)
    superseded_at = instant(allow_none=True)


class CheckinIn(Schema):
    """`patient` with a key; `token` (from the link in the message) without one."""

    patient = text(40, required=False)
    token = text(200, required=False)
    local_date = fields.Date(allow_none=True)
    breathlessness = fields.Integer(strict=True, allow_none=True)
    extra_pillows = fields.Integer(strict=True, allow_none=True)
    woke_breathless = fields.Boolean(allow_none=True, truthy={True}, falsy={False})
    swelling = word(vocabulary.Swelling, allow_none=True)
    weight = fields.Float(allow_none=True, allow_nan=False)
    weight_unit = text(8, required=False)
    light_headed = fields.Boolean(allow_none=True, truthy={True}, falsy={False})
    tiredness = fields.Integer(strict=True, allow_none=True)
    missed_medicines = fields.Boolean(allow_none=True, truthy={True}, falsy={False})
    safety_signs = fields.List(word(vocabulary.SafetySign), allow_none=True, validate=validate.Length(max=5))
    note = text(1000, required=False)


class RecordedCheckinOut(Schema):
    id = fields.UUID()
    outcome = fields.String()
    local_date = fields.Date()
    safety = fields.Boolean()
    emergency_number = fields.String()
    corrects = fields.UUID(allow_none=True)
    remarks = fields.List(fields.String())


class CheckinOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    local_date = fields.Date()
    answered_at = instant()
    source = word(vocabulary.Source)
    breathlessness = fields.Integer(allow_none=True)
    extra_pillows = fields.Integer(allow_none=True)
    woke_breathless = fields.Boolean(allow_none=True)
    swelling = word(vocabulary.Swelling, allow_none=True)
    weight_kg = fields.Float(allow_none=True)
    light_headed = fields.Boolean(allow_none=True)
    tiredness = fields.Integer(allow_none=True)
    missed_medicines = fields.Boolean(allow_none=True)
    safety_signs = fields.List(fields.String(), allow_none=True)
    note = fields.String()
    supersedes_id = fields.UUID(allow_none=True)
    superseded_at = instant(allow_none=True)
