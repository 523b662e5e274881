"""The demo's pages: everybody's telephone, and a clock that can be moved.

Only where the settings say demo, and every clinic is an invented one. Promises that what is shown is what the service
really sent and that what is done here goes through the service's own doors: the
clock is moved, and the worker does the rest.
"""

from __future__ import annotations

import json
import re
import secrets
import uuid
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask import session as browser
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from markupsafe import Markup, escape
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.clock import FixedClock, SharedClock
from service.domain.localtime import zone
from service.domain.readings import NewReading
from service.domain.vocabulary import Channel, PatientState, Source, WindowState
from service.enrolling import clinics
from service.intake.readings import record_reading
from service.store.audit import act_of
from service.store.due import Due, Event, next_due
from service.store.session import read_session, write_session
from service.store.tables import Caregiver, Clinic, Contact, Patient, Window
from service.transports.mock import Kept, MockGateway
from service.web.pages import lives
from service.web.services import services

blueprint = Blueprint("demo", __name__, url_prefix="/demo")

AT_FIRST = (38.0, 18.0, 26.0, 72.0)  # invented: systolic, diastolic, mean (mmHg), heart rate
LONGEST_REPLY = 480
STRIDE = timedelta(hours=1)  # no longer at once: who is asked at seven must be asked before the window closes
GOES_ON = "demo_goes_on_until"
POINTED_AT = {"patient_path", "caregiver_path"}
_ADDRESS = re.compile(r"https?://[^\s<>\"']+")


@blueprint.before_request
def only_in_the_demo() -> None:
    if not services().settings.demo:
        abort(404)
    with read_session(services().engine) as session:
        if clinics.has_real_ones(session):  # made since the start, where such a one is refused
            abort(404)


@blueprint.get("/")
def index() -> ResponseReturnValue:
    """Where to look: the clinic, and everybody's telephone."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        people = everybody(session, now)
        return render_template("demo/index.html", people=people, notes=_notes(), **_clock(session, now))


@blueprint.get("/phone/<uuid:contact_id>")
def phone(contact_id: uuid.UUID) -> ResponseReturnValue:
    """One person's telephone: what they were sent, what they sent."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        contact, owner = _owner(session, contact_id)
        return render_template(
            "demo/phone.html",
            contact=contact,
            owner=owner,
            patient=owner if isinstance(owner, Patient) else session.get_one(Patient, owner.patient_id),
            is_patient=isinstance(owner, Patient),
            thread=_thread(contact.address, owner.zone),
            local=now.astimezone(zone(owner.zone)),
            longest=LONGEST_REPLY,
            **_clock(session, now),
        )


@blueprint.post("/phone/<uuid:contact_id>/reply")
def reply(contact_id: uuid.UUID) -> ResponseReturnValue:
    """Send a text from this telephone; the worker fetches it as it would from a provider."""
    with read_session(services().engine) as session:
        contact, _ = _owner(session, contact_id)
    body = request.form.get("body", "").strip()
    if 0 < len(body) <= LONGEST_REPLY:
        _gateway().reply(contact.address, body)
    return redirect(url_for("demo.phone", contact_id=contact_id, _anchor="newest"), 303)


@blueprint.post("/phone/<uuid:contact_id>/reading")
def take_reading(contact_id: uuid.UUID) -> ResponseReturnValue:
    """Take an invented reading, near the patient's last one, and let it in as a machine's would be."""
    now = services().clock.now()
    with write_session(services().engine) as session:
        _, owner = _owner(session, contact_id)
        if not isinstance(owner, Patient):
            abort(404)
        systolic, diastolic, mean, rate = lives.last_reading(session, owner.id) or AT_FIRST
        by = secrets.choice((-1.0, 0.0, 1.0))
        new = NewReading(
            patient=owner.id,
            taken_at=now,
            pa_systolic=systolic + by,
            pa_diastolic=diastolic + by,
            pa_mean=mean + by,
            heart_rate=rate,
            source=Source.DEMO,
        )
        record_reading(act_of(session, owner, now), new)
    flash(gettext("An invented reading was taken and has arrived at the clinic."), "good")
    return redirect(url_for("demo.phone", contact_id=contact_id), 303)


@blueprint.post("/clock")
def move_clock() -> ResponseReturnValue:
    """Move the clock forward: an hour, to the next thing that is due, or a day, which passes an hour at a time.

    A day at once would be a day on which nobody was asked. After each hour the page waits for the worker, and goes on.
    """
    clock = services().clock
    if not isinstance(clock, SharedClock | FixedClock):
        abort(404)
    now, asked = clock.now(), request.form.get("by", "")
    until = now + timedelta(days=1) if asked == "day" else _goes_on_until(now)
    browser.pop(GOES_ON, None)
    if asked == "hour":
        by = STRIDE
    elif asked in {"day", "on"} and until is not None:
        by = min(STRIDE, until - now)
        if now + by < until:
            browser[GOES_ON] = until.isoformat()
    elif asked == "next":
        with read_session(services().engine) as session:
            due = next_due(session)
        by = timedelta(0) if due is None else max(due.at - now + timedelta(seconds=1), timedelta(0))
    else:
        abort(400)
    # Before the clock is moved: who has taken the reading by then is not asked for it.
    lives.live(services().engine, now, now + by, _played())
    clock.advance(by)
    return redirect(_back(request.form.get("back", "")), 303)


@blueprint.get("/caught-up")
def caught_up() -> ResponseReturnValue:
    """Whether the worker has done all that is due. Asked by the page while it waits."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        return {"caught_up": not _is_behind(next_due(session), now)}


# --- helpers ---------------------------------------------------------------------------


def _clock(session: Session, now: datetime) -> dict[str, Any]:
    """What the clock's box shows."""
    clinic = the_clinic(session)
    due = next_due(session)
    words = {
        Event.OPENS: gettext("a window opens"),
        Event.CLOSES: gettext("a window closes"),
        Event.STEP: gettext("a follow-up step is due"),
        Event.MESSAGE: gettext("a message is due"),
    }
    where = zone(clinic.zone if clinic else "UTC")
    return {
        "clinic": clinic,
        "now_there": now.astimezone(where),
        "next_there": due.at.astimezone(where) if due else None,
        "next_words": words[due.event] if due else "",
        "behind": _is_behind(due, now),
        "until_there": until.astimezone(where) if (until := _goes_on_until(now)) else None,
        "back": request.path,
        "can_move": isinstance(services().clock, SharedClock | FixedClock),
    }


def _goes_on_until(now: datetime) -> datetime | None:
    """The instant up to which this browser was asked to let a day pass; None where it has come."""
    asked = browser.get(GOES_ON)
    until = None if asked is None else datetime.fromisoformat(asked)
    return until if until is not None and until > now else None


def _is_behind(due: Due | None, now: datetime) -> bool:
    return due is not None and due.at <= now


def _owner(session: Session, contact_id: uuid.UUID) -> tuple[Contact, Patient | Caregiver]:
    contact = session.get(Contact, contact_id)
    if contact is None or contact.channel is not Channel.TEXT:
        abort(404)
    if contact.patient_id is not None:
        return contact, session.get_one(Patient, contact.patient_id)
    if contact.caregiver_id is None:
        abort(404)
    return contact, session.get_one(Caregiver, contact.caregiver_id)


def _gateway() -> MockGateway:
    gateway = services().transports.get(Channel.TEXT)
    if not isinstance(gateway, MockGateway):
        abort(404)
    return gateway


def _thread(address: str, where: str) -> list[dict[str, Any]]:
    """Both directions in order of time, with the newest last."""
    gateway = _gateway()
    sent: list[Kept] = gateway.messages_to(address)
    items: list[dict[str, Any]] = [{"mine": False, "at": text.at, "html": linked(text.body)} for text in sent]
    items += [{"mine": True, "at": text.at, "html": escape(text.body)} for text in gateway.replies_from(address)]
    items.sort(key=lambda item: (item["at"], item["mine"]))
    for item in items:
        item["at"] = item["at"].astimezone(zone(where))
    return items


def linked(body: str) -> Markup:
    """The text with its addresses made into links; everything else escaped."""
    parts, end = [], 0
    for found in _ADDRESS.finditer(body):
        address = found[0].rstrip(".,;:!?)")
        parts += [escape(body[end : found.start()]), Markup('<a href="{0}">{0}</a>').format(address)]
        end = found.start() + len(address)
    return Markup("").join([*parts, escape(body[end:])])


def _notes() -> dict[str, Any]:
    """What the seed wrote down of whom to look at first, and how staff sign in."""
    path = services().settings.data_dir / "demo.json"
    notes: dict[str, Any] = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    return notes


def _played() -> set[uuid.UUID]:
    """The patients of the two telephones that the visitor is pointed at: theirs, and of whose caregiver it is."""
    contacts = [uuid.UUID(str(path)[-36:]) for name, path in _notes().items() if name in POINTED_AT]
    with read_session(services().engine) as session:
        found = select(func.coalesce(Contact.patient_id, Caregiver.patient_id))
        found = found.outerjoin(Caregiver, Caregiver.id == Contact.caregiver_id).where(Contact.id.in_(contacts))
        return set(session.scalars(found))


def _back(asked: str) -> str:
    return asked if re.fullmatch(r"/demo/(phone/[0-9a-f-]{36})?", asked) else url_for("demo.index")


# --- the people of the demo, read in a fixed number of queries -----------------------------


@dataclass
class Person:
    """A patient, their telephone, and the telephones of whoever looks after them."""

    name: str
    zone: str
    language: str
    local: datetime
    contact_id: uuid.UUID | None = None
    is_waited_for: bool = False
    caregivers: list[tuple[str, uuid.UUID]] = field(default_factory=list)


def the_clinic(session: Session) -> Clinic | None:
    """The demo's one clinic."""
    return session.scalars(select(Clinic).order_by(Clinic.created_at).limit(1)).first()


def everybody(session: Session, now: datetime) -> list[Person]:
    """All active patients, those who are waited for first, then by name. Four queries."""
    patients = session.scalars(select(Patient).where(Patient.state == PatientState.ACTIVE).order_by(Patient.name)).all()
    people = {one.id: Person(one.name, one.zone, one.language, now.astimezone(zone(one.zone))) for one in patients}
    texts = (Contact.channel == Channel.TEXT, Contact.staff_id.is_(None))
    carers = {
        one.id: one for one in session.scalars(select(Caregiver).where(Caregiver.active).order_by(Caregiver.position))
    }
    for contact in session.scalars(select(Contact).where(*texts).order_by(Contact.position, Contact.created_at)):
        if contact.patient_id in people and people[contact.patient_id].contact_id is None:
            people[contact.patient_id].contact_id = contact.id
        elif contact.caregiver_id in carers:
            carer = carers[contact.caregiver_id]
            if carer.patient_id in people:
                people[carer.patient_id].caregivers.append((carer.name, contact.id))
    for patient_id in session.scalars(select(Window.patient_id).where(Window.state == WindowState.OPEN)):
        if patient_id in people:
            people[patient_id].is_waited_for = True
    return sorted(people.values(), key=lambda one: (not one.is_waited_for, one.name))
