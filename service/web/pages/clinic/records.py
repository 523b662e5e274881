"""Records to keep or to hand over: the signed week and thirty days of a patient as PDF, joined days as CSV."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from flask import Blueprint, Response, abort, g, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.rights import Right
from service.domain.validation import NotHere
from service.reports import exports, pdf
from service.reviewing import covering, joining, records
from service.reviewing.panel import build_panel
from service.store.session import read_session
from service.web import handing, trail
from service.web.auth import own_clinic, staff_only
from service.web.frame import page_language
from service.web.services import services

blueprint = Blueprint("records", __name__, url_prefix="/records")

WEEKS_LISTED = 12
MOST_DIGITS = 5  # of a number of days


@blueprint.get("")
@staff_only(Right.READ)
def page() -> ResponseReturnValue:
    """Which weeks there are, and how many patients were signed in each."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        panel = build_panel(session, g.clinic_id, now)
        covered = covering.coverage(session, g.clinic_id, now, WEEKS_LISTED)
    trail.of_many(len(panel.entries))
    return render_template("clinic/records.html", clinic=clinic, panel=panel, covered=covered)


@blueprint.get("/week/<week>.pdf")
@staff_only(Right.EXPORT, fresh="clinic.records.page")
def week_pdf(week: str) -> ResponseReturnValue:
    """The signed record of the review week that begins on `week`."""
    with read_session(services().engine) as session:
        try:
            record = records.weekly_record(session, g.clinic_id, _date(week), page_language())
        except (NotHere, OverflowError):  # also a date at either end of the calendar
            abort(404)
    trail.of_many(len(record.facts["everybody"]))
    return as_pdf(pdf.write("weekly", record.facts, record.written), f"weekly-review-{week}")


@blueprint.get("/patient/<uuid:patient_id>.pdf")
@staff_only(Right.READ)
def patient_pdf(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Thirty days of one patient, up to `until` (today when left out)."""
    until, say = request.args.get("until"), page_language()
    with read_session(services().engine) as session:
        try:
            record, seen = records.patient_record(
                session, g.clinic_id, patient_id, _date(until) if until else None, services().clock.now(), say
            )
        except (NotHere, OverflowError):
            abort(404)
    written = handing.patient_pdf(record, seen, say)
    return as_pdf(written, f"record-{seen.patient.clinic_ref}-{seen.days[-1].day}")


@blueprint.get("/joined.csv")
@staff_only(Right.EXPORT, fresh="clinic.records.page")
def joined_csv() -> ResponseReturnValue:
    """The joined days of every patient, all there are or as many as asked for; made while it is sent.

    Where it breaks off, so does the connection: a browser does not take what came for the whole.
    """
    asked = request.args.get("days")
    if asked is not None and not (asked.isdecimal() and len(asked) <= MOST_DIGITS and int(asked)):
        abort(404)
    where = services().for_long_reads()
    with read_session(where.engine) as session:
        whose = joining.everybody(session, g.clinic_id)
    trail.of_many(len(whose))
    days, now = int(asked) if asked else None, services().clock.now()
    return Response(
        exports.joined_csv(joining.of_clinic(where.engine, g.clinic_id, whose, now, days)),
        mimetype="text/csv",
        headers={"Content-Disposition": f'attachment; filename="{_joined(where.as_of)}"'},
    )


def _joined(as_of: datetime | None) -> str:
    """What the file is called: by when it is as of, unless that is now."""
    return "joined.csv" if as_of is None else f"joined-as-of-{as_of:%Y%m%dT%H%M}Z.csv"


def as_pdf(written: bytes, name: str) -> Response:
    """A record that the browser shows."""
    return Response(
        written,
        mimetype="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{handing.plain_name(name)}.pdf"'},
    )


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        abort(404)
