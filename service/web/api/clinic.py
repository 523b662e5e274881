"""The clinic's own settings."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from service.domain.vocabulary import Role, Scope
from service.enrolling import clinics
from service.store.session import read_session
from service.store.tables import Clinic
from service.web.api.base import Blueprint, own_clinic, text, whole
from service.web.api.guards import Call, for_staff, needs
from service.web.services import services

blueprint = Blueprint("clinic", "The clinic and its settings")


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


@blueprint.get("/clinic")
@needs(Scope.REVIEW)
@blueprint.response(200, ClinicOut)
def show() -> Clinic:
    """The clinic that the key or session belongs to."""
    with read_session(services().engine) as session:
        return own_clinic(session)


@blueprint.patch("/clinic")
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(ClinicOut, takes=ClinicChange)
def change(call: Call, changes: dict[str, Any]) -> Clinic:
    """Change settings; windows already open keep the steps they were opened with."""
    return clinics.change_clinic(call.act, own_clinic(call.session), changes)
