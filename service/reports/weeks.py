"""A figure of the clinic week by week, as an inline SVG line.

Promises that a week whose figure is not known breaks the line and is no zero, that the running week is a hollow
dot at the end of a dashed line, that the scale begins at 0, and that it carries its own sentence for whoever
cannot see it. Inline and styled by classes, as the strip is: six of them cost no request more, and dark pages
and print need nothing of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
from itertools import pairwise
from math import floor, log10

from service.words.language import Language

WIDTH, HEIGHT = 340, 96
LEFT, RIGHT, TOP, BOTTOM = 46, 8, 12, 20  # px: the scale's figures, the newest dot, and the months


@dataclass(frozen=True, slots=True)
class Point:
    """One week: its first day, its figure (None: not known), and what stands behind it in words."""

    first: date
    value: float | None
    told: str
    running: bool = False


def svg(say: Language, points: Sequence[Point], *, name: str, most: float | None = None, unit: str = "") -> str:
    """The drawing as SVG text. `most`: where the scale ends, if not at what the figures reach; `unit` follows them."""
    known = [point.value for point in points if point.value is not None]
    top = most or _nice(max(known, default=0.0))
    place = [_x(index, len(points)) for index in range(len(points))]
    parts = [
        f'<svg class="weeks" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-label="{escape(describe(say, points, name=name, unit=unit))}">'
    ]
    for value in (0.0, top):
        y, figure = _y(value, top), f"{say.figure(value)}{escape(unit)}"
        parts.append(f'<path class="scale" d="M{LEFT} {y:g}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{LEFT - 5}" y="{y + 4:g}" text-anchor="end">{figure}</text>')
    for x, month in _months(say, points, place):
        parts.append(f'<path class="scale" d="M{x:g} {HEIGHT - BOTTOM}v4"/>')
        parts.append(f'<text x="{x:g}" y="{HEIGHT - 3}">{month}</text>')
    for (x, one), (next_x, next_one) in pairwise(zip(place, points, strict=True)):
        if one.value is not None and next_one.value is not None:
            kind = "line running" if next_one.running else "line"
            ends = f"M{x:g} {_y(one.value, top):g}L{next_x:g} {_y(next_one.value, top):g}"
            parts.append(f'<path class="{kind}" d="{ends}"/>')
    for x, point in zip(place, points, strict=True):
        if point.value is not None:
            kind = "hollow" if point.running else "dot"
            told = f"<title>{escape(point.told)}</title>"
            parts.append(f'<circle class="{kind}" cx="{x:g}" cy="{_y(point.value, top):g}" r="3">{told}</circle>')
    parts.append("</svg>")
    return "".join(parts)


def describe(say: Language, points: Sequence[Point], *, name: str, unit: str = "") -> str:
    """`Readings, by week since 28 Jul: from 84 % to 98 %, 95 % in the newest whole week.`"""
    known = [point for point in points if point.value is not None and not point.running]
    if not known:
        return say.gettext("%(name)s by week: nothing known yet", name=name)
    figures = [point.value or 0.0 for point in known]
    return say.gettext(
        "%(name)s by week since %(first)s: from %(low)s to %(high)s; %(newest)s in the week from %(last)s",
        name=name,
        first=say.short_day(known[0].first),
        low=f"{say.figure(min(figures))}{unit}",
        high=f"{say.figure(max(figures))}{unit}",
        newest=f"{say.figure(figures[-1])}{unit}",
        last=say.short_day(known[-1].first),
    )


def _x(index: int, weeks: int) -> float:
    return round(LEFT + (WIDTH - LEFT - RIGHT) * (index + 0.5) / max(weeks, 1), 1)


def _y(value: float, top: float) -> float:
    return round(TOP + (HEIGHT - TOP - BOTTOM) * (1 - min(value / top, 1.0)), 1)


def _nice(largest: float) -> float:
    """The first of 1, 2, 5 and 10 times a power of ten that is no less; 1 where there is nothing."""
    if largest <= 0:
        return 1.0
    power = 10.0 ** floor(log10(largest))
    return next((step * power for step in (1, 2, 5) if largest <= step * power), 10 * power)


def _months(say: Language, points: Sequence[Point], place: Sequence[float]) -> Iterator[tuple[float, str]]:
    """Where each month begins, as far as its name has room."""
    for index, point in enumerate(points):
        begins = index == 0 or point.first.month != points[index - 1].first.month
        soon = index == 0 and any(one.first.month != point.first.month for one in points[1:4])
        if begins and not soon and place[index] < WIDTH - 30:
            yield place[index], escape(say.short_months[point.first.month - 1])
