"""The patient's time line as a Vega-Lite drawing: every track on one time axis.

Promises plain dicts, that a day without a value breaks the line, that every
series differs in shape or dash as well as in colour, and that dates are drawn as
the dates they are, whatever zone the reader's machine is in. Knows nothing of
where its facts come from.

Top to bottom: what is drawn (`Timeline`), the drawing and its sentence, the
tracks with a scale, the tracks of words, and a whole day under the pointer.

Drawn by vl-convert in the process that serves them, never before a fork.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
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


class MarkRow(StrEnum):
    """What happened, a row of the drawing each, from the top."""

    ADJUSTMENTS = "adjustments"
    PAUSES = "pauses"
    SILENCES = "silences"
    MESSAGES = "messages"
    REVIEWS = "reviews"


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

    row: MarkRow
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
    reference_is_set: bool = True
    upper: float | None = None
    lower: float | None = None
    dry_weight_kg: float | None = None
    ahead: Sequence[Ahead] = ()
    marks: Sequence[Mark] = ()


def timeline(facts: Timeline, say: Language, *, width: int, interactive: bool = False) -> Spec:
    """The drawing, `width` pixels wide for the tracks themselves, in the language `say`."""
    rate, breathless = say.gettext("Heart rate, /min"), say.gettext("Breathless 0–10")
    tracks = [
        pressures(facts, say, width),
        single(facts, say, width, "heart_rate", rate, 60, INK, "diamond"),
        weight(facts, say, width),
        single(facts, say, width, "breathlessness", breathless, 60, INK, "square", scale=(0, 10)),
        symptoms(facts, say, width),
        marks(facts, say, width),
    ]
    for index, track in enumerate(tracks):
        _axis(track, facts, bottom=index in {0, len(tracks) - 1})
        if interactive:
            track["layer"].append(whole_day(facts, say, f"over{index}"))
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "vconcat": tracks,
        "spacing": 14,
        "resolve": {"scale": {"color": "independent", "shape": "independent", "fill": "independent"}},
        "background": "white",
        "padding": 6,
        "config": CONFIG,
    }


def describe(facts: Timeline, say: Language, table: str) -> str:
    """The drawing in one or two sentences, for whoever cannot see it; `table` says where every value is."""
    known = [(day.day, day.pa_diastolic) for day in facts.days if day.pa_diastolic is not None]
    ends = {"first": say.day(facts.days[0].day), "last": say.day(facts.days[-1].day)}
    if not known:
        return say.gettext("Time line from %(first)s to %(last)s: no pressure reading.", **ends)
    values = [value for _, value in known]
    parts = [
        say.ngettext(
            "Time line from %(first)s to %(last)s: PA diastolic on %(num)d day of %(days)d, "
            "from %(low)s to %(high)s mmHg, last %(newest)s on %(newest_on)s",
            "Time line from %(first)s to %(last)s: PA diastolic on %(num)d days of %(days)d, "
            "from %(low)s to %(high)s mmHg, last %(newest)s on %(newest_on)s",
            len(known),
            **ends,
            days=len(facts.days),
            low=say.figure(min(values)),
            high=say.figure(max(values)),
            newest=say.figure(known[-1][1]),
            newest_on=say.day(known[-1][0]),
        )
    ]
    if facts.reference is not None:
        parts.append(f"{_reference_name(facts, say)} {say.figure(facts.reference)}")
    if facts.upper is not None:
        parts.append(say.gettext("upper limit %(limit)s", limit=say.figure(facts.upper)))
    if facts.lower is not None:
        parts.append(say.gettext("lower limit %(limit)s", limit=say.figure(facts.lower)))
    return f"{'; '.join(parts)}. {table}"


def _reference_name(facts: Timeline, say: Language) -> str:
    return say.gettext("reference") if facts.reference_is_set else say.gettext("first fortnight")


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


def pressures(facts: Timeline, say: Language, width: int) -> Spec:
    names = [say.gettext("PA systolic"), say.gettext("PA mean"), say.gettext("PA diastolic")]
    rows = [
        {"day": day.day.isoformat(), "series": name, "value": value}
        for day in facts.days
        for name, value in zip(names, (day.pa_systolic, day.pa_mean, day.pa_diastolic), strict=True)
    ]
    scale: Spec = {"zero": False, "nice": True, "padding": 6}
    y: Spec = {"field": "value", "type": "quantitative", "scale": scale, "title": "mmHg"}
    colour: Spec = {
        "field": "series",
        "type": "nominal",
        "scale": {"domain": names, "range": [GREEN, VERMILION, BLUE]},
        "legend": {"orient": "top", "title": None, "symbolStrokeWidth": 2},
    }
    dash = {"field": "series", "type": "nominal", "scale": {"domain": names, "range": [[2, 2], [6, 3], [1, 0]]}}
    shape = {
        "field": "series",
        "type": "nominal",
        "scale": {"domain": names, "range": ["triangle-up", "square", "circle"]},
    }
    layers = _forecast(facts, y) if facts.ahead else []
    if all(row["value"] is None for row in rows):
        blank = _blank(facts, say, y, BLANK)
        return {"width": width, "height": BLANK, "layer": [*blank, *layers, *_rules(facts, say, y)]}
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
    layers += _rules(facts, say, y)
    return {"width": width, "height": 230, "layer": layers}


def _forecast(facts: Timeline, y: Spec) -> list[Spec]:
    """Where the level may go: a band, and a dotted line through its middle."""
    ahead = [
        {"day": step.day.isoformat(), "low": step.low, "high": step.high, "value": step.middle} for step in facts.ahead
    ]
    return [
        {
            "data": {"values": ahead},
            "mark": {"type": "area", "color": BLUE, "opacity": 0.18},
            "encoding": {"x": x(), "y": {**y, "field": "low"}, "y2": {"field": "high"}},
        },
        {
            "data": {"values": ahead},
            "mark": {"type": "line", "color": BLUE, "strokeDash": [1, 3], "strokeWidth": 2},
            "encoding": {"x": x(), "y": y},
        },
    ]


def _rules(facts: Timeline, say: Language, y: Spec) -> list[Spec]:
    lines = (
        (facts.reference, _reference_name(facts, say), [8, 4], INK),
        (facts.upper, say.pgettext("limit", "upper"), [3, 3], VERMILION),
        (facts.lower, say.pgettext("limit", "lower"), [3, 3], VERMILION),
    )
    return [
        layer
        for value, name, dash, colour in lines
        if value is not None
        for layer in rule(value, f"{name} {say.figure(value)}", dash, colour, y)
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


def _blank(facts: Timeline, say: Language, y: Spec, height: int) -> list[Spec]:
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
            "data": {"values": [row | {"said": say.gettext("nothing in these days")}]},
            "mark": {"type": "text", "align": "left", "dx": 8, "color": FAINT},
            "encoding": {"x": x(), "y": {"value": height - 12}, "text": {"field": "said"}},
        },
    ]


def single(
    facts: Timeline,
    say: Language,
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
        return {"width": width, "height": height, "layer": _blank(facts, say, y, height)}
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


def weight(facts: Timeline, say: Language, width: int) -> Spec:
    track = single(facts, say, width, "weight_kg", say.gettext("Weight, kg"), 90, INK, "circle")
    if facts.dry_weight_kg is not None:
        y = track["layer"][0]["encoding"]["y"]
        name = say.gettext("dry %(weight)s", weight=say.figure(facts.dry_weight_kg))
        track["layer"] += rule(facts.dry_weight_kg, name, [8, 4], INK, y)
    return track


def symptoms(facts: Timeline, say: Language, width: int) -> Spec:
    names = _symptom_names(say)
    rows = [
        {"day": day.day.isoformat(), "symptom": names[symptom], "text": text}
        for day in facts.days
        for symptom, text in _symptoms(day, say)
    ]
    y: Spec = {
        "field": "symptom",
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(names.values())},
        "axis": {"grid": True, "labelLimit": 130},
    }
    layers = [_frame(facts, "symptom", next(iter(names.values())), y)]
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
    return {"width": width, "height": 17 * len(names), "layer": layers}


def _frame(facts: Timeline, field: str, value: str, y: Spec) -> Spec:
    """A layer that draws nothing and keeps the track's rows when nothing happened."""
    return {
        "data": {"values": [{"day": facts.days[0].day.isoformat(), field: value}]},
        "mark": {"type": "point", "opacity": 0},
        "encoding": {"x": x(), "y": y},
    }


def _dense(facts: Timeline, width: int) -> bool:
    return width / len(facts.days) < 14


def _symptom_names(say: Language) -> dict[str, str]:
    """The rows of the track, from the top, by the name of the day's answer."""
    return {
        "extra_pillows": say.gettext("Extra pillows"),
        "woke_breathless": say.gettext("Woken breathless"),
        "swelling": say.gettext("Swelling"),
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
    if day.swelling in letters:
        shown.append(("swelling", letters[day.swelling]))
    if day.light_headed:
        shown.append(("light_headed", "●"))
    if day.tiredness:
        shown.append(("tiredness", str(day.tiredness)))
    if day.missed_medicines:
        shown.append(("missed_medicines", "●"))
    if day.safety_signs:
        shown.append(("safety_signs", "!"))
    return shown


def marks(facts: Timeline, say: Language, width: int) -> Spec:
    names = {
        MarkRow.ADJUSTMENTS: say.gettext("Adjustments"),
        MarkRow.PAUSES: say.gettext("Pauses"),
        MarkRow.SILENCES: say.gettext("Silences"),
        MarkRow.MESSAGES: say.gettext("Messages"),
        MarkRow.REVIEWS: say.gettext("Reviews"),
    }
    rows = _mark_rows(facts, names)
    y: Spec = {
        "field": "row",
        "type": "nominal",
        "title": None,
        "scale": {"domain": list(names.values())},
        "axis": {"grid": True, "labelLimit": 130},
    }
    long = [names[MarkRow.PAUSES], names[MarkRow.SILENCES]]
    short = [names[MarkRow.ADJUSTMENTS], names[MarkRow.REVIEWS]]
    spans = [row for row in rows if row["row"] in long]
    ticks = [row for row in rows if row["row"] == names[MarkRow.MESSAGES]]
    points = [row for row in rows if row["row"] in short]
    tooltip = [
        {"field": "row", "title": say.gettext("what")},
        {"field": "label", "title": say.gettext("said")},
    ]
    layers = [_frame(facts, "row", names[MarkRow.ADJUSTMENTS], y)]
    if spans:
        bar = {"type": "bar", "height": 9, "cornerRadius": 2, "stroke": INK, "strokeWidth": 0.8}
        fill = _by_row(long, ["#cfd6da", "white"])
        across: Spec = {"x": x(), "x2": {"field": "end"}, "y": y, "fill": fill, "tooltip": tooltip}
        layers.append({"data": {"values": spans}, "mark": bar, "encoding": across})
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
                    "shape": _by_row(short, ["triangle-up", "diamond"]),
                    "color": _by_row(short, [BLUE, GREEN]),
                    "tooltip": tooltip,
                },
            }
        )
    return {"width": width, "height": 20 * len(names), "layer": layers}


def _mark_rows(facts: Timeline, names: Mapping[MarkRow, str]) -> list[Spec]:
    return [
        {
            "day": edge(mark.first, -1),
            "end": edge(mark.last, 1),
            "middle": mark.first.isoformat(),
            "row": names[mark.row],
            "label": mark.label,
        }
        for mark in facts.marks
    ]


def _by_row(domain: list[str], told: list[str]) -> Spec:
    return {"field": "row", "type": "nominal", "scale": {"domain": domain, "range": told}, "legend": None}


def whole_day(facts: Timeline, say: Language, name: str) -> Spec:
    """An unseen column a day: hovering anywhere in it tells that day's values."""
    told = [_values(day, say) for day in facts.days]
    fields = [field for field in told[0] if any(row[field] is not None for row in told)]
    rows = [
        {"day": edge(day.day, -1), "end": edge(day.day, 1)} | {field: row[field] or "–" for field in fields}
        for day, row in zip(facts.days, told, strict=True)
    ]
    return {
        "data": {"values": rows},
        "params": [
            {
                "name": name,
                "select": {"type": "point", "on": "pointerover", "clear": "pointerout", "fields": [say.gettext("Day")]},
            }
        ],
        "mark": {"type": "rect", "color": INK},
        "encoding": {
            "x": x(),
            "x2": {"field": "end"},
            "opacity": {"condition": {"param": name, "empty": False, "value": 0.09}, "value": 0},
            "tooltip": [{"field": field, "title": field} for field in fields],
        },
    }


def _values(day: Day, say: Language) -> dict[str, Any]:
    pressures = (day.pa_systolic, day.pa_diastolic, day.pa_mean)
    names = _symptom_names(say)
    return {
        say.gettext("Day"): say.day(day.day),
        say.gettext("PA systolic/diastolic (mean), mmHg"): None
        if None in pressures
        else "{}/{} ({})".format(*(say.figure(value or 0) for value in pressures)),
        say.gettext("Heart rate"): None if day.heart_rate is None else say.figure(day.heart_rate, 0),
        say.gettext("Weight, kg"): None if day.weight_kg is None else say.figure(day.weight_kg),
        say.gettext("Breathless"): None if day.breathlessness is None else str(day.breathlessness),
        say.gettext("Diary"): ", ".join(f"{names[name].lower()} {text}" for name, text in _symptoms(day, say)) or None,
        say.gettext("Note"): day.note[:120] or None,
    }
