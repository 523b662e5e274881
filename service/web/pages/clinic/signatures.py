"""The form with which a row of the weekly review is signed or added to.

One transaction: the signature, the call that was promised as the patient's next contact, and the open tasks closed
with the same note; a call that was due is noted as made where its task is closed with "called". Who could not be
reached keeps every task, unless a call is promised instead. Nothing of it is written when any of it is refused.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from flask import abort, request
from flask_babel import gettext

from service.domain.localtime import local_date
from service.domain.review import UNRESOLVED
from service.domain.tasks import ContactDue, from_json
from service.domain.validation import Refused
from service.domain.vocabulary import ContactWay, Outcome, Role
from service.recording import next_contacts
from service.reviewing import inbox, signing
from service.store.audit import Act
from service.store.tables import NextContact, Patient, Task
from service.web import forms
from service.web.auth import own_clinic, own_patient, signed_in, staff_act
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.words.labels import label


@dataclass(frozen=True, slots=True)
class Became:
    """What became of a form, in words. `form`: it is to be shown again, with what was typed."""

    text: str
    good: bool = True
    form: bool = False


def from_form(patient_id: uuid.UUID) -> Became:
    """Sign what the form asks for; where this week's review is signed already, add to it (`adds`)."""
    try:
        with staff_act() as act:
            if forms.text("adds"):
                _add(act, patient_id)
                return Became(gettext("Added. What was on the page is kept with it."))
            return _sign(act, patient_id)
    except signing.AlreadySigned as other:
        told = gettext("Not signed: %(name)s had signed this review already. Theirs stands.", name=other.by)
        return Became(told, False, True)  # what was typed can be added to it
    except signing.LookAgain as other:
        if other.by:
            return Became(gettext("Not added: %(name)s was first. Please look again.", name=other.by), False, True)
        return Became(gettext("Not signed: something came while you were looking. Please look again."), False, True)
    except signing.NotSigned:
        return Became(gettext("Not added: this week's review is not signed yet."), False, True)
    except Refused as refused:
        return Became(_why(refused), False, True)
    except LookupError:
        abort(404)


def _sign(act: Act, patient_id: uuid.UUID) -> Became:
    outcome, note, next_look = forms.word(Outcome, "outcome"), forms.text("note"), forms.day("next_look")
    call_on, seen = forms.day("call_on"), request.form.get("seen") or None
    signing.sign(act, patient_id, outcome, note, next_look, page_language(), seen)
    told = [gettext("Signed. What was on the page is kept with it.")]
    if call_on is not None:
        told.append(_plan_call(act, own_patient(act.session, patient_id), call_on))
    if outcome in UNRESOLVED and call_on is None:
        if request.form.getlist("task"):
            told.append(gettext("Nobody was reached and no call is planned: the tasks stay open."))
        return Became(" ".join(told))
    closed = _close_tasks(act, note.strip() or label(page_language(), outcome), call_on)
    if outcome is Outcome.CALLED:
        _note_made(act, patient_id, closed)
    if closed:
        told.append(gettext("%(closed)d of the tasks closed.", closed=len(closed)))
    return Became(" ".join(told))


def _plan_call(act: Act, patient: Patient, on: date) -> str:
    """The call that was promised, of whoever signs, or handed to a role or a colleague. Raises Refused."""
    day, whose = page_language().weekday_day(on), by_whom("call_by")
    _, instead = next_contacts.promise_call(act, patient, on, **whose)
    is_mine = whose.get("staff_id") == signed_in().id
    told = (
        gettext("Your call is planned for %(day)s.", day=day)
        if is_mine
        else gettext("The call is handed over, for %(day)s.", day=day)
    )
    if instead is None:
        return str(told)
    was = gettext("It takes the place of the call due on %(day)s.", day=page_language().weekday_day(instead.due_on))
    return f"{told} {was}"


def by_whom(name: str) -> dict[str, Any]:
    """Who is to make a contact, as `plan_contact` takes it: a role, a colleague, or whoever is signed in."""
    by = forms.text(name)
    return {"role": Role(by)} if by in set(Role) else {"staff_id": forms.row_id(name) or signed_in().id}


def _close_tasks(act: Act, reason: str, promised: date | None) -> list[uuid.UUID]:
    """Close the tasks that were ticked; what another has closed stays theirs. Returns those that were closed."""
    tomorrow = local_date(act.now, own_clinic(act.session).zone) + timedelta(days=1)
    last = tomorrow + timedelta(days=inbox.MOST_DAYS_AHEAD - 1)
    ahead = promised if promised is not None and tomorrow <= promised <= last else None
    short = reason if len(reason) <= inbox.LONGEST_REASON else f"{reason[: inbox.LONGEST_REASON - 1]}…"
    closed = []
    for given in request.form.getlist("task"):
        try:
            task_id = uuid.UUID(given)
            inbox.close(act, task_id, short, ahead)
        except (inbox.AlreadyHandled, LookupError, ValueError):
            continue
        closed.append(task_id)
    return closed


def _note_made(act: Act, patient_id: uuid.UUID, closed: list[uuid.UUID]) -> None:
    """The calls that the closed tasks asked for were made."""
    patient = own_patient(act.session, patient_id)
    for task_id in closed:
        due = from_json(act.session.get_one(Task, task_id).facts)
        if not isinstance(due, ContactDue) or due.contact.way is not ContactWay.CALL:
            continue
        planned = act.session.get(NextContact, due.contact.id)
        still_to_come = planned is not None and planned.superseded_at is None and planned.done_on is None
        if planned is not None and still_to_come and planned.patient_id == patient_id:
            next_contacts.contact_done(act, patient, planned, local_date(act.now, patient.zone), planned.note)


def _add(act: Act, patient_id: uuid.UUID) -> None:
    outcome, note, seen = forms.word(Outcome, "outcome"), forms.text("note"), forms.text("seen")
    signing.add(act, patient_id, outcome, note, seen, page_language())


def _why(refused: Refused) -> str:
    """What is accepted, where the page has words for it."""
    known: dict[str, str] = {
        "outcome": gettext("Not signed. Please choose an outcome."),
        "note": gettext(
            "Not signed. Please write what was seen or decided, in the note: “no change” alone is not enough here."
        ),
        "seen": gettext("Not signed. Please open the row and look at it first."),
        "next_look": gettext("Not signed. The date of another look must be after today, at most a year ahead."),
        "due_on": gettext("Not signed. The day of the call must be today, or within a year."),
    }
    if refused.field == "note" and refused.value:
        return str(gettext("Not signed. The note is too long, or holds what cannot be kept."))
    return known.get(refused.field) or str(gettext("Not signed. %(accepted)s", accepted=refusals.accepted(refused)))
