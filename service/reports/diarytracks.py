"""The tracks of words: symptoms as letters or dots, what happened as marks, and a whole day under the pointer."""

from __future__ import annotations

from typing import Any

from service.domain import spoken
from service.domain.days import Day
from service.domain.vocabulary import Swelling
from service.reports.timeline import BLUE, FAINT, GREEN, INK, LANES_OF_MARKS, SYMPTOMS, Spec, Timeline, edge, x


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
