"""Reading what a described provider calls in: whether it is the provider, and what it says.

Promises that nothing is read before it is proven, that a call of another shape is refused by the
place that is missing while whatever else it holds is taken, and that what is not for us, or is
no end (a message on its way), is passed over. A signature with a timestamp is good for five minutes;
without one a repeat changes nothing either, since receipts never move a message backwards and a
reply is taken once.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Generic, TypeVar
from urllib.parse import parse_qsl

from service.domain.validation import Refused, storable
from service.transports.base import Receipt, ReferredReceipt, TextReply
from service.transports.described.description import Hearing, Proof, at_place, word_at

FRESH = timedelta(minutes=5)
MOST, MOST_FIELDS = 500, 200
LONGEST_TEXT, LONGEST_REFERENCE, LONGEST_ADDRESS = 2000, 120, 64
CHARSETS = frozenset({"utf-16be", "utf-16le", "iso-8859-1"})
T = TypeVar("T")
SHORTEST_NUMBER = 8  # digits, of one with its country code; fewer are a short code


@dataclass(frozen=True)
class Called:
    """A request that came in. `url` is whole, with its query; names of `headers` are in small letters."""

    method: str
    url: str
    query: str
    headers: Mapping[str, str]
    body: bytes

    def header(self, name: str) -> str:
        return self.headers.get(name.lower(), "")


def is_proven(proof: Proof, secret: str, called: Called, now: datetime) -> bool:
    """Whether the provider, who knows `secret`, made this call."""
    if not secret:
        return False
    if proof.way == "hmac":
        return _is_signed(proof, secret, called, now)
    if proof.way == "query":
        given = _fields(called.query).get(proof.name, "")
    elif proof.way == "basic":
        given = _password(called.header("Authorization"))
    else:
        given = called.header(proof.name)
        if not given.startswith(proof.prefix):
            return False
        given = given.removeprefix(proof.prefix)
    return hmac.compare_digest(given.encode(), secret.encode())


@dataclass
class CalledIn(Generic[T]):
    """What a call says, and the first thing in it that is not as described, if any: it holds up none of the rest."""

    taken: list[T] = field(default_factory=list)
    refused: Refused | None = None


def receipts(hearing: Hearing, called: Called, now: datetime) -> CalledIn[Receipt | ReferredReceipt]:
    """What became of messages, as far as it is an end."""
    return _each(hearing, called, lambda item: _receipt(hearing, item, now))


def replies(hearing: Hearing, called: Called, now: datetime) -> CalledIn[TextReply]:
    """What people wrote. Cut, and never refused for what it says, only where nobody can have sent it."""
    return _each(hearing, called, lambda item: _reply(hearing, item, now))


def _each(hearing: Hearing, called: Called, read: Callable[[Any], T | None]) -> CalledIn[T]:
    heard = CalledIn[T]()
    try:
        for item in _items(hearing, called):
            try:
                one = read(item)
            except Refused as refused:
                heard.refused = heard.refused or refused
                continue
            heard.taken += [] if one is None else [one]
    except Refused as refused:
        heard.refused = refused
    return heard


def _receipt(hearing: Hearing, item: Any, now: datetime) -> Receipt | ReferredReceipt | None:
    outcome = _needed(hearing, item, "outcome")
    ends = [end for end, words in hearing.words.items() if outcome in words]
    if not ends:
        return None  # on its way
    at, detail = _instant(hearing, item) or now, _word(hearing, item, "detail")[:200]
    if "id" not in hearing.places:
        return ReferredReceipt(_needed(hearing, item, "reference"), ends[0], at, detail)
    try:
        return Receipt(uuid.UUID(_word(hearing, item, "id")), ends[0], at, detail)
    except ValueError:
        return None  # not of ours


def _reply(hearing: Hearing, item: Any, now: datetime) -> TextReply:
    sender = _number(hearing, _needed(hearing, item, "from"))
    line = _number(hearing, _word(hearing, item, "to"))
    body = _word(hearing, item, "text", _charset(hearing, item))
    if "reference" in hearing.places:
        reference = _needed(hearing, item, "reference")
    else:
        reference = "\n".join((sender, line, _needed(hearing, item, "at"), body))
    if len(reference) > LONGEST_REFERENCE or "reference" not in hearing.places:
        reference = hashlib.sha256(reference.encode("utf-8", "replace")).hexdigest()
    at = _instant(hearing, item) or now
    return TextReply(reference, sender[:LONGEST_ADDRESS], body[:LONGEST_TEXT], at, line[:LONGEST_ADDRESS])


def _is_signed(proof: Proof, secret: str, called: Called, now: datetime) -> bool:
    stamp = called.header(proof.timestamp)
    values = {"timestamp": stamp, "url": called.url, "query": called.query, "body": called.body.decode("latin-1")}
    # Bytes stay as they are: each is one character of Latin-1, there and back.
    signed = proof.signs.fill(values).encode("latin-1", "replace")
    digest = hmac.new(secret.encode(), signed, getattr(hashlib, proof.algorithm)).digest()
    right = digest.hex() if proof.encoding == "hex" else base64.b64encode(digest).decode("ascii")
    if not hmac.compare_digest((proof.prefix + right).encode(), called.header(proof.name).encode()):
        return False
    if not proof.timestamp:
        return True
    return stamp.isdecimal() and len(stamp) < 12 and abs(now.timestamp() - int(stamp)) <= FRESH.total_seconds()


def _fields(said: str) -> dict[str, str]:
    try:
        return dict(parse_qsl(said, max_num_fields=MOST_FIELDS))
    except ValueError:  # far too many
        return {}


def _password(given: str) -> str:
    kind, _, told = given.partition(" ")
    try:
        return base64.b64decode(told, validate=True).decode().partition(":")[2] if kind.lower() == "basic" else ""
    except ValueError:
        return ""


def _items(hearing: Hearing, called: Called) -> Iterator[Any]:
    if hearing.kind == "json":
        try:
            whole = json.loads(called.body)
        except (ValueError, RecursionError):
            raise Refused("body", "", "JSON") from None
        found = at_place(whole, hearing.each) if hearing.each else [whole]
        if not isinstance(found, list) or len(found) > MOST:
            raise Refused(hearing.each, type(found).__name__, f"a list of at most {MOST}")
    else:
        said = called.query if hearing.kind == "query" else called.body.decode("latin-1")
        try:
            found = [dict(parse_qsl(said, True, encoding="latin-1", max_num_fields=MOST_FIELDS))]
        except ValueError:
            raise Refused("body", "", f"at most {MOST_FIELDS} fields") from None
    for item in found:
        if hearing.only is None or _in(hearing, item, hearing.only[0]) in hearing.only[1]:
            yield item


def _in(hearing: Hearing, item: Any, place: str, charset: str = "utf-8") -> str:
    if hearing.kind == "json":
        return storable(word_at(item, place))
    # The fields of a form are bytes, kept so far as characters of Latin-1.
    return storable(str(item.get(place, "")).encode("latin-1", "replace").decode(charset, "replace"))


def _word(hearing: Hearing, item: Any, name: str, charset: str = "utf-8") -> str:
    place = hearing.places.get(name)
    return _in(hearing, item, place, charset) if place else ""


def _charset(hearing: Hearing, item: Any) -> str:
    """Of the text; UTF-8 unless another is named: networks have UTF-16 where one sign is outside their alphabet."""
    named = _word(hearing, item, "charset").lower()
    return named if named in CHARSETS else "utf-8"


def _needed(hearing: Hearing, item: Any, name: str) -> str:
    if found := _word(hearing, item, name).strip():
        return found
    raise Refused(hearing.places[name], "", f"the {name}, as it was described")


def _number(hearing: Hearing, given: str) -> str:
    is_bare = given.isdecimal() and len(given) >= SHORTEST_NUMBER and not given.startswith("0")
    return f"+{given}" if hearing.adds_plus and is_bare else given


def _instant(hearing: Hearing, item: Any) -> datetime | None:
    """ISO 8601 with its offset, or Unix time in seconds or milliseconds; None for anything else."""
    given = _word(hearing, item, "at")
    try:
        if given.isdecimal() and len(given) in {10, 13}:
            return datetime.fromtimestamp(int(given) / (1000 if len(given) == 13 else 1), UTC)
        at = datetime.fromisoformat(given)
        return at.astimezone(UTC) if at.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None
