"""A patient's plan as a calendar to subscribe to, by a signed address.

Promises hours and the clinic's short name, nothing else: a calendar is shown on
lock screens, shared in families and copied to providers. Opening it changes nothing.
"""

from __future__ import annotations

from flask import Blueprint, Response
from flask_babel import gettext

from service.domain.localtime import local_date, zone
from service.domain.validation import Refused
from service.links import Purpose
from service.reports import calendars
from service.scheduling.plans import plans_ahead
from service.store.session import read_session
from service.store.tables import Patient
from service.web import frame
from service.web.services import services

blueprint = Blueprint("calendar", __name__)


@blueprint.get("/cal/<token>.ics")
def plan(token: str) -> Response:
    """The calendar, 404 for an address that is not ours, 410 for one that is over."""
    try:
        opened = services().links.read(token, Purpose.CALENDAR)
    except Refused:
        return _plain(gettext("This address is not complete."), 404)
    with read_session(services().engine) as session:
        found = plans_ahead(session, Patient.id == opened.subject_id)
    if found:
        frame.speak(found[0].language)
    if opened.is_over(services().clock.now()) or not found or not found[0].is_active:
        return _plain(gettext("This calendar has ended."), 410)
    ahead = found[0]
    place = zone(ahead.zone)
    made = calendars.write(
        calendars.Feed(
            uid=ahead.id,
            title=ahead.sender_name,
            rule=ahead.rule,
            zone=place,
            first=local_date(ahead.set_at, place),
            changed_at=ahead.set_at,
            pauses=ahead.pauses,
        )
    )
    response = Response(made, content_type="text/calendar; charset=utf-8")
    response.headers["Content-Disposition"] = 'inline; filename="plan.ics"'
    response.headers["Cache-Control"] = "private, no-cache"
    response.add_etag()
    return response


def _plain(text: str, status: int) -> Response:
    return Response(f"{text}\n", status, content_type="text/plain; charset=utf-8")
