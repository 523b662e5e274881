"""The API described for people, from the same description that machines read at /openapi.json."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, current_app, render_template
from flask.typing import ResponseReturnValue

blueprint = Blueprint("docs", __name__)
METHODS = ("get", "post", "put", "patch", "delete")


@blueprint.get("/docs")
def page() -> ResponseReturnValue:
    """Every address of the API with what it takes and answers."""
    spec: dict[str, Any] = current_app.extensions["flask-smorest"]["apis"][""]["ext_obj"].spec.to_dict()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, operations in spec["paths"].items():
        for method in METHODS:
            if method in operations:
                operation = operations[method]
                shared = operations.get("parameters", [])
                group = operation.get("tags", ["api"])[0]
                groups.setdefault(group, []).append(_operation(path, method, operation, shared))
    named = {tag["name"]: tag.get("description", "") for tag in spec.get("tags", [])}
    return render_template(
        "docs/page.html", groups=groups, descriptions=named, schemas=spec["components"].get("schemas", {})
    )


def _operation(path: str, method: str, operation: dict[str, Any], shared: list[dict[str, Any]]) -> dict[str, Any]:
    body = operation.get("requestBody", {}).get("content", {})
    return {
        "path": path,
        "method": method.upper(),
        "summary": operation.get("summary", ""),
        "description": operation.get("description", ""),
        "parameters": [one for one in (*shared, *operation.get("parameters", [])) if "name" in one],
        "takes": [_name(content) for content in body.values()],
        "answers": {
            status: [_name(content) for content in told.get("content", {}).values()]
            for status, told in operation["responses"].items()
            if status.startswith("2")
        },
    }


def _name(content: dict[str, Any]) -> str:
    reference = content.get("schema", {}).get("$ref", "")
    return str(reference.rsplit("/", 1)[-1])
