"""What the clinic's messages say, for its administrators: a person answers for every word, so no machine may."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from service.domain.vocabulary import MessageKind, Role
from service.enrolling import wordings
from service.links import sample_links
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.web.api.base import Blueprint, instant, own_clinic, part_of, text, word
from service.web.api.guards import Call, caller, for_staff
from service.web.services import services

blueprint = Blueprint("wordings", "What the clinic's messages say")


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


@blueprint.get("/wordings")
@for_staff(Role.ADMINISTRATOR)
@blueprint.lists(WordingOut)
def list_wordings(query: dict[str, Any]) -> dict[str, Any]:
    """Every kind of message in every language, in the clinic's own words or the built-in ones, with a preview."""
    with read_session(services().engine) as session:
        return part_of(wordings.list_wordings(session, own_clinic(session), _links()), query)


@blueprint.put(ONE)
@for_staff(Role.ADMINISTRATOR)
@blueprint.writes(WordingOut, takes=WordingIn)
def set_wording(call: Call, new: dict[str, str], language: str, kind: str) -> wordings.Wording:
    """Say it in the clinic's own words from now on. What is queued already says so too."""
    clinic = own_clinic(call.session)
    wordings.set_wording(call.act, language, kind, new["body"])
    return wordings.find_wording(call.session, clinic, language, kind, _links())


@blueprint.delete(ONE)
@for_staff(Role.ADMINISTRATOR)
@blueprint.response(200, WordingOut)
def reset_wording(language: str, kind: str) -> wordings.Wording:
    """Back to the built-in words. The clinic's own stay in the audit trail."""
    with write_session(services().engine) as session:
        clinic = own_clinic(session)
        wordings.reset_wording(Act(session, caller().actor, clinic.id, services().clock.now()), language, kind)
        return wordings.find_wording(session, clinic, language, kind, _links())


@blueprint.post(f"{ONE}/preview")
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(WordingTried)
@blueprint.response(200, PreviewOut)
def preview(tried: dict[str, Any], language: str, kind: str) -> Any:
    """How a wording would arrive, filled in with invented values; the built-in one without `body`. Writes nothing."""
    with read_session(services().engine) as session:
        return wordings.preview_wording(own_clinic(session), language, kind, tried["body"], _links())


def _links() -> wordings.SampleLinks:
    return sample_links(services().settings.base_url)
