"""What every view of the API is made of: fields, one record of the caller's clinic, lists in pages, addresses.

Promises that no text that a database cannot keep comes in, that another clinic's record
is answered like one that is not there, that lists come in a fixed order and say how long
they are, and that a mistyped filter is refused.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from functools import cache
from json import JSONDecodeError
from typing import Any, TypeVar, cast

import flask_smorest
from flask import g
from marshmallow import RAISE, Schema, fields, validate
from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session
from webargs.flaskparser import FlaskParser

from service.domain.validation import is_storable
from service.store.session import read_session
from service.store.tables import Base, Clinic, Patient
from service.web.api.guards import idempotent
from service.web.frame import page_language
from service.web.problems import Problem
from service.web.services import services
from service.words.language import Language

T = TypeVar("T", bound=Base)
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


def word(vocabulary: type[Any], **options: Any) -> fields.Enum[Any]:
    return fields.Enum(vocabulary, by_value=True, **options)


def instant(**options: Any) -> fields.AwareDateTime:
    return fields.AwareDateTime(format="iso", **options)


class Words(fields.String):
    """A sentence made from facts, in the language of whoever asks.

    `make` gets the language and the attribute's value, or with `whole` the object itself.
    """

    def __init__(self, make: Callable[[Language, Any], str | None], *, whole: bool = False, **settings: Any) -> None:
        super().__init__(dump_only=True, **settings)
        self.make = make
        self.whole = whole

    def get_value(self, obj: Any, attr: str, *rest: Any, **more: Any) -> Any:
        return obj if self.whole else super().get_value(obj, attr, *rest, **more)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **more: Any) -> str | None:
        return self.make(page_language(), value)


class WordsList(fields.List[Any]):
    """Sentences made from facts, in the language of whoever asks."""

    def __init__(self, make: Callable[[Language, Any], list[str]], **settings: Any) -> None:
        super().__init__(fields.String(), dump_only=True, **settings)
        self.make = make

    def _serialize(self, value: Any, attr: str | None, obj: Any, **more: Any) -> list[str]:
        return self.make(page_language(), value)


class Page(Schema):
    """Which part of a list."""

    page = asked(1, 100_000, load_default=1)
    page_size = asked(1, 200, load_default=50)


class Dates(Page):
    """A list between two local dates, both included and either left out."""

    from_date = fields.Date()
    to_date = fields.Date()


class ProblemDetails(Schema):
    """RFC 9457."""

    type = fields.String()
    title = fields.String()
    status = fields.Integer()
    detail = fields.String()
    instance = fields.String()
    errors = fields.List(fields.Dict())


class Nothing(Schema):
    """A POST that says all it has to say by its address."""


@cache
def listing(item: type[Schema]) -> Schema:
    """The schema of one page of a list of `item`."""
    named: dict[str, Any] = {
        "items": fields.List(fields.Nested(item)),
        "page": fields.Integer(),
        "page_size": fields.Integer(),
        "total": fields.Integer(),
    }
    return Schema.from_dict(named, name=f"{item.__name__}List")()


# --- records of the caller's clinic: no other way reaches one by its id ---------------------


def own(session: Session, table: type[T], record_id: uuid.UUID) -> T:
    """The record, if it belongs to the caller's clinic. Raises Problem 404."""
    whose: Any = table  # every table that holds records of a clinic has the column
    found: T | None = session.scalars(
        select(table).where(whose.id == record_id, whose.clinic_id == g.clinic_id)
    ).first()
    if found is None:
        raise Problem(404, "The clinic has no such record.")
    return found


def own_clinic(session: Session) -> Clinic:
    return session.get_one(Clinic, g.clinic_id)


def own_patient(session: Session, patient_id: uuid.UUID) -> Patient:
    return own(session, Patient, patient_id)


def list_rows(
    query: dict[str, Any],
    table: Any,
    *order: Any,
    patient_id: uuid.UUID | None = None,
    only: Sequence[ColumnElement[bool]] = (),
) -> dict[str, Any]:
    """One page of the clinic's rows of `table` in that order: of one patient or of all, and those every filter fits.

    `query` is what the address asked for: a page, and filters (a column's value; `from_date` and
    `to_date`, both included; `open`; a `patient_id`). `only` holds conditions beyond these.
    Raises Problem 404 for another clinic's patient.
    """
    page, size = query["page"], query["page_size"]
    filters = {name: value for name, value in query.items() if name not in {"page", "page_size"}}
    if patient_id is not None:
        filters["patient_id"] = patient_id
    wanted = select(table).where(table.clinic_id == g.clinic_id).order_by(*order, table.id)
    with read_session(services().engine) as session:
        if "patient_id" in filters:
            own_patient(session, filters["patient_id"])
        wanted = wanted.where(*only, *(_fits(table, name, value) for name, value in filters.items()))
        total = session.scalar(select(func.count()).select_from(wanted.order_by(None).subquery()))
        rows = session.scalars(wanted.limit(size).offset((page - 1) * size)).all()
    return {"items": rows, "total": total, "page": page, "page_size": size}


def part_of(rows: Sequence[Any], query: dict[str, Any]) -> dict[str, Any]:
    """The page that `query` asks for of rows that are read whole, where there are a few dozen at most."""
    page, size = query["page"], query["page_size"]
    return {"items": list(rows[(page - 1) * size : page * size]), "total": len(rows), "page": page, "page_size": size}


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
    """flask-smorest's blueprint, with our two shapes of a view: a page of a list, and a write."""

    ARGUMENTS_PARSER = StrictParser()

    def __init__(self, name: str, description: str) -> None:
        super().__init__(f"api_{name}", __name__, url_prefix="/api/v1", description=description)

    def lists(self, item: type[Schema], query: type[Schema] = Page) -> Callable[[View], View]:
        """A view that gets `query`'s arguments and returns a page of `item`s, as `list_rows` makes it."""

        def decorate(view: View) -> View:
            return cast(View, self.arguments(query, location="query")(self.response(200, listing(item))(view)))

        return decorate

    def writes(
        self, answer: type[Schema], status: int = 200, *, takes: type[Schema] | None = None, kept: bool = True
    ) -> Callable[[View], View]:
        """A view that changes something in one transaction: `guards.idempotent`, with what it takes and answers.

        The view gets its `Call`, then what `takes` shaped, if it takes anything.
        """

        def decorate(view: View) -> View:
            done = self.response(status, answer)(idempotent(answer(), status, kept=kept)(view))
            return cast(View, self.arguments(takes or Nothing, as_kwargs=takes is None)(done))

        return decorate
