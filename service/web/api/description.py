"""The one description of the API (OpenAPI 3.1), for `/openapi.json`, `/docs`, generated clients and `neaptide api`.

Promises that every operation has a name, a sentence, who may call it, each answer it can give and an example; that
every field says what it means, in which unit and what it may hold; and that a field of an answer is always there
unless the description says otherwise. Made from the views and their schemas: what each field means stands in
`meanings.toml`, the examples in `examples.json`, which a test makes by calling each operation.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from flask import Flask
from flask_smorest import Api
from marshmallow import fields

from service.domain.readings import RANGES
from service.web.api import (
    callbacks,
    clinic,
    doors,
    enrolment,
    files,
    intake,
    inviting,
    keeping,
    openings,
    people,
    plans,
    record,
    review,
    tokens,
    transfers,
    watching,
)
from service.web.api.base import AsSent, ProblemDetails
from service.web.api.guards import LONGEST_KEY
from service.web.problems import KINDS

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
    keeping.blueprint,
    clinic.accounts_blueprint,
    doors.blueprint,
    clinic.wordings_blueprint,
    tokens.blueprint,
    callbacks.blueprint,
)
TITLE = "Neaptide"
VERSION = "v1"
DESCRIPTION = """The API under /api/v1: machines enrol, send readings and check-ins, and read what the review reads.

A POST with an `Idempotency-Key` may be sent again: it is done once, and answers as it did. A list is read in pages, or
by arrival with `updated_since`: begin with `start`, keep the `cursor` of each answer for the next call, and ask again
at once while `more` is true. A row comes again whenever it changed, and none is missed. The few lists without it are
worked out for the moment of the call: no row of theirs arrives, and their `ETag` tells whether anything is new. Answers
to GET carry an `ETag`: sent back as `If-None-Match`, it gets 304 where nothing changed. What asks a person to show once
more that it is they (`x-confirm`) a key does only where it has the scope for it, which somebody gave it who had shown
just that. Errors are problem details (RFC 9457); /problems lists every kind. Instants have an offset (RFC 3339), dates
are local to the patient, pressures are in mmHg.
"""
METHODS = ("get", "post", "put", "patch", "delete")
MEANINGS = Path(__file__).with_name("meanings.toml")
EXAMPLES = Path(__file__).with_name("examples.json")
# What is not in every answer, beside what an answer may be without as a whole.
OF_NULL = re.compile(r"; [^;.]*\bnull\b[^;.]*")  # what a meaning says of it, at its end
MAY_BE_ABSENT = {
    "ProblemDetails": {"detail", "errors"},
    "ProblemError": {"line"},
    "BatchRowOut": {"id", "errors"},
}
ALWAYS = ("500", "503", "507")
# Numbers of answers are counts, places and measures, from 0 on. But for pressures, which a sensor tells from below it,
# and for what is a change, or was worked out and is no measure.
LEAST: Mapping[str, float | None] = {
    **dict.fromkeys(
        ("pa_diastolic", "pa_mean", "reference", "level_before", "ProposalOut.value"), RANGES["pa_diastolic"][0]
    ),
    **dict.fromkeys(("change_kg", "extra_pillows", "offset_mmhg", "level", "newest_level"), None),
}


class ProblemApi(Api):  # type: ignore[misc]
    """flask-smorest, with RFC 9457 in place of its own error bodies."""

    ERROR_SCHEMA = ProblemDetails

    def _register_error_handlers(self) -> None:
        """Errors are the application's: pages and API answer differently. See `service.web.problems`."""


@cache
def description() -> dict[str, Any]:
    """What the API takes and answers; not to be changed.

    It is the same for every application, and made when first asked for: of an
    application's start it took half, and few ask.
    """
    app = Flask(__name__)
    app.config.update(API_TITLE=TITLE, API_VERSION=VERSION, OPENAPI_VERSION="3.1.0")
    api = ProblemApi(app, spec_kwargs={"info": {"description": DESCRIPTION}})
    api.ma_plugin.converter.add_attribute_function(_shape_of_rows)
    api.spec.components.security_scheme(
        "key", {"type": "http", "scheme": "bearer", "description": "A machine's key; the scopes it needs are listed."}
    )
    api.spec.components.security_scheme(
        "session",
        {
            "type": "apiKey",
            "in": "cookie",
            "name": "neaptide",
            "description": "A member of staff signed in; the right it needs is listed. Where `x-confirm` is true, they"
            " show once more that it is they (/confirm).",
        },
    )
    for blueprint in BLUEPRINTS:
        api.register_blueprint(blueprint)
    if "ProblemDetails" not in api.spec.components.schemas:
        api.spec.components.schema("ProblemDetails", schema=ProblemDetails)
    described: dict[str, Any] = api.spec.to_dict()
    described["components"]["responses"] = {f"Problem{kind.status}": _problem(kind.status) for kind in KINDS.values()}
    _name_tags(described)
    meanings = tomllib.loads(MEANINGS.read_text(encoding="utf-8"))
    _describe_shapes(described, meanings)
    examples = json.loads(EXAMPLES.read_text(encoding="utf-8")) if EXAMPLES.exists() else {}
    for _path, method, operation, shared in operations(described):
        _describe_asked(operation, shared, method, meanings["asked"])
        _describe_answers(operation, shared, method)
        _show_example(operation, examples.get(operation["operationId"], {}))
    described["servers"] = [{"url": "/", "description": "The service that this description comes from."}]
    _keep_what_is_used(described)
    return described


def operations(described: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any], list[dict[str, Any]]]]:
    """Each operation: path, method, what is said of it, and the parameters of its path."""
    for path, ways in described["paths"].items():
        for method in METHODS:
            if method in ways:
                yield path, method, ways[method], ways.get("parameters", [])


# --- shapes ---------------------------------------------------------------------------------


def _shape_of_rows(converter: Any, field: fields.Field[Any], ret: dict[str, Any], **_: Any) -> dict[str, Any]:
    """A `AsSent` is taken as it is, and described by the schema that each is judged by."""
    if not isinstance(field, AsSent):
        return {}
    ret.clear()
    shape: dict[str, Any] = converter.resolve_nested_schema(field.shape)
    return shape


def _name_tags(described: dict[str, Any]) -> None:
    words = {tag["name"]: tag["description"] for tag in described["tags"]}
    described["tags"] = [{"name": word} for word in words.values()]
    for _path, _method, operation, _ in operations(described):
        operation["tags"] = [words[tag] for tag in operation["tags"]]


def _describe_shapes(described: dict[str, Any], meanings: Mapping[str, Mapping[str, str]]) -> None:
    shapes = described["components"]["schemas"]
    shapes.pop("PaginationMetadata", None)
    answers = reached({"a": [ways for _, _, ways, _ in _answering(described)]}, shapes) | {"ProblemDetails"}
    answers |= reached(shapes["ProblemDetails"], shapes)
    for name, shape in shapes.items():
        properties, own = shape.get("properties", {}), _own_meanings(meanings, name)
        for field, said in list(properties.items()):
            _complete(said)
            if name in answers:
                _begin_at(said, LEAST.get(f"{name}.{field}", LEAST.get(field, 0)))
            if "description" not in said:
                meaning = own.get(field) or meanings["fields"].get(field, "")
                properties[field] = _with_meaning(said, meaning if may_be_null(said) else OF_NULL.sub("", meaning))
        if name in answers and properties:
            shape["required"] = sorted(set(properties) - MAY_BE_ABSENT.get(name, set()))


def _answering(described: dict[str, Any]) -> Iterator[tuple[str, str, Any, Any]]:
    for path, method, operation, shared in operations(described):
        good = [said for status, said in operation["responses"].items() if str(status).startswith("2")]
        yield path, method, good, shared


def _own_meanings(meanings: Mapping[str, Mapping[str, str]], shape: str) -> dict[str, str]:
    said = dict(meanings.get(shape, {}))
    return (_own_meanings(meanings, said["like"]) if "like" in said else {}) | said


def may_be_null(said: Mapping[str, Any]) -> bool:
    """Whether a field can be null, as it is described; one of no type at all can be anything."""
    kinds = [said, *said.get("anyOf", ())]
    return any("null" in kind.get("type", ()) for kind in kinds) or not {"type", "anyOf", "allOf", "$ref"} & said.keys()


def _with_meaning(said: dict[str, Any], meaning: str) -> dict[str, Any]:
    """What stands beside a reference is not read by every generator: the reference goes into a list of its own."""
    if "$ref" in said:
        return {"allOf": [said], "description": meaning}
    return {**said, "description": meaning}


def _complete(said: dict[str, Any]) -> None:
    """Words have a type, too; what an answer alone has needs no mark of it."""
    said.pop("readOnly", None)
    if "enum" in said and "type" not in said:
        said["type"] = ["string", "null"] if None in said["enum"] else "string"
    for below in ("items", "additionalProperties"):
        if isinstance(said.get(below), dict):
            _complete(said[below])


def _begin_at(said: dict[str, Any], least: float | None) -> None:
    """A number that the schema bounds by nothing has this as its least."""
    if {"integer", "number"} & {*_kinds(said)} and least is not None:
        said.setdefault("minimum", least)
    for below in ("items", "additionalProperties"):
        if isinstance(said.get(below), dict):
            _begin_at(said[below], least)


def _kinds(said: Mapping[str, Any]) -> list[str]:
    kinds = said.get("type", [])
    return [kinds] if isinstance(kinds, str) else list(kinds)


def reached(said: Any, shapes: Mapping[str, Any]) -> set[str]:
    """The names of all shapes that are named by what is said, or by one of these."""
    found: set[str] = set()
    waiting = [said]
    while waiting:
        for name in re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(waiting.pop())):
            if name not in found:
                found.add(name)
                waiting.append(shapes[name])
    return found


def _keep_what_is_used(described: dict[str, Any]) -> None:
    parts = described["components"]
    used = reached([described["paths"], parts["responses"]], parts["schemas"])
    parts["schemas"] = {name: shape for name, shape in parts["schemas"].items() if name in used}


# --- operations -----------------------------------------------------------------------------


def _describe_asked(
    operation: dict[str, Any], shared: list[dict[str, Any]], method: str, meanings: Mapping[str, str]
) -> None:
    asked = operation.setdefault("parameters", [])
    is_open = operation.get("security") == []
    if method == "post" and not is_open:
        key = {"type": "string", "minLength": 1, "maxLength": LONGEST_KEY}
        asked.append({"in": "header", "name": "Idempotency-Key", "required": False, "schema": key})
    if method == "get":
        asked.append({"in": "header", "name": "If-None-Match", "required": False, "schema": {"type": "string"}})
    for parameter in (*shared, *asked):
        _complete(parameter.get("schema", {}))
        if "description" not in parameter:
            name = parameter["name"]
            of_path = f"The id of the {name.removesuffix('_id').replace('_', ' ')}."
            parameter["description"] = (
                of_path if parameter["in"] == "path" and name not in meanings else meanings.get(name, "")
            )
        if parameter["in"] == "path" and parameter["name"] == "patient_id":
            parameter["description"] = "The patient's id."
    if not asked:
        del operation["parameters"]


def _describe_answers(operation: dict[str, Any], shared: list[dict[str, Any]], method: str) -> None:
    """Each status that the operation can answer, in order."""
    answers = operation["responses"]
    answers.pop("default", None)
    good = {status: said for status, said in answers.items() if str(status).startswith("2")}
    for said in good.values():
        said["description"] = operation["summary"] if said["description"] in {"OK", "Created"} else said["description"]
    bad = dict.fromkeys(ALWAYS)
    if operation.get("security") != []:
        bad |= dict.fromkeys(("401", "403"))
    takes_body, asked = "requestBody" in operation, operation.get("parameters", [])
    if takes_body or method == "post":
        bad |= dict.fromkeys(("400", "413", "415"))
    if takes_body or any(one["in"] == "query" or one["name"] == "Idempotency-Key" for one in asked):
        bad |= dict.fromkeys(("422",))
    if shared or any(one["name"] == "patient_id" for one in asked) or takes_body:
        bad |= dict.fromkeys(("404",))
    if method != "get":
        bad |= dict.fromkeys(("409",))
    else:
        good["304"] = {"description": "Nothing changed since the answer with that `ETag`."}
        for status, said in good.items():
            if status != "304":
                said["headers"] = {"ETag": {"description": "A mark of this answer.", "schema": {"type": "string"}}}
    problems = {status: {"$ref": f"#/components/responses/Problem{status}"} for status in sorted(bad)}
    operation["responses"] = dict(sorted(good.items())) | problems


def _problem(status: int) -> dict[str, Any]:
    of_status = [kind for kind in KINDS.values() if kind.status == status]
    answer: dict[str, Any] = {
        "description": "; or: ".join(f"{kind.title} (`{kind.name}`)" for kind in of_status),
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
    }
    if status in {503, 507}:
        after = {"description": "Seconds to wait.", "schema": {"type": "string"}}
        answer["headers"] = {"Retry-After": after}
    return answer


def _show_example(operation: dict[str, Any], example: Mapping[str, Any]) -> None:
    """The example that a test made by calling the operation: what it sent, and what came back."""
    if not example:
        return
    for content in _contents([operation.get("requestBody", {})]):
        content["example"] = example["takes"]
    for content in _contents([operation["responses"].get(str(example.get("status")), {})]):
        if example["answers"] is not None:  # a file has none
            content["example"] = example["answers"]
    for parameter in operation.get("parameters", ()):
        if parameter["name"] in example.get("asks", {}):
            parameter["example"] = example["asks"][parameter["name"]]


def _contents(said: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for one in said:
        yield from one.get("content", {}).values()
