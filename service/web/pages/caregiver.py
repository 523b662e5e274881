"""The caregiver's page: no reading arrived, what do you know? One tap answers.

Promises that opening it changes nothing, that it shows no clinical value, and that
it closes when the patient no longer agrees that this person is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.pauses import pause_on
from service.domain.localtime import local_date
from service.domain.validation import Refused
from service.domain.vocabulary import CaregiverAnswer, ConsentKind, LinkPurpose, PatientState
from service.intake.caregivers import (
    CAUSES,
    LONGEST_DAYS,
    LONGEST_NOTE,
    newest_reply,
    record_caregiver_reply,
    reminders_go_on,
)
from service.links import Link
from service.store.audit import act_of
from service.store.session import write_session
from service.store.tables import Caregiver, CaregiverReply, Clinic, Patient, Pause, Reading, Window
from service.web.frame import page_language
from service.web.pages.opening import open_link, with_objects
from service.web.services import services
from service.words.language import may_be_emergency

blueprint = Blueprint("caregiver", __name__)


@dataclass(frozen=True)
class CaregiverPage:
    """What a caregiver's link opens."""

    window: Window
    caregiver: Caregiver
    patient: Patient
    clinic: Clinic
    may_know: bool  # both have agreed that this person is told
    arrived: bool  # a reading of that day or a later one is here
    reply: CaregiverReply | None
    pause: Pause | None
    goes_on: bool  # an answer of theirs had stopped the reminders, and this one does not

    @property
    def language(self) -> str:
        return self.caregiver.language

    @property
    def takes_part(self) -> bool:
        return self.may_know and self.patient.state is PatientState.ACTIVE

    @property
    def alarms(self) -> bool:
        """Whether their note may be an emergency: then the number to call comes first."""
        return self.reply is not None and may_be_emergency(self.reply.note)

    @property
    def first_name(self) -> str:
        return self.patient.name.split()[0]


@blueprint.get("/g/<token>")
def page(token: str) -> ResponseReturnValue:
    """The four answers, or that a reading has arrived since."""
    asked = open_link(token, LinkPurpose.CAREGIVER, _load)
    return render_template("caregiver/ask.html", **_about(token, asked))


@blueprint.post("/g/<token>")
def answer(token: str) -> ResponseReturnValue:
    """Keep the answer that was tapped, and a last day and a note when they came with it."""
    asked = open_link(token, LinkPurpose.CAREGIVER, _load)
    typed = {key: request.form.get(key, "").strip() for key in ("answer", "until", "note")}
    problems: dict[str, str] = {}
    if typed["answer"] not in set(CaregiverAnswer):
        problems["answer"] = gettext("Please choose one of the answers.")
    else:
        problems = _keep(asked, CaregiverAnswer(typed["answer"]), typed)
    if problems:
        # The page it was sent from: the second one, when a date or a note was being added.
        page = "caregiver/thanks.html" if asked.reply and "note" in request.form else "caregiver/ask.html"
        return render_template(page, **_about(token, asked) | {"problems": problems, "typed": typed}), 422
    return redirect(url_for("phone.caregiver.thanks", token=token), 303)


@blueprint.get("/g/<token>/thanks")
def thanks(token: str) -> ResponseReturnValue:
    """What was kept and what follows from it; a last day and a note may be added."""
    asked = open_link(token, LinkPurpose.CAREGIVER, _load)
    if asked.reply is None:
        return redirect(url_for("phone.caregiver.page", token=token), 303)
    return render_template("caregiver/thanks.html", **_about(token, asked))


# --- helpers ---------------------------------------------------------------------------


@with_objects
def _load(session: Session, link: Link) -> CaregiverPage | None:
    row = session.execute(
        select(Window, Caregiver, Patient, Clinic)
        .join(Patient, Patient.id == Window.patient_id)
        .join(Clinic, Clinic.id == Window.clinic_id)
        .join(Caregiver, Caregiver.patient_id == Patient.id)
        .where(Window.id == link.window_id, Caregiver.id == link.caregiver_id, Caregiver.active)
    ).first()
    if row is None:
        return None
    window, caregiver, patient, clinic = row
    reply = newest_reply(session, caregiver.id, window.id)
    came = exists().where(
        Reading.patient_id == patient.id, Reading.local_date >= window.local_date, Reading.superseded_at.is_(None)
    )
    cause = CAUSES.get(reply.answer) if reply is not None else None
    return CaregiverPage(
        window,
        caregiver,
        patient,
        clinic,
        may_know=contacts.has_consent(session, patient.id, ConsentKind.CAREGIVER, caregiver.id),
        arrived=bool(session.scalar(select(came))),
        reply=reply,
        pause=pause_on(session, patient.id, window.local_date, cause) if cause else None,
        goes_on=reply is not None and reminders_go_on(session, reply, local_date(services().clock.now(), patient.zone)),
    )


def _keep(asked: CaregiverPage, answer: CaregiverAnswer, typed: dict[str, str]) -> dict[str, str]:
    """What is wrong with it; nothing when it was kept."""
    try:
        until = date.fromisoformat(typed["until"]) if typed["until"] and answer in CAUSES else None
    except ValueError:
        return {"until": _until_words(asked)}
    try:
        with write_session(services().engine) as session:
            record_caregiver_reply(
                act_of(session, asked.caregiver, services().clock.now()),
                asked.caregiver.id,
                asked.window.id,
                answer,
                until,
                typed["note"].replace("\r\n", " ").replace("\n", " "),
            )
    except Refused as refused:
        if refused.field == "until":
            return {"until": _until_words(asked)}
        if refused.field == "note":
            return {"note": gettext("Please keep the note to %(most)s letters.", most=LONGEST_NOTE)}
        return {"answer": gettext("This could not be kept. Please call the clinic.")}
    return {}


def _until_words(asked: CaregiverPage) -> str:
    words: str = gettext(
        "Please give a date from %(first)s on.", first=page_language().weekday_day(asked.window.local_date)
    )
    return words


def _about(token: str, asked: CaregiverPage) -> dict[str, object]:
    now = services().clock.now()
    return {
        "asked": asked,
        "clinic": asked.clinic,
        "token": token,
        "answers": tuple(CaregiverAnswer),
        "may_last": asked.reply is not None and asked.reply.answer in CAUSES,
        "today": local_date(now, asked.patient.zone),
        "latest": asked.window.local_date + timedelta(days=LONGEST_DAYS),
        "longest_note": LONGEST_NOTE,
        "problems": {},
        "typed": None,
    }
