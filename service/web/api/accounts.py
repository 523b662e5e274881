"""Staff accounts and machines' keys, for the clinic's administrators."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields, validate

from service.accounts import keys
from service.accounts import staff as accounts
from service.domain import vocabulary
from service.domain.vocabulary import Role
from service.store.tables import ApiKey, Staff
from service.web.api.base import Blueprint, instant, list_rows, own, text, word
from service.web.api.guards import Call, for_staff
from service.web.services import services

blueprint = Blueprint("accounts", "Staff accounts and keys")


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


@blueprint.get("/staff")
@for_staff(Role.ADMINISTRATOR)
@blueprint.lists(StaffOut)
def list_staff(query: dict[str, Any]) -> dict[str, Any]:
    """The clinic's accounts, by name."""
    return list_rows(query, Staff, Staff.name)


@blueprint.post("/staff")
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(StaffOut, 201, takes=StaffIn)
def add_staff(call: Call, new: dict[str, Any]) -> Staff:
    """Add an account of one person; passwords are never shared."""
    return accounts.add_staff(call.act, **new, door_now=services().door_clock.now())


@blueprint.post("/staff/<uuid:staff_id>/close")
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(StaffOut)
def close_staff(call: Call, staff_id: uuid.UUID) -> Staff:
    """The account opens nothing from now on; what it signed stays."""
    staff = own(call.session, Staff, staff_id)
    accounts.close_account(call.act, staff)
    return staff


@blueprint.get("/keys")
@for_staff(Role.ADMINISTRATOR)
@blueprint.lists(KeyOut)
def list_keys(query: dict[str, Any]) -> dict[str, Any]:
    """Machines' keys, without their secrets, newest first."""
    return list_rows(query, ApiKey, ApiKey.created_at.desc())


@blueprint.post("/keys")
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(NewKeyOut, 201, takes=KeyIn, kept=False)
def issue_key(call: Call, new: dict[str, Any]) -> dict[str, Any]:
    """Issue a key. Its secret is in this answer and nowhere else, so this call keeps no Idempotency-Key."""
    key, secret = keys.issue_key(call.act, new["name"], new["scopes"])
    return {**{name: getattr(key, name) for name in KeyOut().fields}, "secret": secret}


@blueprint.post("/keys/<uuid:key_id>/revoke")
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(KeyOut)
def revoke_key(call: Call, key_id: uuid.UUID) -> ApiKey:
    """The key opens nothing from now on."""
    key = own(call.session, ApiKey, key_id)
    keys.revoke_key(call.act, key)
    return key
