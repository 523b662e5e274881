"""Enrolment on one page of three steps: who they are, how they are reached and what they agreed to, hours and helper.

Promises that nobody is enrolled before the last button, and then whole; that each step is checked by what will
write it, which is tried and undone; and that what was typed stays on the server for a week, for any colleague.
At the end stands when they are first asked, and what is known of a test message: only a receipt says that it arrived.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from typing import Any

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import contacts
from service.domain.localtime import local_date
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, InvitationState, MessageKind
from service.enrolling import enrolment, inviting, people
from service.store.audit import Act
from service.store.identity import new_id
from service.store.session import read_session
from service.store.tables import Clinic, Contact, EnrolmentDraft, Message, Patient
from service.web import forms
from service.web.api.enrolment import EnrolmentIn, enrolment_of
from service.web.auth import own, own_clinic, own_patient, signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import inputs, refusals
from service.web.pages.clinic.inputs import Form, Input
from service.web.pages.clinic.people import is_about, ways
from service.web.services import services
from service.words import countries
from service.words.language import codes, load_language

blueprint = Blueprint("enrol", __name__, url_prefix="/enrol")
TESTS_SHOWN = timedelta(days=7)
_ = lazy_gettext


def spoken() -> list[tuple[str, str]]:
    """The languages that people can be written to in."""
    return [(code, load_language(code).name_in(page_language())) for code in codes()]


def ways_to_agree() -> list[tuple[str, str]]:
    """How a consent is usually given, in words that are kept as they are."""
    told = (gettext("signed form"), gettext("spoken, face to face"), gettext("spoken, by telephone"))
    return [(one, "") for one in told]


def zones() -> list[tuple[str, str]]:
    """The zones of the clinic's country."""
    return [(zone, "") for zone in countries.zones_beside(g.clinic_zone)]


HOW = Input("how", _("How they agreed to messages"), choices=ways_to_agree,
            hint=_("Empty: they have not agreed yet, and nothing is sent until they have."))  # fmt: skip
STEPS = (
    Form("who", _("1. Who they are"), _("Go on"), (
        Input("name", _("Name"), required=True),
        Input("born_on", _("Date of birth"), "date"),
        Input("clinic_ref", _("Your number for them"), required=True),
        Input("language", _("Language of their messages"), "choice", choices=spoken, required=True),
        Input("zone", _("Time zone where they live"), choices=zones, required=True),
    )),
    Form("reached", _("2. How they are reached, and what they agreed to"), _("Go on"), (
        Input("address", _("Telephone"), "tel"), HOW, Input("on", _("When"), "date"),
    )),
    Form("hours", _("3. When they are asked, and who looks out for them"), _("Enrol"), (
        Input("opens", _("They are asked at"), "time", required=True, hint=_("On their own clock, every day.")),
        Input("due", _("Reminded at"), "time", required=True),
        Input("closes", _("A caregiver is asked, or you are told, from"), "time", required=True),
    )),
)  # fmt: skip
HELPER = (
    Input("caregiver.name", _("Name")),
    Input("caregiver.relation", _("Relation")),
    Input("caregiver.address", _("Telephone"), "tel"),
    Input("caregiver.allowed", _("The patient agrees that they are told of a missed reading"), "checkbox"),
    Input("caregiver.how", _("How the caregiver agreed to messages"), choices=ways_to_agree,
          hint=_("Without both agreements they are never asked.")),
)  # fmt: skip


class Tried(Exception):
    """What was tried could be written, and is undone."""


@blueprint.get("")
@staff_only(Right.ENROL)
def begin() -> ResponseReturnValue:
    """An empty form, and what was begun and is not finished."""
    return _page(None)


@blueprint.get("/<uuid:draft_id>")
@staff_only(Right.ENROL)
def go_on(draft_id: uuid.UUID) -> ResponseReturnValue:
    """The form as far as it is filled in."""
    with read_session(services().engine) as session:
        draft = own(session, EnrolmentDraft, draft_id)
    return _page(draft)


@blueprint.post("")
@staff_only(Right.ENROL)
def send_first() -> ResponseReturnValue:
    """The first step, or as much of it as was typed."""
    return _sent(None)


@blueprint.post("/<uuid:draft_id>")
@staff_only(Right.ENROL)
def send(draft_id: uuid.UUID) -> ResponseReturnValue:
    """A step further, the last one, or away with it (`do`)."""
    if forms.text("do") == "drop":
        with staff_act() as act:
            enrolment.drop_draft(act, own(act.session, EnrolmentDraft, draft_id), "drop")
        flash(gettext("Dropped. Nobody was enrolled."), "good")
        return redirect(url_for("clinic.enrol.begin"), 303)
    return _sent(draft_id)


def _sent(draft_id: uuid.UUID | None) -> ResponseReturnValue:
    typed = {one.name: forms.text(one.name) for one in _inputs() if one.name in request.form}
    for name in ("night", "is_other"):
        typed[name] = forms.text(name)
    with staff_act() as act:
        held = None if draft_id is None else own(act.session, EnrolmentDraft, draft_id)
        draft = enrolment.keep_draft(act, signed_in().id, held, typed)
        step, known = draft.step, draft.id
    if forms.text("do") == "later":
        flash(gettext("Kept for a week, for you and your colleagues. Nobody is enrolled yet."), "good")
        return redirect(url_for("clinic.enrol.begin"), 303)
    try:
        if step < len(STEPS):
            with _tried() as act:
                enrolment.enrol(act, _typed(act.session, step))
            with staff_act() as act:
                own(act.session, EnrolmentDraft, known).step = step + 1
            return redirect(url_for("clinic.enrol.go_on", draft_id=known, _anchor=STEPS[step].name), 303)
        with staff_act() as act:
            patient = enrolment.enrol(act, _typed(act.session, step))
            enrolment.drop_draft(act, own(act.session, EnrolmentDraft, known), "finish")
    except Refused as refused:
        return _refused(known, refused), 422
    return redirect(url_for("clinic.enrol.done", patient_id=patient.id), 303)


@blueprint.get("/done/<uuid:patient_id>")
@staff_only(Right.ENROL)
def done(patient_id: uuid.UUID) -> ResponseReturnValue:
    """When they are first asked, what is lacking before that, and what became of test messages."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        patient = own_patient(session, patient_id)
        first = enrolment.first_prompt(session, patient_id)
        agreed = contacts.has_consent(session, patient_id, ConsentKind.MESSAGES)
        reached = ways(session, patient_id)
        tests = tests_of(session, patient_id)
        contacts_now = contacts.working(session, Contact.patient_id, patient_id)
    return render_template(
        "clinic/enrolled.html",
        patient=patient,
        first=first,
        is_tomorrow=first is not None
        and local_date(first, patient.zone) == local_date(now, patient.zone) + timedelta(days=1),
        agreed=agreed,
        reachable=bool(contacts_now),
        ways=reached,
        tests=tests,
    )


@blueprint.post("/done/<uuid:patient_id>/test")
@staff_only(Right.ENROL)
def test(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Send a test message to one contact of the patient's or a caregiver's."""
    try:
        with staff_act() as act:
            contact = own(act.session, Contact, forms.row_id("contact") or abort(404))
            if not is_about(act.session, contact, patient_id):
                abort(404)
            people.send_test(act, contact, services().transports.keys())
    except Refused as refused:
        flash(gettext("Not sent. Accepted is %(accepted)s.", accepted=refusals.accepted(refused)), "wrong")
    else:
        flash(gettext("A test message is on its way. What is known of it stands below."), "good")
    return redirect(url_for("clinic.enrol.done", patient_id=patient_id, _anchor="tests"), 303)


# --- helpers ---------------------------------------------------------------------------


def tests_of(session: Session, patient_id: uuid.UUID) -> list[tuple[Message, Contact]]:
    """The test messages of the last days to the patient and their caregivers, newest first."""
    found = session.execute(
        select(Message, Contact)
        .join(Contact, Contact.id == Message.contact_id)
        .where(
            Message.patient_id == patient_id,
            Message.kind == MessageKind.TEST,
            Message.created_at >= services().clock.now() - TESTS_SHOWN,
        )
        .order_by(Message.created_at.desc(), Message.id)
    )
    return [(message, contact) for message, contact in found]


@contextmanager
def _tried() -> Iterator[Act]:
    """A writing transaction of which nothing stays."""
    try:
        with staff_act() as act:
            yield act
            raise Tried
    except Tried:
        pass


def _inputs() -> tuple[Input, ...]:
    return (*(one for step in STEPS for one in step.inputs), *HELPER)


def _typed(session: Session, step: int) -> enrolment.Enrolment:
    """What was typed up to this step, as the API's own schema reads it. Raises Refused."""
    region = people.region_of(own_clinic(session))
    held: dict[str, Any] = {one.name: found for one in STEPS[0].inputs if (found := forms.text(one.name).strip())}
    held["is_other"] = bool(forms.text("is_other"))
    if step > 1:
        held |= {"contact": _contact("address", region), "agreed": _agreed("how", "on")}
    if step > 2:
        held["plan"] = {name: forms.text(name) for name in ("opens", "due", "closes")}
        if forms.text("night"):
            held["plan"]["opens_again"] = held["plan"]["opens"]
        held["caregiver"] = helper_typed(region)
    return enrolment_of(inputs.loaded(EnrolmentIn(), Form("enrol", "", "", _inputs()), held))


def helper_typed(region: str | None) -> dict[str, Any] | None:
    """The caregiver of the form, as `HelperIn` takes them; None where none was typed. Raises Refused."""
    name = forms.text("caregiver.name").strip()
    if not name:
        if any(forms.text(one.name).strip() for one in HELPER):
            raise refusals.needed("caregiver.name")
        return None
    allowed = None
    if forms.text("caregiver.allowed"):
        allowed = _agreed("how", "on")
        if allowed is None:
            raise refusals.needed("how")
    return {
        "name": name,
        "relation": forms.text("caregiver.relation").strip(),
        "contact": _contact("caregiver.address", region),
        "allowed": allowed,
        "agreed": _agreed("caregiver.how", ""),
    }


def _contact(name: str, region: str | None) -> dict[str, str] | None:
    given = forms.text(name).strip()
    if not given:
        return None
    return {"channel": Channel.TEXT, "address": people.checked_address(name, Channel.TEXT, given, region)}


def _agreed(how: str, on: str) -> dict[str, str | None] | None:
    given, day = forms.text(how).strip(), forms.text(on).strip() if on else ""
    return {"how": given, "on": day or None} if given else None


def _refused(draft_id: uuid.UUID, refused: Refused) -> str:
    """The form with what was typed, and why it was not taken; those who are alike, where that is why."""
    with read_session(services().engine) as session:
        draft = own(session, EnrolmentDraft, draft_id)
    alike = _alike(draft) if refused.field == "is_other" else []
    if not alike:
        form = Form("enrol", "", "", _inputs())
        flash(gettext("Not yet. %(why)s", why=inputs.told(form, refused, opens_again=gettext("At night"))), "wrong")
    return _page(draft, alike=alike, at_night=refused.field == "opens_again" or bool(forms.text("night")))


def _alike(draft: EnrolmentDraft) -> list[enrolment.Alike]:
    """Whom the clinic knows that is like who was typed."""
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        typed, number = draft.typed, None
        if typed.get("address"):
            number = people.checked_address("address", Channel.TEXT, typed["address"], people.region_of(clinic))
        whose = Patient(id=new_id(), clinic_id=clinic.id, name=typed.get("name", ""))
        return enrolment.alike(session, whose, forms.day("born_on"), number)


def _page(draft: EnrolmentDraft | None, *, alike: list[enrolment.Alike] | None = None, at_night: bool = False) -> str:
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        begun = enrolment.drafts(session, clinic.id, now) if draft is None else []
        answered = inviting.invitations(session, clinic.id, [InvitationState.ANSWERED]) if draft is None else []
    know_zone(clinic)
    region, step = people.region_of(clinic), draft.step if draft else 1
    return render_template(
        "clinic/enrol.html",
        draft=draft,
        begun=begun,
        answered=answered,
        steps=[hinted(one, region) for one in STEPS[:step]],
        to_come=STEPS[step:],
        helper=[_hinted(field, region) for field in HELPER],
        typed=_start(clinic) | (draft.typed if draft else {}),
        alike=alike,
        at_night=at_night,
        zone=clinic.zone,
    )


def know_zone(clinic: Clinic) -> None:
    """Whose country `zones` are of."""
    g.clinic_zone = clinic.zone


def hinted(form: Form, region: str | None) -> Form:
    """The form, its telephone numbers with a word on how they are dialled."""
    return replace(form, inputs=[_hinted(one, region) for one in form.inputs])


def _hinted(one: Input, region: str | None) -> Input:
    """A telephone number's field says in which country a number without a code is dialled."""
    if one.kind != "tel" or region is None:
        return one
    country = countries.name(page_language(), region)
    told = gettext("As dialled in: %(country)s. Elsewhere with + and its code.", country=country)
    return replace(one, hint=f"{one.hint} {told}" if one.hint else told)


def _start(clinic: Clinic) -> dict[str, str]:
    """What the form begins with, as the clinic's settings have it."""
    today = local_date(services().clock.now(), clinic.zone)
    return {
        "language": clinic.language,
        "zone": clinic.zone,
        "on": today.isoformat(),
        "opens": f"{clinic.start_opens:%H:%M}",
        "due": f"{clinic.start_due:%H:%M}",
        "closes": f"{clinic.start_closes:%H:%M}",
    }
