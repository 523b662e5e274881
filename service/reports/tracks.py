"""The tracks with a scale: pressures with reference, limits and forecast; heart rate; weight; breathlessness."""

from __future__ import annotations

from service.domain import spoken
from service.reports.timeline import BLUE, BREAK, FAINT, GREEN, INK, VERMILION, Spec, Timeline, x

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
