"""The settings file of a replay: JSON, every field optional, an unknown one refused.

{
  "engine":      {"rise_sure": 0.97, …},             numbers of domain.signals.settings, by their names
  "limits":      {"P-1": {"upper": 25, "lower": 8}},  mmHg of PA diastolic, per patient, as a clinician typed them
  "references":  {"P-1": {"pa_diastolic": 18, "pa_mean": 26, "pa_systolic": 40,    mmHg, instead of the first days'
                          "from_date": "2026-01-05", "to_date": "2026-01-18"}},    no day before to_date is judged
  "dry_weights": {"P-1": 80.5},                       kg
  "only":        ["rising", "above_limit"]            kinds of signal to write; left out: all of them
}
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, TypeVar

from service.domain.fields import number
from service.domain.signals import settings
from service.domain.signals.facts import AnchoredReference, PressureLimits, typed_reference
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.trend.state import CHANNELS
from service.domain.validation import Refused
from service.domain.vocabulary import SignalKind

Found = TypeVar("Found")
LEAST, MOST = -5.0, 200.0  # mmHg a limit or a reference may be


@dataclass(frozen=True, slots=True)
class Options:
    """What a replay is told besides the data."""

    engine: EngineSettings = DEFAULT
    limits: Mapping[str, PressureLimits] = field(default_factory=dict)
    references: Mapping[str, AnchoredReference] = field(default_factory=dict)
    dry_weights: Mapping[str, float] = field(default_factory=dict)
    only: frozenset[SignalKind] = frozenset(SignalKind)


def read_options(text: str) -> Options:
    """The options in a JSON text. Raises Refused for anything not named above."""
    try:
        raw = json.loads(text)
    except ValueError as error:
        raise Refused("settings", text[:40], f"a JSON object ({error})") from None
    fields = {
        "engine": settings.from_json,
        "limits": _each(_limits),
        "references": _each(_reference),
        "dry_weights": _each(lambda value: number("dry_weights", value, 20, 400, "kg")),
        "only": _only,
    }
    values: dict[str, Any] = {}
    for name, value in _object("settings", raw).items():
        if name not in fields:
            raise Refused(name, value, f"one of: {', '.join(fields)}")
        values[name] = fields[name](_object(name, value) if name != "only" else value)
    return Options(**values)


def _each(read: Callable[[Any], Found]) -> Callable[[Mapping[str, Any]], dict[str, Found]]:
    def all_of(raw: Mapping[str, Any]) -> dict[str, Found]:
        return {patient: read(value) for patient, value in raw.items()}

    return all_of


def _limits(raw: Any) -> PressureLimits:
    values = _named("limits", raw, ("upper", "lower"))
    upper, lower = values["upper"], values["lower"]
    if upper is not None and lower is not None and lower >= upper:
        raise Refused("lower", lower, f"less than upper, {upper:g}")
    return PressureLimits(upper, lower)


def _reference(raw: Any) -> AnchoredReference:
    dates = {name: raw[name] for name in ("from_date", "to_date") if name in _object("references", raw)}
    values = _named("references", {name: value for name, value in raw.items() if name not in dates}, CHANNELS)
    if all(value is None for value in values.values()):
        raise Refused("references", raw, f"at least one of: {', '.join(CHANNELS)}")
    days = {name: _date(name, value) for name, value in dates.items()}
    pressures = (values[CHANNELS[0]], values[CHANNELS[1]], values[CHANNELS[2]])
    return typed_reference(pressures, days.get("from_date"), days.get("to_date"))


def _date(name: str, raw: Any) -> date | None:
    if raw is None:
        return None
    try:
        return date.fromisoformat(raw)
    except (TypeError, ValueError):
        raise Refused(name, raw, "a date such as 2026-03-01") from None


def _named(field_name: str, raw: Any, names: tuple[str, ...]) -> dict[str, float | None]:
    for name in _object(field_name, raw):
        if name not in names:
            raise Refused(name, raw[name], f"one of: {', '.join(names)}")
    return {name: None if raw.get(name) is None else number(name, raw[name], LEAST, MOST, "mmHg") for name in names}


def _only(raw: Any) -> frozenset[SignalKind]:
    accepted = f"a list of kinds: {', '.join(SignalKind)}"
    if not isinstance(raw, list):
        raise Refused("only", raw, accepted)
    for kind in raw:
        if kind not in set(SignalKind):
            raise Refused("only", kind, accepted)
    return frozenset(SignalKind(kind) for kind in raw)


def _object(name: str, raw: Any) -> Mapping[str, Any]:
    if not isinstance(raw, dict):
        raise Refused(name, raw, "a JSON object")
    return raw
