"""What the clinic's messages say, for its administrators: a person answers for every word, so no machine may."""

from __future__ import annotations

from typing import Any

from sqlalchemy.orm import Session

from service.domain.vocabulary import Role
from service.enrolling import wordings
from service.links import sample_links
from service.store.session import read_session, write_session
from service.web.api import finding
from service.web.api.fields import Page, listing
from service.web.api.guards import caller, for_staff
from service.web.api.resource import Blueprint
from service.web.api.wordingschemas import PreviewOut, WordingIn, WordingOut, WordingTried
from service.web.services import services

blueprint = Blueprint("api_wordings", __name__, url_prefix="/api/v1", description="What the clinic's messages say")
ONE = "/wordings/<language>/<kind>"


@blueprint.route("/wordings", methods=["GET"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(WordingOut))
def list_wordings(page: dict[str, int]) -> dict[str, Any]:
    """Every kind of message in every language, in the clinic's own words or the built-in ones, with a preview."""
    with read_session(services().engine) as session:
        found = wordings.list_wordings(session, finding.own_clinic(session), _links())
    first = (page["page"] - 1) * page["page_size"]
    return {"items": found[first : first + page["page_size"]], "total": len(found), **page}


@blueprint.route(ONE, methods=["PUT"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(WordingIn)
@blueprint.response(200, WordingOut)
def set_wording(new: dict[str, str], language: str, kind: str) -> wordings.Wording:
    """Say it in the clinic's own words from now on. What is queued already says so too."""
    with write_session(services().engine) as session:
        clinic = finding.own_clinic(session)
        now = services().clock.now()
        wordings.set_wording(session, clinic, language, kind, new["body"], caller().actor, now)
        return _one(session, language, kind)


@blueprint.route(ONE, methods=["DELETE"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.response(200, WordingOut)
def reset_wording(language: str, kind: str) -> wordings.Wording:
    """Back to the built-in words. The clinic's own stay in the audit trail."""
    with write_session(services().engine) as session:
        clinic = finding.own_clinic(session)
        wordings.reset_wording(session, clinic, language, kind, caller().actor, services().clock.now())
        return _one(session, language, kind)


@blueprint.route(f"{ONE}/preview", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(WordingTried)
@blueprint.response(200, PreviewOut)
def preview(tried: dict[str, Any], language: str, kind: str) -> Any:
    """How a wording would arrive, filled in with invented values; the built-in one without `body`. Writes nothing."""
    with read_session(services().engine) as session:
        return wordings.preview_wording(finding.own_clinic(session), language, kind, tried["body"], _links())


def _one(session: Session, language: str, kind: str) -> wordings.Wording:
    return wordings.find_wording(session, finding.own_clinic(session), language, kind, _links())


def _links() -> wordings.SampleLinks:
    return sample_links(services().settings.base_url)
