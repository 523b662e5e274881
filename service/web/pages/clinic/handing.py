"""The form in a row of the review for the next contact: planned, handed to somebody else, or noted as done.

Nothing is signed by it. What is planned is corrected by a newer row, as on the page of the record and over the API.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime

from flask import abort
from flask_babel import gettext
from sqlalchemy.orm import Session

from service.domain.localtime import local_date
from service.domain.validation import Refused
from service.domain.vocabulary import ContactWay
from service.recording import next_contacts
from service.store.audit import Act
from service.store.tables import NextContact, Patient
from service.web import forms
from service.web.auth import own, own_patient, staff_act
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.web.pages.clinic.signatures import Became, by_whom


@dataclass(frozen=True, slots=True)
class ContactToHandOver:
    """The contact that is due first, as the form begins: today at the earliest, since none is planned for before."""

    id: uuid.UUID
    way: ContactWay
    on: date
    whose: str  # a role, or a colleague's id


def planned(session: Session, patient: Patient, now: datetime) -> ContactToHandOver | None:
    """The contact that is due first of those to come with the patient; None where none is planned."""
    row = next_contacts.first_to_come(session, patient.id)
    if row is None:
        return None
    return ContactToHandOver(
        row.id, row.way, max(row.due_on, local_date(now, patient.zone)), row.role or str(row.staff_id)
    )


def from_form(patient_id: uuid.UUID) -> Became:
    """Do what the form asks for, with the planned contact that it names if it names one."""
    try:
        with staff_act() as act:
            patient, row_id = own_patient(act.session, patient_id), forms.row_id("planned")
            before = None if row_id is None else own(act.session, NextContact, row_id)
            if before is not None and forms.text("do") == "done":
                next_contacts.contact_done(act, patient, before, local_date(act.now, patient.zone), before.note)
                return Became(gettext("Noted: it took place today."))
            return _plan(act, patient, before)
    except Refused as refused:
        return Became(_why(refused), False, True)
    except LookupError:
        abort(404)


def _plan(act: Act, patient: Patient, before: NextContact | None) -> Became:
    on, way = forms.day("contact_on"), forms.word(ContactWay, "contact_way")
    if on is None:
        return Became(gettext("Not planned. Please choose a day."), False, True)
    agreed, note = (False, "") if before is None else (before.agreed, before.note)
    next_contacts.plan_contact(
        act, patient, due_on=on, way=way, agreed=agreed, note=note, corrects=before, **by_whom("contact_by")
    )
    day = page_language().weekday_day(on)
    if before is None:
        return Became(gettext("The next contact is planned for %(day)s.", day=day))
    return Became(gettext("The next contact is handed over, for %(day)s.", day=day))


def _why(refused: Refused) -> str:
    """What is accepted, where the page has words for it."""
    if refused.field == "id":
        return str(gettext("Not changed: a colleague has changed this contact meanwhile. Please look again."))
    if refused.field == "due_on":
        return str(gettext("Not planned. The day must be today, or within a year."))
    return str(gettext("Not planned. %(accepted)s", accepted=refusals.accepted(refused)))
