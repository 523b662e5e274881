"""The API under /api/v1, and its one description: for machines at /openapi.json, for people at /docs."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from flask import Blueprint, Flask, current_app, render_template
from flask.typing import ResponseReturnValue
from flask_smorest import Api

from service.web.api import (
    callbacks,
    clinic,
    enrolment,
    files,
    intake,
    inviting,
    openings,
    people,
    plans,
    record,
    review,
    tokens,
    transfers,
    watching,
)
from service.web.api.base import ProblemDetails

BLUEPRINTS = (
    clinic.blueprint,
    people.patients_blueprint,
    enrolment.blueprint,
    transfers.blueprint,
    inviting.blueprint,
    people.blueprint,
    plans.blueprint,
    record.blueprint,
    intake.readings_blueprint,
    intake.checkins_blueprint,
    files.blueprint,
    watching.blueprint,
    openings.blueprint,
    review.blueprint,
    clinic.accounts_blueprint,
    clinic.wordings_blueprint,
    tokens.blueprint,
    callbacks.blueprint,
)
TITLE = "Neaptide"
VERSION = "v1"
DESCRIPTION = "The API under /api/v1: machines enrol, send readings and check-ins, and read what the review reads."
METHODS = ("get", "post", "put", "patch", "delete")
docs_blueprint = Blueprint("docs", __name__)


class ProblemApi(Api):  # type: ignore[misc]
    """flask-smorest, with RFC 9457 in place of its own error bodies."""

    ERROR_SCHEMA = ProblemDetails

    def _register_error_handlers(self) -> None:
        """Errors are the application's: pages and API answer differently. See `service.web.problems`."""


def install(app: Flask) -> None:
    """Register every resource, and the pages that describe them."""
    for blueprint in BLUEPRINTS:
        app.register_blueprint(blueprint)
    app.register_blueprint(docs_blueprint)


@cache
def description() -> dict[str, Any]:
    """What the API takes and answers (OpenAPI 3.1); not to be changed.

    It is the same for every application, and made when first asked for: of an
    application's start it took half, and few ask.
    """
    app = Flask(__name__)
    app.config.update(API_TITLE=TITLE, API_VERSION=VERSION, OPENAPI_VERSION="3.1.0")
    api = ProblemApi(app, spec_kwargs={"info": {"description": DESCRIPTION}})
    api.spec.components.security_scheme("key", {"type": "http", "scheme": "bearer"})
    api.spec.options["security"] = [{"key": []}]
    for blueprint in BLUEPRINTS:
        api.register_blueprint(blueprint)
    _describe_errors(api)
    described: dict[str, Any] = api.spec.to_dict()
    return described


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
                        "description": "The same key and body answer as the first time, and write once, for 24 hours.",
                    }
                )


@docs_blueprint.get("/openapi.json")
def for_machines() -> ResponseReturnValue:
    """The description of the API, in the form that machines read."""
    return current_app.json.dumps(description(), indent=2), {"Content-Type": "application/json"}


# --- for people -----------------------------------------------------------------------------


@docs_blueprint.get("/docs")
def page() -> ResponseReturnValue:
    """Every address of the API with what it takes and answers."""
    spec = description()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, operations in spec["paths"].items():
        for method in METHODS:
            if method in operations:
                operation = operations[method]
                shared = operations.get("parameters", [])
                group = operation.get("tags", ["api"])[0]
                groups.setdefault(group, []).append(_operation(path, method, operation, shared))
    named = {tag["name"]: tag.get("description", "") for tag in spec.get("tags", [])}
    shapes = {name: _fields(shape) for name, shape in spec["components"].get("schemas", {}).items()}
    return render_template("docs/page.html", groups=groups, descriptions=named, shapes=shapes)


def _operation(path: str, method: str, operation: dict[str, Any], shared: list[dict[str, Any]]) -> dict[str, Any]:
    body = operation.get("requestBody", {}).get("content", {})
    return {
        "path": path,
        "method": method.upper(),
        "summary": operation.get("summary", ""),
        "description": operation.get("description", ""),
        "parameters": [
            parameter | {"accepts": _accepted(parameter.get("schema", {}))}
            for parameter in (*shared, *operation.get("parameters", []))
            if "name" in parameter
        ],
        "takes": [_name(content) for content in body.values()],
        "answers": {
            status: [_name(content) for content in response.get("content", {}).values()]
            for status, response in operation["responses"].items()
            if status.startswith("2")
        },
    }


def _name(content: dict[str, Any]) -> str:
    return _shape(content.get("schema", {}))


def _fields(shape: dict[str, Any]) -> list[dict[str, Any]]:
    required = shape.get("required", [])
    return [
        {"name": name, "required": name in required, "accepts": _accepted(schema), "shape": _shape(schema)}
        for name, schema in shape.get("properties", {}).items()
    ]


def _shape(schema: dict[str, Any]) -> str:
    """The name of the shape that a value has, or each value of a list; empty where it is a plain one."""
    for part in (schema, schema.get("items", {}), *schema.get("anyOf", []), *schema.get("allOf", [])):
        if "$ref" in part:
            return str(part["$ref"].rsplit("/", 1)[-1])
    return ""


def _accepted(schema: dict[str, Any]) -> str:
    """What a plain value may be, in words: its type, its form, and its bounds or the words to choose from."""
    if schema.get("type") == "array":
        return f"list of {_accepted(schema.get('items', {}))}".removesuffix(" of ")
    kinds = schema.get("type", [])
    parts = [" or ".join([kinds] if isinstance(kinds, str) else kinds)]
    if "format" in schema:
        parts[0] += f" ({schema['format']})"
    if "enum" in schema:
        parts = ["one of " + ", ".join("null" if word is None else str(word) for word in schema["enum"])]
    if "minimum" in schema and "maximum" in schema:
        parts.append(f"{schema['minimum']} to {schema['maximum']}")
    if "maxLength" in schema:
        parts.append(f"at most {schema['maxLength']} characters")
    if schema.get("default") is not None:
        parts.append(f"{json.dumps(schema['default'])} when left out")
    return ", ".join(part for part in parts if part)
