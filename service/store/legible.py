"""What was on the page of a signed record, and where the patient stood, as its readers may rely on it.

Promises that a record which was altered until it cannot be unpacked breaks no page: it is told as altered, and nothing
of it is shown. Only what does not hold under its seal is tolerated so: a sealed record that cannot be unpacked is a
fault of this service, and stays loud.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.domain import factjson, review
from service.domain.days import Day
from service.domain.frozen import dataclass
from service.domain.seals import HOLDS, Seal, canonical
from service.domain.since import Standing
from service.domain.vocabulary import Lane
from service.store import seals
from service.store.tables import ReviewAddition, SignOff


@dataclass(frozen=True, slots=True)
class _Change:
    what: str
    made_on: date


@dataclass(frozen=True, slots=True)
class _Page:
    """What readers take from a page beside its facts: `reviewing.signing.freeze`."""

    by: str
    name: str
    clinic_ref: str
    born_on: date | None
    lane: Lane
    why: str
    also: tuple[str, ...]
    brief: str
    since: tuple[str, ...]
    days: tuple[Day, ...]
    adjustments: tuple[_Change, ...]
    response: str


def page(session: Session, row: SignOff | ReviewAddition) -> tuple[dict[str, Any], Seal]:
    """What was frozen in the row, and what its seal tells; an empty page of an altered one that cannot be unpacked."""
    seal = seals.judge(session, row)
    if seal in HOLDS:
        return row.frozen, seal
    try:
        _check(row.frozen)
    except seals.UNREADABLE:
        return {}, Seal.ALTERED
    return ({}, Seal.ALTERED) if row.outcome is None else (row.frozen, seal)


def _check(frozen: Mapping[str, Any]) -> None:
    canonical(frozen)  # every text can be written again
    changes = [{name: made[name] for name in _Change.__slots__} for made in frozen["adjustments"]]
    factjson.check(_Page, {name: frozen[name] for name in _Page.__slots__} | {"adjustments": changes})
    facts = frozen["facts"]
    review.from_json(facts)
    factjson.check(review.PatientFacts, {name: facts[name] for name in facts if name != factjson.LAYOUT})


def standing(packed: Mapping[str, Any], seal: Seal, on: date) -> Standing:
    """Where the patient stood; of an altered record that cannot be unpacked one that knew of nothing: all is news."""
    try:
        if seal not in HOLDS:
            factjson.check(Standing, packed)
        stood: Standing = factjson.unpack(Standing, packed)
    except seals.UNREADABLE:
        if seal in HOLDS:
            raise
        return Standing(on, Lane.SETTLED, ())
    return stood
