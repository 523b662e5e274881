"""The API under /api/v1, and its one description: for machines at /openapi.json, for people at /docs and /problems."""

from __future__ import annotations

import hashlib
import json
import re
from functools import lru_cache
from typing import Any

from flask import Blueprint, Flask, Response, abort, current_app, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup, escape

from service.web.api.description import BLUEPRINTS, description, operations
from service.web.problems import API, KINDS
from service.web.services import services

docs_blueprint = Blueprint("docs", __name__)


@docs_blueprint.app_template_filter()
def coded(text: str) -> Markup:
    """A sentence of the description, with what stands in `these` shown as code."""
    return Markup(re.sub("`([^`]+)`", r"<code>\1</code>", str(escape(text))))  # noqa: S704 - escaped just before


def install(app: Flask) -> None:
    """Register every resource, and the pages that describe them."""
    for blueprint in BLUEPRINTS:
        app.register_blueprint(blueprint)
    app.register_blueprint(docs_blueprint)

    @app.after_request
    def mark(answer: Response) -> Response:
        """An answer that somebody has already is not sent again (RFC 9110, 13.1.2)."""
        if request.method == "GET" and answer.status_code == 200 and request.path.startswith(API):
            answer.set_etag(hashlib.sha256(answer.get_data()).hexdigest()[:32], weak=True)  # compressed, the same holds
            answer.make_conditional(request)
        return answer


@docs_blueprint.get("/openapi.json")
def for_machines() -> ResponseReturnValue:
    """The description of the API, in the form that machines read."""
    return _written(services().settings.base_url), {"Content-Type": "application/json"}


@lru_cache(maxsize=4)
def _written(address: str) -> str:
    """Kept: it is always the same, and to write it takes as long as to answer some thirty other requests."""
    return current_app.json.dumps(description() | {"servers": [{"url": address}]}, indent=2)


# --- for people -----------------------------------------------------------------------------


@docs_blueprint.get("/docs")
def page() -> ResponseReturnValue:
    """Every address of the API with what it takes and answers."""
    spec = description()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, method, operation, shared in operations(spec):
        groups.setdefault(operation["tags"][0], []).append(_operation(path, method, operation, shared))
    shapes = {name: _fields(shape) for name, shape in spec["components"]["schemas"].items()}
    about = spec["info"]["description"].split("\n\n")
    return render_template("docs/page.html", groups=groups, shapes=shapes, about=about)


@docs_blueprint.get("/problems")
def problems() -> ResponseReturnValue:
    """Every kind of problem: what it means, and what to do."""
    return render_template("docs/problems.html", kinds=KINDS.values())


@docs_blueprint.get("/problems/<name>")
def problem(name: str) -> ResponseReturnValue:
    """One kind of problem: the page that the `type` of an error is the address of."""
    if name not in KINDS:
        abort(404)
    return render_template("docs/problems.html", kinds=[KINDS[name]])


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
        "may": _may(operation),
        "takes": [_name(content) for content in body.values()],
        "example": [_pretty(content) for content in body.values() if "example" in content],
        "answer": [
            _pretty(content)
            for response in operation["responses"].values()
            for content in response.get("content", {}).values()
            if "example" in content
        ],
        "answers": {
            status: [_name(content) for content in response.get("content", {}).values()]
            for status, response in operation["responses"].items()
            if status.startswith("2")
        },
    }


def _may(operation: dict[str, Any]) -> str:
    """Who may call it, in words."""
    ways = operation["security"]
    scopes = [scope for way in ways for scope in way.get("key", ())]
    said = [f"a key with the scope {scope}" for scope in scopes]
    said += [f"a member of staff with the right {right}" for way in ways for right in way.get("session", ())]
    again = "; a person shows once more that it is they (/confirm)" if operation.get("x-confirm") else ""
    return " or ".join(said) + again


def _pretty(content: dict[str, Any]) -> str:
    return json.dumps(content["example"], indent=2, ensure_ascii=False)


def _name(content: dict[str, Any]) -> str:
    return _shape(content.get("schema", {}))


def _fields(shape: dict[str, Any]) -> list[dict[str, Any]]:
    required = shape.get("required", [])
    return [
        {
            "name": name,
            "required": name in required,
            "accepts": _accepted(schema),
            "shape": _shape(schema),
            "means": schema.get("description", ""),
        }
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
