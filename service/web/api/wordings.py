"""What the clinic's messages say, for its administrators: a person answers for every word, so no machine may."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields
from sqlalchemy.orm import Session

from service.domain.vocabulary import MessageKind, Role
from service.enrolling import wordings
from service.links import sample_links
from service.store.session import read_session, write_session
from service.web.api import base
from service.web.api.base import Blueprint, Page, instant, listing, text, word
from service.web.api.guards import caller, for_staff
from service.web.services import services

blueprint = Blueprint("api_wordings", __name__, url_prefix="/api/v1", description="What the clinic's messages say")


LONGEST_SENT = 2_000  # the rules of a wording say what is too long; this bounds what they are asked


class WordingIn(Schema):
    body = text(LONGEST_SENT)


class WordingTried(Schema):
    body = text(LONGEST_SENT, required=False, load_default=None, allow_none=True)


class LengthOut(Schema):
    """`units` are septets of GSM-7, or 16-bit units of UCS-2."""

    alphabet = fields.String()
    units = fields.Integer()
    segments = fields.Integer()


class DoubtOut(Schema):
    name = fields.String()
    sentence = fields.String()


class PreviewOut(Schema):
    text = fields.String()
    length = fields.Nested(LengthOut)
    longest_text = fields.String()
    longest = fields.Nested(LengthOut)
    doubts = fields.List(fields.Nested(DoubtOut))


class WordingOut(Schema):
    language = fields.String()
    kind = word(MessageKind)
    body = fields.String()
    own = fields.Boolean()
    built_in = fields.String()
    set_by = fields.String(allow_none=True)
    set_at = instant(allow_none=True)
    preview = fields.Nested(PreviewOut, allow_none=True)


ONE = "/wordings/<language>/<kind>"


@blueprint.route("/wordings", methods=["GET"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(WordingOut))
def list_wordings(page: dict[str, int]) -> dict[str, Any]:
    """Every kind of message in every language, in the clinic's own words or the built-in ones, with a preview."""
    with read_session(services().engine) as session:
        found = wordings.list_wordings(session, base.own_clinic(session), _links())
    first = (page["page"] - 1) * page["page_size"]
    return {"items": found[first : first + page["page_size"]], "total": len(found), **page}


@blueprint.route(ONE, methods=["PUT"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(WordingIn)
@blueprint.response(200, WordingOut)
def set_wording(new: dict[str, str], language: str, kind: str) -> wordings.Wording:
    """Say it in the clinic's own words from now on. What is queued already says so too."""
    with write_session(services().engine) as session:
        clinic = base.own_clinic(session)
        now = services().clock.now()
        wordings.set_wording(session, clinic, language, kind, new["body"], caller().actor, now)
        return _one(session, language, kind)


@blueprint.route(ONE, methods=["DELETE"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.response(200, WordingOut)
def reset_wording(language: str, kind: str) -> wordings.Wording:
    """Back to the built-in words. The clinic's own stay in the audit trail."""
    with write_session(services().engine) as session:
        clinic = base.own_clinic(session)
        wordings.reset_wording(session, clinic, language, kind, caller().actor, services().clock.now())
        return _one(session, language, kind)


@blueprint.route(f"{ONE}/preview", methods=["POST"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(WordingTried)
@blueprint.response(200, PreviewOut)
def preview(tried: dict[str, Any], language: str, kind: str) -> Any:
    """How a wording would arrive, filled in with invented values; the built-in one without `body`. Writes nothing."""
    with read_session(services().engine) as session:
        return wordings.preview_wording(base.own_clinic(session), language, kind, tried["body"], _links())


def _one(session: Session, language: str, kind: str) -> wordings.Wording:
    return wordings.find_wording(session, base.own_clinic(session), language, kind, _links())


def _links() -> wordings.SampleLinks:
    return sample_links(services().settings.base_url)
