"""The page by which somebody sets their own phone up for notices, and ends them.

Promises that opening it changes nothing; that it says in words what will happen before
the one button; that whoever cannot or will not is told how they are reached instead;
and that ending works without script, and for as long as the notices come: the link's
own end closes only the setting up. Shows no name and no value.

A browser that exchanges its subscription proves itself by the old endpoint and its secret,
which nobody else has together. The service worker lies below `/push/` and reaches over those
pages alone. Some phones show notices only of pages on their home screen: the manifest is for
them, named by the sender's name. Tried in Chromium only.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session
from werkzeug.exceptions import HTTPException

from service.care import contacts
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, ContactState, LinkPurpose, PatientState
from service.enrolling import phones
from service.links import ACCEPTED, Link, is_over, read_link
from service.store.session import move_to, read_session, write_session
from service.store.tables import Caregiver, Clinic, Patient
from service.store.wall import Gate, through
from service.transports.webpush import WebPush
from service.web import frame, problems, trail
from service.web.pages.opening import open_link, with_objects
from service.web.problems import Problem
from service.web.services import services

PREFIX = "/push"
blueprint = Blueprint("push", __name__, url_prefix=PREFIX)
# What its script sends is answered as the API answers.
blueprint.register_error_handler(Problem, problems.answer_for)
blueprint.register_error_handler(Refused, problems.answer_for)

MOST_BYTES = 16 * 1024  # a subscription is well below one of these
OBJECT = "a subscription as a browser gives it: endpoint and keys"


@dataclass(frozen=True)
class Invited:
    """Whom a link is for, and how things stand with their phone."""

    patient: Patient
    caregiver: Caregiver | None
    clinic: Clinic
    is_on: bool  # a phone is set up, works, and the person agrees to it
    agreed: bool  # to notices on a phone, whether or not it still works
    was_here: bool  # there is or was a phone
    phone_mark: str  # by which that phone knows itself; nothing can be sent with it
    wants_messages: bool  # agreed to messages at all
    has_text: bool
    link_id: uuid.UUID
    is_used: bool  # the link has set a phone up: no other by it
    is_over: bool = False

    @property
    def person(self) -> Patient | Caregiver:
        return self.caregiver or self.patient

    @property
    def language(self) -> str:
        return self.person.language

    @property
    def takes_part(self) -> bool:
        return (self.caregiver is None or self.caregiver.active) and self.patient.state is PatientState.ACTIVE


@blueprint.get("/worker.js")
def worker() -> Response:
    """The script that shows a notice when one comes. Served here so that it reaches over these pages and no others."""
    script = Response(_worker_script(), content_type="text/javascript; charset=utf-8")
    script.headers["Cache-Control"] = "no-cache"
    return script


@blueprint.get("/<token>")
def page(token: str) -> ResponseReturnValue:
    """What notices are and how they end, with one button; or how things stand."""
    invited = open_link(token, LinkPurpose.PUSH, _load, even_if_over=True)
    return _shown(token, invited)


@blueprint.get("/<token>/manifest.json")
def manifest(token: str) -> Response:
    """What a phone reads that shows notices only of pages on its home screen. Its name there is the sender's."""
    invited = _found(token)
    read = {
        "name": invited.clinic.sender_name,
        "short_name": invited.clinic.sender_name,
        "start_url": url_for("push.page", token=token),
        "scope": f"{PREFIX}/",
        "display": "standalone",
        "icons": [{"src": url_for("static", filename="mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
    }
    return Response(json.dumps(read), content_type="application/manifest+json")


@blueprint.post("/<token>")
def begin(token: str) -> ResponseReturnValue:
    """Keep the subscription that a browser made at its person's press of the button."""
    invited = _found(token)
    if invited.is_over or not invited.takes_part:
        raise Problem(410, "This link is over.")
    push, sent = _needed_transport(), _sent()
    was = _known_by(_object(sent, "was")) if sent.get("was") is not None else None
    new = phones.Subscription(*_subscription(push, sent), was)
    with write_session(services().engine) as session:
        person = _again(session, invited)
        begun = phones.begin_phone(session, person, invited.link_id, new, services().clock.now())
    if begun is phones.Begun.OVER:
        raise Problem(410, "This link is over.")
    if begun is phones.Begun.USED:
        raise Problem(410, "This link has set a phone up; another phone needs a new link.")
    return {"phone": begun.value}, 201 if begun is phones.Begun.NEW else 200


@blueprint.post("/<token>/end")
def end(token: str) -> ResponseReturnValue:
    """End the notices. Nobody is asked why, and an old link does."""
    invited = open_link(token, LinkPurpose.PUSH, _load, even_if_over=True)
    with write_session(services().engine) as session:
        phones.end_phone(session, _again(session, invited), services().clock.now())
    return redirect(url_for("push.page", token=token), 303)


@blueprint.post("/renewed")
def renewed() -> ResponseReturnValue:
    """A browser has exchanged its subscription by itself: keep the new one for whoever had the old one."""
    push, sent = _needed_transport(), _sent()
    was, now = _object(sent, "was"), _object(sent, "now")
    endpoint, keys = _subscription(push, now)
    with write_session(services().engine) as session:
        if not phones.renew_phone(session, _known_by(was), endpoint, keys, services().clock.now()):
            raise Problem(404, "No such subscription is in use.")
    return {"phone": phones.Begun.CHANGED.value}


# --- helpers ---------------------------------------------------------------------------


@cache
def _worker_script() -> bytes:
    return (Path(frame.__file__).parent / "static" / "push-worker.js").read_bytes()


def _found(token: str) -> Invited:
    """Raises Problem 404 for a link that is not ours."""
    with through(Gate.LINK), read_session(services().engine) as session:
        try:
            link = read_link(session, token, LinkPurpose.PUSH)
        except Refused:
            raise Problem(404, f"The link is not one of ours; accepted: {ACCEPTED}") from None
        trail.by_link(link)
        move_to(session, link.clinic_id)
        invited = _load(session, link)
    if invited is None:
        raise Problem(404, "Nobody has this link any more.")
    return invited


@with_objects
def _load(session: Session, link: Link) -> Invited | None:
    row = session.execute(
        select(Patient, Clinic).join(Clinic, Clinic.id == Patient.clinic_id).where(Patient.id == link.patient_id)
    ).first()
    if row is None:
        return None
    patient, clinic = row
    caregiver = None
    if link.caregiver_id is not None:
        caregiver = session.get(Caregiver, link.caregiver_id)
        if caregiver is None or caregiver.patient_id != patient.id:
            return None
    person = caregiver or patient
    phone = phones.phone_of(session, person)
    agreed = contacts.has_consent(session, patient.id, ConsentKind.WEBPUSH, link.caregiver_id)
    working = contacts.working(session, contacts.owner(person), person.id)
    return Invited(
        patient,
        caregiver,
        clinic,
        is_on=agreed and phone is not None and phone.state is ContactState.OK,
        agreed=agreed,
        was_here=phone is not None,
        phone_mark=hashlib.sha256(phone.address.encode()).hexdigest() if phone else "",
        wants_messages=contacts.has_consent(session, patient.id, ConsentKind.MESSAGES, link.caregiver_id),
        has_text=any(contact.channel is Channel.TEXT for contact in working),
        link_id=link.id,
        is_used=link.used_at is not None,
        is_over=is_over(link, services().clock.now()),
    )


def _again(session: Session, invited: Invited) -> Patient | Caregiver:
    """The person, in the transaction that writes."""
    if invited.caregiver is not None:
        return session.get_one(Caregiver, invited.caregiver.id)
    return session.get_one(Patient, invited.patient.id)


def _shown(token: str, invited: Invited) -> ResponseReturnValue:
    push = _transport()
    shown = render_template(
        "push/page.html",
        token=token,
        invited=invited,
        clinic=invited.clinic,
        key=push.public_key if push and not invited.is_over else "",
    )
    return shown, 410 if invited.is_over else 200


def _transport() -> WebPush | None:
    found = services().transports.get(Channel.WEBPUSH)
    return found if isinstance(found, WebPush) else None


def _needed_transport() -> WebPush:
    push = _transport()
    if push is None:
        raise Problem(409, "Web push is not set up on this service.")
    return push


def _sent() -> dict[str, Any]:
    """The JSON object that was sent. Raises Problem."""
    if not request.is_json:
        raise Problem(415, f"{request.mimetype or 'no content type'!s} was sent; accepted: application/json")
    request.max_content_length = MOST_BYTES
    try:
        sent = request.get_json()
    except HTTPException as error:
        raise Problem(error.code or 400, f"accepted: {OBJECT}, of at most {MOST_BYTES} bytes") from None
    except RecursionError:
        raise Problem(400, f"accepted: {OBJECT}") from None
    if not isinstance(sent, dict):
        raise Refused("body", sent, OBJECT)
    return sent


def _subscription(push: WebPush, said: dict[str, Any]) -> tuple[str, dict[str, str]]:
    """What W3C's `PushSubscription.toJSON` gives; a browser may add to it. Raises Refused."""
    keys = _object(said, "keys")
    return push.checked(said.get("endpoint"), keys.get("p256dh"), keys.get("auth"))


def _known_by(was: dict[str, Any]) -> tuple[str, str]:
    """Endpoint and secret of an earlier subscription. Not called, only looked for: what is not known is not found."""
    return _text(was, "endpoint"), _text(_object(was, "keys"), "auth").rstrip("=")


def _object(said: dict[str, Any], name: str) -> dict[str, Any]:
    found = said.get(name)
    if not isinstance(found, dict):
        raise Refused(name, found, "an object")
    return found


def _text(said: dict[str, Any], name: str) -> str:
    found = said.get(name)
    if not isinstance(found, str) or not found.isascii() or not found.isprintable():
        raise Refused(name, found, "text as a browser gives it")
    return found
