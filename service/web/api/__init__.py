"""The API under /api/v1: machines enrol, send readings and check-ins, and read what the review reads."""

from __future__ import annotations

from typing import Any

from flask import Flask, request
from flask_smorest import Api
from marshmallow.exceptions import ValidationError
from sqlalchemy.exc import IntegrityError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolExhausted
from werkzeug.exceptions import HTTPException
from werkzeug.wrappers import Response

from service.domain.validation import Refused
from service.web import problems
from service.web.api import accounts, checkins, clinic, patients, people, plans, readings, review, watching, wordings
from service.web.api.base import ProblemDetails
from service.web.problems import Problem

MODULES = (clinic, patients, people, plans, readings, checkins, watching, review, accounts, wordings)
TITLE = "Neaptide"
VERSION = "v1"
PREFIX = "/api/"
DATABASE_AWAY = (OperationalError, InterfaceError, PoolExhausted)


class ProblemApi(Api):  # type: ignore[misc]
    """flask-smorest, with RFC 9457 in place of its own error bodies."""

    ERROR_SCHEMA = ProblemDetails

    def _register_error_handlers(self) -> None:
        """Errors are the application's: pages and API answer differently. See `service.app`."""


def install(app: Flask) -> ProblemApi:
    """Register every resource, and the description at /openapi.json."""
    app.config.update(
        API_TITLE=TITLE,
        API_VERSION=VERSION,
        OPENAPI_VERSION="3.1.0",
        OPENAPI_URL_PREFIX="/",
        OPENAPI_JSON_PATH="openapi.json",
    )
    api = ProblemApi(app, spec_kwargs={"info": {"description": __doc__}})
    api.spec.components.security_scheme("key", {"type": "http", "scheme": "bearer"})
    api.spec.options["security"] = [{"key": []}]
    for module in MODULES:
        api.register_blueprint(module.blueprint)
    _describe_errors(api)
    return api


def wants_problem() -> bool:
    """Whether errors of this request are for a machine."""
    return request.path.startswith(PREFIX) or request.path in {"/openapi.json", "/healthz", "/readyz", "/metrics"}


def check_content_type() -> None:
    """A body that is not JSON is refused by its type, rather than taken for an empty one. Raises Problem 415."""
    if request.path.startswith(PREFIX) and request.content_length and not request.is_json:
        raise Problem(415, f"{request.mimetype or 'no content type'!s} was sent; accepted: application/json")


def answer_for(error: Exception) -> Response:
    """Any error below the API as problem details."""
    if isinstance(error, Problem):
        return problems.answer(error.status, error.detail, error.errors)
    if isinstance(error, Refused):
        return problems.of_refusals([error])
    if isinstance(error, ValidationError):
        return problems.answer(422, str(error.messages))
    if isinstance(error, HTTPException):
        return problems.of_http(error)
    if isinstance(error, IntegrityError):
        # Two wrote the same thing at the same moment, and the database let one of them.
        return problems.answer(409, "Somebody else wrote the same at this moment; read it again.")
    if isinstance(error, DATABASE_AWAY):
        return problems.of_database(error)
    return problems.of_surprise(error)


def _describe_errors(api: Api) -> None:
    """Say in the description what every operation may answer besides success."""
    told: dict[str, Any] = {
        "description": "Problem details (RFC 9457)",
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
    }
    if "ProblemDetails" not in api.spec.components.schemas:
        api.spec.components.schema("ProblemDetails", schema=ProblemDetails)
    for operations in api.spec._paths.values():
        for method, operation in operations.items():
            if method == "parameters":
                continue
            responses = operation.setdefault("responses", {})
            responses.pop("default", None)
            for status in ("400", "401", "403", "404", "409", "413", "415", "422", "429", "503"):
                responses[status] = told
            if method == "post":
                operation.setdefault("parameters", []).append(
                    {
                        "in": "header",
                        "name": "Idempotency-Key",
                        "schema": {"type": "string", "minLength": 1, "maxLength": 120},
                        "description": "The same key and body answer as the first time, and write once.",
                    }
                )
