"""The tracks of a patient's time line, each a layered Vega-Lite drawing of its own.

Promises that a day without a value breaks the line, and that every series differs in shape or dash as well as
in colour. Knows nothing of where its facts come from, nor of the tracks beside it.

Top to bottom: what is drawn (`Timeline`), the tracks with a scale, and the tracks of words.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import groupby
from statistics import median
from typing import Any

from service.domain.days import Day
from service.domain.vocabulary import Swelling
from service.words.language import Language

Spec = dict[str, Any]
# Okabe & Ito 2008, "Color Universal Design": told apart with every common colour vision. Of its
# colours only those that stand out from white by 3:1 are used (WCAG 2.2, 1.4.11).
BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
INK, FAINT = "#1b2a33", "#6b7780"
BREAK = "break-paths-show-path-domains"
PAPER = "white"
PRESSURES, A_LINE = 230, 13  # pixels: the height of the pressures, and what a line of small text takes
WEEKLY = 120  # days: above, a column a day is too narrow to read, and weeks are drawn


class MarkRow(StrEnum):
    """What happened, a row of the drawing each, from the top."""

    ADJUSTMENTS = "adjustments"
    PAUSES = "pauses"
    SILENCES = "silences"
    CONTEXT = "context"
    GOALS = "goals"
    EVENTS = "events"
    MEDICINES = "medicines"
    RESULTS = "results"
    MESSAGES = "messages"
    REVIEWS = "reviews"


# How what lasts is filled, and which sign and colour what is of one day has.
LASTING = {
    MarkRow.PAUSES: "#cfd6da",
    MarkRow.SILENCES: PAPER,
    MarkRow.CONTEXT: "#dbe5ea",
    MarkRow.GOALS: "#cfe8df",
    MarkRow.EVENTS: "#f6cdb0",
}
AT_ONCE = {
    MarkRow.ADJUSTMENTS: ("triangle-up", BLUE),
    MarkRow.REVIEWS: ("diamond", GREEN),
    MarkRow.MEDICINES: ("square", BLUE),
    MarkRow.RESULTS: ("circle", INK),
}


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened on a day, or from a day to a day; `short` stands beside it where there is room.

    `began_before` the days that are shown: `first` is then the first of those.
    """

    row: MarkRow
    first: date
    last: date
    label: str
    short: str = ""
    began_before: bool = False


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
    reference_is_set: bool = True
    upper: float | None = None
    lower: float | None = None
    goal_upper: float | None = None
    goal_lower: float | None = None
    dry_weight_kg: float | None = None
    ahead: Sequence[Ahead] = ()
    marks: Sequence[Mark] = ()

    @property
    def points(self) -> Sequence[Day]:
        """What the lines go through: the days, or over a long range the median of each week, at its middle."""
        if len(self.days) <= WEEKLY:
            return self.days
        weeks = [list(week) for _, week in groupby(self.days, lambda one: _monday(one.day))]
        return [_week(week) for week in weeks]

    def middle_of(self, day: date) -> date:
        """Where what was said on a day is drawn: that day, or over a long range the middle of its week."""
        return day if len(self.days) <= WEEKLY else _monday(day) + timedelta(days=3)


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _week(days: Sequence[Day]) -> Day:
    known = {
        name: [value for one in days if (value := getattr(one, name)) is not None]
        for name in ("pa_systolic", "pa_mean", "pa_diastolic", "heart_rate", "sure_weight_kg", "breathlessness")
    }
    values: dict[str, Any] = {name: median(some) if some else None for name, some in known.items()}
    return Day(days[len(days) // 2].day, weight_kg=values.pop("sure_weight_kg"), **values)


ONE_LINE = 300  # px: tracks narrower than this have their legend in two
NARROW = 500  # px: a drawing narrower than this has the names of its levels in the tracks, not beside them


def last_day(facts: Timeline) -> date:
    return max([facts.days[-1].day, *(step.day for step in facts.ahead)])


def reference_name(facts: Timeline, say: Language) -> str:
    return say.gettext("reference") if facts.reference_is_set else say.gettext("first settled fortnight")


def x(field: str = "day") -> Spec:
    return {"field": field, "type": "temporal", "title": None}


def edge(day: date, side: int) -> str:
    """Midnight before (-1) or after (+1) half a day: where a day's column begins or ends."""
    instant = day if side > 0 else day - timedelta(days=1)
    return f"{instant.isoformat()}T12:00:00Z"


BLANK = 90  # px: the pressures' track when it holds none
LOOSE: Spec = {"zero": False, "nice": True, "padding": 6}


def layer_of(rows: list[Spec], mark: str, encoding: Spec, **look: Any) -> Spec:
    return {"data": {"values": rows}, "mark": {"type": mark, **look}, "encoding": encoding}


def _track(height: int, layers: list[Spec]) -> Spec:
    """A track of the layers that have anything to draw."""
    return {"height": height, "layer": [layer for layer in layers if layer["data"]["values"]]}


def _told_by(field: str, domain: list[str], told: Sequence[Any], legend: Spec | None = None) -> Spec:
    """A channel (colour, shape, dash) that tells the names in `domain` apart."""
    return {"field": field, "type": "nominal", "scale": {"domain": domain, "range": told}, "legend": legend}


def _named(field: str, names: Mapping[Any, str]) -> Spec:
    """The rows of a track of words, from the top."""
    return {
        "field": field,
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(names.values())},
        "axis": {"grid": True, "labelLimit": 140},
    }


def pressures(facts: Timeline, say: Language, width: int, *, beside: bool = True) -> Spec:
    """The three pressures and what they are held against; `beside`: there is room for names on the right."""
    names = [say.gettext("PA systolic"), say.gettext("PA mean"), say.gettext("PA diastolic")]
    rows = [
        {"day": day.day.isoformat(), "series": name, "value": value}
        for day in facts.points
        for name, value in zip(names, (day.pa_systolic, day.pa_mean, day.pa_diastolic), strict=True)
    ]
    known = [row for row in rows if row["value"] is not None]
    y: Spec = {"field": "value", "type": "quantitative", "scale": LOOSE, **_beside("mmHg")}
    lines = levels(facts, say)
    moves = apart(
        [line[0] for line in lines], [value for row in known if isinstance(value := row["value"], float)], PRESSURES
    )
    forecast = _forecast(facts, y)
    rules = [one for line, down in zip(lines, moves, strict=True) for one in rule(*line, y, down, beside=beside)]
    if not known:
        return _track(BLANK, [*_blank(facts, say, y, BLANK), *forecast, *rules])
    legend = {"orient": "top", "title": None, "symbolStrokeWidth": 2, "columns": 2 if width < ONE_LINE else 3}
    both = {"x": x(), "y": y, "color": _told_by("series", names, [GREEN, VERMILION, BLUE], legend)}
    dash = _told_by("series", names, [[2, 2], [6, 3], [1, 0]])
    shape = _told_by("series", names, ["triangle-up", "square", "circle"], legend)
    size = min(26, max(10, 3 * width // len(facts.points)))
    drawn = [
        layer_of(rows, "line", both | {"strokeDash": dash}, strokeWidth=1.6, invalid=BREAK),
        layer_of(known, "point", both | {"shape": shape}, filled=True, size=size, opacity=1),
    ]
    return _track(PRESSURES, [*forecast, *drawn, *rules])


def _beside(title: str) -> Spec:
    """A scale's few figures, and its title beside them, lying."""
    lying = {"titleAngle": 0, "titleAlign": "right", "titleBaseline": "middle", "titlePadding": 6}
    return {"title": textwrap.wrap(title, 12), "axis": {"tickCount": 4, "minExtent": 26, "maxExtent": 26, **lying}}


def _forecast(facts: Timeline, y: Spec) -> list[Spec]:
    """Where the level may go: a band, and a dotted line through its middle."""
    ahead = [
        {"day": step.day.isoformat(), "low": step.low, "high": step.high, "value": step.middle} for step in facts.ahead
    ]
    band = {"x": x(), "y": {**y, "field": "low"}, "y2": {"field": "high"}}
    return [
        layer_of(ahead, "area", band, color=BLUE, opacity=0.18),
        layer_of(ahead, "line", {"x": x(), "y": y}, color=BLUE, strokeDash=[1, 3], strokeWidth=2),
    ]


def levels(facts: Timeline, say: Language) -> list[tuple[float, str, list[int], str]]:
    """What pressures are held against: each level, its name with its figure, its dash and its colour."""
    lines = (
        (facts.reference, reference_name(facts, say), [8, 4], INK),
        (facts.upper, say.pgettext("limit", "upper"), [3, 3], VERMILION),
        (facts.lower, say.pgettext("limit", "lower"), [3, 3], VERMILION),
        (facts.goal_upper, say.gettext("goal ≤"), [1, 3], GREEN),
        (facts.goal_lower, say.gettext("goal ≥"), [1, 3], GREEN),
    )
    return [
        (value, f"{name} {say.figure(value)}", dash, colour) for value, name, dash, colour in lines if value is not None
    ]


def apart(levels: Sequence[float], drawn: Sequence[float], height: int) -> list[float]:
    """How many pixels down the name of each level is moved, so that each has `A_LINE` to itself; the highest stays."""
    everything = [*levels, *drawn]
    scale = height / ((max(everything) - min(everything)) or 1) if everything else 1.0
    moves, free = [0.0] * len(levels), -math.inf
    for number in sorted(range(len(levels)), key=lambda number: -levels[number]):
        place = -levels[number] * scale
        moves[number] = round(max(free - place, 0), 1)
        free = place + moves[number] + A_LINE
    return moves


def rule(
    value: float, label: str, dash: list[int], colour: str, y: Spec, down: float = 0, *, beside: bool
) -> list[Spec]:
    """A level line with its name outside, at the right edge, where no reading can hide it; without room there, on it.

    `down` is how many pixels below its place the name stands.
    """
    rows = [{"value": value, "label": label}]
    named = {"x": {"value": "width"}, "y": y, "text": {"field": "label"}}
    outside = {"align": "left", "dx": 5, "dy": down, "baseline": "middle"}
    on_it = {"align": "right", "dx": -3, "dy": down - 2, "baseline": "bottom"}
    line = layer_of(rows, "rule", {"y": y}, strokeDash=dash, color=colour, strokeWidth=1.4)
    if beside:
        return [line, layer_of(rows, "text", named, **outside, color=colour)]
    # The paper round its letters keeps what they lie on from running through them.
    ground = layer_of(rows, "text", named, **on_it, color=PAPER, stroke=PAPER, strokeWidth=4, strokeJoin="round")
    return [line, ground, layer_of(rows, "text", named, **on_it, color=colour)]


def _blank(facts: Timeline, say: Language, y: Spec, height: int) -> list[Spec]:
    """The frame of a track that holds no value: a layer that draws nothing, and words that say so."""
    bare = {**y, "axis": y["axis"] | {"labels": False, "ticks": False, "grid": False}}
    frame = layer_of([{"day": facts.days[0].day.isoformat(), "value": 0}], "point", {"x": x(), "y": bare}, opacity=0)
    rows = [frame["data"]["values"][0] | {"said": say.gettext("nothing in these days")}]
    below = {"x": x(), "y": {"value": height - 12}, "text": {"field": "said"}}
    return [frame, layer_of(rows, "text", below, align="left", dx=8, color=FAINT)]


def single(
    facts: Timeline, say: Language, name: str, title: str, shape: str, *, height: int = 60, scale: Spec = LOOSE
) -> Spec:
    """The track of one value, which the day calls `name`."""
    rows = [{"day": day.day.isoformat(), "value": getattr(day, name)} for day in facts.points]
    known = [row for row in rows if row["value"] is not None]
    y: Spec = {
        "field": "value",
        "type": "quantitative",
        "scale": scale,
        **_beside(title),
    }
    y["axis"] |= {"tickCount": 3}
    if not known:
        return _track(height, _blank(facts, say, y, height))
    both = {"x": x(), "y": y}
    return _track(
        height,
        [
            layer_of(rows, "line", both, color=INK, strokeWidth=1.4, invalid=BREAK),
            layer_of(known, "point", both, filled=True, shape=shape, size=22, color=INK, opacity=1),
        ],
    )


# What a scale holds at least, so that a wobble looks like one: common practice, no source.
LEAST_SPAN = 6.0  # kg
LEAST_RATE_SPAN = 40.0  # /min


def spanned(known: Sequence[float], least: float, spare: float) -> Spec:
    """A scale over these values, `least` high at least, with `spare` beyond both ends."""
    if not known:
        return LOOSE
    more = max(0.0, least - (max(known) - min(known))) / 2 + spare
    return {"zero": False, "nice": False, "domain": [min(known) - more, max(known) + more]}


def heart_rate(facts: Timeline, say: Language) -> Spec:
    known = [day.heart_rate for day in facts.points if day.heart_rate is not None]
    scale = spanned(known, LEAST_RATE_SPAN, 2)
    return single(facts, say, "heart_rate", say.gettext("Heart rate, /min"), "diamond", scale=scale)


def weight(facts: Timeline, say: Language, *, beside: bool = True) -> Spec:
    known = [one for day in facts.points if (one := day.sure_weight_kg) is not None]
    if facts.dry_weight_kg is not None and known:
        known.append(facts.dry_weight_kg)
    scale = spanned(known, LEAST_SPAN, 0.5)
    track = single(facts, say, "sure_weight_kg", say.gettext("Weight, kg"), "circle", height=90, scale=scale)
    if facts.dry_weight_kg is not None:
        y = next(layer["encoding"]["y"] for layer in track["layer"] if "y" in layer["encoding"])
        name = say.gettext("dry %(weight)s", weight=say.figure(facts.dry_weight_kg))
        track["layer"] += rule(facts.dry_weight_kg, name, [8, 4], INK, y, beside=beside)
    return track


def symptoms(facts: Timeline, say: Language, *, dense: bool) -> Spec:
    """Letters where a day has room for them, dots where it is `dense`, of tiredness the larger the more of it.

    The table holds the letters.
    """
    names = symptom_names(facts, say)
    said_on = {
        (facts.middle_of(day.day), names[symptom]): (text, day.tiredness if symptom == "tiredness" else None)
        for day in facts.days
        for symptom, text in _symptoms(day, say)
    }
    rows = [
        {"day": on.isoformat(), "symptom": name, "text": text, "size": 16 if much is None else 3 + 5 * much}
        for (on, name), (text, much) in said_on.items()
    ]
    y = _named("symptom", names)
    where: Spec = {"x": x(), "y": y}
    if dense:
        size = {"size": {"field": "size", "type": "quantitative", "scale": None}}
        said = layer_of(rows, "point", where | size, filled=True, color=INK, opacity=1)
    else:
        said = layer_of(rows, "text", where | {"text": {"field": "text"}}, fontSize=12, color=INK)
    return _track(17 * len(names), [said])


def symptom_names(facts: Timeline, say: Language) -> dict[str, str]:
    """The rows of the track, from the top, by the name of the day's answer: what these days told of."""
    told = {symptom for day in facts.days for symptom, _ in _symptoms(day, say)}
    return {symptom: name for symptom, name in _symptom_names(say).items() if symptom in told}


def _symptom_names(say: Language) -> dict[str, str]:
    return {
        "extra_pillows": say.gettext("Extra pillows"),
        "woke_breathless": say.gettext("Woken breathless"),
        "slept_in_chair": say.gettext("Slept in a chair"),
        "swelling": say.gettext("Swelling"),
        "full_belly": say.gettext("Belly full"),
        "light_headed": say.gettext("Light-headed"),
        "tiredness": say.gettext("Tiredness"),
        "missed_medicines": say.gettext("Missed medicines"),
        "safety_signs": say.gettext("Safety answer"),
    }


def _symptoms(day: Day, say: Language) -> list[tuple[str, str]]:
    """What the diary said that day, as the few letters that fit in its column."""
    letters = {
        Swelling.ANKLE: say.pgettext("letter for a swelling to the ankle", "a"),
        Swelling.SHIN: say.pgettext("letter for a swelling to the shin", "s"),
        Swelling.KNEE: say.pgettext("letter for a swelling to the knee or above", "k"),
    }
    shown: list[tuple[str, str]] = []
    if day.extra_pillows:
        shown.append(("extra_pillows", say.change(day.extra_pillows, 0)))
    if day.woke_breathless:
        shown.append(("woke_breathless", "●"))
    if day.slept_in_chair:
        shown.append(("slept_in_chair", "●"))
    if day.swelling in letters:
        shown.append(("swelling", letters[day.swelling]))
    if day.full_belly:
        shown.append(("full_belly", "●"))
    if day.light_headed:
        shown.append(("light_headed", "●"))
    if day.tiredness:
        shown.append(("tiredness", str(day.tiredness)))
    if day.missed_medicines:
        shown.append(("missed_medicines", "●"))
    if day.safety_signs:
        shown.append(("safety_signs", "!"))
    return shown


def mark_names(facts: Timeline, say: Language) -> dict[MarkRow, str]:
    """The rows of what happened in these days, from the top."""
    held = {mark.row for mark in facts.marks}
    return {row: name for row, name in _mark_names(say).items() if row in held}


def rows_without(facts: Timeline, say: Language) -> list[str]:
    """The rows that are left out because these days have nothing in them."""
    everything = [*_symptom_names(say).values(), *_mark_names(say).values()]
    drawn = {*symptom_names(facts, say).values(), *mark_names(facts, say).values()}
    return [name for name in everything if name not in drawn]


def _mark_names(say: Language) -> dict[MarkRow, str]:
    return {
        MarkRow.ADJUSTMENTS: say.gettext("Adjustments"),
        MarkRow.PAUSES: say.gettext("Pauses"),
        MarkRow.SILENCES: say.gettext("Silences"),
        MarkRow.CONTEXT: say.gettext("Context"),
        MarkRow.GOALS: say.gettext("Goals"),
        MarkRow.EVENTS: say.gettext("Events"),
        MarkRow.MEDICINES: say.gettext("Medicines"),
        MarkRow.RESULTS: say.gettext("Results"),
        MarkRow.MESSAGES: say.gettext("Messages"),
        MarkRow.REVIEWS: say.gettext("Reviews"),
    }


def marks(facts: Timeline, say: Language, width: int) -> Spec:
    names = mark_names(facts, say)
    y = _named("row", names)
    across: Spec = {"x": x(), "x2": {"field": "end"}, "y": y}
    at: Spec = {"x": x("middle"), "y": y}

    def rows(*kinds: MarkRow) -> list[Spec]:
        return [
            {
                "day": edge(mark.first, -1),
                "end": edge(mark.last, 1),
                "middle": mark.first.isoformat(),
                "row": names[mark.row],
            }
            for mark in facts.marks
            if mark.row in kinds
        ]

    def told(kinds: Sequence[MarkRow], signs: list[str]) -> Spec:
        return _told_by("row", [names[kind] for kind in kinds], signs)

    long = [row for row in LASTING if row in names]
    short = [row for row in AT_ONCE if row in names]
    fill = {"fill": told(long, [LASTING[row] for row in long])}
    shapes, colours = [AT_ONCE[row][0] for row in short], [AT_ONCE[row][1] for row in short]
    look = {"shape": told(short, shapes), "color": told(short, colours)}
    layers = [
        layer_of(rows(*long), "bar", across | fill, height=14, cornerRadius=2, stroke=INK, strokeWidth=0.8),
        layer_of(rows(MarkRow.MESSAGES), "tick", at, color=FAINT, thickness=1.5, size=9),
        layer_of(rows(*short), "point", at | look, filled=True, size=60, opacity=1),
    ]
    for side, align in ((1, "left"), (-1, "right"), (0, "left")):
        said = [
            {"at": edge(day, side or -1), "row": names[row], "said": text}
            for row, day, text, where in _said_beside(facts, names, width)
            if where == side
        ]
        beside: Spec = {"x": x("at"), "y": y, "text": {"field": "said"}}
        layers.append(layer_of(said, "text", beside, align=align, dx=4 * (side or 1), fontSize=LETTERS, color=INK))
    return _track(20 * len(names), layers)


LETTERS = 12  # px
LETTER = 0.55 * LETTERS  # px, about: how wide one is
NARROWEST = 8  # letters, below which a mark says nothing beside it


def _said_beside(facts: Timeline, names: Mapping[MarkRow, str], width: int) -> Iterator[tuple[MarkRow, date, str, int]]:
    """What each mark says beside it, on which day and side; 0 is inside. Cut where the next mark begins."""
    begin = facts.days[0].day
    end = last_day(facts) + timedelta(days=1)
    letters = width / ((end - begin).days * LETTER)  # that fit into a day
    for row in names:
        marks = sorted((mark for mark in facts.marks if mark.row is row and mark.short), key=lambda mark: mark.first)
        free = begin  # what is before it is taken
        for mark, following in zip(marks, [*(mark.first for mark in marks[1:]), end], strict=False):
            after = int((following - mark.last - timedelta(days=1)).days * letters) - 1
            before = int((mark.first - free).days * letters) - 1
            side = 1 if after >= min(len(mark.short), before) else -1
            room, inside = after if side > 0 else before, int((mark.last - mark.first).days * letters)
            if room < min(len(mark.short), inside):
                side, room = 0, inside
            taken = mark.last + timedelta(days=1)
            if room >= min(len(mark.short), NARROWEST):
                text = mark.short if len(mark.short) <= room else f"{mark.short[: room - 1].rstrip()}…"
                yield row, mark.last if side > 0 else mark.first, text, side
                taken += timedelta(days=len(text) / letters) if side > 0 else timedelta()
            free = max(free, taken)
