"""How the service logs: one line of JSON for each event, with ids and never with values.

Exceptions are told by their class and the places they passed. Their texts and the
values around them are left out: a database's or a parser's message repeats what
it was given, and that may be a patient's answer.
"""

from __future__ import annotations

import json
import logging
import sys
import traceback
from collections.abc import MutableMapping
from pathlib import PurePath
from typing import Any

import structlog

LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
_STAMP = structlog.processors.TimeStamper(fmt="iso", utc=True)


def configure(level: str) -> None:
    """Set up logging of this process. Raises KeyError for an unknown level."""
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            _STAMP,
            _places_only,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        logger_factory=lambda *_: _ToStderr(),
    )
    # What libraries say goes through the standard library; below a warning it is of no use here.
    logging.getLogger("gunicorn.error").addFilter(_as_ours)
    logging.basicConfig(level=logging.WARNING, handlers=[_OfLibraries()])


def tell_request(request_id: str, **told: Any) -> None:
    """A line of the access log, whatever the level: it has a setting of its own."""
    line = _STAMP(None, "", {"event": "request", "level": "info", "request": request_id, **told})
    _ToStderr().msg(json.dumps(line))


def _as_ours(said: logging.LogRecord) -> bool:
    """Say it in our own way instead, and without the request: the web server names its path, which may be a link."""
    if said.exc_info:
        text = str(said.msg).partition("%")[0]  # "Error handling request %s", and where it failed
    else:
        text = said.getMessage()
        if text.startswith("Invalid request"):
            text = text.partition(": ")[0]  # up to the address that it came from
    structlog.get_logger("web server").log(said.levelno, text.strip(), exc_info=said.exc_info)
    return False


class _OfLibraries(logging.Handler):
    """What any other library says, as a line of ours: who says it and where, and nothing of its text."""

    def emit(self, record: logging.LogRecord) -> None:
        at = f"{record.filename}:{record.lineno}"
        structlog.get_logger(record.name).log(record.levelno, "said by a library", library=record.name, at=at)


class _ToStderr:
    """Writes to what standard error is at that moment: it may be another by then than when logging was set up."""

    def msg(self, message: str) -> None:
        print(message, file=sys.stderr, flush=True)  # noqa: T201 - the one place that logs are written

    debug = info = warning = error = exception = critical = msg


def _places_only(_logger: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    given = event.pop("exc_info", None)
    error = sys.exc_info()[1] if given is True else given
    if isinstance(error, tuple):
        error = error[1]
    if isinstance(error, BaseException):
        event["exception"] = type(error).__name__
        event["places"] = [
            f"{PurePath(frame.filename).name}:{frame.lineno}"
            for frame in traceback.extract_tb(error.__traceback__)[-8:]
        ]
    return event
