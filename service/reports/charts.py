"""The patient's time line as a Vega-Lite drawing: every track on one time axis.

Promises plain dicts, that a day without a value breaks the line, that every
series differs in shape or dash as well as in colour, and that dates are drawn as
the dates they are, whatever zone the reader's machine is in. Knows nothing of
where its facts come from.

Drawn by vl-convert in the process that serves them, never before a fork.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby

from service.domain.days import Day
from service.domain.vocabulary import WindowState
from service.reports.tracks import (
    BLUE,
    FAINT,
    GREEN,
    INK,
    LETTER,
    NARROW,
    ONE_LINE,
    PAPER,
    VERMILION,
    WEEKLY,
    MarkRow,
    Spec,
    Timeline,
    edge,
    heart_rate,
    last_day,
    layer_of,
    levels,
    mark_names,
    marks,
    pressures,
    reference_name,
    rows_without,
    single,
    symptom_names,
    symptoms,
    weight,
    x,
)  # fmt: skip
from service.words.language import Language

# Fills that `hatched` turns into hatching: a day without its expected reading, and one on which none was expected.
MISSED, EXCUSED = "#9a8c7d", "#a9b7bf"
GRID, EDGE = "#e4e8eb", "#c6cdd2"
# What each colour becomes on a dark page; those of lines stand out from the ground there by 3:1 too.
DARK_PAPER = "#162329"
DARK = {
    INK: "#eaf1f1", FAINT: "#9fb0b8", BLUE: "#6cc0f0", VERMILION: "#ff9a5c", GREEN: "#4fd1a5",
    GRID: "#26393f", EDGE: "#3b5059", PAPER: DARK_PAPER, MISSED: "#8a7f74", EXCUSED: "#566a74",
    "#cfd6da": "#4a5d66", "#dbe5ea": "#33474f", "#cfe8df": "#1f4a3c", "#f6cdb0": "#7a3a12",
}  # fmt: skip
CONFIG: Spec = {
    "aria": False,  # the sentence and the table speak for the drawing
    "font": "Liberation Sans, Arial, Helvetica, sans-serif",
    "view": {"stroke": EDGE},
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": GRID,
        "domainColor": EDGE,
        "tickColor": EDGE,
    },
    "legend": {"labelFontSize": 12, "labelColor": INK, "symbolSize": 80},
    "text": {"fontSize": 12, "color": INK},
}


PAPER_WIDTH = 825  # px, of which the paper makes what fits
GAP, BELOW = 18, 26  # px: between tracks, and below the last, where the dates are


def timeline(facts: Timeline, say: Language, *, width: int, with_rate: bool = True) -> Spec:
    """The drawing, `width` pixels wide in all, in the language `say`."""
    left, right = sides(facts, say, width)
    inner = width - left - right
    dense = inner / len(facts.days) < 14
    beside = width >= NARROW
    tracks = [
        pressures(facts, say, inner, beside=beside),
        weight(facts, say, beside=beside),
        single(facts, say, "breathlessness", say.gettext("Breathless 0–10"), "square", scale={"domain": [0, 10]}),
    ]
    if symptom_names(facts, say):
        tracks.append(symptoms(facts, say, dense=dense))
    if mark_names(facts, say):
        tracks.append(marks(facts, say, inner))
    if with_rate:
        tracks.insert(1, heart_rate(facts, say))
    for index, track in enumerate(tracks):
        track["width"] = inner
        track["layer"] = [*_days_without(facts), *track["layer"], *_changes(facts)]
        _axis(track, facts, bottom=index in {0, len(tracks) - 1})
    above = 56 if inner < ONE_LINE else 34  # px: the legend
    height = sum(track["height"] for track in tracks) + GAP * (len(tracks) - 1)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "vconcat": tracks,
        "spacing": GAP,
        "bounds": "flush",
        # Nothing is measured, so that whoever lays something over the drawing knows where a day is.
        "autosize": {"type": "none"},
        "resolve": {"scale": {"color": "independent", "shape": "independent", "fill": "independent"}},
        "background": PAPER,
        "padding": {"left": left, "right": right, "top": above, "bottom": height + BELOW},
        "config": CONFIG | {"locale": _locale(say)},
    }


def on_paper(facts: Timeline, say: Language) -> Spec:
    """The drawing for a printed record, low enough for what staff wrote to stand below it on the page."""
    return timeline(facts, say, width=PAPER_WIDTH, with_rate=False)


def _locale(say: Language) -> Spec:
    """How the axes write months and numbers (d3-time-format and d3-format: what Vega takes as a locale)."""
    days, short_days = ([*names[-1:], *names[:-1]] for names in (say.weekdays, say.short_weekdays))  # Sunday first
    return {
        "number": {"decimal": say.point, "thousands": " ", "grouping": [3], "currency": ["", ""]},
        "time": {
            "dateTime": "%x, %X",
            "date": "%Y-%m-%d",
            "time": "%H:%M",
            "periods": ["", ""],
            "days": days,
            "shortDays": short_days,
            "months": list(say.months),
            "shortMonths": list(say.short_months),
        },
    }


def sides(facts: Timeline, say: Language, width: int) -> tuple[int, int]:
    """How much of a drawing `width` px wide is beside its tracks, left and right: by the longest words there."""
    titles = (say.gettext("Breathless 0–10"), say.gettext("Heart rate, /min"))  # stand in two lines, beside figures
    names = [*symptom_names(facts, say).values(), *mark_names(facts, say).values()]
    longest = max([5 + max(map(len, title.split())) for title in titles] + [len(name) for name in names])
    left = 16 + round(LETTER * min(longest, 20))
    if width < NARROW:
        return min(left, 136), 8
    labels = [label for _, label, _, _ in levels(facts, say)]
    return left, 14 + round(LETTER * max(map(len, labels), default=0))


def columns(facts: Timeline) -> int:
    """How many days the tracks hold, those of the forecast too."""
    return (last_day(facts) - facts.days[0].day).days + 1


def hatched(drawn: str, *, dark: bool = False) -> str:
    """The SVG of a time line with its hatching; `dark` for a dark page."""
    patterns = []
    for name, colour, path in (("missed", MISSED, "M-1,7L7,-1M-1,1L1,-1M5,7L7,5"), ("excused", EXCUSED, "M0,3H6")):
        drawn = drawn.replace(f'fill="{colour}"', f'fill="url(#{name})"')
        lines = f'<path d="{path}" stroke="{colour}" stroke-width="1.1" fill="none"/>'
        patterns.append(f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">{lines}</pattern>')
    head, closing, body = drawn.partition(">")
    drawn = f"{head}{closing}<defs>{''.join(patterns)}</defs>{body}"
    if dark:
        for light, instead in DARK.items():
            for where in ("fill", "stroke"):
                drawn = drawn.replace(f'{where}="{light}"', f'{where}="{instead}"')
    return drawn


def _days_without(facts: Timeline) -> list[Spec]:
    """Hatching over the days on which no reading came: expected, or excused."""
    kinds: tuple[tuple[str, Callable[[Day], bool]], ...] = (
        (MISSED, lambda day: day.reading_missing),
        (EXCUSED, lambda day: day.window is WindowState.EXCUSED),
    )
    layers = []
    for colour, holds in kinds:
        runs = [list(run) for is_so, run in groupby(facts.days, holds) if is_so]
        spans = [{"day": edge(run[0].day, -1), "end": edge(run[-1].day, 1)} for run in runs]
        layers.append(layer_of(spans, "rect", {"x": x(), "x2": {"field": "end"}}, fill=colour, opacity=1))
    return [layer for layer in layers if layer["data"]["values"]]


def _changes(facts: Timeline) -> list[Spec]:
    """A rule through the track on each day on which treatment or context changed; the row of marks says what."""
    kinds = {MarkRow.ADJUSTMENTS, MarkRow.MEDICINES, MarkRow.CONTEXT}
    on = sorted({mark.first for mark in facts.marks if mark.row in kinds and not mark.began_before})
    rows = [{"day": day.isoformat()} for day in on]
    return [layer_of(rows, "rule", {"x": x()}, color=INK, strokeWidth=1.2, strokeDash=[1, 2])] if rows else []


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
        parts.append(f"{reference_name(facts, say)} {say.figure(facts.reference)}")
    if facts.upper is not None:
        parts.append(say.gettext("upper limit %(limit)s", limit=say.figure(facts.upper)))
    if facts.lower is not None:
        parts.append(say.gettext("lower limit %(limit)s", limit=say.figure(facts.lower)))
    return f"{'; '.join(parts)}. {table}"


def caption(facts: Timeline, say: Language) -> str:
    """What a reader of the drawing has to know, and which of its rows are left out."""
    told = [say.gettext("A line breaks where a day has no value.")]
    if len(facts.days) > WEEKLY:
        told.append(say.gettext("Lines go through the median of each week."))
    if facts.ahead:
        told.append(
            say.gettext("The shaded band is where the pressure is likely to be if it goes on as it does (80 %).")
        )
    if "swelling" in symptom_names(facts, say):
        told.append(say.gettext("Swelling: a ankle, s shin, k knee or above."))
    if without := rows_without(facts, say):
        told.append(say.gettext("Nothing in these days of: %(rows)s.", rows=", ".join(without)))
    return " ".join(told)


def _axis(track: Spec, facts: Timeline, *, bottom: bool) -> None:
    last = last_day(facts)
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
                "tickCount": 6 if track["width"] > NARROW else 3,
                "labelOverlap": True,
                "labelFlush": False,
            }


def _moment(day: date) -> int:
    """Noon before `day`, where its column begins, in milliseconds: the one spelling every layer agrees on."""
    return int(datetime.combine(day - timedelta(days=1), time(12), UTC).timestamp() * 1000)


def figures(day: Day, say: Language) -> tuple[str | None, str | None, str | None, str | None]:
    """PA systolic/diastolic (mean), heart rate, weight and breathlessness as they are written; None: not known."""
    pressures = (day.pa_systolic, day.pa_diastolic, day.pa_mean)
    return (
        None if None in pressures else "{}/{} ({})".format(*(say.figure(value or 0) for value in pressures)),
        None if day.heart_rate is None else say.figure(day.heart_rate, 0),
        None if day.weight_kg is None else say.figure(day.weight_kg),
        None if day.breathlessness is None else str(day.breathlessness),
    )
