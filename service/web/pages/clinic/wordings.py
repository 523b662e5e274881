"""What the clinic's messages say: every wording as it would arrive, and a form to change one.

For administrators. A preview is a POST that writes nothing, because a text has no
place in an address. Works without script, and what was typed is not lost to a refusal.
"""

from __future__ import annotations

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind, Role
from service.enrolling import wordings
from service.links import sample_links
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Staff
from service.web import frame
from service.web.auth import staff_only
from service.web.pages.clinic import labels
from service.web.services import services
from service.words import messages
from service.words.language import codes, load_language
from service.words.preview import Preview

blueprint = Blueprint("wordings", __name__, url_prefix="/wordings")
K = MessageKind
ONE = "/<language>/<kind>"

KINDS = {
    K.PROMPT: ("Prompt", "To the patient, when their window opens."),
    K.REMINDER: ("Reminder", "To the patient, later in the window, while something is still missing."),
    K.NUDGE: ("Caregiver nudge", "To a caregiver, when no reading has arrived."),
    K.SAFETY: ("Safety answer", "At once, to whoever writes something that may be an emergency."),
    K.REPLY: ("Reply", "Around every question and thanks, when somebody writes back."),
    K.STOPPED: ("After STOP", "Once, to say that no more messages come."),
    K.STARTED: ("After START", "Once, to say that messages come again."),
    K.HELP: ("After HELP", "To whoever asks what these messages are."),
    K.STAFF_TASK: ("Task for staff", "To staff, when something new waits in the inbox."),
    K.DIGEST: ("Morning count for staff", "To staff, in the morning, when tasks are open."),
}


@blueprint.get("")
@staff_only(Role.ADMINISTRATOR)
def page() -> ResponseReturnValue:
    """Every wording in every language, as it would arrive."""
    with read_session(services().engine) as session:
        clinic = session.get_one(Clinic, g.clinic_id)
        found = wordings.list_wordings(session, clinic, _links(), frame.page_language())
        by = _who(session)
    own_first = sorted(codes(), key=lambda language: language != clinic.language)
    listed = [
        (
            language,
            load_language(language).name_in(frame.page_language()),
            [one for one in found if one.language == language],
        )
        for language in own_first
    ]
    return render_template("clinic/wordings.html", languages=listed, kinds=KINDS, by=by, clinic=clinic)


@blueprint.get(ONE)
@staff_only(Role.ADMINISTRATOR)
def one(language: str, kind: str) -> ResponseReturnValue:
    """The form of one wording."""
    return _form(language, kind)


@blueprint.post(ONE)
@staff_only(Role.ADMINISTRATOR)
def change(language: str, kind: str) -> ResponseReturnValue:
    """Show what was typed as it would arrive, and write nothing; or save it, when that button was pressed."""
    typed = request.form.get("body", "")
    try:
        if request.form.get("do") != "save":
            return _form(language, kind, typed=typed, shown=_tried(language, kind, typed))
        with write_session(services().engine) as session:
            clinic = session.get_one(Clinic, g.clinic_id)
            actor, now = labels.acting().actor, services().clock.now()
            waited = wordings.set_wording(session, clinic, language, kind, typed, actor, now)
    except Refused as refused:
        return _form(language, kind, typed=typed, refused=refused)
    flash(f"Saved. The next message says so.{_sent(waited)}", "good")
    return redirect(url_for("clinic.wordings.one", language=language, kind=kind), 303)


@blueprint.post(f"{ONE}/built-in")
@staff_only(Role.ADMINISTRATOR)
def go_back(language: str, kind: str) -> ResponseReturnValue:
    """Use the built-in wording again."""
    try:
        with write_session(services().engine) as session:
            clinic = session.get_one(Clinic, g.clinic_id)
            actor, now = labels.acting().actor, services().clock.now()
            waited = wordings.reset_wording(session, clinic, language, kind, actor, now)
    except Refused:
        abort(404)
    flash(f"The built-in wording is used again.{_sent(waited)}", "good")
    return redirect(url_for("clinic.wordings.one", language=language, kind=kind), 303)


def _tried(language: str, kind: str, typed: str) -> Preview:
    with read_session(services().engine) as session:
        return wordings.preview_wording(
            session.get_one(Clinic, g.clinic_id), language, kind, typed, _links(), frame.page_language()
        )


def _form(
    language: str, kind: str, *, typed: str | None = None, shown: Preview | None = None, refused: Refused | None = None
) -> ResponseReturnValue:
    with read_session(services().engine) as session:
        clinic = session.get_one(Clinic, g.clinic_id)
        try:
            wording = wordings.find_wording(session, clinic, language, kind, _links(), frame.page_language())
        except Refused:
            abort(404)
        by = _who(session)
    answer = render_template(
        "clinic/wording.html",
        wording=wording,
        name=load_language(language).name_in(frame.page_language()),
        kinds=KINDS,
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
    named = f"“{value[:40]}”" if value.startswith("{") and value.endswith("}") else "This text"
    return f"{named} cannot be sent. Accepted: {refused.accepted}."


def _means(name: str, clinic: Clinic) -> str:
    return {
        "sender": f"the clinic's short name, {clinic.sender_name}",
        "number": f"the emergency number, {clinic.emergency_number}",
        "phone": f"the clinic's own number, {clinic.contact_line}",
        "link": "the address that opens the page; a notice on a phone leaves it out and is tapped instead",
        "text": "the question or the thanks itself",
        "count": "how many tasks are open",
    }[name]


def _who(session: Session) -> dict[str, str]:
    """Names of staff by what `set_by` holds."""
    rows = session.execute(select(Staff.id, Staff.name).where(Staff.clinic_id == g.clinic_id))
    return {f"staff:{staff_id}": name for staff_id, name in rows}


def _sent(waited: int) -> str:
    return f" Messages that had waited for it and now go out: {waited}." if waited else ""


def _links() -> wordings.SampleLinks:
    return sample_links(services().settings.base_url)
