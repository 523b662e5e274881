"""Patients invited to read, choose and agree by themselves, over the API."""

from __future__ import annotations

import uuid
from typing import Any

from marshmallow import Schema, fields

from service.domain.rights import Right
from service.domain.vocabulary import InvitationState, Scope
from service.enrolling import enrolment, invited, inviting
from service.links import make_invitation_link
from service.store.session import read_session
from service.store.tables import Invitation
from service.web.api.base import Blueprint, Listed, list_rows, shows, text, word, yes_no
from service.web.api.enrolment import EnrolledOut
from service.web.api.guards import Call, for_staff, needs
from service.web.api.people import PATIENT
from service.web.auth import own
from service.web.services import services

blueprint = Blueprint("inviting", "Invitations of patients")
ABOUT = "id state name born_on clinic_ref language number made_at until said_at text_agreed_at patient_id"


class InvitationIn(Schema):
    """One of `born_on` and `clinic_ref` is needed: it is asked for before the page opens."""

    name = text(120)
    born_on = fields.Date(allow_none=True, load_default=None)
    clinic_ref = text(40, required=False, allow_none=True, load_default=None)
    language = text(8)
    number = text(40, required=False, allow_none=True, load_default=None)


class TextIn(Schema):
    """How the person agreed to this one text: without that nothing is sent."""

    how = text(200)


class ConfirmingIn(Schema):
    """What staff add to what was said. `is_other`: those who are alike were looked at, and it is somebody else."""

    clinic_ref = text(40)
    zone = text(64)
    name = text(120, required=False, allow_none=True, load_default=None)
    born_on = fields.Date(allow_none=True, load_default=None)
    caregiver_agreed = text(200, required=False, allow_none=True, load_default=None)
    is_other = yes_no(load_default=False)


class InvitationQuery(Listed):
    state = word(InvitationState)


class HelperSaidOut(Schema):
    name = fields.String()
    relation = fields.String()
    address = fields.String()
    told = fields.Boolean()
    sees = fields.Boolean()


class SaidOut(Schema):
    """What was chosen on the page; null until it was sent."""

    channel = fields.String()
    address = fields.String()
    opens = fields.String()
    is_shown_to_read = fields.Boolean()
    helper = fields.Nested(HelperSaidOut, allow_none=True)


InvitationOut = shows("InvitationOut", Invitation, ABOUT)
InvitationSaidOut = shows("InvitationSaidOut", Invitation, ABOUT, said=fields.Nested(SaidOut, allow_none=True))
InvitationLinkOut = shows("InvitationLinkOut", Invitation, ABOUT, link=fields.String())


class TextOut(Schema):
    message = fields.UUID()


@blueprint.post("/invitations", allowed=needs(Scope.CONTACTS))
@blueprint.writes(InvitationLinkOut, 201, takes=InvitationIn, kept=False)
def invite_patient(call: Call, new: dict[str, Any]) -> dict[str, Any]:
    """Invite somebody. `link` is given once, to be put on paper or shown: whoever has it sees a question first.

    Nobody is enrolled, and nothing is sent, before staff have confirmed what was answered.
    """
    return _with_link(call, inviting.invite(call.act, inviting.NewInvitation(**new)))


@blueprint.get("/invitations", allowed=needs(Scope.ENROL))
@blueprint.lists(InvitationOut, InvitationQuery)
def list_invitations(query: dict[str, Any]) -> dict[str, Any]:
    """The clinic's invitations, the newest first."""
    return list_rows(query, Invitation, Invitation.made_at.desc())


@blueprint.get("/invitations/<uuid:invitation_id>", allowed=needs(Scope.ENROL))
@blueprint.response(200, InvitationSaidOut)
def show_invitation(invitation_id: uuid.UUID) -> dict[str, Any]:
    """One invitation, with what was said once it was answered."""
    with read_session(services().engine) as session:
        return _shown(own(session, Invitation, invitation_id))


@blueprint.post("/invitations/<uuid:invitation_id>/link", allowed=needs(Scope.CONTACTS))
@blueprint.writes(InvitationLinkOut, 201, kept=False)
def add_invitation_link(call: Call, invitation_id: uuid.UUID) -> dict[str, Any]:
    """Another link to the same page; those before it stay good."""
    return _with_link(call, own(call.session, Invitation, invitation_id))


@blueprint.post("/invitations/<uuid:invitation_id>/text", allowed=needs(Scope.CONTACTS))
@blueprint.writes(TextOut, 201, takes=TextIn)
def send_invitation_text(call: Call, new: dict[str, Any], invitation_id: uuid.UUID) -> dict[str, Any]:
    """Record that this one text was agreed to, and send it to the number of the invitation."""
    found = own(call.session, Invitation, invitation_id)
    return {"message": inviting.text(call.act, found, new["how"], services().transports.keys())}


@blueprint.post("/invitations/<uuid:invitation_id>/revoke", allowed=needs(Scope.ENROL))
@blueprint.writes(InvitationOut)
def revoke_invitation(call: Call, invitation_id: uuid.UUID) -> Invitation:
    """End an invitation: its links open nothing from now on."""
    found = own(call.session, Invitation, invitation_id)
    inviting.revoke(call.act, found)
    return found


@blueprint.post("/invitations/<uuid:invitation_id>/confirm", allowed=for_staff(Right.ENROL))
@blueprint.writes(EnrolledOut, 201, takes=ConfirmingIn)
def confirm_invitation(call: Call, new: dict[str, Any], invitation_id: uuid.UUID) -> dict[str, Any]:
    """Enrol whoever answered, as they said. Refused as an enrolment is, for `is_other` too.

    A person looks at it first: a machine's key may not.
    """
    found = own(call.session, Invitation, invitation_id)
    patient = inviting.confirm(call.act, found, inviting.Confirming(**new))
    first = enrolment.first_prompt(call.session, patient.id)
    return {name: getattr(patient, name) for name in PATIENT.split()} | {"first_prompt_at": first}


def _with_link(call: Call, made: Invitation) -> dict[str, Any]:
    return _about(made) | {"link": make_invitation_link(call.act, services().links, made)}


def _shown(found: Invitation) -> dict[str, Any]:
    if found.state not in {InvitationState.ANSWERED, InvitationState.ENROLLED}:
        return _about(found) | {"said": None}
    said = invited.said(found)
    return _about(found) | {
        "said": {
            "channel": said.channel.value,
            "address": said.address,
            "opens": f"{said.opens:%H:%M}",
            "is_shown_to_read": found.shown_to_read == said.address,
            "helper": None if said.helper is None else vars(said.helper),
        }
    }


def _about(found: Invitation) -> dict[str, Any]:
    return {name: getattr(found, name) for name in ABOUT.split()}
