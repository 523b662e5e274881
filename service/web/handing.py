"""A patient's records as files that leave the house: thirty days as PDF, and everything that is kept about them.

Used by pages, API and commands alike, so that whatever way they are asked for, they are the same.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection
from datetime import date, datetime

from flask import Response, g
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session
from werkzeug.exceptions import NotFound

from service.domain import summary
from service.domain.localtime import local_date
from service.domain.validation import NotHere
from service.keeping import copying
from service.reports import charts, pdf
from service.reviewing import patient, records
from service.reviewing.patient import PatientReview
from service.reviewing.records import Record
from service.store.session import read_session, write_through
from service.store.tables import Checkin, Patient, Reading, Window
from service.transports import base
from service.web import drawing, trail
from service.web.services import services
from service.words.language import Language, load_language

MOST_DAYS = 366  # on paper; what is older stands in the other files


def patient_pdf(record: Record, seen: PatientReview, say: Language) -> bytes:
    """The record of one patient on paper, with its drawing."""
    facts = patient.timeline_of(seen, say)
    timeline = {
        "svg": charts.hatched(drawing.svg(charts.on_paper(facts, say))),
        "alt": charts.describe(facts, say, say.gettext("The table in this record holds every value.")),
        "caption": charts.caption(facts, say),
    }
    return pdf.write("patient", record.facts | {"timeline": timeline}, record.written)


def whole_copy(engine: Engine, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> tuple[bytes, str]:
    """Everything that is kept about one patient, as a ZIP archive, and what to call it.

    Raises NotHere for a patient that is not this clinic's.
    """
    with read_session(engine) as session:
        found = copying.gather(session, clinic_id, patient_id, now)
        say = load_language(found.patient.language)
        last, days = _span(session, found.patient, now)
        record, seen = records.patient_record(session, clinic_id, patient_id, last, now, say, days)
    return copying.archive(found, say, patient_pdf(record, seen, say)), f"everything-{found.patient.clinic_ref}"


def _span(session: Session, whose: Patient, now: datetime) -> tuple[date, int]:
    """The last date of which there is anything, and how many days there are up to it, a year at most."""
    today = local_date(now, whose.zone)
    dates = [
        session.execute(
            select(func.min(table.local_date), func.max(table.local_date)).where(table.patient_id == whose.id)
        ).one()
        for table in (Reading, Checkin, Window)
    ]
    known = [day for pair in dates for day in pair if day is not None] or [today]
    last = min(max(known), today)
    return last, min(max((last - min(known)).days + 1, summary.STRIP_DAYS), MOST_DAYS)


def whole_answer(patient_id: uuid.UUID) -> Response:
    """The same as an answer to whoever may have it. Raises NotFound."""
    try:
        whole, name = whole_copy(services().engine, g.clinic_id, patient_id, services().clock.now())
    except NotHere:
        raise NotFound from None
    trail.of_many(1)
    called = f'attachment; filename="{plain_name(name)}.zip"'
    return Response(whole, mimetype="application/zip", headers={"Content-Disposition": called})


def forget(addresses: Collection[str]) -> None:
    """Have the ways out let go of what they keep here of these addresses."""
    base.forget(services().transports, addresses)


def after_erasing() -> None:
    """What was overwritten leaves the database's own log too."""
    write_through(services().engine)


def plain_name(name: str) -> str:
    """What a file may be called, whatever a clinic's number has in it."""
    return "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_") else "-" for letter in name)
