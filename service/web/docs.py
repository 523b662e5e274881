"""The API described for people, from the same description that machines read at /openapi.json."""

from __future__ import annotations

import json
from typing import Any

from flask import Blueprint, Flask, current_app, render_template
from flask.typing import ResponseReturnValue

blueprint = Blueprint("docs", __name__)
METHODS = ("get", "post", "put", "patch", "delete")


@blueprint.get("/docs")
def page() -> ResponseReturnValue:
    """Every address of the API with what it takes and answers."""
    spec = describe(current_app)
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


def describe(app: Flask) -> dict[str, Any]:
    """The description of the API (OpenAPI 3.1), as `/openapi.json` answers it."""
    described: dict[str, Any] = app.extensions["flask-smorest"]["apis"][""]["ext_obj"].spec.to_dict()
    return described


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
