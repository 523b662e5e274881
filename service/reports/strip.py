"""The small strip of 30 days in a panel row, as an inline SVG.

Promises that a day without a reading is an empty, outlined slot, that nothing is
told by colour alone (a gap is a slot, an excused day a bar, a diary without a
reading a square), and that it carries its own sentence for whoever cannot see
it. Styled by classes only: no style attribute, so a strict policy has nothing to
refuse.
"""

from __future__ import annotations

from html import escape

from service.domain.summary import DIARY_ONLY, EXCUSED, MISSED, Strip
from service.words.language import Language
from service.words.sentences import review

SLOT = 8  # px a day
HEIGHT = 64
NAMESPACE = ' xmlns="http://www.w3.org/2000/svg"'
STYLE = (
    "<style>path{fill:none}.line{stroke:#0072b2;stroke-width:1.5}"
    ".dots{stroke:#0072b2;stroke-width:4;stroke-linecap:round}"
    ".reference{stroke:#17262e;stroke-dasharray:6 3}.upper,.lower{stroke:#9b2c12;stroke-width:1.2;stroke-dasharray:2 2}"
    ".gap{fill:#f4f7f7;stroke:#8a979e;stroke-width:.8}.diary{fill:#17262e}.excused{fill:#a9b4ba}</style>"
)
LEAST_SPAN = 12.0  # mmHg from bottom to top, at least: noise must not look like a rise


def svg(
    say: Language,
    strip: Strip,
    reference: float | None,
    upper: float | None,
    lower: float | None,
    *,
    alone: bool = False,
) -> str:
    """The strip as SVG text. Pressures in mmHg; a limit far from the readings is left out, not squeezed in.

    `alone` gives it its own namespace and style, for a document that has no style sheet.
    """
    known = [value for value in strip.values if value is not None]
    low, high = _span(known, reference, upper, lower)
    width = SLOT * len(strip.values)

    def y(value: float) -> float:
        return round(HEIGHT - 5 - (value - low) / (high - low) * (HEIGHT - 10), 1)

    parts = [
        f'<svg class="strip"{NAMESPACE if alone else ""} viewBox="0 0 {width} {HEIGHT}" width="{width}" '
        f'height="{HEIGHT}" role="img" aria-label="{escape(review.strip(say, strip))}">{STYLE if alone else ""}'
    ]
    for index, mark in enumerate(strip.marks):
        x = index * SLOT
        if mark == MISSED:
            parts.append(f'<rect class="gap" x="{x + 1}" y="1.5" width="{SLOT - 2}" height="{HEIGHT - 3}"/>')
        elif mark == DIARY_ONLY:
            parts.append(
                f'<rect class="gap" x="{x + 1}" y="1.5" width="{SLOT - 2}" height="{HEIGHT - 3}"/>'
                f'<rect class="diary" x="{x + 2}" y="{HEIGHT - 8}" width="4" height="4"/>'
            )
        elif mark == EXCUSED:
            parts.append(f'<rect class="excused" x="{x}" y="{HEIGHT - 5}" width="{SLOT}" height="3"/>')
    for name, line in (("upper", upper), ("lower", lower), ("reference", reference)):
        if line is not None and low <= line <= high:
            parts.append(f'<path class="{name}" d="M0 {y(line)}H{width}"/>')
    path: list[str] = []
    dots: list[str] = []
    joined = False
    for index, value in enumerate(strip.values):
        if value is None:
            joined = False
            continue
        point = f"{index * SLOT + SLOT // 2} {y(value):g}"
        path.append(f"{'L' if joined else 'M'}{point}")
        dots.append(f"M{point}h0")
        joined = True
    if path:
        parts.append(f'<path class="line" d="{"".join(path)}"/><path class="dots" d="{"".join(dots)}"/>')
    parts.append("</svg>")
    return "".join(parts)


def _span(known: list[float], reference: float | None, upper: float | None, lower: float | None) -> tuple[float, float]:
    seen = known + ([reference] if reference is not None else [])
    if not seen:
        return 0.0, LEAST_SPAN
    low, high = min(seen), max(seen)
    for limit in (upper, lower):
        if limit is not None and low - LEAST_SPAN / 2 <= limit <= high + LEAST_SPAN / 2:
            low, high = min(low, limit), max(high, limit)
    short = LEAST_SPAN - (high - low)
    if short > 0:
        low, high = low - short / 2, high + short / 2
    return low - 0.5, high + 0.5
