"""The description of a text provider: one TOML file that says how its interface looks.

Promises that a file which cannot be used is refused whole, before anything is sent, with the place
in it, what stands there and what is accepted; and that a value is never glued into an address, a
header or a body: it is escaped for where it stands. Secrets are placeholders, filled in from the
settings, so that the file may be shown to anybody. Calls nobody.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeGuard
from urllib.parse import quote, urlsplit

from service.domain.validation import Refused, checked_url

PLACEHOLDERS = frozenset(
    {
        "id", "to", "to_digits", "text", "from", "alphabet", "expires_at", "minutes_left", "seconds_left",
        "user", "token", "receipts_url", "replies_url",
    }
)  # fmt: skip
IN_ADDRESSES = frozenset({"id", "to", "to_digits", "from", "user", "token"})
IN_HEADERS = IN_ADDRESSES | {"expires_at", "minutes_left", "seconds_left"}
SIGNED = frozenset({"timestamp", "body", "url", "query"})
_PIECE = re.compile(r"\{([a-z_]+)\}|(\{\{|\}\})|([{}])")
_HEADER = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # RFC 9110, section 5.6.2

Values = Mapping[str, str | int]


class Stencil:
    """Text with placeholders such as {to}; `{{` and `}}` are braces. Raises Refused for any other."""

    def __init__(self, where: str, given: object, allowed: Collection[str] = PLACEHOLDERS) -> None:
        self.names: set[str] = set()
        self._pieces: list[tuple[str, str | None]] = []
        accepted = f"text with none but {', '.join(f'{{{name}}}' for name in sorted(allowed))}"
        if not isinstance(given, str):
            raise Refused(where, given, accepted)
        at = 0
        for found in _PIECE.finditer(given):
            self._pieces.append((given[at : found.start()], None))
            at = found.end()
            name, brace, stray = found.groups()
            if stray or (name is not None and name not in allowed):
                raise Refused(where, given, accepted)
            self._pieces.append((brace[0], None) if brace else ("", name))
            self.names |= {name} if name else set()
        self._pieces.append((given[at:], None))
        self._pieces = [piece for piece in self._pieces if piece != ("", None)]

    def fill(self, values: Values, escape: Any = str) -> str:
        """The text, each value escaped."""
        return "".join(literal if name is None else escape(str(values[name])) for literal, name in self._pieces)

    def value(self, values: Values) -> str | int:
        """What a body holds: a placeholder that stands alone keeps its kind, a number or a text."""
        if len(self._pieces) == 1 and self._pieces[0][1] is not None:
            return values[self._pieces[0][1]]
        return self.fill(values)


@dataclass(frozen=True)
class Meaning:
    """What some answers mean: never, later or taken. Every condition that is there must hold."""

    means: str
    status: frozenset[int]
    place: str
    words: frozenset[str]
    matches: re.Pattern[str] | None


@dataclass(frozen=True)
class Sending:
    """How a text is handed over, and what the answers mean."""

    method: str
    url: Stencil
    signs_in: str  # "", or basic: RFC 7617
    headers: Mapping[str, Stencil]
    kind: str  # of the body: json, form, or query for what stands in the address
    body: Mapping[str, Any]  # stencils, in tables and lists as the body has them
    line: str  # what a text is sent from where the clinic has no line of its own
    alphabets: tuple[str | int, str | int]  # what {alphabet} is for GSM-7, and for all else
    key_holds: bool  # the same {id} again is the same message there
    taken: frozenset[int]
    answer: str  # json or text
    reference: str  # a place in JSON, a pattern with one group in text; empty: it gives none
    rules: Sequence[Meaning]

    @property
    def names(self) -> set[str]:
        """Every placeholder of a request."""
        return names_in(self.body).union(self.url.names, *(one.names for one in self.headers.values()))


@dataclass(frozen=True)
class Proof:
    """How a call from the provider shows that it is one."""

    way: str  # header, query, basic or hmac
    name: str
    prefix: str
    algorithm: str
    encoding: str
    signs: Stencil  # of what hmac is made
    timestamp: str
    address: str  # where they reach us, if not at NEAPTIDE_BASE_URL


@dataclass(frozen=True)
class Hearing:
    """How receipts, or replies, look: the places of what we read, by our names for them."""

    method: str
    kind: str  # json, form or query
    each: str  # the place of a list of them; empty: one a call
    places: Mapping[str, str]
    words: Mapping[str, frozenset[str]]  # delivered and failed, of receipts
    only: tuple[str, frozenset[str]] | None
    adds_plus: bool
    says: str  # our answer's body


@dataclass(frozen=True)
class Description:
    sending: Sending
    proof: Proof | None
    receipts: Hearing | None
    replies: Hearing | None

    @property
    def secrets(self) -> set[str]:
        """Which of user and token the requests need."""
        if self.sending.signs_in == "basic":
            return {"user", "token"}
        return self.sending.names & {"user", "token"}


def read(text: str, *, url: str | None = None) -> Description:
    """The description in `text` (TOML 1.0). `url` stands in place of its own address. Raises Refused."""
    try:
        whole = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Refused("file", str(error), "TOML 1.0") from None
    table = _Table("", whole)
    sending = _sending(table.table("send"), table.table("answer"), url)
    proof = _proof(table.table("callback")) if "callback" in whole else None
    receipts = _hearing(table.table("receipts"), is_reply=False) if "receipts" in whole else None
    replies = _hearing(table.table("replies"), is_reply=True) if "replies" in whole else None
    table.ends()
    if (receipts or replies) and proof is None:
        raise Refused("callback", None, "a table that says how receipts and replies prove where they come from")
    for name, heard in (("receipts", receipts), ("replies", replies)):
        if proof is not None and heard is not None:
            _is_covered(proof, name, heard.kind)
    return Description(sending, proof, receipts, replies)


def _is_covered(proof: Proof, name: str, kind: str) -> None:
    """Raises Refused where the seal says nothing of what is read: one that was seen once would prove any words."""
    needs = {"query", "url"} if kind == "query" else {"body"}
    if proof.way == "hmac" and not proof.signs.names & needs:
        accepted = f"{' or '.join(f'{{{one}}}' for one in sorted(needs))} among what is signed: there stand {name}"
        raise Refused("callback.signs", sorted(proof.signs.names), accepted)


# --- what a provider sends, by its places -----------------------------------------------------


def at_place(held: object, place: str) -> object:
    """What stands at a place of what a provider sends; None where nothing does.

    `messages.0.id` is the id of the first of the messages; `.` alone is the whole.
    """
    for step in place.split(".") if place != "." else ():
        if isinstance(held, Mapping):
            held = held.get(step)
        elif isinstance(held, list) and step.isdecimal() and int(step) < len(held):
            held = held[int(step)]
        else:
            return None
    return held


def word_at(held: object, place: str) -> str:
    """The text or number that stands there, as text; empty where there is none."""
    found = at_place(held, place)
    return str(found) if isinstance(found, str | int | float) and not isinstance(found, bool) else ""


# --- the parts ------------------------------------------------------------------------------


def _sending(send: _Table, answer: _Table, url: str | None) -> Sending:
    method = send.word("method", ("POST", "PUT", "GET"), "POST")
    kind = send.word("body", ("json", "form", "query"), "json")
    if (method == "GET") is not (kind == "query"):
        raise Refused("send.body", kind, "query with GET, and with GET alone")
    body = send.mapping("fields")
    templates = {name: _templates(f"send.fields.{name}", value, kind == "json") for name, value in body.items()}
    headers = {
        name: Stencil(f"send.headers.{name}", value, IN_HEADERS) for name, value in send.mapping("headers").items()
    }
    for name in headers:
        if not _HEADER.fullmatch(name) or name.lower() in {"content-length", "host", "transfer-encoding", "connection"}:
            raise Refused("send.headers", name, "the name of a header that is not the connection's own")
        if not (said := headers[name].fill(dict.fromkeys(IN_HEADERS, ""))).isascii() or not said.isprintable():
            raise Refused(f"send.headers.{name}", said, "printable ASCII")
    alphabets = send.mapping("alphabets", {"gsm7": "gsm7", "other": "ucs2"})
    if set(alphabets) != {"gsm7", "other"} or not all(isinstance(one, str | int) for one in alphabets.values()):
        raise Refused("send.alphabets", alphabets, "gsm7 and other, each a text or a number")
    address = (
        _address("url", send.text("url"))
        if url is None
        else Stencil("url", url.replace("{", "{{").replace("}", "}}"), ())
    )
    kind_of_answer = answer.word("kind", ("json", "text"), "json")
    made = Sending(
        method, address, send.word("sign_in", ("", "basic"), ""), headers, kind, templates, send.text("from", ""),
        (alphabets["gsm7"], alphabets["other"]), send.yes("same_id_is_same_message", False),
        frozenset(answer.numbers("taken", [200, 201, 202])), kind_of_answer,
        _reference(answer.text("reference", ""), kind_of_answer),
        [_rule(table, kind_of_answer) for table in answer.tables("rules")],
    )  # fmt: skip
    send.ends()
    answer.ends()
    _need(made)
    return made


def _need(made: Sending) -> None:
    for name, place in (("to", made.names & {"to", "to_digits"}), ("text", names_in(made.body) & {"text"})):
        if not place:
            raise Refused("send.fields", sorted(made.body), f"a field that holds {{{name}}}")
    if made.key_holds and "id" not in made.names:
        raise Refused("send.same_id_is_same_message", True, "only where {id} stands in the request")


def names_in(value: Any) -> set[str]:
    """The placeholders in a part of a body."""
    if isinstance(value, Stencil):
        return value.names
    parts = value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ()
    return {name for part in parts for name in names_in(part)}


def _templates(where: str, value: object, may_nest: bool) -> Any:
    if isinstance(value, str):
        return Stencil(where, value)
    if isinstance(value, Mapping) and may_nest:
        return {name: _templates(f"{where}.{name}", one, may_nest) for name, one in value.items()}
    if isinstance(value, list) and may_nest:
        return [_templates(f"{where}.{place}", one, may_nest) for place, one in enumerate(value)]
    if isinstance(value, bool | int | float) and may_nest:
        return value
    if isinstance(value, int) and not isinstance(value, bool):
        return Stencil(where, str(value))
    raise Refused(where, value, "text, numbers, tables and lists" if may_nest else "text")


def _address(where: str, given: str) -> Stencil:
    where = f"send.{where}"
    checked_url(where, given)
    parts = urlsplit(given)
    if "{" in parts.scheme + parts.netloc or "}" in parts.netloc or parts.fragment:
        raise Refused(where, given, "placeholders behind the host alone, and no fragment")
    return Stencil(where, given, IN_ADDRESSES)


def _reference(given: str, kind: str) -> str:
    if kind == "text" and given and _pattern("answer.reference", given).groups != 1:
        raise Refused("answer.reference", given, "a regular expression with one group: the reference")
    return given


def _rule(table: _Table, kind: str) -> Meaning:
    pattern = table.text("matches", "")
    rule = Meaning(
        table.word("means", ("never", "later", "taken"), None),
        frozenset(table.numbers("status", [])),
        table.text("place", ""),
        frozenset(table.words("is", [])),
        _pattern(table.at("matches"), pattern) if pattern else None,
    )
    table.ends()
    if bool(rule.place) is not bool(rule.words) or (rule.place and kind != "json"):
        raise Refused(table.at("place"), rule.place, "a place in JSON together with `is`, what stands there")
    if not (rule.status or rule.place or rule.matches):
        raise Refused(table.where, None, "status, place and is, or matches: which answers are meant")
    return rule


def _proof(table: _Table) -> Proof:
    way = table.word("proof", ("header", "query", "basic", "hmac"), None)
    signs = table.text("signs", "{body}")
    timestamp = table.text("timestamp", "")
    made = Proof(
        way,
        table.text("name", "" if way == "basic" else None),
        table.text("prefix", ""),
        table.word("algorithm", ("sha256", "sha512", "sha1"), "sha256"),
        table.word("encoding", ("hex", "base64"), "hex"),
        Stencil(table.at("signs"), signs, SIGNED),
        timestamp,
        table.text("address", "").rstrip("/"),
    )
    table.ends()
    if made.address:
        checked_url(table.at("address"), made.address)
    if bool(timestamp) is not ("timestamp" in made.signs.names):
        raise Refused(table.at("timestamp"), timestamp, "the header that holds the {timestamp} which is signed")
    if not made.signs.names & {"body", "query", "url"}:
        raise Refused(table.at("signs"), signs, "{body}, or {url} or {query} for a GET, among what is signed")
    return made


def _hearing(table: _Table, *, is_reply: bool) -> Hearing:
    method = table.word("method", ("POST", "GET"), "POST")
    kind = table.word("kind", ("json", "form", "query"), "json")
    if (method == "GET") is not (kind == "query"):
        raise Refused(table.at("kind"), kind, "query with GET, and with GET alone")
    names = ("reference", "at", *(("from", "to", "text", "charset") if is_reply else ("id", "outcome", "detail")))
    places = {name: place for name in names if (place := table.text(name, ""))}
    words = {} if is_reply else {one: frozenset(table.words(one, [])) for one in ("delivered", "failed")}
    only = table.mapping("only")
    made = Hearing(
        method, kind, table.text("each", ""), places, words,
        _only(table.at("only"), only) if only else None, table.yes("adds_plus", False), table.text("answers", ""),
    )  # fmt: skip
    table.ends()
    if made.each and kind != "json":
        raise Refused(table.at("each"), made.each, "a place in JSON")
    needs = {"from", "text"} if is_reply else {"outcome"}
    if missing := needs - places.keys():
        raise Refused(table.where, sorted(places), f"the place of {' and '.join(sorted(missing))} too")
    if not is_reply and (not words["delivered"] or words["delivered"] & words["failed"]):
        raise Refused(table.at("delivered"), sorted(words["delivered"]), "words that mean delivered, and no other")
    if not is_reply and len(places.keys() & {"id", "reference"}) != 1:
        raise Refused(table.where, sorted(places), "the place of id (ours, given back) or of reference (theirs)")
    if is_reply and not places.keys() & {"reference", "at"}:
        raise Refused(table.where, sorted(places), "the place of reference, or of at: a reply is taken in once")
    return made


def _only(where: str, given: Mapping[str, Any]) -> tuple[str, frozenset[str]]:
    table = _Table(where, dict(given))
    made = table.text("place"), frozenset(table.words("is", None))
    table.ends()
    return made


def _pattern(where: str, given: str) -> re.Pattern[str]:
    try:
        return re.compile(given)
    except re.error as error:
        raise Refused(where, given, f"a regular expression ({error})") from None


class _Table:
    """A table of the file, read name by name; what nobody asked for is a slip of the pen."""

    def __init__(self, where: str, held: Mapping[str, Any]) -> None:
        self.where = where
        self._held = dict(held)
        self._read: set[str] = set()

    def at(self, name: str) -> str:
        return f"{self.where}.{name}".lstrip(".")

    def get(self, name: str, default: Any = None) -> Any:
        self._read.add(name)
        return self._held.get(name, default)

    def table(self, name: str) -> _Table:
        return _Table(self.at(name), self.mapping(name))

    def tables(self, name: str) -> list[_Table]:
        given = self.get(name, [])
        if not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
            raise Refused(self.at(name), given, "tables, each under [[…]]")
        return [_Table(f"{self.at(name)}.{place}", one) for place, one in enumerate(given)]

    def mapping(self, name: str, default: Mapping[str, Any] | None = None) -> Mapping[str, Any]:
        given = self.get(name, default or {})
        if not isinstance(given, dict):
            raise Refused(self.at(name), given, "a table")
        return given

    def text(self, name: str, default: str | None = None) -> str:
        given = self.get(name, default)
        if not isinstance(given, str):
            raise Refused(self.at(name), given, "text")
        return given

    def yes(self, name: str, default: bool) -> bool:
        given = self.get(name, default)
        if not isinstance(given, bool):
            raise Refused(self.at(name), given, "true or false")
        return given

    def word(self, name: str, among: Sequence[str], default: str | None) -> str:
        given = self.get(name, default)
        if given not in among:
            raise Refused(self.at(name), given, ", ".join(one or '""' for one in among))
        return str(given)

    def words(self, name: str, default: list[str] | None) -> list[str]:
        given = self.get(name, default)
        if not _are_words(given):
            raise Refused(self.at(name), given, "a list of words or numbers")
        return [str(one) for one in given]

    def numbers(self, name: str, default: list[int]) -> list[int]:
        given = self.get(name, default)
        if not isinstance(given, list) or not all(isinstance(one, int) and 100 <= one <= 599 for one in given):
            raise Refused(self.at(name), given, "a list of HTTP status codes")
        return given

    def ends(self) -> None:
        """Raises Refused for a name that nothing here asks for."""
        if stray := sorted(self._held.keys() - self._read):
            raise Refused(self.at(stray[0]), self._held[stray[0]], f"none but {', '.join(sorted(self._read))}")


def _are_words(given: object) -> TypeGuard[list[str | int]]:
    return isinstance(given, list) and all(isinstance(one, str | int) for one in given)


def in_address(value: str) -> str:
    """A value as a part of an address."""
    return quote(value, safe="")
