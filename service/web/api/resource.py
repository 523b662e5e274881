"""A group of addresses that refuses what it does not know, in the address as in the body."""

from __future__ import annotations

from typing import Any

import flask_smorest
from marshmallow import RAISE
from webargs.flaskparser import FlaskParser


class _Parser(FlaskParser):
    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, Any] = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, "query": RAISE}


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """flask-smorest's blueprint; a mistyped filter is told, never ignored."""

    ARGUMENTS_PARSER = _Parser()
