"""Contact details and second steps, encrypted in the database: telephone numbers, mailboxes, where a push leads.

Promises that a column of these types holds nothing that can be read without the secret key, that a row is still found
by the very address, and that both go on while the secret is changed: what is written is sealed with the present key,
what a previous one sealed is opened and found until `reseal` has brought it to the present one. Whoever adds a column
for an address gives it such a type; a test names every column that may hold one.

AES-SIV (RFC 5297, AEAD_AES_SIV_CMAC_256): its first 16 bytes are a keyed hash of the text, the rest is the text
encrypted under that. So equal addresses look equal, and an index finds them, with no second column that could be
forgotten. That is what it gives away: which rows bear the same address, and how long it is. In front stands the mark
of the key. What no key that is named here can open reads as `UNOPENED`, is never written back, and is counted.

Without a key nothing is sealed, as in a database that is looked at alone: the service always has one.
"""

from __future__ import annotations

import base64
import hmac
import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESSIV
from sqlalchemy import (
    Boolean,
    ColumnElement,
    Dialect,
    Text,
    TypeDecorator,
    bindparam,
    not_,
)
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql import operators
from sqlalchemy.sql.functions import FunctionElement

UNOPENED = "▮▮▮"  # stands for an address that no key opens; it is no address, and is refused as one
SIGN = "~"  # begins what is sealed, and no address
HEAD = 10  # characters: the sign, the key's mark in 8 hexadecimal digits, a full stop


@dataclass(frozen=True)
class Vault:
    """Seals with the first of its keys, and opens what any of them has sealed."""

    keys: tuple[bytes, ...] = field(default=(), repr=False)
    heads: tuple[str, ...] = field(init=False)
    _ciphers: dict[str, AESSIV] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        ciphers = {_head(key): AESSIV(key) for key in self.keys}
        object.__setattr__(self, "_ciphers", ciphers)
        object.__setattr__(self, "heads", tuple(ciphers))

    def seal(self, what: str, plain: bytes) -> str:
        """The text to keep in place of `plain`, which holds a `what`. The same for the same."""
        return self._under(self.heads[0], what, plain)

    def every(self, what: str, plain: bytes) -> list[str]:
        """What may stand for it, by each key."""
        return [self._under(head, what, plain) for head in self.heads]

    def open(self, what: str, kept: str) -> bytes | None:
        """What was sealed; None where no key opens it. Sealed text alone is given."""
        cipher = self._ciphers.get(kept[:HEAD])
        try:
            return None if cipher is None else cipher.decrypt(base64.urlsafe_b64decode(kept[HEAD:]), [what.encode()])
        except (InvalidTag, ValueError):
            return None

    def _under(self, head: str, what: str, plain: bytes) -> str:
        return head + base64.urlsafe_b64encode(self._ciphers[head].encrypt(plain, [what.encode()])).decode()


def _head(key: bytes) -> str:
    return f"{SIGN}{hmac.digest(key, b'mark', 'sha256').hex()[:8]}."


# --- columns -----------------------------------------------------------------------------------


class Hidden(TypeDecorator[Any]):
    """A text that is sealed in the database. It can be compared for being the same, and in no other way."""

    impl = Text
    cache_ok = True
    unopened: ClassVar[Any] = UNOPENED

    def __init__(self, what: str) -> None:
        self.what = what  # bound to what is sealed: what stands in a column of another kind is not opened there
        super().__init__()

    @staticmethod
    def spelt(value: Any) -> str:
        """As it is sealed. Raises ValueError for what stands in place of something that could not be opened."""
        if value == UNOPENED:
            raise ValueError("what could not be opened is not written back")
        return str(value)

    @staticmethod
    def read(text: str) -> Any:
        """What was `spelt`."""
        return text

    def bind_processor(self, dialect: Dialect) -> Callable[[Any], Any]:
        vault, what, spelt = vault_of(dialect), self.what, self.spelt

        def kept(value: Any) -> str | None:
            text = None if value is None else spelt(value)
            return vault.seal(what, text.encode()) if text and vault.keys else text

        return kept

    def result_processor(self, dialect: Dialect, coltype: object) -> Callable[[Any], Any]:
        vault, what, read, unopened = vault_of(dialect), self.what, self.read, self.unopened

        def opened(kept: str | None) -> Any:
            if kept is None or not kept.startswith(SIGN):
                return None if kept is None else read(kept)
            plain = vault.open(what, kept)
            return unopened if plain is None else read(plain.decode())

        return opened

    class Comparator(TypeDecorator.Comparator[Any]):
        """The same, another, one of several, none; two columns of the same kind. All else would compare seals."""

        def operate(self, op: Any, *other: Any, **options: Any) -> ColumnElement[Any]:
            if op in {operators.eq, operators.ne} and isinstance(other[0], str):
                return self._among([other[0]], op is operators.ne)
            if op in {operators.in_op, operators.not_in_op} and not hasattr(other[0], "__clause_element__"):
                if isinstance(other[0], Collection):
                    return self._among(list(other[0]), op is operators.not_in_op)
            elif op in {operators.like_op, operators.ilike_op, operators.lt, operators.gt, operators.concat_op}:
                raise TypeError("what is sealed can be compared for being the same alone")
            return super().operate(op, *other, **options)

        def _among(self, wanted: Sequence[str], is_other: bool) -> ColumnElement[Any]:
            kind: Any = self.expr.type
            found = _Among(self.expr, bindparam(None, wanted, _Several(kind.what), unique=True))
            return not_(found) if is_other else found

    comparator_factory = Comparator


class HiddenFacts(Hidden):
    """The same for JSON in which an address may stand: a form as it was typed, the keys of a push subscription."""

    cache_ok = True
    unopened: ClassVar[Any] = {}

    @staticmethod
    def spelt(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False)

    @staticmethod
    def read(text: str) -> Any:
        return json.loads(text)


class HiddenFile(Hidden):
    """The same for a file in which addresses may stand."""

    cache_ok = True
    unopened: ClassVar[Any] = b""

    @staticmethod
    def spelt(value: Any) -> str:
        return base64.b64encode(value).decode()

    @staticmethod
    def read(text: str) -> Any:
        return base64.b64decode(text)


class _Several(TypeDecorator[Any]):
    """What may stand in the column for any of several texts: each as each key seals it, and unsealed."""

    impl = Text
    cache_ok = True

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__()

    def load_dialect_impl(self, dialect: Dialect) -> Any:
        return dialect.type_descriptor(ARRAY(Text) if dialect.name == "postgresql" else Text())

    def process_bind_param(self, value: Any, dialect: Dialect) -> Any:
        vault = vault_of(dialect)
        texts = [text for text in value if text is not None and text != UNOPENED]
        found = [*texts, *(kept for text in texts if text for kept in vault.every(self.what, text.encode()))]
        return found if dialect.name == "postgresql" else json.dumps(found)


class _Among(FunctionElement[bool]):
    """Whether a column holds one of several texts, which are bound as one: an index finds them."""

    type = Boolean()
    inherit_cache = True

    def self_group(self, against: Any = None) -> Any:
        # As it stands: SQLite would be asked whether it "= 1", and that no index answers.
        return self


@compiles(_Among)
def _in_list(element: Any, compiler: Any, **options: Any) -> str:
    column, several = (compiler.process(one, **options) for one in element.clauses)
    return f"{column} IN (SELECT value FROM json_each({several}))"  # noqa: S608 - compiled, the texts are bound


@compiles(_Among, "postgresql")
def _in_array(element: Any, compiler: Any, **options: Any) -> str:
    column, several = (compiler.process(one, **options) for one in element.clauses)
    return f"{column} = ANY ({several})"


def vault_of(dialect: Any) -> Vault:
    """What seals in the database of this dialect: it came with the engine."""
    found = getattr(dialect, "vault", None)
    return found if isinstance(found, Vault) else Vault()
