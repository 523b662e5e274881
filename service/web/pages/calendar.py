"""A patient's plan as a calendar to subscribe to, by an address that nobody can guess.

Promises hours and the clinic's short name, nothing else: a calendar is shown on
lock screens, shared in families and copied to providers. Opening it changes nothing.
"""

from __future__ import annotations

from flask import Blueprint, Response
from flask_babel import gettext

from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose
from service.enrolling.plans import plan_ahead
from service.links import is_over, read_link
from service.reports import calendars
from service.store.session import move_to, read_session
from service.store.wall import Gate, through
from service.web import frame, trail
from service.web.services import services

blueprint = Blueprint("calendar", __name__)


@blueprint.get("/cal/<token>.ics")
def plan(token: str) -> Response:
    """The calendar, 404 for an address that is not ours, 410 for one that is over."""
    with through(Gate.LINK), read_session(services().engine) as session:
        try:
            link = read_link(session, token, LinkPurpose.CALENDAR)
        except Refused:
            return _plain(gettext("This address is not complete."), 404)
        trail.by_link(link)
        move_to(session, link.clinic_id)
        ahead = None if link.patient_id is None else plan_ahead(session, link.patient_id)
    if ahead is not None:
        frame.speak(ahead.language)
    if is_over(link, services().clock.now()) or ahead is None or not ahead.is_active:
        return _plain(gettext("This calendar has ended."), 410)
    response = Response(calendars.write(ahead), content_type="text/calendar; charset=utf-8")
    response.headers["Content-Disposition"] = 'inline; filename="plan.ics"'
    response.headers["Cache-Control"] = "private, no-cache"
    response.add_etag()
    return response


def _plain(text: str, status: int) -> Response:
    return Response(f"{text}\n", status, content_type="text/plain; charset=utf-8")
