"""Two pages that look back: why readings stop, and how the clinic is doing."""

from __future__ import annotations

from flask import Blueprint, g, render_template
from flask.typing import ResponseReturnValue

from service.reviewing import measuring
from service.store.session import read_session
from service.web.auth import staff_only
from service.web.services import services

silences = Blueprint("silences", __name__, url_prefix="/silences")
measures = Blueprint("measures", __name__, url_prefix="/measures")


@silences.get("")
@staff_only()
def page() -> ResponseReturnValue:
    """The panel's adherence calendar, silences by cause, and what asking brought."""
    with read_session(services().engine) as session:
        told = measuring.why_readings_stop(session, g.clinic_id, services().clock.now())
    return render_template("clinic/silences.html", told=told, busiest=max(told.hours) or 1)


@measures.get("", endpoint="page")
@staff_only()
def measures_page() -> ResponseReturnValue:
    """The clinic's measures, week by week."""
    with read_session(services().engine) as session:
        told = measuring.measure(session, g.clinic_id, services().clock.now())
    return render_template("clinic/measures.html", told=told)
