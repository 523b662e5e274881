"""What enrolment takes in and gives out."""

from __future__ import annotations

from marshmallow import Schema, fields, validate

from service.domain import vocabulary
from service.web.api.fields import instant, number, text, whole, word


class ClinicChange(Schema):
    name = text(120, required=False)
    zone = text(64, required=False)
    language = text(8, required=False)
    review_weekday = whole(0, 6)
    emergency_number = text(20, required=False)
    contact_line = text(32, required=False)
    sender_name = text(32, required=False)
    quiet_from = fields.Time()
    quiet_until = fields.Time()
    steps = fields.List(fields.Dict(), validate=validate.Length(max=10))
    silent_days = whole(1, 30)


class ClinicOut(Schema):
    id = fields.UUID()
    name = fields.String()
    zone = fields.String()
    language = fields.String()
    review_weekday = fields.Integer()
    emergency_number = fields.String()
    contact_line = fields.String()
    sender_name = fields.String()
    quiet_from = fields.Time()
    quiet_until = fields.Time()
    steps = fields.List(fields.Dict())
    silent_days = fields.Integer()


class PatientChange(Schema):
    name = text(120, required=False)
    zone = text(64, required=False)
    language = text(8, required=False)
    usual_pillows = whole(0, 10, allow_none=True)
    dry_weight_kg = number(20, 400, allow_none=True)
    weight_unit = text(8, required=False)


class PatientIn(PatientChange):
    clinic_ref = text(40)
    name = text(120)
    zone = text(64)


class PatientOut(Schema):
    id = fields.UUID()
    clinic_ref = fields.String()
    name = fields.String()
    zone = fields.String()
    language = fields.String()
    state = word(vocabulary.PatientState)
    usual_pillows = fields.Integer(allow_none=True)
    dry_weight_kg = fields.Float(allow_none=True)
    weight_unit = fields.String()
    enrolled_at = instant()


class CaregiverIn(Schema):
    name = text(120)
    relation = text(40, required=False)
    zone = text(64, required=False, allow_none=True)
    language = text(8, required=False, allow_none=True)


class CaregiverOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    name = fields.String()
    relation = fields.String()
    zone = fields.String()
    language = fields.String()
    position = fields.Integer()
    active = fields.Boolean()


class ContactIn(Schema):
    channel = word(vocabulary.Channel, required=True)
    address = text(1000)


class ContactMend(Schema):
    address = text(1000)


class ContactOut(Schema):
    id = fields.UUID()
    channel = word(vocabulary.Channel)
    address = fields.String()
    position = fields.Integer()
    state = word(vocabulary.ContactState)
    broken_reason = fields.String(allow_none=True)


class PushLinkOut(Schema):
    link = fields.String()
    until = instant()


class ConsentIn(Schema):
    kind = word(vocabulary.ConsentKind, required=True)
    given = fields.Boolean(required=True, truthy={True}, falsy={False})
    how = text(200)
    caregiver_id = fields.UUID(allow_none=True)


class ConsentOut(Schema):
    id = fields.UUID()
    kind = word(vocabulary.ConsentKind)
    given = fields.Boolean()
    how = fields.String()
    caregiver_id = fields.UUID(allow_none=True)
    recorded_by = fields.String()
    at = instant()


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
