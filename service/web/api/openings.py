"""Who opened what: a record's own list for whoever may open it; the clinic's for administrators."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

from marshmallow import fields, validate

from service.accounts import trail
from service.accounts.trail import Opening
from service.domain.openings import Noticed
from service.domain.rights import Right
from service.domain.vocabulary import Answered, Opened, Scope
from service.store.session import read_session
from service.store.tables import AccessLine
from service.web.api.base import Blueprint, Listed, Page, list_rows, part_of, shows, word
from service.web.api.guards import for_staff, reads
from service.web.auth import own_clinic, own_patient
from service.web.services import services

blueprint = Blueprint("openings", "Who opened what")

AccessOut = shows(
    "AccessOut",
    AccessLine,
    "id at actor_kind actor_id session_id address route opened answered patient_id patients times",
)
OpeningOut = shows("OpeningOut", Opening, "first_at last_at actor by opened answered times")
NoticedOut = shows(
    "NoticedOut",
    Noticed,
    "what staff_id day number usual patients hour changed",
    patients=fields.List(fields.UUID()),
)


class AccessQuery(Listed):
    """`actor_id`: a colleague or key; `patient_id`: whose record."""

    actor_id = fields.UUID()
    patient_id = fields.UUID()
    opened = word(Opened)
    answered = word(Answered)


class OpeningQuery(Page):
    days = fields.Integer(load_default=30, validate=validate.Range(1, 3650))


@blueprint.get("/openings", allowed=for_staff(Right.ADMINISTER))
@blueprint.lists(AccessOut, AccessQuery)
def list_access_lines(query: dict[str, Any]) -> dict[str, Any]:
    """Every line of who opened what or was turned away, newest first. For administrators."""
    return list_rows(query, AccessLine, AccessLine.at.desc())


@blueprint.get("/openings/unusual", allowed=for_staff(Right.ADMINISTER))
@blueprint.lists(NoticedOut, Page)
def list_unusual_openings(query: dict[str, Any]) -> dict[str, Any]:
    """What stands out in the last fourteen days beside each colleague's own past, newest first. For administrators.

    Worked out when asked: the lines that it is worked out from come by arrival, from `/openings`.
    """
    with read_session(services().engine) as session:
        return part_of(trail.unusual(session, own_clinic(session), services().clock.now()), query)


@blueprint.get("/patients/<uuid:patient_id>/openings", allowed=reads(Scope.REVIEW))
@blueprint.lists(OpeningOut, OpeningQuery)
def list_openings(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Who opened this patient's record, and what of it, newest first; by day, person and what it was.

    Gathered when asked: the lines themselves come by arrival, from `/openings`.
    """
    since = services().clock.now() - timedelta(days=query.pop("days"))
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        told = trail.of_record(session, own_clinic(session), patient_id, since)
    return part_of(told.openings, query)
