"""The pieces schemas are made of: text without NUL, bounded numbers, aware instants, pages of lists."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from service.domain.validation import is_storable


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
