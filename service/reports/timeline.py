"""What the patient's time line is drawn from: plain facts, and the few things every track shares.

Knows nothing of where the facts come from, and draws nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from service.domain.days import Day

Spec = dict[str, Any]

# Okabe & Ito 2008, "Color Universal Design": told apart with every common colour vision. Of its
# colours only those that stand out from white by 3:1 are used (WCAG 2.2, 1.4.11).
BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
INK, FAINT = "#1b2a33", "#6b7780"
BREAK = "break-paths-show-path-domains"
SYMPTOMS = (
    "Extra pillows",
    "Woken breathless",
    "Swelling",
    "Light-headed",
    "Tiredness",
    "Missed medicines",
    "Safety answer",
)
LANES_OF_MARKS = ("Adjustments", "Pauses", "Silences", "Messages", "Reviews")


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened on a day, or from a day to a day."""

    row: str  # one of LANES_OF_MARKS
    first: date
    last: date
    label: str


@dataclass(frozen=True, slots=True)
class Ahead:
    """The forecast for one day, mmHg: the middle and an interval."""

    day: date
    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """What is drawn. Pressures in mmHg, weight in kg."""

    days: Sequence[Day]
    reference: float | None = None
    reference_name: str = "reference"
    upper: float | None = None
    lower: float | None = None
    dry_weight_kg: float | None = None
    ahead: Sequence[Ahead] = ()
    marks: Sequence[Mark] = ()


def x(field: str = "day") -> Spec:
    return {"field": field, "type": "temporal", "title": None}


def edge(day: date, side: int) -> str:
    """Midnight before (-1) or after (+1) half a day: where a day's column begins or ends."""
    instant = day if side > 0 else day - timedelta(days=1)
    return f"{instant.isoformat()}T12:00:00Z"
