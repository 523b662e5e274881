"""The clinic's other doors, for administrators: the hospital's own sign-in, and codes on paper for an emergency.

Promises what the pages promise. No machine's key opens or moves a door: whoever sets one, or takes codes, is a person
who showed lately that it is they. The client's secret is shown to nobody, and codes stand in one answer alone.
"""

from __future__ import annotations

import uuid
from typing import Any

from flask import g
from marshmallow import Schema, fields

from service.accounts import emergency, hospital
from service.domain.rights import Right
from service.domain.vocabulary import HospitalCounts
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.store.tables import EmergencyAccess
from service.transports.openid import Away, Crowded
from service.web import provider
from service.web.api.base import Blueprint, instant, list_rows, shows, text, word, yes_no
from service.web.api.guards import Call, caller, for_staff
from service.web.auth import own, signed_in
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("doors", "The hospital's sign-in, and emergency access")
SURELY = for_staff(Right.ADMINISTER, fresh=True)  # an administrator who showed lately that it is they


# --- the hospital's own sign-in ---------------------------------------------------------------


class HospitalIn(Schema):
    """An OpenID Connect provider. Without a `client_secret` the one that is kept stays."""

    issuer = text(300)
    client_id = text(200)
    client_secret = text(hospital.MOST_SECRET, required=False, load_default="")
    address_claim = text(60, required=False, load_default="email")
    counts = word(HospitalCounts, load_default=HospitalCounts.NEVER)
    acr = text(200, required=False, load_default="")
    passwords_too = yes_no(load_default=True)


class HospitalOut(Schema):
    is_set = fields.Boolean()
    issuer = fields.String(allow_none=True)
    client_id = fields.String(allow_none=True)
    address_claim = fields.String(allow_none=True)
    counts = word(HospitalCounts, allow_none=True)
    acr = fields.String(allow_none=True)
    passwords_too = fields.Boolean(allow_none=True)
    joined = fields.Integer()
    back = fields.String()
    door = fields.String()


SET = ("issuer", "client_id", "address_claim", "counts", "acr", "passwords_too")


@blueprint.get("/hospital-sign-in", allowed=SURELY)
@blueprint.response(200, HospitalOut)
def show_hospital_sign_in() -> dict[str, Any]:
    """What is set of the hospital's own sign-in, and what the hospital has to be told of us before it is."""
    return _told()


@blueprint.put("/hospital-sign-in", allowed=SURELY)
@blueprint.arguments(HospitalIn)
@blueprint.response(200, HospitalOut)
def set_hospital_sign_in(new: dict[str, Any]) -> dict[str, Any]:
    """Set it, whole, once the provider has answered. Nobody is made an account by it.

    `passwords_too` may be false for a caller who has signed in by the hospital just now, which shows that it opens.
    """
    given = hospital.Given(**new)
    try:
        provider.ask_anew(given.issuer, g.clinic_id)
    except (Away, Crowded) as away:
        error = {"field": "issuer", "value": given.issuer, "accepted": "an OpenID Connect provider that can be reached"}
        raise Problem(422, provider.why(away), [error]) from None
    with write_session(services().engine) as session:
        act = Act(session, caller().actor, g.clinic_id, services().clock.now())
        hospital.set_up(act, given, services().settings.keys, came_by_it=signed_in().by_hospital)
    return _told()


@blueprint.post("/hospital-sign-in/end", allowed=SURELY)
@blueprint.writes(HospitalOut)
def end_hospital_sign_in(call: Call) -> dict[str, Any]:
    """Nobody comes in by the hospital any more; whoever has no password needs a link (`POST /staff/{staff_id}/reset`).

    409 where nothing is set.
    """
    held = hospital.of_clinic(call.session, g.clinic_id)
    if held is None:
        raise Problem(409, "The hospital's sign-in is not set.", kind="not-now")
    hospital.take_away(call.act, held)
    return _shown(provider.told(call.session, g.clinic_id))


def _told() -> dict[str, Any]:
    with read_session(services().engine) as session:
        return _shown(provider.told(session, g.clinic_id))


def _shown(told: provider.SignInTold) -> dict[str, Any]:
    kept = {name: None if told.held is None else getattr(told.held, name) for name in SET}
    return {"is_set": told.held is not None, "joined": told.joined, "back": told.back, "door": told.door, **kept}


# --- emergency access ---------------------------------------------------------------------------


class NewCodesOut(Schema):
    """They are in this answer and nowhere else."""

    codes = fields.List(fields.String())


class ToldOut(Schema):
    staff_id = fields.UUID(attribute="staff.id")
    name = fields.String(attribute="staff.name")
    is_reached = fields.Boolean()


class CodesOut(Schema):
    left = fields.Integer()
    made_at = instant(allow_none=True)
    told = fields.List(fields.Nested(ToldOut))


EmergencyAccessOut = shows(
    "EmergencyAccessOut",
    EmergencyAccess,
    "id staff_id name reason begun_at until ended_at seen_at seen_by address browser",
)


@blueprint.get("/emergency-codes", allowed=for_staff(Right.ADMINISTER))
@blueprint.response(200, CodesOut)
def show_emergency_codes() -> dict[str, Any]:
    """How many codes of the sheet still open an access, and who is told of one."""
    with read_session(services().engine) as session:
        left = emergency.codes_left(session, g.clinic_id)
        told = emergency.administrators(session, g.clinic_id, frozenset(services().transports))
    return {"left": len(left), "made_at": left[0].made_at if left else None, "told": told}


@blueprint.post("/emergency-codes", allowed=SURELY)
@blueprint.writes(NewCodesOut, 201, kept=False)
def make_emergency_codes(call: Call) -> dict[str, Any]:
    """A new sheet of codes, to be printed and sealed; those of before that nobody used open nothing more."""
    return {"codes": emergency.new_codes(call.act)}


@blueprint.get("/emergency-accesses", allowed=for_staff(Right.ADMINISTER))
@blueprint.lists(EmergencyAccessOut)
def list_emergency_accesses(query: dict[str, Any]) -> dict[str, Any]:
    """Who came in with a code, by the name they gave, newest first."""
    return list_rows(query, EmergencyAccess, EmergencyAccess.begun_at.desc())


@blueprint.post("/emergency-accesses/<uuid:access_id>/end", allowed=for_staff(Right.ADMINISTER))
@blueprint.writes(EmergencyAccessOut)
def end_emergency_access(call: Call, access_id: uuid.UUID) -> EmergencyAccess:
    """It opens nothing from now on; one that is over stays as it is. Asks for no confirmation: a door closes."""
    access = own(call.session, EmergencyAccess, access_id)
    emergency.end(call.act, access)
    return access


@blueprint.post("/emergency-accesses/<uuid:access_id>/look-into", allowed=for_staff(Right.ADMINISTER))
@blueprint.writes(EmergencyAccessOut)
def look_into_emergency_access(call: Call, access_id: uuid.UUID) -> EmergencyAccess:
    """Note that an administrator has looked into it; its task is closed. What was done stays in the audit trail."""
    access = own(call.session, EmergencyAccess, access_id)
    emergency.look_into(call.act, access)
    return access
