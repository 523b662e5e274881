"""Patients invited to read, choose and agree by themselves: made, handed over, looked at and confirmed by staff.

Promises that a link is shown once, to whoever made it, as a square on the screen or on paper, and is kept nowhere;
that a text goes out only with a word on how that one text was agreed to; that whoever confirms sees what was said,
and who is known that may be the same person; and that a no is told as a no, with nothing left to press.
"""

from __future__ import annotations

import uuid
from dataclasses import replace
from typing import Any

from flask import Blueprint, Response, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext

from service import links
from service.domain.localtime import local_date
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import InvitationState, Paper
from service.enrolling import invited, inviting, people
from service.reports import pdf
from service.store.session import read_session
from service.store.tables import Clinic, Invitation
from service.web import forms
from service.web.api.inviting import ConfirmingIn, InvitationIn
from service.web.auth import own, own_clinic, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import enrol, inputs, refusals
from service.web.pages.clinic.inputs import Form, Input
from service.web.services import services
from service.words import sheet
from service.words.language import load_language

blueprint = Blueprint("inviting", __name__, url_prefix="/invitations")
SHOWN = (InvitationState.ANSWERED, InvitationState.OPEN, InvitationState.DECLINED, InvitationState.RUN_OUT,
         InvitationState.LOCKED)  # fmt: skip
_ = lazy_gettext

NEW = Form("invite", _("Invite somebody"), _("Make the invitation"), (
    Input("name", _("Name, as you know it"), required=True),
    Input("born_on", _("Date of birth"), "date", hint=_("Asked for before the page opens.")),
    Input("clinic_ref", _("Your number for them"), hint=_("Asked for where you have no date of birth.")),
    Input("language", _("Language of the page"), "choice", choices=enrol.spoken, required=True),
    Input("number", _("Telephone"), "tel", hint=_("Only if the link is to go there by text.")),
))  # fmt: skip
TEXT = Form("text", _("By text"), _("Send the link by text"), (
    Input("how", _("How they agreed to this one text"), choices=enrol.ways_to_agree, required=True),
))  # fmt: skip
CONFIRM = Form("confirm", _("Look at it and confirm"), _("Confirm and enrol"), (
    Input("name", _("Name"), required=True),
    Input("born_on", _("Date of birth"), "date"),
    Input("clinic_ref", _("Your number for them"), required=True),
    Input("zone", _("Time zone where they live"), choices=enrol.zones, required=True),
))  # fmt: skip
CAREGIVER_AGREED = Input(
    "caregiver_agreed", _("How the caregiver agreed to messages"), choices=enrol.ways_to_agree,
    hint=_("Empty: ask them first. Until you record it nothing is sent to them."),
)  # fmt: skip


@blueprint.get("")
@staff_only(Right.ENROL)
def listed() -> ResponseReturnValue:
    """A form for another one, and those that are out or were answered."""
    return _list({})


@blueprint.post("")
@staff_only(Right.ENROL)
def make() -> ResponseReturnValue:
    """Make one. It has no link yet: that is made where it is handed over."""
    typed = {one.name: forms.text(one.name) for one in NEW.inputs}
    try:
        with staff_act() as act:
            new = inputs.given(InvitationIn(), NEW, own_clinic(act.session).zone)
            made = inviting.invite(act, inviting.NewInvitation(**new))
    except Refused as refused:
        flash(gettext("Not yet. %(why)s", why=inputs.told(NEW, refused)), "wrong")
        return _list(typed), 422
    return redirect(url_for("clinic.inviting.page", invitation_id=made.id), 303)


@blueprint.get("/<uuid:invitation_id>")
@staff_only(Right.ENROL)
def page(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """One invitation: ways to hand it over, what was said, the form that confirms."""
    return _shown(invitation_id, {})


@blueprint.post("/<uuid:invitation_id>/paper")
@staff_only(Right.ENROL)
def paper(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """A paper with a new link, as PDF, in the language of whoever is invited."""
    made = _made(invitation_id)
    if made is None:
        return _back(invitation_id)
    invitation, clinic, link = made
    key = link.rpartition("/")[2]
    who = sheet.Inviting(clinic.sender_name, clinic.contact_line, clinic.emergency_number, _until(invitation, clinic))
    facts: dict[str, Any] = sheet.words(load_language(invitation.language), who, mark(invitation))
    facts |= {
        "paper": {Paper.A4: "a4", Paper.LETTER: "us-letter"}[clinic.paper],
        "address": [link[: -len(key)], key],
        "code": {"svg": _square(link).svg_inline(scale=8, border=4, light="#fff"), "alt": facts["square"]},
    }
    headers = {"Content-Disposition": f'inline; filename="invitation-{mark(invitation)}.pdf"'}
    written = pdf.write("invitation", facts, services().clock.now())
    return Response(written, mimetype="application/pdf", headers=headers)


@blueprint.post("/<uuid:invitation_id>/square")
@staff_only(Right.ENROL)
def square(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """A new link, as a square for the phone of whoever sits beside, and as text."""
    made = _made(invitation_id)
    if made is None:
        return _back(invitation_id)
    invitation, clinic, link = made
    picture = _square(link).svg_data_uri(scale=6, border=4, light="#fff")
    return render_template(
        "clinic/invitationlink.html",
        invitation=invitation,
        until=_until(invitation, clinic),
        link=link,
        picture=picture,
    )


@blueprint.post("/<uuid:invitation_id>/text")
@staff_only(Right.ENROL)
def text(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """Record that this one text was agreed to, and send it."""
    try:
        with staff_act() as act:
            invitation = own(act.session, Invitation, invitation_id)
            how = forms.text("how").strip()
            if not how:
                raise refusals.needed("how")
            inviting.text(act, invitation, how, services().transports.keys())
    except Refused as refused:
        told = inputs.told(TEXT, refused, number=gettext("Telephone"), invitation=gettext("Invitation"))
        flash(gettext("Not sent. %(why)s", why=told), "wrong")
    else:
        flash(gettext("The text is on its way. What is known of it stands below."), "good")
    return _back(invitation_id)


@blueprint.post("/<uuid:invitation_id>/revoke")
@staff_only(Right.ENROL)
def revoke(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """End it: its links open nothing from now on."""
    try:
        with staff_act() as act:
            inviting.revoke(act, own(act.session, Invitation, invitation_id))
    except Refused:
        return _back(invitation_id)  # they were enrolled in the meantime, which the page says
    flash(gettext("Revoked. Its links open nothing any more."), "good")
    return redirect(url_for("clinic.inviting.listed"), 303)


@blueprint.post("/<uuid:invitation_id>/confirm")
@staff_only(Right.ENROL)
def confirm(invitation_id: uuid.UUID) -> ResponseReturnValue:
    """Enrol them as they said, or say what is still wanted."""
    form = replace(CONFIRM, inputs=(*CONFIRM.inputs, CAREGIVER_AGREED))
    typed = {one.name: forms.text(one.name) for one in form.inputs} | {"is_other": forms.text("is_other")}
    try:
        with staff_act() as act:
            invitation = own(act.session, Invitation, invitation_id)
            new = inputs.given(ConfirmingIn(), form, own_clinic(act.session).zone)
            new["is_other"] = bool(forms.text("is_other"))
            patient = inviting.confirm(act, invitation, inviting.Confirming(**new))
    except Refused as refused:
        if refused.field != "is_other":
            why = inputs.told(form, refused, invitation=gettext("Invitation"), address=gettext("Telephone"))
            flash(gettext("Not yet. %(why)s", why=why), "wrong")
        return _shown(invitation_id, typed), 422
    return redirect(url_for("clinic.enrol.done", patient_id=patient.id), 303)


# --- helpers ---------------------------------------------------------------------------


def mark(invitation: Invitation) -> str:
    """By which staff tell one paper from another; it opens nothing."""
    return invitation.id.hex[:6].upper()


def _square(link: str) -> Any:
    import segno  # here alone, and at sign-in for a second step

    return segno.make(link, error="m", micro=False)


def _made(invitation_id: uuid.UUID) -> tuple[Invitation, Clinic, str] | None:
    """The invitation with a new link; None, with a word, where it can no longer be answered."""
    try:
        with staff_act() as act:
            invitation = own(act.session, Invitation, invitation_id)
            made = links.make_invitation_link(act, services().links, invitation)
            return invitation, own_clinic(act.session), made
    except Refused:
        flash(gettext("No link was made: this invitation can no longer be answered. Make a new one."), "wrong")
        return None


def _until(invitation: Invitation, clinic: Clinic) -> Any:
    return local_date(invitation.until, clinic.zone)


def _back(invitation_id: uuid.UUID) -> ResponseReturnValue:
    return redirect(url_for("clinic.inviting.page", invitation_id=invitation_id), 303)


def _list(typed: dict[str, str]) -> str:
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        found = inviting.invitations(session, clinic.id, SHOWN)
    return render_template(
        "clinic/invitations.html",
        form=enrol.hinted(NEW, people.region_of(clinic)),
        typed={"language": clinic.language} | typed,
        invitations=found,
        zone=clinic.zone,
    )


def _shown(invitation_id: uuid.UUID, typed: dict[str, str]) -> str:
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        invitation = own(session, Invitation, invitation_id)
        is_answered = invitation.state is InvitationState.ANSWERED
        alike = inviting.alike(session, invitation) if is_answered or invitation.state is InvitationState.OPEN else []
        texts = inviting.texts(session, invitation)
    enrol.know_zone(clinic)
    start = {
        "name": invitation.name,
        "born_on": invitation.born_on.isoformat() if invitation.born_on else "",
        "clinic_ref": invitation.clinic_ref or "",
        "zone": clinic.zone,
    }
    return render_template(
        "clinic/invitation.html",
        invitation=invitation,
        mark=mark(invitation),
        said=invited.said(invitation) if is_answered else None,
        can_be_answered=invitation.state is InvitationState.OPEN and invitation.until > now,
        alike=alike,
        texts=texts,
        text_form=TEXT,
        form=CONFIRM,
        caregiver_agreed=CAREGIVER_AGREED,
        typed=start | typed,
        until=_until(invitation, clinic),
        language=load_language(invitation.language).name_in(page_language()),
        zone=clinic.zone,
    )
