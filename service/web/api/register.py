"""The API under /api/v1: machines enrol, send readings and check-ins, and read what the review reads."""

from __future__ import annotations

from typing import Any

from flask import Flask
from flask_smorest import Api

from service.web.api import (
    accounts,
    callbacks,
    checkins,
    clinic,
    patients,
    people,
    plans,
    readings,
    review,
    watching,
    wordings,
)  # fmt: skip
from service.web.api.base import ProblemDetails

MODULES = (clinic, patients, people, plans, readings, checkins, watching, review, accounts, wordings, callbacks)
TITLE = "Neaptide"
VERSION = "v1"


class ProblemApi(Api):  # type: ignore[misc]
    """flask-smorest, with RFC 9457 in place of its own error bodies."""

    ERROR_SCHEMA = ProblemDetails

    def _register_error_handlers(self) -> None:
        """Errors are the application's: pages and API answer differently. See `service.web.problems`."""


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


def _describe_errors(api: Api) -> None:
    """Say in the description what every operation may answer besides success."""
    problem: dict[str, Any] = {
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
                responses[status] = problem
            if method == "post" and "security" not in operation:
                operation.setdefault("parameters", []).append(
                    {
                        "in": "header",
                        "name": "Idempotency-Key",
                        "schema": {"type": "string", "minLength": 1, "maxLength": 120},
                        "description": "The same key and body answer as the first time, and write once.",
                    }
                )
