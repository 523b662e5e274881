"""The patient's time line as a Vega-Lite drawing: every track on one time axis.

Promises plain dicts, that a day without a value breaks the line, that every
series differs in shape or dash as well as in colour, and that dates are drawn as
the dates they are, whatever zone the reader's machine is in.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

from service.domain import spoken
from service.reports.diarytracks import marks, symptoms, whole_day
from service.reports.timeline import INK, Spec, Timeline
from service.reports.tracks import pressures, single, weight


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
