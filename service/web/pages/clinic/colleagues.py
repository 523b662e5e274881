"""Colleagues: who has an account, what it may do, and who is signed in; for administrators.

Promises that an administrator never learns a password: whoever is invited, or starts anew, sets their own, or a
passkey, by a link. Asks first that it is the administrator who sits there.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from sqlalchemy import func, select

from service.accounts import factors, invitations
from service.accounts import staff as accounts
from service.accounts.sessions import is_good
from service.domain.rights import GRANTED, Right
from service.domain.validation import Refused
from service.domain.vocabulary import Role
from service.store.audit import Act
from service.store.session import read_session
from service.store.tables import Passkey, Staff, StaffSession
from service.web import forms
from service.web.auth import own, own_clinic, signed_in, staff_act, staff_only
from service.web.inviting import Handed, can_mail, hand_over
from service.web.pages.clinic import refusals
from service.web.services import services
from service.words.language import spoken_by_staff

blueprint = Blueprint("colleagues", __name__, url_prefix="/colleagues")
HERE = "clinic.colleagues.page"
_ = lazy_gettext
ROLES = {
    Role.NURSE: _("Reads, enrols, signs, takes tasks."),
    Role.PHYSICIAN: _("All that, and limits, goals, references and what is accepted."),
    Role.ADMINISTRATOR: _("Settings, wordings, colleagues, keys, the audit trail; no patient."),
    Role.READ_ONLY: _("Looks at patients, and changes nothing."),
}
GRANTS = {
    Right.DECIDE: _("A nurse who may set limits, goals and references, and accept what is known"),
    Right.EXPORT: _("May take files of many patients away"),
}


@dataclass(frozen=True)
class Passkeys:
    """How many passkeys somebody has, and how many of them may have been copied."""

    kept: int
    doubted: int


@blueprint.get("")
@staff_only(Right.ADMINISTER, fresh=HERE)
def page() -> ResponseReturnValue:
    """Everybody with an account, and a form to invite one more."""
    return _page()


def _page(told: Handed | None = None, typed: Any = None) -> str:
    now = services().door_clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        order = (Staff.active.desc(), Staff.name, Staff.id)
        staff = session.scalars(
            select(Staff).where(Staff.clinic_id == clinic.id, Staff.emergency_until.is_(None)).order_by(*order)
        ).all()
        counted = select(StaffSession.staff_id, func.count()).where(is_good(now)).group_by(StaffSession.staff_id)
        of_clinic = counted.join(Staff, Staff.id == StaffSession.staff_id).where(Staff.clinic_id == clinic.id)
        keys = select(Passkey.staff_id, func.count(), func.count(Passkey.doubted_at)).group_by(Passkey.staff_id)
        keys_of_clinic = keys.join(Staff, Staff.id == Passkey.staff_id).where(Staff.clinic_id == clinic.id)
        passkeys = {staff_id: Passkeys(kept, doubted) for staff_id, kept, doubted in session.execute(keys_of_clinic)}
        signed = dict(session.execute(of_clinic).all())
    return render_template(
        "clinic/colleagues.html", colleagues=staff, sessions=signed, passkeys=passkeys, roles=ROLES, grants=GRANTS,
        roles_of={role.value: role for role in Role}, grants_of={right.value: text for right, text in GRANTS.items()},
        languages=spoken_by_staff(), told=told, typed=typed or {},
        zone=clinic.zone, me=signed_in().id, chosen=request.form.getlist,
    )  # fmt: skip


def copied_passkeys() -> bool:
    """Whether a colleague of the clinic has a passkey that may have been copied."""
    its = (Staff.clinic_id == signed_in().clinic_id, Staff.active, Passkey.doubted_at.is_not(None))
    with read_session(services().engine) as session:
        found = session.scalar(select(Passkey.id).join(Staff, Staff.id == Passkey.staff_id).where(*its).limit(1))
    return found is not None


@blueprint.post("")
@staff_only(Right.ADMINISTER, fresh=HERE)
def invite() -> ResponseReturnValue:
    """Make an account and its link."""
    roles, grants = _chosen()
    try:
        with staff_act() as act:
            staff = accounts.add_staff(act, forms.text("email"), forms.text("name"), roles, grants=grants)
            key = invitations.invite(act, staff, services().door_clock.now())
    except Refused as refused:
        flash(gettext("Not invited. %(why)s", why=refusals.plain(refused, _names())), "wrong")
        return _page(typed=request.form), 422
    return _page(hand_over(staff, key, may_show=True))


@blueprint.post("/<uuid:staff_id>/reset")
@staff_only(Right.ADMINISTER, fresh=HERE)
def reset(staff_id: uuid.UUID) -> ResponseReturnValue:
    """Send a colleague a link to start anew by; an account that nobody has used yet may be shown its link."""
    try:
        with staff_act() as act:
            staff = own(act.session, Staff, staff_id)
            is_new = staff.password_set_at is None
            if not (is_new or can_mail()):
                flash(
                    gettext("No mail is set up here. Whoever runs the service makes the link: neaptide staff unlock."),
                    "wrong",
                )
                return redirect(url_for(HERE), 303)
            key = invitations.invite(act, staff, services().door_clock.now())
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
        return redirect(url_for(HERE, _anchor=f"c-{staff_id}"), 303)
    return _page(hand_over(staff, key, may_show=is_new))


@blueprint.post("/<uuid:staff_id>/roles")
@staff_only(Right.ADMINISTER, fresh=HERE)
def set_roles(staff_id: uuid.UUID) -> ResponseReturnValue:
    """Say what a colleague may do from their next page on."""
    return _change(staff_id, lambda act, staff: accounts.set_roles(act, staff, *_chosen()), gettext("Changed."))


@blueprint.post("/<uuid:staff_id>/language")
@staff_only(Right.ADMINISTER, fresh=HERE)
def set_language(staff_id: uuid.UUID) -> ResponseReturnValue:
    """Choose the language that pages and messages speak to a colleague; they may choose another themselves."""
    chosen = forms.text("language") or None
    return _change(staff_id, lambda act, staff: accounts.set_language(act, staff, chosen), gettext("Changed."))


@blueprint.post("/<uuid:staff_id>/end-sessions")
@staff_only(Right.ADMINISTER, fresh=HERE)
def end_sessions(staff_id: uuid.UUID) -> ResponseReturnValue:
    """Sign a colleague out everywhere."""
    return _change(staff_id, accounts.sign_out, gettext("Signed out everywhere."))


@blueprint.post("/<uuid:staff_id>/end-second-step")
@staff_only(Right.ADMINISTER, fresh=HERE)
def end_second_step(staff_id: uuid.UUID) -> ResponseReturnValue:
    """For a colleague whose telephone is lost, and the paper too: no code and no passkey is left."""
    done = gettext("Removed. A password alone opens the account now; whoever has none needs a new link.")
    return _change(staff_id, factors.take_away, done)


@blueprint.post("/<uuid:staff_id>/close")
@staff_only(Right.ADMINISTER, fresh=HERE)
def close(staff_id: uuid.UUID) -> ResponseReturnValue:
    """The account opens nothing from now on."""
    return _change(staff_id, accounts.close_account, gettext("Closed. What was signed stays."))


@blueprint.post("/<uuid:staff_id>/reopen")
@staff_only(Right.ADMINISTER, fresh=HERE)
def reopen(staff_id: uuid.UUID) -> ResponseReturnValue:
    """Open a closed account again; its person needs a new link."""
    return _change(staff_id, accounts.reopen_account, gettext("Open again. Send a link, by which they set a password."))


def _change(staff_id: uuid.UUID, change: Callable[[Act, Staff], None], done: str) -> ResponseReturnValue:
    try:
        with staff_act() as act:
            change(act, own(act.session, Staff, staff_id))
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
    else:
        flash(done, "good")
    return redirect(url_for(HERE, _anchor=f"c-{staff_id}"), 303)


def _chosen() -> tuple[list[Role], list[Right]]:
    given = {*request.form.getlist("roles"), *request.form.getlist("grants")}
    return [role for role in Role if role in given], [right for right in GRANTED if right in given]


def _names() -> dict[str, Any]:
    return {"email": gettext("E-mail address"), "name": gettext("Name"), "roles": gettext("Roles"),
            "grants": gettext("Granted beside them")}  # fmt: skip
