"""Tokens: what a machine's key gives to a program that should not hold the key itself."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any, cast

from marshmallow import Schema, fields, validate

from service.accounts import keys
from service.domain.vocabulary import Scope
from service.web.api.base import Blueprint, instant, whole, word
from service.web.api.guards import by_key, caller
from service.web.services import services

blueprint = Blueprint("tokens", "Bearer tokens that last for minutes, given by a machine's key")


class TokenIn(Schema):
    """All that the key may do, for a quarter of an hour, unless less is asked for."""

    scopes = fields.List(word(Scope), validate=validate.Length(1, len(Scope)))
    minutes = whole(1, keys.MOST_TOKEN_MINUTES, load_default=keys.TOKEN_MINUTES)


class TokenOut(Schema):
    token = fields.String()
    scopes = fields.List(word(Scope))
    expires_at = instant()


@blueprint.post("/token", allowed=by_key)
@blueprint.arguments(TokenIn)
@blueprint.response(201, TokenOut)
@blueprint.doc(security=[{"key": []}])  # nothing is written: a repeat is simply another token
def make_token(asked: dict[str, Any]) -> dict[str, Any]:
    """Give a token that stands for the key, for `minutes` and with some of its scopes or all.

    It is sent as a bearer key is. It opens nothing once the key is revoked or over, and from no other network.
    """
    until = services().clock.now() + timedelta(minutes=asked["minutes"])
    who = caller()
    key_id = cast(uuid.UUID, who.actor.id)  # of a key, as `by_key` has seen
    token, held = keys.make_token(services().settings.keys, key_id, who.scopes, asked.get("scopes"), until)
    return {"token": token, "scopes": held, "expires_at": until}
