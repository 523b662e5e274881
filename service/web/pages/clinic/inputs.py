"""A form as staff see it: what it asks for, and what was typed into it, as the API's own schema reads it.

Promises that a page and the API take the same, that what was refused is said by the name that the field
has on the page, and that a form which holds the whole of what stands does not undo what a colleague wrote since it was
opened: it brings back a mark of what it began with.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from flask import request
from flask_babel import gettext
from marshmallow import Schema, ValidationError

from service.domain import localtime
from service.domain.validation import Refused
from service.store.audit import Act
from service.store.tables import Base
from service.web import forms
from service.web.pages.clinic import refusals


@dataclass(frozen=True)
class Input:
    """One field of a form: a word of a vocabulary where it has one, else text of a type that browsers know."""

    name: str
    label: Any
    kind: str = "text"  # any that browsers know, and decimal, number, measure, yes, days, staff, choice
    words: type[StrEnum] | tuple[StrEnum, ...] | None = None
    required: bool = False
    start: str = ""
    hint: Any = ""
    choices: Callable[[], Sequence[tuple[str, str]]] | None = None  # what is sent, and what is read; of text: proposals
    none: Any = ""  # of days: what a box is called that says there is none, which is not the same as not known
    empties: bool = False  # an empty field says that there is none, rather than nothing


@dataclass(frozen=True)
class Form:
    """One kind of entry: its heading, and what a form asks for."""

    name: str
    heading: Any
    add: Any
    inputs: Sequence[Input]
    enters: str = ""  # the kind of entry, where it is not called as the form is
    fixed: Mapping[str, str] = field(default_factory=dict)  # what the form enters without asking


class Overtaken(Exception):
    """What a form began with stands no more: a colleague has changed it since. Says so, with what was typed."""


def hold(act: Act, row: Base) -> None:
    """Read the row as it stands; whoever else would change it waits until this transaction has ended."""
    act.session.refresh(row, with_for_update={"key_share": True})


def mark(begins_with: Mapping[str, Any]) -> str:
    """A short mark of what a form begins with, which comes back in its field `stood`."""
    written = json.dumps(begins_with, default=str, sort_keys=True)
    return hashlib.sha256(written.encode()).hexdigest()[:16]


def check_stands(form: Form, stands: Mapping[str, Any], zone: str, **besides: tuple[str, Any]) -> None:
    """Raises Overtaken where the form began with something else than stands now, and would change it.

    The caller has the row of what stands in its `hold`. One without a mark is taken. `besides`: what it holds beyond
    its inputs, each with its name and what was sent.
    """
    if forms.text("stood") in {"", mark(stands)}:
        return
    sent = [_typed(one) for one in form.inputs if not _is_so(one, stands.get(one.name), zone)]
    sent += [name for key, (name, value) in besides.items() if value != stands[key]]
    if sent:
        told = gettext("Not changed: somebody has changed this since you opened it. The form holds what stands now.")
        otherwise = gettext("You had sent otherwise: %(fields)s.", fields="; ".join(sent))
        raise Overtaken(f"{told} {otherwise}")


def no_longer_there(form: Form) -> str:
    """Says that an entry was corrected or taken back by somebody else, with what was typed into its form."""
    told = gettext("Not recorded: somebody has corrected this or taken it back since you opened it.")
    typed = [_typed(one) for one in form.inputs if forms.text(one.name).strip()]
    sent = gettext("You had sent: %(fields)s.", fields="; ".join(typed))
    return f"{told} {sent}" if typed else str(told)


def _is_so(one: Input, stands: Any, zone: str) -> bool:
    """Whether a field says what stands."""
    sent = value(one, zone)
    if one.kind == "days":
        sent = None if sent is None else sum(1 << day for day in sent)
    stands = None if stands == "" else stands
    return bool(sent == stands) or str(sent) == str(stands)


def _typed(one: Input) -> str:
    """A field by its name, with what was typed where that is not chosen or ticked."""
    typed = forms.text(one.name).strip()
    if one.words or one.kind in {"checkbox", "yes", "days", "choice", "staff"} or not typed:
        return str(one.label)
    return f"{one.label} ({typed})"


def given(schema: Schema, form: Form, zone: str) -> dict[str, Any]:
    """What a form holds, as the API's schema reads it; wall times are of `zone`. Raises Refused."""
    read = {one.name: value(one, zone) for one in form.inputs}
    if missing := [one.name for one in form.inputs if one.required and read[one.name] is None]:
        raise refusals.needed(missing[0])
    held = {one.name: read[one.name] for one in form.inputs if read[one.name] is not None or one.empties}
    held |= form.fixed
    if any(one.kind == "measure" for one in form.inputs):
        kind, _, unit = held.get("kind", "").partition(" ")
        held |= {"kind": kind} | ({"unit": unit} if unit else {})
    return loaded(schema, form, held)


def loaded(schema: Schema, form: Form, held: Mapping[str, Any]) -> dict[str, Any]:
    """What the API's schema makes of it. Raises Refused, in words for whoever typed it."""
    try:
        read: dict[str, Any] = schema.load(held)
    except ValidationError as wrong:
        path = _first(wrong.messages_dict)
        # A field below another has its whole path for a name where the form says so, and else its own.
        named = (".".join(path), f"{path[0]}.{path[-1]}", path[-1])
        asked = next((one for name in named for one in form.inputs if one.name == name), None)
        found: Any = held
        for step in path:
            found = found.get(step) if isinstance(found, Mapping) else found
        raise Refused(path[-1] if asked is None else asked.name, found, _accepted(asked, found)) from None
    return read


def _first(messages: Mapping[Any, Any], above: tuple[str, ...] = ()) -> list[str]:
    """Where the first thing is that a schema did not take; places in a list, and in a field of pairs, have no name."""
    name, below = next(iter(messages.items()))
    path = above if isinstance(name, int) or (above and name in {"key", "value"}) else (*above, str(name))
    return _first(below, path) if isinstance(below, Mapping) else list(path)


def value(one: Input, zone: str) -> Any:
    """What a field holds, as a schema takes it; None for nothing. Raises Refused."""
    match one.kind:
        case "checkbox":
            return bool(forms.text(one.name))
        case "yes":
            return {"yes": True, "no": False}.get(forms.text(one.name))
        case "days":
            ticked = request.form.getlist(one.name)
            days = [int(day) for day in ticked if day in set("0123456")]
            return days or ([] if "none" in ticked else None)
        case "number":
            return forms.number(one.name)
        case "datetime-local":
            taken = forms.instant(one.name, localtime.zone(zone))
            return None if taken is None else taken.isoformat()
    return forms.text(one.name).strip() or None


def told(form: Form, refused: Refused, **more: Any) -> str:
    """What would have been taken of which field, by its name in the form or in `more`."""
    return refusals.plain(refused, {one.name: one.label for one in form.inputs} | more)


def _accepted(asked: Input | None, held: Any) -> str:
    """What a field takes, in words."""
    if asked is None or held in (None, "", []):
        return refusals.NEEDED
    if asked.kind == "date":
        return str(gettext("a date such as 2026-11-25"))
    if asked.kind == "time":
        return str(gettext("a local time, such as 07:30"))
    if asked.words or asked.kind in {"staff", "measure", "choice"}:
        return str(gettext("one of the list"))
    if asked.kind in {"number", "decimal"}:
        return str(gettext("a number that can be true"))
    return str(gettext("shorter text, on one line"))
