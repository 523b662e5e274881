"""A group of addresses that refuses what it does not know, in the address as in the body."""

from __future__ import annotations

from json import JSONDecodeError
from typing import Any

import flask_smorest
from marshmallow import RAISE
from webargs.flaskparser import FlaskParser

from service.web.problems import Problem


class _Parser(FlaskParser):
    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, Any] = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, "query": RAISE}

    def _raw_load_json(self, req: Any) -> Any:
        try:
            return super()._raw_load_json(req)
        except (JSONDecodeError, UnicodeDecodeError):
            raise  # told by the parser itself
        except (ValueError, RecursionError):
            raise Problem(400, "The body is nested too deeply, or a number in it is too long.") from None


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """flask-smorest's blueprint; a mistyped filter is told, never ignored."""

    ARGUMENTS_PARSER = _Parser()
