"""Who opened what: a record's own list, with an answer on paper for the patient; and the clinic's, for administrators.

The patient's answer tells each time that their record was opened, by whom and what of it, in their own language. It is
not the accounting of 45 CFR 164.528: that one is of disclosures to others outside, of six years, and leaves out what
serves treatment, payment and the clinic's own running, which nearly all of this is. What left the clinic on other ways
this service does not know, and the paper says so. Whoever may open the record may print it.

Administrators read names of colleagues and the clinic's own numbers of patients; no name of a patient, no record. What
stands out is told as a fact beside the colleague's own past, never as a charge. Reading any of this is itself a line.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any

from flask import Blueprint, g, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy import select

from service.accounts import trail
from service.accounts.trail import Opening, Openings
from service.domain import localtime, openings
from service.domain.rights import Right
from service.domain.vocabulary import ActorKind, Answered
from service.reports import pdf
from service.reviewing.records import on_paper
from service.store.session import read_session
from service.store.tables import Clinic, Patient, Staff
from service.web.auth import own, own_clinic, own_patient, staff_only
from service.web.pages.clinic.records import as_pdf
from service.web.services import services
from service.words.labels import title
from service.words.language import Language, load_language
from service.words.sentences.openings import who

of_clinic = Blueprint("openings", __name__, url_prefix="/openings")
of_patient = Blueprint("openings", __name__, url_prefix="/openings")
RANGES = (14, 90, 365)  # days
ON_PAPER_DAYS, MOST_ON_PAPER = 365, 20_000  # lines


@of_patient.get("", endpoint="page")
@staff_only(Right.READ)
def opened(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Who opened this record, and what of it."""
    now, days = services().clock.now(), _days()
    with read_session(services().engine) as session:
        patient, clinic = own_patient(session, patient_id), own_clinic(session)
        since = now - timedelta(days=days)
        told = trail.of_record(session, clinic, patient_id, since)
        lists = trail.lists_opened(session, clinic, since)
        known = trail.known_since(session, clinic, since, now)
    return render_template(
        "clinic/opened.html", patient=patient, told=told, lists=lists, days=days, ranges_=RANGES, zone=clinic.zone,
        known_since=known if known > since else None,
    )  # fmt: skip


@of_patient.get("/answer.pdf", endpoint="answer")
@staff_only(Right.READ)
def answer(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The last year's list on paper, for the patient, in their language."""
    now = services().clock.now()
    since = now - timedelta(days=ON_PAPER_DAYS)
    with read_session(services().engine) as session:
        patient, clinic = own_patient(session, patient_id), own_clinic(session)
        told = trail.of_record(session, clinic, patient_id, since, MOST_ON_PAPER)
        lists = trail.lists_opened(session, clinic, since)
        known, lost = trail.known_since(session, clinic, since, now), trail.lost(session, clinic.id, since)
    say = load_language(patient.language)
    facts = _for_patient(say, patient, clinic, told, lists, lost) | _period(say, clinic, known, now)
    return as_pdf(pdf.write("openings", facts, now), f"openings-{patient.clinic_ref}-{now:%Y-%m-%d}")


@of_clinic.get("", endpoint="page")
@staff_only(Right.ADMINISTER)
def clinics() -> ResponseReturnValue:
    """What stands out, who was turned away, and each colleague's own report."""
    now = services().clock.now()
    since = now - timedelta(days=openings.SHOWN_DAYS)
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        noticed, past = trail.unusual(session, clinic, now), since - timedelta(days=openings.PAST_DAYS)
        known = trail.known_since(session, clinic, past, now)
        shown = {patient_id for one in noticed for patient_id in one.patients}
        refs = select(Patient.id, Patient.clinic_ref).where(Patient.clinic_id == g.clinic_id, Patient.id.in_(shown))
        staff = select(Staff).where(Staff.clinic_id == g.clinic_id).order_by(Staff.active.desc(), Staff.name, Staff.id)
        colleagues = session.scalars(staff).all()
        refs_of = dict(session.execute(refs).all())
        return render_template(
            "clinic/openings.html", noticed=noticed, refs=refs_of,

            names={one.id: one.name for one in colleagues}, colleagues=colleagues,
            turned_away=trail.turned_away(session, clinic, since), lost=trail.lost(session, clinic.id, since),
            days=openings.SHOWN_DAYS, zone=clinic.zone, floors=clinic,
            known_since=known if known > past else None,
        )  # fmt: skip


@of_clinic.get("/<uuid:staff_id>", endpoint="colleague")
@staff_only(Right.ADMINISTER)
def colleague(staff_id: uuid.UUID) -> ResponseReturnValue:
    """What one colleague opened, and where they were refused."""
    now, days = services().clock.now(), _days()
    with read_session(services().engine) as session:
        who_, clinic = own(session, Staff, staff_id), own_clinic(session)
        told = trail.of_colleague(session, clinic, staff_id, now - timedelta(days=days))
    return render_template("clinic/colleague.html", one=who_, told=told, days=days, ranges_=RANGES, zone=clinic.zone)


def _days() -> int:
    asked = request.args.get("days", type=int)
    return asked if asked in RANGES else RANGES[0]


# --- for the patient -----------------------------------------------------------------------------


def _for_patient(
    say: Language, patient: Patient, clinic: Clinic, told: Openings, lists: list[tuple[str, int]], lost: int
) -> dict[str, Any]:
    names = [name or say.gettext("a program") for name, _ in lists]
    notes = [
        say.gettext("Several times on one day are one line, with the first and the last time."),
        say.gettext("These also opened lists that show a line about every patient, such as the weekly review:")
        + f" {say.listed(names)}."
        if names
        else say.gettext("Nobody opened a list of all patients in this time."),
        say.gettext(
            "This list is of what was opened in this service. What the clinic told others, by letter or telephone for"
            " example, is not on it: ask the clinic for that."
        ),
        say.gettext("If something here surprises you, please call the clinic: %(number)s.", number=clinic.contact_line),
    ]
    if lost:
        said = say.gettext("%(num)d notes of the clinic from this time could not be kept; some may be yours.", num=lost)
        notes.insert(0, said)
    if not told.is_whole:
        notes.insert(0, say.gettext("There is more, from earlier, than fits on this paper. The clinic can print it."))
    title_ = say.gettext("Who opened your record")
    return on_paper(say, title_, clinic) | {
        "caution": "",
        "name": patient.name,
        "whose": patient.clinic_ref,
        "head": [say.gettext("Day"), say.gettext("Time"), say.gettext("Who"), say.gettext("What")],
        "none": say.gettext("Nobody opened it in this time."),
        "rows": [_row(say, one, clinic) for one in told.openings],
        "notes": notes,
    }


def _period(say: Language, clinic: Clinic, since: datetime, now: datetime) -> dict[str, Any]:
    first, last = (localtime.local_date(one, clinic.zone) for one in (since, now))
    said = say.gettext(
        "%(clinic)s notes each time that somebody opens your record. This is the list from %(first)s to %(last)s.",
        clinic=clinic.name, first=say.dated(first), last=say.dated(last),
    )  # fmt: skip
    return {"intro": said}


def _row(say: Language, one: Opening, clinic: Clinic) -> list[str]:
    first, last = (at.astimezone(localtime.zone(clinic.zone)) for at in (one.first_at, one.last_at))
    hours = f"{first:%H:%M}" if f"{first:%H:%M}" == f"{last:%H:%M}" else f"{first:%H:%M}–{last:%H:%M}"
    what = title(say, one.opened)
    if one.answered is Answered.CHANGED:
        what = say.gettext("%(what)s, and changed something in it", what=what)
    by = say.gettext("Yourself") if one.actor is ActorKind.PATIENT else who(say, one.actor, one.by, one.roles)
    return [say.dated(first.date()), hours, by, what]
