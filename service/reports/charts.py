"""The patient's time line as a Vega-Lite drawing: every track on one time axis.

Promises plain dicts, that a day without a value breaks the line, that every
series differs in shape or dash as well as in colour, and that dates are drawn as
the dates they are, whatever zone the reader's machine is in. Knows nothing of
where its facts come from.

Top to bottom: what is drawn (`Timeline`), the drawing and its sentence, the
tracks with a scale, the tracks of words, and a whole day under the pointer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from service.domain import spoken
from service.domain.days import Day
from service.domain.vocabulary import Swelling

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
CONFIG: Spec = {
    "aria": False,  # the sentence and the table speak for the drawing
    "font": "Liberation Sans, Arial, Helvetica, sans-serif",
    "view": {"stroke": "#c6cdd2"},
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": "#e4e8eb",
        "domainColor": "#c6cdd2",
        "tickColor": "#c6cdd2",
    },
    "legend": {"labelFontSize": 12, "labelColor": INK, "symbolSize": 80},
    "text": {"fontSize": 12, "color": INK},
}


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


def timeline(facts: Timeline, *, width: int, interactive: bool = False) -> Spec:
    """The drawing, `width` pixels wide for the tracks themselves."""
    tracks = [
        pressures(facts, width),
        single(facts, width, "heart_rate", "Heart rate, /min", 60, INK, "diamond"),
        weight(facts, width),
        single(facts, width, "breathlessness", "Breathless 0–10", 60, INK, "square", scale=(0, 10)),
        symptoms(facts, width),
        marks(facts, width),
    ]
    for index, track in enumerate(tracks):
        _axis(track, facts, bottom=index in {0, len(tracks) - 1})
        if interactive:
            track["layer"].append(whole_day(facts, f"over{index}"))
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "vconcat": tracks,
        "spacing": 14,
        "resolve": {"scale": {"color": "independent", "shape": "independent", "fill": "independent"}},
        "background": "white",
        "padding": 6,
        "config": CONFIG,
    }


def describe(facts: Timeline) -> str:
    """The drawing in one or two sentences, for whoever cannot see it."""
    known = [(day.day, day.pa_diastolic) for day in facts.days if day.pa_diastolic is not None]
    span = f"{spoken.day(facts.days[0].day)} to {spoken.day(facts.days[-1].day)}"
    if not known:
        return f"Time line from {span}: no pressure reading."
    values = [value for _, value in known]
    told = (
        f"Time line from {span}: PA diastolic on {spoken.count(len(known), 'day')} of {len(facts.days)}, "
        f"from {spoken.figure(min(values))} to {spoken.figure(max(values))} mmHg, "
        f"last {spoken.figure(known[-1][1])} on {spoken.day(known[-1][0])}"
    )
    if facts.reference is not None:
        told += f"; {facts.reference_name} {spoken.figure(facts.reference)}"
    if facts.upper is not None:
        told += f"; upper limit {spoken.figure(facts.upper)}"
    if facts.lower is not None:
        told += f"; lower limit {spoken.figure(facts.lower)}"
    return f"{told}. The table below holds every value."


def _axis(track: Spec, facts: Timeline, *, bottom: bool) -> None:
    last = max([facts.days[-1].day, *(step.day for step in facts.ahead)])
    span = (last - facts.days[0].day).days
    # As expressions: a plain date here becomes one that a browser without `eval` cannot read.
    ends: Spec = {
        "type": "utc",
        "nice": False,
        "domainMin": {"expr": str(_moment(facts.days[0].day))},
        "domainMax": {"expr": str(_moment(last + timedelta(days=1)))},
    }
    for layer in track["layer"]:
        x = layer["encoding"].get("x")
        if x is not None and "field" in x:
            x["scale"] = ends
            x["axis"] = {
                "format": "%-d %b" if span <= 120 else "%b %Y",
                "labels": bottom,
                "ticks": bottom,
                "tickCount": 6,
                "labelOverlap": True,
                "labelFlush": False,
            }


def _moment(day: date) -> int:
    """Noon before `day`, where its column begins, in milliseconds: the one spelling every layer agrees on."""
    return int(datetime.combine(day - timedelta(days=1), time(12), UTC).timestamp() * 1000)


def x(field: str = "day") -> Spec:
    return {"field": field, "type": "temporal", "title": None}


def edge(day: date, side: int) -> str:
    """Midnight before (-1) or after (+1) half a day: where a day's column begins or ends."""
    instant = day if side > 0 else day - timedelta(days=1)
    return f"{instant.isoformat()}T12:00:00Z"


BLANK = 90  # px: the pressures' track when it holds none
_SERIES = ("PA systolic", "PA mean", "PA diastolic")


def pressures(facts: Timeline, width: int) -> Spec:
    rows = [
        {"day": day.day.isoformat(), "series": name, "value": value}
        for day in facts.days
        for name, value in zip(_SERIES, (day.pa_systolic, day.pa_mean, day.pa_diastolic), strict=True)
    ]
    scale: Spec = {"zero": False, "nice": True, "padding": 6}
    y: Spec = {"field": "value", "type": "quantitative", "scale": scale, "title": "mmHg"}
    colour: Spec = {
        "field": "series",
        "type": "nominal",
        "scale": {"domain": list(_SERIES), "range": [GREEN, VERMILION, BLUE]},
        "legend": {"orient": "top", "title": None, "symbolStrokeWidth": 2},
    }
    dash = {"field": "series", "type": "nominal", "scale": {"domain": list(_SERIES), "range": [[2, 2], [6, 3], [1, 0]]}}
    shape = {
        "field": "series",
        "type": "nominal",
        "scale": {"domain": list(_SERIES), "range": ["triangle-up", "square", "circle"]},
    }
    layers: list[Spec] = []
    if facts.ahead:
        forecast = [
            {"day": step.day.isoformat(), "low": step.low, "high": step.high, "value": step.middle}
            for step in facts.ahead
        ]
        layers.append(
            {
                "data": {"values": forecast},
                "mark": {"type": "area", "color": BLUE, "opacity": 0.18},
                "encoding": {
                    "x": x(),
                    "y": {"field": "low", "type": "quantitative", "scale": scale, "title": "mmHg"},
                    "y2": {"field": "high"},
                },
            }
        )
        layers.append(
            {
                "data": {"values": forecast},
                "mark": {"type": "line", "color": BLUE, "strokeDash": [1, 3], "strokeWidth": 2},
                "encoding": {"x": x(), "y": y},
            }
        )
    if all(row["value"] is None for row in rows):
        blank = _blank(facts, y, BLANK)
        return {"width": width, "height": BLANK, "layer": [*blank, *layers, *_rules(facts, y)]}
    layers.append(
        {
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 1.6, "invalid": BREAK},
            "encoding": {"x": x(), "y": y, "color": colour, "strokeDash": {**dash, "legend": None}},
        }
    )
    layers.append(
        {
            "data": {"values": [row for row in rows if row["value"] is not None]},
            "mark": {"type": "point", "filled": True, "size": 26 if len(facts.days) <= 100 else 8, "opacity": 1},
            "encoding": {"x": x(), "y": y, "color": colour, "shape": {**shape, "legend": colour["legend"]}},
        }
    )
    layers += _rules(facts, y)
    return {"width": width, "height": 230, "layer": layers}


def _rules(facts: Timeline, y: Spec) -> list[Spec]:
    lines = (
        (facts.reference, facts.reference_name, [8, 4], INK),
        (facts.upper, "upper", [3, 3], VERMILION),
        (facts.lower, "lower", [3, 3], VERMILION),
    )
    return [
        layer
        for value, name, dash, colour in lines
        if value is not None
        for layer in rule(value, f"{name} {spoken.figure(value)}", dash, colour, y)
    ]


def rule(value: float, label: str, dash: list[int], colour: str, y: Spec) -> list[Spec]:
    """A level line with its name outside, at the right edge, where no reading can hide it."""
    row = {"value": value, "label": label}
    return [
        {
            "data": {"values": [row]},
            "mark": {"type": "rule", "strokeDash": dash, "color": colour, "strokeWidth": 1.4},
            "encoding": {"y": y},
        },
        {
            "data": {"values": [row]},
            "mark": {"type": "text", "align": "left", "dx": 5, "baseline": "middle", "color": colour},
            "encoding": {"x": {"value": "width"}, "y": y, "text": {"field": "label"}},
        },
    ]


def _blank(facts: Timeline, y: Spec, height: int) -> list[Spec]:
    """The frame of a track that holds no value."""
    row = {"day": facts.days[0].day.isoformat(), "value": 0}
    said = {**y, "axis": {"labels": False, "ticks": False, "grid": False}}
    return [
        {
            "data": {"values": [row]},
            "mark": {"type": "point", "opacity": 0},
            "encoding": {"x": x(), "y": said},
        },
        {
            "data": {"values": [row | {"said": "nothing in these days"}]},
            "mark": {"type": "text", "align": "left", "dx": 8, "color": FAINT},
            "encoding": {"x": x(), "y": {"value": height - 12}, "text": {"field": "said"}},
        },
    ]


def single(
    facts: Timeline,
    width: int,
    name: str,
    title: str,
    height: int,
    colour: str,
    shape: str,
    *,
    scale: tuple[float, float] | None = None,
) -> Spec:
    rows = [{"day": day.day.isoformat(), "value": getattr(day, name)} for day in facts.days]
    y: Spec = {
        "field": "value",
        "type": "quantitative",
        "title": title,
        "scale": {"zero": False, "nice": True, "padding": 6} if scale is None else {"domain": list(scale)},
        "axis": {"tickCount": 3},
    }
    if all(row["value"] is None for row in rows):
        return {"width": width, "height": height, "layer": _blank(facts, y, height)}
    return {
        "width": width,
        "height": height,
        "layer": [
            {
                "data": {"values": rows},
                "mark": {"type": "line", "color": colour, "strokeWidth": 1.4, "invalid": BREAK},
                "encoding": {"x": x(), "y": y},
            },
            {
                "data": {"values": [row for row in rows if row["value"] is not None]},
                "mark": {"type": "point", "filled": True, "shape": shape, "size": 22, "color": colour, "opacity": 1},
                "encoding": {"x": x(), "y": y},
            },
        ],
    }


def weight(facts: Timeline, width: int) -> Spec:
    track = single(facts, width, "weight_kg", "Weight, kg", 90, INK, "circle")
    if facts.dry_weight_kg is not None:
        y = track["layer"][0]["encoding"]["y"]
        track["layer"] += rule(facts.dry_weight_kg, f"dry {spoken.figure(facts.dry_weight_kg)}", [8, 4], INK, y)
    return track


def symptoms(facts: Timeline, width: int) -> Spec:
    rows = [
        {"day": day.day.isoformat(), "symptom": symptom, "text": text}
        for day in facts.days
        for symptom, text in _told(day)
    ]
    y: Spec = {
        "field": "symptom",
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(SYMPTOMS)},
        "axis": {"grid": True, "labelLimit": 130},
    }
    layers = [_frame(facts, "symptom", SYMPTOMS[0], y)]
    if rows:
        # Letters where a day has room for them, dots where it has not; the table holds the letters.
        dense = _dense(facts, width)
        layers.append(
            {
                "data": {"values": rows},
                "mark": {"type": "point", "filled": True, "size": 10, "color": INK, "opacity": 1}
                if dense
                else {"type": "text", "fontSize": 11, "color": INK},
                "encoding": {"x": x(), "y": y} | ({} if dense else {"text": {"field": "text"}}),
            }
        )
    return {"width": width, "height": 17 * len(SYMPTOMS), "layer": layers}


def _frame(facts: Timeline, field: str, value: str, y: Spec) -> Spec:
    """A layer that draws nothing and keeps the track's rows when nothing happened."""
    return {
        "data": {"values": [{"day": facts.days[0].day.isoformat(), field: value}]},
        "mark": {"type": "point", "opacity": 0},
        "encoding": {"x": x(), "y": y},
    }


def _dense(facts: Timeline, width: int) -> bool:
    return width / len(facts.days) < 14


_SWELLING = {Swelling.ANKLE: "a", Swelling.SHIN: "s", Swelling.KNEE: "k"}


def _told(day: Day) -> list[tuple[str, str]]:
    """What the diary said that day, as the few letters that fit in its column."""
    told: list[tuple[str, str]] = []
    if day.extra_pillows:
        told.append(("Extra pillows", spoken.change(day.extra_pillows, 0)))
    if day.woke_breathless:
        told.append(("Woken breathless", "●"))
    if day.swelling in _SWELLING:
        told.append(("Swelling", _SWELLING[day.swelling]))
    if day.light_headed:
        told.append(("Light-headed", "●"))
    if day.tiredness:
        told.append(("Tiredness", str(day.tiredness)))
    if day.missed_medicines:
        told.append(("Missed medicines", "●"))
    if day.safety_signs:
        told.append(("Safety answer", "!"))
    return told


def marks(facts: Timeline, width: int) -> Spec:
    rows = [
        {
            "day": edge(mark.first, -1),
            "end": edge(mark.last, 1),
            "middle": mark.first.isoformat(),
            "row": mark.row,
            "label": mark.label,
        }
        for mark in facts.marks
    ]
    y: Spec = {
        "field": "row",
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(LANES_OF_MARKS)},
        "axis": {"grid": True, "labelLimit": 130},
    }
    spans = [row for row in rows if row["row"] in {"Pauses", "Silences"}]
    ticks = [row for row in rows if row["row"] == "Messages"]
    points = [row for row in rows if row["row"] in {"Adjustments", "Reviews"}]
    tooltip = [{"field": "row", "title": "what"}, {"field": "label", "title": "said"}]
    layers = [_frame(facts, "row", LANES_OF_MARKS[0], y)]
    if spans:
        layers.append(
            {
                "data": {"values": spans},
                "mark": {"type": "bar", "height": 9, "cornerRadius": 2, "stroke": INK, "strokeWidth": 0.8},
                "encoding": {
                    "x": x(),
                    "x2": {"field": "end"},
                    "y": y,
                    "fill": _by_row(["Pauses", "Silences"], ["#cfd6da", "white"]),
                    "tooltip": tooltip,
                },
            }
        )
    if ticks:
        layers.append(
            {
                "data": {"values": ticks},
                "mark": {"type": "tick", "color": FAINT, "thickness": 1.5, "size": 9},
                "encoding": {"x": x("middle"), "y": y, "tooltip": tooltip},
            }
        )
    if points:
        layers.append(
            {
                "data": {"values": points},
                "mark": {"type": "point", "filled": True, "size": 60, "opacity": 1},
                "encoding": {
                    "x": x("middle"),
                    "y": y,
                    "shape": _by_row(["Adjustments", "Reviews"], ["triangle-up", "diamond"]),
                    "color": _by_row(["Adjustments", "Reviews"], [BLUE, GREEN]),
                    "tooltip": tooltip,
                },
            }
        )
    return {"width": width, "height": 20 * len(LANES_OF_MARKS), "layer": layers}


def _by_row(domain: list[str], told: list[str]) -> Spec:
    return {"field": "row", "type": "nominal", "scale": {"domain": domain, "range": told}, "legend": None}


def whole_day(facts: Timeline, name: str) -> Spec:
    """An unseen column a day: hovering anywhere in it tells that day's values."""
    told = [_values(day) for day in facts.days]
    fields = [field for field in told[0] if any(row[field] is not None for row in told)]
    rows = [
        {"day": edge(day.day, -1), "end": edge(day.day, 1)} | {field: row[field] or "–" for field in fields}
        for day, row in zip(facts.days, told, strict=True)
    ]
    return {
        "data": {"values": rows},
        "params": [
            {"name": name, "select": {"type": "point", "on": "pointerover", "clear": "pointerout", "fields": ["Day"]}}
        ],
        "mark": {"type": "rect", "color": INK},
        "encoding": {
            "x": x(),
            "x2": {"field": "end"},
            "opacity": {"condition": {"param": name, "empty": False, "value": 0.09}, "value": 0},
            "tooltip": [{"field": field, "title": field} for field in fields],
        },
    }


def _values(day: Day) -> dict[str, Any]:
    pressures = (day.pa_systolic, day.pa_diastolic, day.pa_mean)
    return {
        "Day": spoken.day(day.day),
        "PA systolic/diastolic (mean), mmHg": None
        if None in pressures
        else "{}/{} ({})".format(*(spoken.figure(value or 0) for value in pressures)),
        "Heart rate": None if day.heart_rate is None else spoken.figure(day.heart_rate, 0),
        "Weight, kg": None if day.weight_kg is None else spoken.figure(day.weight_kg),
        "Breathless": None if day.breathlessness is None else str(day.breathlessness),
        "Diary": ", ".join(f"{name.lower()} {text}" for name, text in _told(day)) or None,
        "Note": day.note[:120] or None,
    }
