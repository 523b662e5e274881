"""Frozen facts to JSON and back: what a row keeps, so that any reader's language can make the sentence later.

Promises that what comes back equals what went in, and that JSON of another shape is refused
(KeyError, TypeError or ValueError), never guessed at. A field that holds its default is left
out, so facts stay small. Dates are ISO 8601, members of a vocabulary their value.
"""

from __future__ import annotations

import dataclasses
import enum
import types
import typing
import uuid
from collections.abc import Callable, Hashable, Mapping
from datetime import date
from functools import cache, partial
from operator import attrgetter
from typing import Any

IS = "is"  # the key that names one of a union
LAYOUT = "layout"  # and the one that tells by which shape of the facts JSON that is kept was made
Packer = Callable[[Any], Any]


def pack(facts: Any, kind: Any = None) -> dict[str, Any]:
    """The facts (a frozen dataclass) as plain JSON. Where `kind` is a union, the JSON says which of it they are."""
    shape: Any = type(facts) if kind is None else kind
    packed: dict[str, Any] = _packer(shape)(facts)
    return packed


def unpack(kind: Any, packed: Mapping[str, Any]) -> Any:
    """The facts of this kind that `pack` made JSON of. Raises KeyError, TypeError or ValueError for anything else."""
    return _unpacker(kind)(packed)


def check(kind: Any, packed: Any) -> None:
    """Look at each single value of JSON that others may have written: whether a fact of this kind may hold it.

    Raises KeyError, TypeError, ValueError or AttributeError. `unpack` trusts numbers and texts, which is quicker.
    """
    _unpacker(kind, of_others=True)(packed)


def as_layout(facts: Any, layout: int) -> dict[str, Any]:
    """The facts as plain JSON that names its layout."""
    return {LAYOUT: layout} | pack(facts)


def of_layout(kind: Any, stored: Mapping[str, Any], layout: int) -> Any:
    """The facts that `as_layout` made JSON of. Raises as `unpack` does, and ValueError for another layout."""
    if stored.get(LAYOUT) != layout:
        raise ValueError(f"{kind.__name__} of layout {stored.get(LAYOUT)!r}")
    return unpack(kind, {name: value for name, value in stored.items() if name != LAYOUT})


def without_text(facts: Any) -> Any:
    """The same facts without any text that is no word of a vocabulary: names, numbers, sentences, notes."""
    if dataclasses.is_dataclass(facts) and not isinstance(facts, type):
        own = (field.name for field in dataclasses.fields(facts) if field.init)
        return dataclasses.replace(facts, **{name: without_text(getattr(facts, name)) for name in own})
    if isinstance(facts, Mapping):
        return {name: without_text(value) for name, value in facts.items()}
    if isinstance(facts, tuple | list | frozenset):
        return type(facts)(map(without_text, facts))
    return "" if type(facts) is str else facts


_UNIONS = (types.UnionType, typing.Union)


@cache
def _fields(kind: type) -> tuple[tuple[str, Any, Any], ...]:
    """Each field's name, type and default."""
    hints = typing.get_type_hints(kind)
    return tuple((field.name, hints[field.name], field.default) for field in dataclasses.fields(kind))


@cache
def _packer(kind: Hashable) -> Packer:
    kind = _without_none(kind)
    origin = typing.get_origin(kind)
    if dataclasses.is_dataclass(kind):
        # None is told apart by its identity; what has no default is always there.
        fields = [
            (name, _packer(hint), default, default is not None and default is not dataclasses.MISSING)
            for name, hint, default in _fields(typing.cast(type, kind))
        ]
        fields = [(name, None if packer is _as_it_is else packer, *rest) for name, packer, *rest in fields]
        values_of = attrgetter(*(name for name, *_ in fields), "__class__")  # one more, so that it is always a tuple

        def of_facts(facts: Any) -> dict[str, Any]:
            return {
                name: value if value is None or packer is None else packer(value)
                for (name, packer, default, by_value), value in zip(fields, values_of(facts), strict=False)
                if not (value is default or (by_value and value == default))
            }

        return of_facts
    if origin in _UNIONS:
        of_union = {member: _packer(member) for member in typing.get_args(kind)}
        return lambda facts: {IS: type(facts).__name__} | of_union[type(facts)](facts)
    if origin is tuple:
        each = _packer(typing.get_args(kind)[0])
        if each is _as_it_is:
            return list
        return lambda values: [None if value is None else each(value) for value in values]
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return attrgetter("_value_")  # what `value` answers, without a step of Python for each
    if kind is date:
        return date.isoformat
    if kind is uuid.UUID:
        return str
    return _as_it_is


@cache
def _unpacker(kind: Hashable, of_others: bool = False) -> Packer:
    kind = _without_none(kind)
    origin = typing.get_origin(kind)
    if dataclasses.is_dataclass(kind):
        made = typing.cast(Callable[..., Any], kind)
        hints = {name: hint for name, hint, _ in _fields(typing.cast(type, kind))}
        fields = {name: _unpacker(hint, of_others) for name, hint in hints.items()}
        always = {name for name, hint in hints.items() if types.NoneType not in typing.get_args(hint)}

        def of_theirs(packed: Mapping[str, Any]) -> Any:
            if missing := [name for name in always & packed.keys() if packed[name] is None]:
                raise TypeError(f"{missing} is nothing")
            return of_facts(packed)

        def of_facts(packed: Mapping[str, Any]) -> Any:
            return made(**{name: None if value is None else fields[name](value) for name, value in packed.items()})

        return of_theirs if of_others else of_facts
    if origin in _UNIONS:
        members = {member.__name__: _unpacker(member, of_others) for member in typing.get_args(kind)}
        return lambda packed: members[packed[IS]]({name: packed[name] for name in packed if name != IS})
    if origin is tuple:
        each = _unpacker(typing.get_args(kind)[0], of_others)
        if each is _as_it_is:
            return tuple
        return lambda values: tuple(None if value is None else each(value) for value in values)
    if kind is date:
        return date.fromisoformat
    if isinstance(kind, type) and (issubclass(kind, enum.Enum) or kind is uuid.UUID):
        return kind
    return partial(_of_kind, kind) if of_others else _as_it_is


def _of_kind(kind: Any, value: Any) -> Any:
    """A number, text or boolean that is what the fact holds. Raises TypeError or ValueError."""
    held = {float: (int, float), int: (int,), str: (str,), bool: (bool,)}.get(kind)
    if held is not None and type(value) not in held:
        raise TypeError(f"{type(value).__name__} is no {kind}")
    return value


def _as_it_is(value: Any) -> Any:
    """Numbers, texts and booleans are JSON already."""
    return value


def _without_none(kind: Any) -> Any:
    """`X` of `X | None`: an absent value is None in JSON as well."""
    if typing.get_origin(kind) in _UNIONS:
        held = [part for part in typing.get_args(kind) if part is not types.NoneType]
        if len(held) == 1:
            return held[0]
    return kind
