"""Errors for machines: RFC 9457 problem details.

Promises that whatever goes wrong under the API answers `application/problem+json`
with the field, the value and what is accepted where input was at fault, and with
nothing of the service's inside.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import structlog
from flask import Response, json, request
from marshmallow.exceptions import ValidationError
from sqlalchemy.exc import IntegrityError
from werkzeug.exceptions import HTTPException

from service.domain.validation import Clashes, Refused
from service.store.session import is_away
from service.store.troubles import Trouble, told, trouble_of
from service.web.services import services

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class ProblemKind:
    """A kind of problem: its `type` is the address of the page that says this."""

    name: str
    status: int
    title: str
    meaning: str
    to_do: str


KINDS = {
    kind.name: kind
    for kind in (
        ProblemKind(
            "unreadable",
            400,
            "The request cannot be read",
            "The body is not JSON, or is made to break a reader.",
            "Send one JSON object in UTF-8. The same request fails again.",
        ),
        ProblemKind(
            "no-key",
            401,
            "No valid key or session",
            "No bearer key came with the request, or one that opens nothing:"
            " mistyped, revoked, run out, or sent from a network it is not for.",
            "Send `Authorization: Bearer …` with a key of the clinic; an administrator issues another.",
        ),
        ProblemKind(
            "not-allowed",
            403,
            "The key may not do this",
            "The key has no such scope, or the account no such right;"
            " or what a person answers for was asked for by a machine.",
            "Issue a key with the scope that the operation names, or let a member of staff do it.",
        ),
        ProblemKind(
            "confirm-first",
            403,
            "Show once more that it is you",
            "The operation reaches far, so a person shows that it is they, a short while before.",
            "Confirm at /confirm, then send the same again. Keys never meet this.",
        ),
        ProblemKind(
            "nothing-here",
            404,
            "Nothing here",
            "There is no such address, or no such record of this clinic.",
            "Look the id up in a list of this clinic. Another clinic's records look as if they did not exist.",
        ),
        ProblemKind(
            "not-this-way",
            405,
            "Not a way to use this address",
            "The address is there and takes another method.",
            "The header `Allow` names those that it takes.",
        ),
        ProblemKind(
            "somebody-was-first",
            409,
            "Somebody was first",
            "The record is no longer as the request takes it to be:"
            " it was taken, signed, closed or corrected in between.",
            "Read it again, and decide anew.",
        ),
        ProblemKind(
            "clashes",
            409,
            "It cannot stand beside what is kept",
            "What was sent could be true, and something that is"
            " kept already stands against it, such as a reference that another patient has.",
            "`errors` names the field. Look at what is there: it may be the very thing you meant to send.",
        ),
        ProblemKind(
            "not-now",
            409,
            "It cannot be done as things stand",
            "Something must come first, or the day's number is reached; `detail` says which.",
            "Do what `detail` says, or send it again later.",
        ),
        ProblemKind(
            "look-again",
            409,
            "Look again first",
            "Something came since the entry was read that is to be signed.",
            "Read the entry again, and send its new `seen`.",
        ),
        ProblemKind(
            "answer-not-kept",
            409,
            "Done already",
            "The same `Idempotency-Key` was used, the work was done, and its"
            " answer held a secret that is kept nowhere.",
            "Do not repeat it. Make another where the secret is lost.",
        ),
        ProblemKind("too-large", 413, "Too large", "The body is larger than the service takes.", "Send it in parts."),
        ProblemKind(
            "content-type",
            415,
            "Not a content type this address takes",
            "The body is said to be no JSON.",
            "Send `Content-Type: application/json`.",
        ),
        ProblemKind(
            "refused",
            422,
            "Some of what was sent cannot be taken",
            "A field holds what cannot be true or kept.",
            "`errors` names each field, what it held and what is accepted. Nothing was written.",
        ),
        ProblemKind(
            "key-reused",
            422,
            "The Idempotency-Key was used for another request",
            "The same key came before with another method, address or body.",
            "Use a new key for a new request.",
        ),
        ProblemKind(
            "begin-again",
            422,
            "The cursor is not of this database",
            "`updated_since` holds a cursor that this database has not given out, as after it was restored.",
            "Begin with `updated_since=start`.",
        ),
        ProblemKind("too-many", 429, "Too many tries", "Too many tries came in a short time.", "Wait, then try once."),
        ProblemKind(
            "our-fault",
            500,
            "Something went wrong on our side",
            "The service failed, and noted it for its operator.",
            "Send it once more with the same `Idempotency-Key`; if it fails again, tell whoever runs the service.",
        ),
        ProblemKind(
            "not-at-the-moment",
            503,
            "Not at the moment",
            "The database does not answer, or many are reading at this moment and patients come first.",
            "Send the same again after the seconds of `Retry-After`, with the same `Idempotency-Key`.",
        ),
        ProblemKind(
            "no-room",
            507,
            "No room left",
            "The disk is full, so nothing more can be kept.",
            "Whoever runs the service makes room; then send the same again.",
        ),
    )
}
USUAL = {kind.status: kind for kind in reversed(KINDS.values())}  # of each status its first
LONGEST_VALUE = 200
SECRET = re.compile(
    "pass(word|phrase)|secret|token|authorization|credential", re.IGNORECASE
)  # what a field may be called
RETRY_AFTER_SECONDS = "5"
API = "/api/"


class Problem(Exception):
    """An answer that is an error, raised anywhere below a view."""

    def __init__(
        self, status: int, detail: str = "", errors: list[dict[str, Any]] | None = None, kind: str = ""
    ) -> None:
        self.status = status
        self.kind = kind
        self.detail = detail
        self.errors = errors
        super().__init__(status, detail)


def answer(status: int, detail: str = "", errors: list[dict[str, Any]] | None = None, kind: str = "") -> Response:
    """Problem details as a response. Its type is the page of that kind, or of the usual kind with that status."""
    known = KINDS[kind] if kind else USUAL.get(status, USUAL[500] if status >= 500 else None)
    body: dict[str, Any] = {
        "type": "about:blank" if known is None else f"{services().settings.base_url}/problems/{known.name}",
        "title": "The request failed" if known is None else known.title,
        "status": status,
        "instance": quote(request.path),
    }
    if detail:
        body["detail"] = detail
    if errors:
        body["errors"] = errors
    response = Response(json.dumps(body), status, mimetype="application/problem+json")
    if status == 401:
        response.headers["WWW-Authenticate"] = "Bearer"
    return response


def wants_problem() -> bool:
    """Whether errors of this request are for a machine."""
    return request.path.startswith(API) or request.path in {"/openapi.json", "/healthz", "/readyz", "/metrics"}


def check_content_type() -> None:
    """A body that is not JSON is refused by its type, rather than taken for an empty one. Raises Problem 415."""
    has_body = request.content_length or "Transfer-Encoding" in request.headers  # streamed: of no length told
    if request.path.startswith(API) and has_body and not request.is_json:
        raise Problem(415, f"{request.mimetype or 'no content type'!s} was sent; accepted: application/json")


def answer_for(error: Exception) -> Response:
    """Any error below the API as problem details."""
    if isinstance(error, Problem):
        return answer(error.status, error.detail, error.errors, error.kind)
    if isinstance(error, Clashes):
        return answer(409, str(error), [as_error(error)], "clashes")
    if isinstance(error, Refused):
        return answer(422, str(error), [as_error(error)])
    if isinstance(error, ValidationError):
        return answer(422, str(error.messages))
    if isinstance(error, HTTPException):
        return of_http(error)
    if isinstance(error, IntegrityError):
        # Two wrote the same thing at the same moment, and the database let one of them.
        return answer(409, "Somebody else wrote the same at this moment; read it again.")
    if is_of_database(error):
        return of_database(error)
    log_surprise(error)  # and nothing of it in the answer
    return answer(500)


def as_error(refusal: Refused) -> dict[str, Any]:
    """One refusal as a member of `errors`."""
    error = {"field": refusal.field, "value": _shown(refusal.field, refusal.value), "accepted": refusal.accepted}
    return error if refusal.line is None else {**error, "line": refusal.line}


def of_http(error: HTTPException) -> Response:
    """Werkzeug's and webargs' errors in the same words."""
    status = error.code or 500
    messages = (getattr(error, "data", None) or {}).get("messages")
    if messages:
        return answer(status, "", list(_errors(messages)))
    response = answer(status, "" if status >= 500 else (error.description or ""))
    if status == 405 and getattr(error, "valid_methods", None):
        response.headers["Allow"] = ", ".join(error.valid_methods)  # type: ignore[attr-defined]
    return response


def is_of_database(error: Exception) -> bool:
    """Whether the database is to blame, and neither the request nor what it holds."""
    return is_away(error) or trouble_of(error) is not None


def status_of(trouble: Trouble | None) -> int:
    """507 (RFC 4918, 11.5) for a full disk, else 503 (RFC 9110, 15.6.4)."""
    return 507 if trouble is Trouble.FULL else 503


def of_database(error: Exception) -> Response:
    """For a database that is away, locked, full or broken: the same request is good again in a moment, or once mended.

    Whether the first one was written is not known where it is away, which is what Idempotency-Key is for.
    """
    log_surprise(error)
    trouble = trouble_of(error)
    said = "The database does not answer. Send the same again in a few seconds."
    if trouble is Trouble.FULL:
        said = (
            "There is no room left to keep anything. Send the same again when whoever runs the service has made some."
        )
    response = answer(status_of(trouble), said)
    response.headers["Retry-After"] = RETRY_AFTER_SECONDS
    return response


def log_surprise(error: Exception) -> None:
    """Note what failed by its route: an address may hold a signed token, which must not lie in a log."""
    named = {"trouble": told(error)} if trouble_of(error) else {}
    log.exception("request failed unexpectedly", route=str(request.url_rule), error=type(error).__name__, **named)


def _errors(messages: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """webargs' tree {place: {field: … [text]}} as a flat list of field, value, accepted."""
    for place, tree in messages.items():
        if place == "json" and isinstance(tree, list):
            yield {"field": "body", "value": None, "accepted": " ".join(map(str, tree))}
            continue
        sent = request.get_json(silent=True) if place == "json" else dict(request.args)
        for path, texts in _leaves(tree, ()):
            yield {
                "field": ".".join(path) or place,
                "value": _shown(".".join(path), _dig(sent, path)),
                "accepted": " ".join(map(str, texts)),
            }


def _leaves(tree: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], list[Any]]]:
    if isinstance(tree, Mapping):
        for name, below in tree.items():
            yield from _leaves(below, path if name == "_schema" else (*path, str(name)))
    else:
        yield path, tree if isinstance(tree, list) else [tree]


def _dig(sent: Any, path: tuple[str, ...]) -> Any:
    for name in path:
        if isinstance(sent, Mapping):
            sent = sent.get(name)
        elif isinstance(sent, list) and name.isdigit() and int(name) < len(sent):
            sent = sent[int(name)]
        else:
            return None
    return sent


def _shown(field: str, value: Any) -> Any:
    """The value as it is told to whoever sent it; no secret is repeated, where errors end up in logs."""
    return "(hidden)" if value is not None and SECRET.search(field) else _short(value)


def _short(value: Any) -> Any:
    if value is None or isinstance(value, bool | int | float):
        # A number too large for JSON readers is shown as text.
        return value if not isinstance(value, float | int) or abs(value) < 1e300 else str(value)[:LONGEST_VALUE]
    return str(value)[:LONGEST_VALUE]
