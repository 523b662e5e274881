"""What a described text provider calls in: receipts and replies, in its own shape.

Nothing is read before the call has proven itself as the description says. A provider that can only
GET is taken at its word: the secret makes it a call, and no mail program knows the address. 404 where no
provider is described; the signed callback of our own contract is `web/api/callbacks.py`.
"""

from __future__ import annotations

from datetime import UTC

import structlog
from flask import Blueprint, Response, abort, request
from flask.typing import ResponseReturnValue

from service.delivery import receiving
from service.domain.vocabulary import Channel
from service.intake.texts.receiving import take_text
from service.transports.base import Receipt, ReferredReceipt
from service.transports.described import hearing
from service.transports.described.description import Hearing
from service.transports.described.sending import RECEIPTS, REPLIES, Described
from service.web.services import services

log = structlog.get_logger(__name__)
blueprint = Blueprint("called_back", __name__)
BOTH = "/callbacks/text/both"


@blueprint.route(RECEIPTS, methods=["GET", "POST"])
def receipts() -> ResponseReturnValue:
    """What became of messages."""
    return _taken(_provider().description.receipts, None)


@blueprint.route(REPLIES, methods=["GET", "POST"])
def replies() -> ResponseReturnValue:
    """What people wrote."""
    return _taken(None, _provider().description.replies)


@blueprint.route(BOTH, methods=["GET", "POST"])
def both() -> ResponseReturnValue:
    """Either, for a provider that knows one address; `only` tells them apart."""
    described = _provider().description
    parts = described.receipts, described.replies
    if any(part is None or part.only is None for part in parts):
        abort(404)
    return _taken(*parts)


def _provider() -> Described:
    provider = services().transports.get(Channel.TEXT)
    if not isinstance(provider, Described):
        abort(404)
    return provider


def _taken(receipts: Hearing | None, replies: Hearing | None) -> ResponseReturnValue:
    parts = [part for part in (receipts, replies) if part is not None]
    if not parts:
        abort(404)
    if request.method not in {part.method for part in parts}:
        abort(405)
    provider = _provider()
    query = request.query_string.decode("latin-1")
    called = hearing.Called(
        request.method,
        provider.reached_at + request.path + (f"?{query}" if query else ""),
        query,
        {name.lower(): value for name, value in request.headers.items()},
        request.get_data(cache=True, parse_form_data=False),
    )
    proof = provider.description.proof
    if proof is None or not hearing.is_proven(proof, provider.callback_secret, called, services().door_clock.now()):
        return Response("The call is not proven to be the provider's.\n", 401, mimetype="text/plain")
    now = services().clock.now().astimezone(UTC)
    ends = hearing.receipts(receipts, called, now) if receipts is not None else hearing.CalledIn()
    texts = hearing.replies(replies, called, now) if replies is not None else hearing.CalledIn()
    engine = services().engine
    receiving.take_receipts(engine, [end for end in ends.taken if isinstance(end, Receipt)], now)
    receiving.take_referred(engine, [end for end in ends.taken if isinstance(end, ReferredReceipt)], now)
    receiving.take_replies(engine, texts.taken, take_text, now)
    if (refused := ends.refused or texts.refused) is not None:
        # Neither lost without a word nor taken for something else: the operator's log says what does not fit.
        log.error("a callback is not as described", place=refused.field, accepted=refused.accepted)
        return Response(f"{refused.field}: accepted is {refused.accepted}\n", 422, mimetype="text/plain")
    return Response(parts[0].says, 200, mimetype="text/plain")
