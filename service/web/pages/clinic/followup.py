"""The follow-up steps as a form has them: a row for each that may be, with when it is done or that it is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.domain import steps
from service.domain.validation import Refused
from service.domain.vocabulary import StepKind
from service.web import forms


@dataclass(frozen=True)
class StepRow:
    """One step that may be: its field names begin with `name`. Not done where `anchor` is empty."""

    name: str
    kind: StepKind
    anchor: str
    after_minutes: int


def rows(kept: Any) -> list[StepRow]:
    """A row for each step that there may be of each kind, filled with those that are kept."""
    rules = steps.from_json(kept)
    made = []
    for kind, most in steps.MOST.items():
        mine: Sequence[steps.StepRule | None] = [rule for rule in rules if rule.kind is kind]
        for place, rule in enumerate([*mine, *[None] * (most - len(mine))]):
            name = f"step-{kind}-{place}"
            made.append(StepRow(name, kind, rule.anchor if rule else "", rule.after_minutes if rule else 0))
    return made


def typed() -> list[dict[str, Any]]:
    """The steps that the form holds, in plain values as they are kept. Raises Refused."""
    found = []
    for kind, most in steps.MOST.items():
        for place in range(most):
            name = f"step-{kind}-{place}"
            anchor = forms.text(f"{name}-anchor")
            if anchor:
                minutes = forms.number(f"{name}-minutes")
                found.append({"kind": kind.value, "anchor": anchor, "after_minutes": 0 if minutes is None else minutes})
    try:
        return steps.as_json(steps.from_json(found))
    except Refused as refused:
        raise Refused("steps", refused.value, refused.message, None, **refused.bounds) from None
