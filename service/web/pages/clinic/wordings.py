"""What the clinic's messages say: every wording as it would arrive, and a form to change one.

For administrators. A preview is a POST that writes nothing, because a text has no
place in an address. Works without script, and what was typed is not lost to a refusal.
"""

from __future__ import annotations

import uuid

from flask import Blueprint, abort, flash, g, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind
from service.enrolling import phrases, wordings
from service.store.session import read_session
from service.store.tables import Clinic, Phrase, Staff
from service.store.wordings import phrases as phrases_of
from service.web import forms, frame
from service.web.auth import own, own_clinic, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.services import services
from service.words import messages
from service.words.language import codes, load_language
from service.words.preview import Preview

blueprint = Blueprint("wordings", __name__, url_prefix="/wordings")
K = MessageKind
ONE = "/<language>/<kind>"


def _kinds() -> dict[MessageKind, tuple[str, str]]:
    """Each kind's name and to whom it goes, in the page's language."""
    return {
        K.PROMPT: (gettext("Prompt"), gettext("To the patient, when their window opens.")),
        K.REMINDER: (
            gettext("Reminder"),
            gettext("To the patient, later in the window, while something is still missing."),
        ),
        K.NUDGE: (gettext("Caregiver nudge"), gettext("To a caregiver, when no reading has arrived.")),
        K.SAFETY: (
            gettext("Safety answer"),
            gettext("At once, to whoever writes something that may be an emergency."),
        ),
        K.CALL_CLINIC: (
            gettext("Call the clinic today"),
            gettext("At once, to a patient whose answer is for the clinic the same day."),
        ),
        K.REPLY: (gettext("Reply"), gettext("Around every question and thanks, when somebody writes back.")),
        K.STOPPED: (gettext("After STOP"), gettext("Once, to say that no more messages come.")),
        K.STARTED: (gettext("After START"), gettext("Once, to say that messages come again.")),
        K.HELP: (gettext("After HELP"), gettext("To whoever asks what these messages are.")),
        K.STRANGER: (
            gettext("To an unknown number"),
            gettext("Once a day, to whoever writes from a number that nobody here has."),
        ),
        K.FROM_CLINIC: (
            gettext("Sent by hand"),
            gettext("Around a message that staff choose from the clinic's list."),
        ),
        K.STAFF_TASK: (gettext("Task for staff"), gettext("To staff, when something new waits in the inbox.")),
        K.DIGEST: (gettext("Morning count for staff"), gettext("To staff, in the morning, when tasks are open.")),
        K.TEST: (gettext("Test message"), gettext("When staff ask for one, to see that it arrives.")),
        K.INVITATION: (
            gettext("Invitation"),
            gettext("Once, to somebody who agreed to it and is not enrolled yet, with the page to read."),
        ),
    }


@blueprint.get("")
@staff_only(Right.ADMINISTER)
def page() -> ResponseReturnValue:
    """Every wording in every language, as it would arrive."""
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        found = wordings.list_wordings(session, clinic, services().sample_links, frame.page_language())
        by = _who(session)
        by_hand = phrases_of(session, g.clinic_id)
    own_first = _own_first(clinic)
    listed = [
        (
            language,
            load_language(language).name_in(frame.page_language()),
            [one for one in found if one.language == language],
        )
        for language in own_first
    ]
    return render_template(
        "clinic/wordings.html", languages=listed, kinds=_kinds(), by=by, clinic=clinic, by_hand=by_hand
    )


# --- messages by hand ---------------------------------------------------------------------------


@blueprint.get("/by-hand/new")
@blueprint.get("/by-hand/<uuid:phrase_id>")
@staff_only(Right.ADMINISTER)
def phrase(phrase_id: uuid.UUID | None = None) -> ResponseReturnValue:
    """The form of one wording for messages by hand, in every language."""
    return _phrase_form(phrase_id)


@blueprint.post("/by-hand/new")
@blueprint.post("/by-hand/<uuid:phrase_id>")
@staff_only(Right.ADMINISTER)
def keep_phrase(phrase_id: uuid.UUID | None = None) -> ResponseReturnValue:
    """Keep it as typed, or take it from the list."""
    typed = {language: forms.text(f"body-{language}") for language in codes()}
    try:
        with staff_act() as act:
            row = None if phrase_id is None else own(act.session, Phrase, phrase_id)
            if row is not None and forms.text("do") == "drop":
                phrases.drop_phrase(act, row)
            elif row is not None:
                phrases.change_phrase(act, row, typed)
            else:
                phrases.add_phrase(act, typed)
    except Refused as refused:
        return _phrase_form(phrase_id, typed=typed, refused=_why(refused))
    flash(gettext("Saved. Staff choose from the list as it is now."), "good")
    return redirect(url_for("clinic.wordings.page", _anchor="by-hand"), 303)


def _phrase_form(
    phrase_id: uuid.UUID | None, *, typed: dict[str, str] | None = None, refused: str = ""
) -> ResponseReturnValue:
    with read_session(services().engine) as session:
        clinic, reader = own_clinic(session), frame.page_language()
        bodies = {} if phrase_id is None else own(session, Phrase, phrase_id).bodies
        doubts = phrases.doubts(clinic, bodies, services().sample_links, reader)
    answer = render_template(
        "clinic/phrase.html",
        phrase_id=phrase_id,
        languages=[(code, load_language(code).name_in(reader)) for code in _own_first(clinic)],
        typed=bodies if typed is None else typed,
        doubts={} if typed is not None else doubts,
        refused=refused,
        clinic=clinic,
    )
    return answer, 422 if refused else 200


def _own_first(clinic: Clinic) -> list[str]:
    return sorted(codes(), key=lambda language: language != clinic.language)


@blueprint.get(ONE)
@staff_only(Right.ADMINISTER)
def one(language: str, kind: str) -> ResponseReturnValue:
    """The form of one wording."""
    return _form(language, kind)


@blueprint.post(ONE)
@staff_only(Right.ADMINISTER)
def change(language: str, kind: str) -> ResponseReturnValue:
    """Show what was typed as it would arrive, and write nothing; or save it, when that button was pressed."""
    typed = forms.text("body")
    try:
        if forms.text("do") != "save":
            return _form(language, kind, typed=typed, shown=_tried(language, kind, typed))
        with staff_act() as act:
            waited = wordings.set_wording(act, language, kind, typed)
    except Refused as refused:
        return _form(language, kind, typed=typed, refused=refused)
    flash(gettext("Saved. The next message says so.") + _sent(waited), "good")
    return redirect(url_for("clinic.wordings.one", language=language, kind=kind), 303)


@blueprint.post(f"{ONE}/built-in")
@staff_only(Right.ADMINISTER)
def go_back(language: str, kind: str) -> ResponseReturnValue:
    """Use the built-in wording again."""
    try:
        with staff_act() as act:
            waited = wordings.reset_wording(act, language, kind)
    except Refused:
        abort(404)
    flash(gettext("The built-in wording is used again.") + _sent(waited), "good")
    return redirect(url_for("clinic.wordings.one", language=language, kind=kind), 303)


def _tried(language: str, kind: str, typed: str) -> Preview:
    with read_session(services().engine) as session:
        return wordings.preview_wording(
            own_clinic(session), language, kind, typed, services().sample_links, frame.page_language()
        )


def _form(
    language: str, kind: str, *, typed: str | None = None, shown: Preview | None = None, refused: Refused | None = None
) -> ResponseReturnValue:
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        try:
            wording = wordings.find_wording(
                session, clinic, language, kind, services().sample_links, frame.page_language()
            )
        except Refused:
            abort(404)
        by = _who(session)
    answer = render_template(
        "clinic/wording.html",
        wording=wording,
        name=load_language(language).name_in(frame.page_language()),
        kinds=_kinds(),
        typed=wording.body if typed is None else typed,
        shown=wording.preview if typed is None else shown,
        tried=typed is not None,
        refused=None if refused is None else _why(refused),
        may_use=[(name, name in messages.REQUIRED.get(wording.kind, ()), _means(name, clinic))
                 for name in sorted(messages.PLACEHOLDERS[wording.kind])],
        by=by, clinic=clinic,
    )  # fmt: skip
    return answer, 422 if refused else 200


def _why(refused: Refused) -> str:
    value = str(refused.value)
    named = f"“{value[:40]}”" if value.startswith("{") and value.endswith("}") else gettext("This text")
    return str(
        gettext("%(text)s cannot be sent. Accepted: %(accepted)s.", text=named, accepted=refusals.accepted(refused))
    )


def _means(name: str, clinic: Clinic) -> str:
    meanings: dict[str, str] = {
        "sender": gettext("the clinic's short name, %(name)s", name=clinic.sender_name),
        "number": gettext("the emergency number, %(number)s", number=clinic.emergency_number),
        "phone": gettext("the clinic's own number, %(number)s", number=clinic.contact_line),
        "link": gettext("the address that opens the page; a notice on a phone leaves it out and is tapped instead"),
        "text": gettext("the question or the thanks itself"),
        "count": gettext("how many tasks are open"),
        "asked": gettext("what is missing that day, such as “today's reading and check-in”"),
        "greeting": gettext("a greeting for the hour where they are, such as “good morning”"),
    }
    return meanings[name]


def _who(session: Session) -> dict[str, str]:
    """Names of staff by what `set_by` holds."""
    rows = session.execute(select(Staff.id, Staff.name).where(Staff.clinic_id == g.clinic_id))
    return {f"staff:{staff_id}": name for staff_id, name in rows}


def _sent(waited: int) -> str:
    if not waited:
        return ""
    sent = gettext("Messages that had waited for it and now go out: %(number)d.", number=waited)
    return f" {sent}"
