"""What every view of the API is made of: fields, shapes of answers, lists in pages.

Promises that no text that a database cannot keep comes in, that lists come in a fixed order
and say how long they are, and that a mistyped filter is refused.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Sequence
from datetime import datetime, time
from functools import cache, wraps
from json import JSONDecodeError
from types import NoneType
from typing import Any, TypeVar, cast, get_args, get_origin, get_type_hints

import flask_smorest
from flask import g
from marshmallow import RAISE, Schema, fields, validate
from sqlalchemy import ColumnElement, Select, func, literal_column, select
from sqlalchemy.orm import Mapped, Session
from webargs.flaskparser import FlaskParser

from service.domain.validation import is_storable
from service.store import arrivals
from service.store.session import read_session
from service.store.tables import Patient
from service.web import trail
from service.web.api.guards import idempotent
from service.web.auth import own_patient
from service.web.frame import page_language
from service.web.problems import Problem
from service.web.services import services
from service.words.language import Language

View = TypeVar("View", bound=Callable[..., Any])


# --- fields ---------------------------------------------------------------------------------


class Text(fields.String):
    """Text without NUL, which PostgreSQL cannot keep, and without halves of surrogate pairs."""

    default_error_messages = {"unstorable": "text without NUL characters or halves of surrogate pairs"}

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        text: str = super()._deserialize(value, attr, data, **kwargs)
        if not is_storable(text):
            raise self.make_error("unstorable")
        return text


def text(longest: int, *, required: bool = True, **options: Any) -> Text:
    return Text(required=required, validate=validate.Length(max=longest), **options)


def whole(least: int, most: int, **options: Any) -> fields.Integer:
    return fields.Integer(strict=True, validate=validate.Range(least, most), **options)


def asked(least: int, most: int, **options: Any) -> fields.Integer:
    """A whole number in an address, where everything is text."""
    return fields.Integer(validate=validate.Range(least, most), **options)


def number(least: float, most: float, **options: Any) -> fields.Float:
    return fields.Float(allow_nan=False, validate=validate.Range(least, most), **options)


def measured(ends: tuple[float, float], **options: Any) -> fields.Float:
    """A number that the domain judges, in the unit it came in: it says better what is accepted than a schema could."""
    least, most = ends
    return fields.Float(allow_nan=False, metadata={"minimum": least, "maximum": most}, **options)


def word(vocabulary: type[Any], **options: Any) -> fields.Enum[Any]:
    return fields.Enum(vocabulary, by_value=True, **options)


class TimeOfDay(fields.Time):
    """A time on a wall clock, in hours and minutes, and seconds or none: without an offset, since it is of no day."""

    PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$"
    default_error_messages = {"invalid": "a time of day such as 07:30"}

    def __init__(self, **options: Any) -> None:
        super().__init__(**options, metadata={"pattern": self.PATTERN})

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if not isinstance(value, str) or not re.fullmatch(self.PATTERN, value):
            raise self.make_error("invalid")
        return super()._deserialize(value, attr, data, **kwargs)


def yes_no(**options: Any) -> fields.Boolean:
    """True or false themselves: no word or number is taken for them."""
    return fields.Boolean(truthy={True}, falsy={False}, **options)


def instant(**options: Any) -> fields.AwareDateTime:
    return fields.AwareDateTime(format="iso", **options)


class AsSent(fields.Dict):
    """An object that is taken as it is and judged apart, as `shape` describes it."""

    def __init__(self, shape: type[Schema]) -> None:
        super().__init__()
        self.shape = shape


def said(make: Callable[[Language, Any], Any], **described: Any) -> fields.Function:
    """What `make` says of the object that is shown, in the language of whoever asks: text, unless described as else."""
    return fields.Function(lambda shown: make(page_language(), shown), metadata={"type": "string"} | described)


class Page(Schema):
    """Which part of a list."""

    page = asked(1, 100_000, load_default=1)
    page_size = asked(1, 200, load_default=50)


class Listed(Page):
    """Which part of a list, in pages or by arrival."""

    updated_since = text(60, required=False)


class Dates(Listed):
    """A list between two local dates, both included and either left out."""

    from_date = fields.Date()
    to_date = fields.Date()


class ProblemError(Schema):
    """One field that was at fault."""

    field = fields.String()
    value = fields.Raw(allow_none=True)
    accepted = fields.String()
    line = fields.Integer()


class ProblemDetails(Schema):
    """RFC 9457."""

    type = fields.String()
    title = fields.String()
    status = fields.Integer()
    detail = fields.String()
    instance = fields.String()
    errors = fields.List(fields.Nested(ProblemError))


class Nothing(Schema):
    """A POST that says all it has to say by its address."""


@cache
def listing(item: type[Schema]) -> Schema:
    """The schema of one page of a list of `item`."""
    named: dict[str, Any] = {
        "items": fields.List(fields.Nested(item)),
        "page": fields.Integer(allow_none=True),
        "page_size": fields.Integer(),
        "total": fields.Integer(allow_none=True),
        "cursor": fields.String(allow_none=True),
        "more": fields.Boolean(),
    }
    return Schema.from_dict(named, name=f"{item.__name__}List")()


# --- shapes of answers ----------------------------------------------------------------------

ANSWERED: dict[Any, Callable[..., fields.Field[Any]]] = {
    **Schema.TYPE_MAPPING, datetime: instant, time: TimeOfDay, dict: fields.Dict,
}  # fmt: skip


def shows(name: str, kind: type, names: str, **own: type[Schema] | fields.Field[Any]) -> type[Schema]:
    """The schema `name` of an answer that shows these attributes of a table's row, or of a dataclass, in this order.

    Each is of the type that `kind` annotates it with; `summary.today` is shown as `today`. `own` holds
    the schema of what is a dataclass itself, and the fields that are made in another way.
    """
    made = {one: field for one, field in own.items() if isinstance(field, fields.Field)}
    shown: dict[str, Any] = {}
    for path in names.split():
        last = path.rpartition(".")[2]
        shown[last] = made.get(last) or _answered(_type_at(kind, path), own.get(last), attribute=path)
    return Schema.from_dict(shown | made, name=name)


def _answered(kind: Any, shape: Any, **options: Any) -> fields.Field[Any]:
    parts = get_args(kind)
    if NoneType in parts:
        (known,) = (part for part in parts if part is not NoneType)
        return _answered(known, shape, allow_none=True, **options)
    if get_origin(kind) is tuple:
        return fields.List(_answered(parts[0], shape), **options)
    if shape is not None:
        return fields.Nested(shape, **options)
    plain = get_origin(kind) or kind
    return ANSWERED[plain](**options) if plain in ANSWERED else word(plain, **options)


def _type_at(kind: Any, path: str) -> Any:
    for name in path.split("."):
        hints = _types(kind)
        kind = hints[name] if name in hints else _types(getattr(kind, name).fget)["return"]
        if get_origin(kind) is Mapped:
            (kind,) = get_args(kind)
    return kind


_types = cache(get_type_hints)
MOST_BYTES = 4 * 1024 * 1024  # of one request: a batch of 1,000 readings is a quarter of it
MOST_COUNTED = 1000  # rows of a list: of more, nobody is told how many


# --- lists ----------------------------------------------------------------------------------


def list_rows(
    query: dict[str, Any],
    table: Any,
    *order: Any,
    patient_id: uuid.UUID | None = None,
    only: Sequence[ColumnElement[bool]] = (),
) -> dict[str, Any]:
    """One page of the clinic's rows of `table` in that order: of one patient or of all, and those every filter fits.

    `query` is what the address asked for: a page, and filters (a column's value; `from_date` and
    `to_date`, both included; `open`; a `patient_id`). `only` holds conditions beyond these. With `updated_since`
    rows come by arrival in place of pages. Raises NotFound for another clinic's patient.
    """
    page, size = query["page"], query["page_size"]
    filters = {name: value for name, value in query.items() if name not in {"page", "page_size", "updated_since"}}
    if patient_id is not None:
        filters["patient_id"] = patient_id
    wanted = select(table).where(table.clinic_id == g.clinic_id)
    with read_session(services().engine) as session:
        if "patient_id" in filters:
            own_patient(session, filters["patient_id"])
        wanted = wanted.where(*only, *(_fits(table, name, value) for name, value in filters.items()))
        if "updated_since" in query:
            return _by_arrival(session, wanted, table, query)
        total = _counted(session, wanted)
        some = wanted.order_by(*order, table.id).limit(size + 1).offset((page - 1) * size)
        rows = session.scalars(some).all()
    more, rows = len(rows) > size, rows[:size]
    _tell_of(table, rows)
    return {"items": rows, "total": total, "page": page, "page_size": size, "cursor": None, "more": more}


def _counted(session: Session, wanted: Select[Any]) -> int | None:
    """How many rows there are; None for more than `MOST_COUNTED`: a page costs the same whatever stands behind it."""
    some = wanted.limit(MOST_COUNTED + 1)
    rows: Select[Any] = some.with_only_columns(literal_column("1"), maintain_column_froms=True)
    number = session.scalar(select(func.count()).select_from(rows.subquery())) or 0
    return number if number <= MOST_COUNTED else None


def told(
    session: Session,
    query: dict[str, Any],
    wanted: Select[Any],
    table: Any,
    shown: Callable[[Sequence[uuid.UUID] | None], Sequence[Any]],
) -> dict[str, Any]:
    """A list of what `shown` makes of rows, of which there are a few dozen at most.

    A page of what it shows of itself; with `updated_since`, what it shows of the rows of `table` that `wanted` asks
    for and that came or changed since: also those that count no more, so that whoever has one is told.
    """
    if "updated_since" not in query:
        return part_of(shown(None), query)
    found = _by_arrival(session, wanted, table, query)
    return found | {"items": shown([row.id for row in found["items"]])}


def _by_arrival(session: Session, wanted: Select[Any], table: Any, query: dict[str, Any]) -> dict[str, Any]:
    """Raises Problem 422 for a cursor that was given out by no database that this one continues."""
    since = arrivals.read_cursor("updated_since", query["updated_since"])
    try:
        rows, cursor, more = arrivals.arrived(session, wanted, table, since, query["page_size"])
    except LookupError:
        said = "updated_since: this database has not given out such a cursor; begin with start."
        raise Problem(422, said, kind="begin-again") from None
    _tell_of(table, rows)
    size = query["page_size"]
    return {"items": rows, "total": None, "page": None, "page_size": size, "cursor": str(cursor), "more": more}


def _tell_of(table: Any, rows: Sequence[Any]) -> None:
    whose = [row.id if table is Patient else getattr(row, "patient_id", None) for row in rows]
    trail.of_many(len({*whose} - {None}))


def part_of(rows: Sequence[Any], query: dict[str, Any]) -> dict[str, Any]:
    """The page that `query` asks for of rows that are read whole, where there are a few dozen at most."""
    page, size = query["page"], query["page_size"]
    items = list(rows[(page - 1) * size : page * size])
    more = page * size < len(rows)
    return {"items": items, "total": len(rows), "page": page, "page_size": size, "cursor": None, "more": more}


def _fits(table: Any, name: str, value: Any) -> ColumnElement[bool]:
    match name:
        case "from_date":
            fits = table.local_date >= value
        case "to_date":
            fits = table.local_date <= value
        case "open":
            fits = table.ended_at.is_(None) if value else table.ended_at.is_not(None)
        case _:
            fits = getattr(table, name) == value
    return cast(ColumnElement[bool], fits)


# --- a group of addresses -------------------------------------------------------------------


class StrictParser(FlaskParser):
    """webargs' parser; refuses what it does not know in an address as in a body, and what breaks a JSON reader."""

    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, Any] = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, "query": RAISE}

    def _raw_load_json(self, req: Any) -> Any:
        try:
            return super()._raw_load_json(req)
        except (JSONDecodeError, UnicodeDecodeError):
            raise  # told by the parser itself
        except (ValueError, RecursionError):
            raise Problem(400, "The body is nested too deeply, or a number in it is too long.") from None


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """flask-smorest's blueprint, with who may call, and our two shapes of a view: a page of a list, and a write."""

    ARGUMENTS_PARSER = StrictParser()

    def __init__(self, name: str, description: str) -> None:
        super().__init__(f"api_{name}", __name__, url_prefix="/api/v1", description=description)

    def route(self, rule: str, *, allowed: Callable[[], None], **options: Any) -> Callable[[View], View]:
        """The view of an address; `allowed` lets in who may call it, so that none is open by oversight."""

        def decorate(view: View) -> View:
            @wraps(view)
            def guarded(*args: Any, **kwargs: Any) -> Any:
                allowed()
                return view(*args, **kwargs)

            guarded.needs = getattr(allowed, "right", None)  # type: ignore[attr-defined]  # what a test walks over
            guarded.scope = scope = getattr(allowed, "scope", None)  # type: ignore[attr-defined]
            guarded.fresh = fresh = getattr(allowed, "fresh", False)  # type: ignore[attr-defined]
            rights = [guarded.needs.value] if guarded.needs else []  # type: ignore[attr-defined]
            security = [*([] if scope is None else [{"key": [scope.value]}]), {"session": rights}]
            told = getattr(view, "_apidoc", {})
            said = {"operationId": view.__name__, "security": security} | ({"x-confirm": True} if fresh else {})
            said |= told.get("manual_doc", {})
            guarded._apidoc = {**told, "manual_doc": said}  # type: ignore[attr-defined]  # what the description is made of
            return cast(View, registered(guarded))

        registered = super().route(rule, **options)
        return decorate

    def arguments(self, schema: type[Schema] | Schema, **options: Any) -> Any:
        """As flask-smorest has it; a schema is made once, where webargs would make a class's anew for each request."""
        return super().arguments(schema() if isinstance(schema, type) else schema, **options)

    def lists(self, item: type[Schema], query: type[Schema] = Listed) -> Callable[[View], View]:
        """A view that gets `query`'s arguments and returns a page of `item`s, as `list_rows` makes it."""

        def decorate(view: View) -> View:
            return cast(View, self.arguments(query, location="query")(self.response(200, listing(item))(view)))

        return decorate

    def writes(
        self,
        answer: type[Schema],
        status: int = 200,
        *,
        takes: type[Schema] | None = None,
        kept: bool = True,
        there: str = "",
        together: bool = False,
    ) -> Callable[[View], View]:
        """A view that changes something in one transaction: `guards.idempotent`, with what it takes and answers.

        The view gets its `Call`, then what `takes` shaped, if it takes anything. `there` says when it answers 200
        in place of `status`, since what was sent is there already.
        """

        def decorate(view: View) -> View:
            done = self.response(status, answer)(idempotent(answer(), status, kept=kept, together=together)(view))
            if there:
                done = self.alt_response(200, schema=answer, description=there, success=True)(done)
            return cast(View, self.arguments(takes or Nothing, as_kwargs=takes is None)(done))

        return decorate
