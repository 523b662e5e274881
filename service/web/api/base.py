"""The pieces schemas are made of: text without NUL, bounded numbers, aware instants, pages of lists."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from json import JSONDecodeError
from typing import Any, TypeVar

import flask_smorest
from flask import g
from marshmallow import RAISE, Schema, ValidationError, fields, validate
from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from webargs.flaskparser import FlaskParser

from service.domain.validation import is_storable
from service.store.session import read_session
from service.store.tables import Base, Clinic, Patient
from service.web.api import base
from service.web.problems import Problem
from service.web.services import services


class Text(fields.String):
    """Text without NUL, which PostgreSQL cannot keep, and without halves of surrogate pairs."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:
        text: str = super()._deserialize(value, attr, data, **kwargs)
        if not is_storable(text):
            raise ValidationError("text without NUL characters or halves of surrogate pairs")
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


class Page(Schema):
    """Which part of a list."""

    page = asked(1, 100_000, load_default=1)
    page_size = asked(1, 200, load_default=50)


class ProblemDetails(Schema):
    """RFC 9457."""

    type = fields.String()
    title = fields.String()
    status = fields.Integer()
    detail = fields.String()
    instance = fields.String()
    errors = fields.List(fields.Dict())


def listing(item: type[Schema]) -> Schema:
    """The schema of one page of a list of `item`."""
    named: dict[str, Any] = {
        "items": fields.List(fields.Nested(item)),
        "page": fields.Integer(),
        "page_size": fields.Integer(),
        "total": fields.Integer(),
    }
    return Schema.from_dict(named, name=f"{item.__name__}List")()


T = TypeVar("T", bound=Base)


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


def paged(session: Session, query: Select[Any], page: dict[str, int]) -> dict[str, Any]:
    """One page of `query`'s single entity, which must be ordered; two statements."""
    total = session.scalar(select(func.count()).select_from(query.order_by(None).subquery()))
    rows = session.scalars(query.limit(page["page_size"]).offset((page["page"] - 1) * page["page_size"])).all()
    return {"items": rows, "total": total, **page}


def of_dates(table: Any, patient_id: uuid.UUID, order: Sequence[Any], query: dict[str, Any]) -> dict[str, Any]:
    """`of_patient` between `from_date` and `to_date`, both included and either left out."""
    first, last = query.pop("from_date", None), query.pop("to_date", None)
    wanted = select(table).where(table.patient_id == patient_id, table.clinic_id == g.clinic_id)
    if first:
        wanted = wanted.where(table.local_date >= first)
    if last:
        wanted = wanted.where(table.local_date <= last)
    return _of_patient(patient_id, wanted.order_by(*order), query)


def of_patient(table: Any, patient_id: uuid.UUID, order: Any, page: dict[str, int]) -> dict[str, Any]:
    """One page of what a patient of the caller's clinic has in `table`. Raises Problem 404 for another's patient."""
    wanted = select(table).where(table.patient_id == patient_id)
    return _of_patient(patient_id, wanted.order_by(order, table.id), page)


def _of_patient(patient_id: uuid.UUID, wanted: Select[Any], page: dict[str, Any]) -> dict[str, Any]:
    with read_session(services().engine) as session:
        base.own_patient(session, patient_id)
        return paged(session, wanted, page)


class StrictParser(FlaskParser):
    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, Any] = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, "query": RAISE}

    def _raw_load_json(self, req: Any) -> Any:
        try:
            return super()._raw_load_json(req)
        except (JSONDecodeError, UnicodeDecodeError):
            raise  # told by the parser itself
        except (ValueError, RecursionError):
            raise Problem(400, "The body is nested too deeply, or a number in it is too long.") from None


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """flask-smorest's blueprint; a mistyped filter is told, never ignored."""

    ARGUMENTS_PARSER = StrictParser()
