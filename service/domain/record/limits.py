"""A clinician's limits for one patient's results: what is beyond them.

Promises that a limit exists only where a clinician typed it for this patient, that the newest result of a kind alone is
held against it, whenever that was taken, and that value and limit are compared in one unit and told as they were given.
A result at the limit itself is not beyond it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.record.results import MEASURES, Result, TimedResult, read_result
from service.domain.validation import Refused
from service.domain.vocabulary import ResultKind


@dataclass(frozen=True, slots=True)
class ResultLimit:
    """What was typed for a kind of result; one end may be open."""

    kind: ResultKind
    lower: Result | None
    upper: Result | None
    set_on: date


@dataclass(frozen=True, slots=True)
class ResultBeyond:
    """The newest result of a kind is beyond its limit: both as they were given, in UCUM units."""

    kind: ResultKind
    value: float
    unit: str
    at: str  # the instant, ISO 8601
    on: date  # local
    up: bool
    limit: float
    limit_unit: str
    set_on: date


def read_limit(kind: ResultKind, lower: str | None, upper: str | None, unit: str | None, set_on: date) -> ResultLimit:
    """A limit as it was typed, both ends in one unit; without one in the kind's own. Raises Refused."""
    if kind not in MEASURES:
        raise Refused("kind", kind, "a kind of result that is a number")
    if lower is None and upper is None:
        raise Refused("upper", None, "a number for at least one end")
    ends: list[Result | None] = []
    for field, given in (("lower", lower), ("upper", upper)):
        try:
            ends.append(None if given is None else read_result(kind, given, unit))
        except Refused as refused:
            raise refused.of_field(field if refused.field == "value" else refused.field) from None
    low, high = ends
    if low is not None and high is not None and low.compared >= high.compared:
        raise Refused("lower", lower, "a number below the upper end")
    return ResultLimit(kind, low, high, set_on)


def beyond(
    limits: Iterable[ResultLimit], newest: Mapping[ResultKind, TimedResult], where: ZoneInfo
) -> tuple[ResultBeyond, ...]:
    """The newest results that are beyond their limits, the newest first."""
    found = []
    for limit in limits:
        one = newest.get(limit.kind)
        passed = None if one is None else _passed(limit, one.result)
        if one is not None and passed is not None:
            given, on = one.result, local_date(one.at, where)
            up, ends = passed is limit.upper, (float(passed.value), passed.unit)
            instant = one.at.isoformat()
            found.append(ResultBeyond(limit.kind, float(given.value), given.unit, instant, on, up, *ends, limit.set_on))
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))


def _passed(limit: ResultLimit, result: Result) -> Result | None:
    """The end that a result is beyond; None where it is within."""
    if limit.upper is not None and result.compared > limit.upper.compared:
        return limit.upper
    return limit.lower if limit.lower is not None and result.compared < limit.lower.compared else None
