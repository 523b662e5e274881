"""The pages a link in a message opens: the patient's check-in, and behind it the caregiver's page.

Promises to work without script, cookies or an account; that opening a page changes
nothing; and that a sign of an emergency is answered with the number to call before
anything else, whatever is wrong with the other answers. Shows no pressure.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

import structlog
from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import diary
from service.domain.diary import Answers, NewCheckin
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, PatientState, SafetySign, Source, Swelling
from service.intake.checkins import record_checkin
from service.links import Opened, Purpose
from service.store.audit import Actor
from service.store.session import read_session, write_session
from service.store.tables import Checkin, Clinic, Patient, Window
from service.web import frame
from service.web.pages import caregiver, closed, phoneform
from service.web.pages.phoneform import Filled
from service.web.services import services

blueprint = Blueprint("phone", __name__)
blueprint.register_blueprint(caregiver.blueprint)
log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Day:
    """What a check-in link opens: one window, whose it is, and what has come for it."""

    window: Window
    patient: Patient
    clinic: Clinic
    checkin: Checkin | None

    @property
    def answers(self) -> Answers | None:
        return None if self.checkin is None else phoneform.answers_of(self.checkin)

    @property
    def is_alarming(self) -> bool:
        return bool(self.checkin is not None and self.checkin.safety_signs)


@blueprint.get("/c/<token>")
def checkin(token: str) -> ResponseReturnValue:
    """The questions of one day, with what was answered before."""
    day = _day(token)
    if not isinstance(day, Day):
        return day
    answers = day.answers
    filled = phoneform.blank(day.patient.weight_unit) if answers is None else phoneform.filled_from(answers)
    return _form(token, day, filled, alarm=day.is_alarming)


@blueprint.post("/c/<token>")
def send_checkin(token: str) -> ResponseReturnValue:
    """Keep what was answered.

    Whatever can be kept is kept, even when one answer must be written again: a
    person who gives up at that point has still told us the rest.
    """
    day = _day(token)
    if not isinstance(day, Day):
        return day
    before = day.answers
    filled = phoneform.read(request.form, day.patient.weight_unit, before)
    alarm = bool(filled.answers.safety_signs)
    if not filled.answers.is_empty:
        answers = phoneform.kept_more(filled.answers, before)
        if not _keep(day, answers):
            return _not_kept(token, day, filled, alarm=alarm)
    if filled.problems:
        return _form(token, day, filled, alarm=alarm, kept=not filled.answers.is_empty), 422
    return redirect(url_for("phone.thanks", token=token), 303)


@blueprint.get("/c/<token>/thanks")
def thanks(token: str) -> ResponseReturnValue:
    """What has arrived for the day; the number to call first, when an answer asks for it."""
    day = _day(token)
    if not isinstance(day, Day):
        return day
    if day.checkin is None:
        return redirect(url_for("phone.checkin", token=token), 303)
    return render_template("phone/thanks.html", **_about(day), token=token, alarm=day.is_alarming)


# --- helpers ---------------------------------------------------------------------------


def _day(token: str) -> Day | ResponseReturnValue:
    """The day a link opens, in its person's language, or the kind page that says why it does not open."""
    now = services().clock.now()
    try:
        opened = services().links.read(token, Purpose.CHECKIN)
    except Refused:
        return closed.broken()
    with read_session(services().engine) as session:
        day = _load(session, opened)
    if day is None:
        return closed.broken()
    frame.speak(day.patient.language)
    if opened.is_over(now):
        return closed.over(day.clinic)
    if day.patient.state is not PatientState.ACTIVE:
        return closed.ended(day.clinic)
    return day


def _load(session: Session, opened: Opened) -> Day | None:
    row = session.execute(
        select(Window, Patient, Clinic, Checkin)
        .join(Patient, Patient.id == Window.patient_id)
        .join(Clinic, Clinic.id == Window.clinic_id)
        .outerjoin(
            Checkin,
            (Checkin.patient_id == Window.patient_id)
            & (Checkin.local_date == Window.local_date)
            & Checkin.superseded_at.is_(None),
        )
        .where(Window.id == opened.subject_id)
    ).first()
    return None if row is None else Day(*row)


def _keep(day: Day, answers: Answers) -> bool:
    """Whether the answers are kept now. A failure is logged by its kind, never by its values."""
    now = services().clock.now()
    new = NewCheckin(day.patient.id, answers, day.window.local_date, Source.PAGE)
    try:
        with write_session(services().engine) as session:
            record_checkin(session, day.clinic.id, new, Actor(ActorKind.PATIENT, day.patient.id), now)
    except Exception as error:
        # Whatever went wrong, the page must still come: it may have to say whom to call.
        reference = uuid.uuid4().hex[:8]
        log.exception("check-in not kept", error=type(error).__name__, reference=reference, exc_info=False)
        return False
    return True


def _form(token: str, day: Day, filled: Filled, *, alarm: bool, kept: bool = False, trouble: str = "") -> str:
    return render_template(
        "phone/checkin.html",
        **_about(day),
        token=token,
        filled=filled,
        alarm=alarm,
        kept=kept,
        trouble=trouble,
        questions={question.key: gettext(question.words) for question in diary.QUESTIONS},
        signs=tuple(SafetySign),
        swellings=tuple(Swelling),
        longest_note=diary.LONGEST_NOTE,
    )


def _not_kept(token: str, day: Day, filled: Filled, *, alarm: bool) -> ResponseReturnValue:
    trouble = gettext(
        "We could not keep your answers just now. Please send them once more in a minute, or call the clinic."
    )
    return _form(token, day, filled, alarm=alarm, trouble=trouble), 503


def _about(day: Day) -> dict[str, object]:
    return {"window": day.window, "patient": day.patient, "clinic": day.clinic, "checkin": day.checkin}
