"""A clinic's own rules for the record: equivalents of diuretics, chemistry after a change, what follows a stay.

Plain values as the clinic's settings keep them: `as_json` of what `from_json` made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from service.domain.record.aftercare import Aftercare, read_aftercare
from service.domain.record.medicines import START_CHEMISTRY_DAYS, START_FACTORS, read_factors
from service.domain.validation import Refused
from service.domain.vocabulary import MedicineClass

LATEST_DAY = 366
AFTERCARE = tuple(item.name for item in fields(Aftercare))


@dataclass(frozen=True, slots=True)
class RecordRules:
    """`loop_factors`: "torasemide oral" → mg of furosemide by mouth a mg; `chemistry_days` after a change, by class."""

    loop_factors: Mapping[str, Decimal]
    chemistry_days: Mapping[MedicineClass, tuple[int, ...]]
    aftercare: Aftercare


def from_json(given: Any) -> RecordRules:
    """What a clinic set, over the start values; None: nothing. Raises Refused."""
    given = {} if given is None else given
    start = Aftercare()
    after = {name: given.get(name, getattr(start, name)) for name in AFTERCARE} if isinstance(given, Mapping) else {}
    names = {"loop_factors", "chemistry_days", *AFTERCARE}
    if not isinstance(given, Mapping) or not set(given) <= names:
        raise Refused("record_rules", given, "an object of %(names)s", names=tuple(sorted(names)))
    factors, days = given.get("loop_factors", START_FACTORS), given.get("chemistry_days", START_CHEMISTRY_DAYS)
    for name, value in (("loop_factors", factors), ("chemistry_days", days)):
        if not isinstance(value, Mapping):
            raise Refused(name, value, "an object")
    if not isinstance(after["visit_weeks"], list | tuple):
        raise Refused("visit_weeks", after["visit_weeks"], "a list of whole weeks")
    return RecordRules(
        read_factors(factors),
        {_class(kind): _days(dates) for kind, dates in days.items()},
        read_aftercare(**after),
    )


def as_json(rules: RecordRules) -> dict[str, Any]:
    """Plain values, from which `from_json` makes the same."""
    return {
        "loop_factors": {which: str(factor) for which, factor in rules.loop_factors.items()},
        "chemistry_days": {kind.value: list(days) for kind, days in rules.chemistry_days.items()},
        **{name: getattr(rules.aftercare, name) for name in AFTERCARE},
        "visit_weeks": list(rules.aftercare.visit_weeks),
    }


def _class(given: Any) -> MedicineClass:
    if given not in set(MedicineClass):
        raise Refused("chemistry_days", given, "one of %(words)s", words=tuple(MedicineClass))
    return MedicineClass(given)


def _days(given: Any) -> tuple[int, ...]:
    if not isinstance(given, list | tuple) or any(
        isinstance(day, bool) or not isinstance(day, int) or not 1 <= day <= LATEST_DAY for day in given
    ):
        raise Refused("chemistry_days", given, "lists of whole days from 1 to %(most)s", most=LATEST_DAY)
    return tuple(sorted(set(given)))
