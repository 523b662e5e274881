"""What the API takes in and gives out of wordings."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.domain.vocabulary import MessageKind
from service.web.api.fields import instant, text, word

LONGEST_SENT = 2_000  # the rules of a wording say what is too long; this bounds what they are asked


class WordingIn(Schema):
    body = text(LONGEST_SENT)


class WordingTried(Schema):
    body = text(LONGEST_SENT, required=False, load_default=None, allow_none=True)


class LengthOut(Schema):
    """`units` are septets of GSM-7, or 16-bit units of UCS-2."""

    alphabet = fields.String()
    units = fields.Integer()
    segments = fields.Integer()


class DoubtOut(Schema):
    name = fields.String()
    sentence = fields.String()


class PreviewOut(Schema):
    text = fields.String()
    length = fields.Nested(LengthOut)
    longest_text = fields.String()
    longest = fields.Nested(LengthOut)
    doubts = fields.List(fields.Nested(DoubtOut))


class WordingOut(Schema):
    language = fields.String()
    kind = word(MessageKind)
    body = fields.String()
    own = fields.Boolean()
    built_in = fields.String()
    set_by = fields.String(allow_none=True)
    set_at = instant(allow_none=True)
    preview = fields.Nested(PreviewOut, allow_none=True)
