"""The small strip of 30 days in a panel row, as an inline SVG, on one scale for everybody.

Promises that a day without a reading is an empty, hatched slot, that nothing is
told by colour alone (a gap is a slot, an excused day a bar, a diary without a
reading a square, an adjustment a tick), and that it carries its own sentence for whoever cannot see
it. The scale is the same for everybody: `REACH` mmHg either side of the patient's reference, so that the
same rise looks the same; what lies beyond stands at the edge with its figure. Styled by classes
only: no style attribute, so a strict policy has nothing to refuse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

from service.domain.summary import DIARY_ONLY, EXCUSED, MISSED, Strip, Summary
from service.words.language import Language
from service.words.sentences import review

SLOT = 7  # px a day
HEIGHT = 48
BESIDE = 34  # px at the right end, for the last value
REACH = 15.0  # mmHg from the middle to either edge
EDGE = 5  # px that the edge is from the middle of what stands there
NAMESPACE = ' xmlns="http://www.w3.org/2000/svg"'
STYLE = (
    "<style>path{fill:none}text{font:11px sans-serif;fill:#17262e}.line{stroke:#0072b2;stroke-width:1.5}"
    ".dots,.out{stroke:#0072b2;stroke-width:4;stroke-linecap:round}.out{stroke-width:2}"
    ".reference{stroke:#17262e;stroke-dasharray:6 3}.upper,.lower{stroke:#9b2c12;stroke-width:1.2;stroke-dasharray:2 2}"
    ".gap,.hatch{stroke:#8a979e;stroke-width:.8}.gap{fill:#f4f7f7}.goal{fill:#e0efe6}.diary{fill:#17262e}"
    ".excused{fill:#a9b4ba}.tick{stroke:#17262e;stroke-width:1.5}</style>"
)


@dataclass(frozen=True, slots=True)
class Lines:
    """What stands behind the readings: pressures in mmHg, and the dates of adjustments. None where there is none."""

    reference: float | None = None
    upper: float | None = None
    lower: float | None = None
    usual: float | None = None  # in the middle where there is no reference
    goal: tuple[float | None, float | None] | None = None  # its lower and upper end
    adjusted_on: Sequence[date] = ()


def lines_of(known: Summary, adjusted_on: Sequence[date] = ()) -> Lines:
    """The lines of a row of the panel."""
    pressure, goal = known.trend.pressure, known.trend.pressure.goal
    ends = None if goal is None else (goal.lower, goal.upper)
    return Lines(known.trend.reference, known.upper, known.lower, pressure.usual, ends, adjusted_on)


def svg(say: Language, strip: Strip, lines: Lines, *, alone: bool = False) -> str:
    """The strip as SVG text.

    `alone` gives it its own namespace and style, for a document that has no style sheet.
    """
    scale = _Scale(_middle(strip, lines))
    days = SLOT * len(strip.values)
    parts = [
        f'<svg class="strip"{NAMESPACE if alone else ""} viewBox="0 0 {days + BESIDE} {HEIGHT}" '
        f'width="{days + BESIDE}" height="{HEIGHT}" role="img" aria-label="{escape(review.strip(say, strip))}">'
        f"{STYLE if alone else ''}"
    ]
    parts += _goal(scale, lines.goal, days)
    parts += _slots(strip)
    for name, line in (("upper", lines.upper), ("lower", lines.lower), ("reference", lines.reference)):
        if line is not None and scale.holds(line):
            parts.append(f'<path class="{name}" d="M0 {scale.y(line):g}H{days}"/>')
    for made in lines.adjusted_on:
        at = (made - strip.first_day).days
        if 0 <= at < len(strip.values):
            parts.append(f'<path class="tick" d="M{at * SLOT + SLOT / 2:g} 0v{HEIGHT}"/>')
    parts += _readings(say, strip, scale, days)
    parts.append("</svg>")
    return "".join(parts)


class _Scale:
    def __init__(self, middle: float) -> None:
        self.middle = middle

    def holds(self, value: float) -> bool:
        return abs(value - self.middle) <= REACH

    def y(self, value: float) -> float:
        """Where the value stands; at the edge, where it lies beyond."""
        inside = max(-REACH, min(REACH, value - self.middle))
        return round(HEIGHT / 2 - inside / REACH * (HEIGHT / 2 - EDGE), 1)


def _middle(strip: Strip, lines: Lines) -> float:
    """The reference; where there is none, the recent usual, else the middle one of what was read."""
    if lines.reference is not None:
        return lines.reference
    if lines.usual is not None:
        return lines.usual
    known = sorted(value for value in strip.values if value is not None)
    return known[len(known) // 2] if known else 0.0


def _goal(scale: _Scale, goal: tuple[float | None, float | None] | None, days: int) -> list[str]:
    if goal is None:
        return []
    lower, upper = goal
    top = scale.y(scale.middle + REACH if upper is None else upper)
    bottom = scale.y(scale.middle - REACH if lower is None else lower)
    return [f'<path class="goal" d="M0 {top:g}H{days}V{bottom:g}H0Z"/>']


def _slots(strip: Strip) -> list[str]:
    """What became of each day, one path a kind: 30 days are small in a page."""
    gaps = hatch = diary = excused = ""
    for index, mark in enumerate(strip.marks):
        x = index * SLOT
        if mark in {MISSED, DIARY_ONLY}:
            gaps += f"M{x + 1} 1h{SLOT - 2}v{HEIGHT - 2}h{2 - SLOT}z"
            hatch += "".join(f"M{x + 1} {y + SLOT - 2}l{SLOT - 2} {2 - SLOT}" for y in range(4, HEIGHT - SLOT, 8))
        if mark == DIARY_ONLY:
            diary += f"M{x + 1.5:g} {HEIGHT - 6}h4v4h-4z"
        if mark == EXCUSED:
            excused += f"M{x} {HEIGHT - 4}h{SLOT}v3h-{SLOT}z"
    drawn = (("gap", gaps), ("hatch", hatch), ("diary", diary), ("excused", excused))
    return [f'<path class="{name}" d="{path}"/>' for name, path in drawn if path]


def _readings(say: Language, strip: Strip, scale: _Scale, days: int) -> list[str]:
    path, dots, out, last = "", "", "", None
    for index, value in enumerate(strip.values):
        if value is None:
            continue
        point = f"{index * SLOT + SLOT / 2:g} {scale.y(value):g}"
        path += f"{'L' if index and strip.values[index - 1] is not None else 'M'}{point}"
        if scale.holds(value):
            dots += f"M{point}h0"
        else:
            out += f"M{point}l-2.5 {3 if value > scale.middle else -3}m2.5 {-3 if value > scale.middle else 3}l2.5 "
            out += f"{3 if value > scale.middle else -3}"
        last = (index, value)
    drawn = [f'<path class="{name}" d="{d}"/>' for name, d in (("line", path), ("dots", dots), ("out", out)) if d]
    farthest = _farthest(strip, scale)
    if farthest is not None and farthest != last:
        index, value = farthest
        x, end = min(max(index * SLOT + SLOT / 2, 12), days - 12), 18 if value > scale.middle else HEIGHT - 12
        drawn.append(f'<text x="{x:g}" y="{end}" text-anchor="middle">{say.figure(value, 0)}</text>')
    if last is not None:
        y = min(max(scale.y(last[1]) + 4, 11), HEIGHT - 2)
        drawn.append(f'<text class="last" x="{days + 4}" y="{y:g}">{say.figure(last[1])}</text>')
    return drawn


def _farthest(strip: Strip, scale: _Scale) -> tuple[int, float] | None:
    """The reading farthest beyond the scale; of one that is passed again and again the newest."""
    beyond = [(at, one) for at, one in enumerate(strip.values) if one is not None and not scale.holds(one)]
    return max(beyond, key=lambda found: (abs(found[1] - scale.middle), found[0]), default=None)
