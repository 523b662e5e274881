"""`neaptide api METHOD PATH field=value …`: any call of the API from a terminal, as a member of staff.

Promises the very call that a machine or a page makes: the application's own views run in this
process, with the rights of that account, the same rules, errors and audit lines; each of its
lines tells the system user who typed it. So nothing that the API can do needs a command of its own.
"""

from __future__ import annotations

import json
import re
import sys
import uuid
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import click
from flask import Flask
from sqlalchemy.orm import Session
from werkzeug.exceptions import HTTPException
from werkzeug.routing import Rule

from service.app import create_app
from service.commands import opening
from service.commands.opening import Console, with_console
from service.domain.validation import Refused
from service.store.tables import Staff
from service.terminal import Ends, is_for_machine, tell_items
from service.web.api.description import METHODS, description, operations

PREFIX = "/api/v1"
STDIN = "-"
SECRET_FIELDS = {"password"}
FORM = "field=value, where field is one of the call's"


def _list_routes(context: click.Context, _option: click.Parameter, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        _print_routes()
        context.exit()


def _print_routes() -> None:
    routes = [
        {"method": method.upper(), "path": path.removeprefix(PREFIX), "summary": operation["summary"]}
        for path, method, operation, _ in operations(description())
    ]
    if is_for_machine():  # which --routes comes before
        tell_items(routes)
        return
    for route in routes:
        click.echo(f"{route['method']:<6} {route['path']}  {route['summary']}".rstrip())


@click.command("api")
@click.argument("method", type=click.Choice([method.upper() for method in METHODS], case_sensitive=False))
@click.argument("path")
@click.argument("fields", metavar="[FIELD=VALUE]...", nargs=-1)
@click.option("--as", "email", required=True, help="The account whose rights count, by its e-mail address.")
@click.option("--file", help="The body as JSON from this file; - is standard input.")
@click.option("--key", help="Idempotency-Key: the same call with the same key is done once.")
@click.option(
    "--routes", is_flag=True, is_eager=True, expose_value=False, callback=_list_routes,
    help="List every METHOD and PATH with what it does.",
)  # fmt: skip
@click.option(
    "--json", is_flag=True, expose_value=False,
    help="Tell --routes as one JSON document, and what cannot be understood as well; answers of the API are JSON.",
)  # fmt: skip
@with_console
def api(
    console: Console, method: str, path: str, fields: tuple[str, ...], email: str, file: str | None, key: str | None
) -> None:
    """Call the API as a member of staff, in this process: no web server need run.

    PATH is below /api/v1, such as /patients. Behind `patients`, and as the value of a field
    `patient`, the clinic's own reference may stand in place of the id. VALUE is text, or a
    number, true, false, null or list as JSON where the field is one; a field given twice is a list;
    @FILE takes the value from a file and @- from standard input, which passwords must.
    GET and DELETE take fields as filters.

    \b
      neaptide api GET /patients --as noa@clinic.example
      neaptide api POST /patients/FM-101/consents kind=messages given=true how='signed form' --as …

    Prints what the call answers. Exit code 1 with the problem on standard error when it is
    refused, 2 when the command cannot be understood. Its audit line names the account and
    the system user who typed it. /docs and --routes tell the routes.
    """
    if file is not None and fields:
        raise Refused("file", file, "--file or fields, not both")
    if file is not None and method in {"GET", "DELETE"}:
        raise Refused("file", file, "fields, for GET and DELETE")
    with console.read() as session:
        account = opening.account_of(session, email)
        if not account.active:
            raise Refused("as", email, "the address of an open account")
        path = _path(session, account, path)
    app = create_app(console.settings, console.terminal, console.clock, console.transports(), at_terminal=account.id)
    asked: dict[str, Any] = {"headers": {"Idempotency-Key": key} if key is not None else {}}
    values = _values(app, method, path, fields)
    if method in {"GET", "DELETE"}:
        asked["query_string"] = values or None
    else:
        body = json.dumps(values) if file is None else _read(file)
        asked |= {"data": body.encode("utf-8"), "content_type": "application/json"}
    answer = app.test_client().open(path, method=method, base_url=console.settings.base_url, **asked)
    app.extensions["neaptide"].trail.stop()
    _print(answer.status_code, answer.mimetype or "", answer.get_data())


def _path(session: Session, account: Staff, given: str) -> str:
    """The whole path, with the patient's id where the clinic's own reference stood."""
    words = ("/" + given.lstrip("/")).removeprefix(PREFIX).split("/")
    for place, word in enumerate(words[1:], 1):
        if words[place - 1] == "patients" and not _is_id(word):
            words[place] = str(opening.patient_of(session, str(account.clinic_id), word).id)
    return PREFIX + "/".join(words)


def _is_id(word: str) -> bool:
    with suppress(ValueError):
        return uuid.UUID(word) is not None
    return False


def _values(app: Flask, method: str, path: str, fields: Iterable[str]) -> dict[str, Any]:
    """The fields as plain values of the types that the API's own description asks for."""
    schemas = _schemas(app, method, path)
    values: dict[str, Any] = {}
    for pair in fields:
        name, equals, text = pair.partition("=")
        if not equals or not name:
            raise Refused("fields", pair, FORM)
        if text.startswith("@"):
            text = _read(text[1:]).rstrip("\n")
        elif name in SECRET_FIELDS:
            raise Refused(name, "(hidden)", f"{name}=@FILE or {name}=@-: an argument can be read by others")
        value = _typed(text, schemas.get(name, {}))
        if name not in values:
            values[name] = [value] if _takes(schemas.get(name, {}), "array") and not _is_whole(value) else value
        else:
            values[name] = [*(values[name] if isinstance(values[name], list) else [values[name]]), value]
    return values


def _schemas(app: Flask, method: str, path: str) -> Mapping[str, Mapping[str, Any]]:
    """What the API's description says of each field of this call; nothing for one that it does not know."""
    try:
        rule, _ = app.url_map.bind("").match(path.partition("?")[0], method, return_rule=True)
    except HTTPException:
        return {}  # the application itself says what is wrong
    described = description()
    operation = described["paths"].get(_described(rule), {}).get(method.lower(), {})
    for content in operation.get("requestBody", {}).get("content", {}).values():
        shape = content["schema"]
        shape = described["components"]["schemas"].get(shape.get("$ref", "").rpartition("/")[2], shape)
        properties: Mapping[str, Mapping[str, Any]] = shape.get("properties", {})
        return properties
    return {}


def _described(rule: Rule) -> str:
    return re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule)


def _typed(text: str, schema: Mapping[str, Any]) -> Any:
    """The text itself for a field of text; for others what it means as JSON, or itself for the API to refuse."""
    is_text = _takes(schema, "string") or not schema.get("type")
    if is_text and not (text == "null" and _takes(schema, "null")):
        return text
    if _takes(schema, "array") and not text.startswith("[") and text != "null":
        return _typed(text, schema.get("items", {}))
    with suppress(ValueError):
        return json.loads(text)
    return text


def _takes(schema: Mapping[str, Any], kind: str) -> bool:
    kinds = schema.get("type", [])
    return kind in ([kinds] if isinstance(kinds, str) else kinds)


def _is_whole(value: Any) -> bool:
    return value is None or isinstance(value, list)


def _read(file: str) -> str:
    try:
        return sys.stdin.read() if file == STDIN else Path(file).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise Refused("file", file, "a file in UTF-8 that can be read, or - for standard input") from None


def _print(status: int, mimetype: str, body: bytes) -> None:
    is_bad = status >= 400
    if mimetype.endswith("json"):
        click.echo(json.dumps(json.loads(body), ensure_ascii=False, indent=2), err=is_bad)
    elif body:
        click.echo(body, nl=False, err=is_bad)
    if is_bad:
        sys.exit(Ends.NOT_DONE)
