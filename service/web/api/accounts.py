"""Staff accounts and machines' keys, for the clinic's administrators."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields, validate
from sqlalchemy import select

from service.accounts import keys
from service.accounts import staff as accounts
from service.domain import vocabulary
from service.domain.vocabulary import Role
from service.store.session import read_session
from service.store.tables import ApiKey, Staff
from service.web.api import base
from service.web.api.base import Blueprint, Page, instant, listing, paged, text, word
from service.web.api.guards import caller, for_staff, once
from service.web.services import services

blueprint = Blueprint("api_accounts", __name__, url_prefix="/api/v1", description="Staff accounts and keys")


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


STAFF, KEY, NEW_KEY = StaffOut(), KeyOut(), NewKeyOut()


@blueprint.route("/staff", methods=["GET"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(StaffOut))
def list_staff(page: dict[str, int]) -> dict[str, Any]:
    """The clinic's accounts, by name."""
    wanted = select(Staff).where(Staff.clinic_id == caller().clinic_id).order_by(Staff.name, Staff.id)
    with read_session(services().engine) as session:
        return paged(session, wanted, page)


@blueprint.route("/staff", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(StaffIn)
@blueprint.response(201, STAFF)
def add_staff(new: dict[str, Any]) -> Response:
    """Add an account of one person; passwords are never shared."""
    with once() as call:
        if call.answered:
            return call.answered
        added = accounts.add_staff(
            call.session, caller().clinic_id, **new, actor=caller().actor, now=services().clock.now()
        )
        return call.answer(STAFF, added)


@blueprint.route("/staff/<uuid:staff_id>/close", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Schema.from_dict({}, name="NothingToClose"))
@blueprint.response(200, STAFF)
def close_staff(_nothing: dict[str, Any], staff_id: uuid.UUID) -> Response:
    """The account opens nothing from now on; what it signed stays."""
    with once() as call:
        if call.answered:
            return call.answered
        staff = base.own(call.session, Staff, staff_id)
        accounts.close_account(call.session, staff, caller().actor, services().clock.now())
        return call.answer(STAFF, staff, 200)


@blueprint.route("/keys", methods=["GET"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(KeyOut))
def list_keys(page: dict[str, int]) -> dict[str, Any]:
    """Machines' keys, without their secrets, newest first."""
    wanted = select(ApiKey).where(ApiKey.clinic_id == caller().clinic_id).order_by(ApiKey.created_at.desc(), ApiKey.id)
    with read_session(services().engine) as session:
        return paged(session, wanted, page)


@blueprint.route("/keys", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(KeyIn)
@blueprint.response(201, NEW_KEY)
def issue_key(new: dict[str, Any]) -> Response:
    """Issue a key. Its secret is in this answer and nowhere else, so this call keeps no Idempotency-Key."""
    with once() as call:
        key, secret = keys.issue_key(
            call.session, caller().clinic_id, new["name"], new["scopes"], caller().actor, services().clock.now()
        )
        body = {**KEY.dump(key), "secret": secret}
        return call.unkept(body, 201)


@blueprint.route("/keys/<uuid:key_id>/revoke", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Schema.from_dict({}, name="NothingToRevoke"))
@blueprint.response(200, KEY)
def revoke_key(_nothing: dict[str, Any], key_id: uuid.UUID) -> Response:
    """The key opens nothing from now on."""
    with once() as call:
        if call.answered:
            return call.answered
        key = base.own(call.session, ApiKey, key_id)
        keys.revoke_key(call.session, key, caller().actor, services().clock.now())
        return call.answer(KEY, key, 200)
