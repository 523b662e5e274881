"""The strip and the time line: gaps stay gaps, nothing is told by colour alone, and nothing needs a style attribute."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from datetime import date, timedelta

import pytest
import vl_convert
from hypothesis import given
from hypothesis import strategies as st

from service.domain.days import Day
from service.domain.summary import Strip
from service.domain.vocabulary import Swelling
from service.reports import charts, strip
from service.reports.charts import Ahead, Mark, Timeline
from tests.inwords import ENGLISH

TODAY = date(2026, 11, 25)
FIRST = TODAY - timedelta(days=29)


def days(missing: set[int] = frozenset()) -> list[Day]:  # type: ignore[assignment]
    return [
        Day(FIRST + timedelta(days=index))
        if index in missing
        else Day(
            FIRST + timedelta(days=index),
            readings=1,
            pa_diastolic=18.0 + index / 10,
            pa_mean=24.0,
            pa_systolic=36.0,
            heart_rate=70.0,
            checkin=True,
            breathlessness=2,
            weight_kg=80.0,
            extra_pillows=1,
            woke_breathless=index == 3,
            swelling=Swelling.SHIN,
            tiredness=4,
        )
        for index in range(30)
    ]


def facts(**changes: object) -> Timeline:
    usual: dict[str, object] = {
        "days": days({4, 5}),
        "reference": 18.0,
        "upper": 25.0,
        "lower": 10.0,
        "dry_weight_kg": 80.0,
        "ahead": [Ahead(TODAY + timedelta(days=1), 20.0, 21.0, 22.0)],
        "marks": [Mark(row, FIRST, FIRST + timedelta(days=2), f"a {row}") for row in charts.MarkRow],
    }
    return Timeline(**(usual | changes))  # type: ignore[arg-type]


def layers(spec: charts.Spec) -> list[charts.Spec]:
    return [layer for track in spec["vconcat"] for layer in track["layer"]]


def rows(spec: charts.Spec) -> list[dict[str, object]]:
    return [row for layer in layers(spec) for row in layer["data"]["values"]]


# --- the time line --------------------------------------------------------------------


def test_a_day_without_a_reading_breaks_every_line():
    spec = charts.timeline(facts(), ENGLISH, width=600)
    lines = [layer for layer in layers(spec) if layer["mark"].get("invalid")]
    assert len(lines) == 4  # pressures, heart rate, weight, breathlessness
    for line in lines:
        assert line["mark"]["invalid"] == "break-paths-show-path-domains"
        gaps = {row["day"] for row in line["data"]["values"] if row["value"] is None}
        assert gaps == {(FIRST + timedelta(days=index)).isoformat() for index in (4, 5)}


def test_the_three_pressures_differ_in_shape_and_dash_and_not_only_in_colour():
    spec = charts.timeline(facts(), ENGLISH, width=600)
    line = next(layer for layer in layers(spec) if "strokeDash" in layer["encoding"])
    point = next(layer for layer in layers(spec) if "shape" in layer["encoding"])
    dashes = line["encoding"]["strokeDash"]["scale"]["range"]
    shapes = point["encoding"]["shape"]["scale"]["range"]
    assert len({tuple(dash) for dash in dashes}) == len(set(shapes)) == 3


def luminance(colour: str) -> float:
    channels = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", [charts.BLUE, charts.VERMILION, charts.GREEN, charts.INK, charts.FAINT])
def test_every_line_stands_out_from_white(colour):
    # WCAG 2.2, 1.4.11 Non-text Contrast: at least 3:1; relative luminance as WCAG defines it.
    assert 1.05 / (luminance(colour) + 0.05) >= 3.0


def test_the_colours_are_told_apart_by_the_commonest_colour_blindness():
    # Viénot, Brettel & Mollon 1999 (Color Res Appl 24:243–52): deuteranopia as one matrix on linear RGB.
    matrix = ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0))

    def seen(colour: str) -> tuple[float, ...]:
        channels = [(int(colour[index : index + 2], 16) / 255) ** 2.2 for index in (1, 3, 5)]
        return tuple(sum(weight * c for weight, c in zip(row, channels, strict=True)) for row in matrix)

    for one, other in itertools.combinations((charts.BLUE, charts.VERMILION, charts.GREEN), 2):
        apart = sum((a - b) ** 2 for a, b in zip(seen(one), seen(other), strict=True)) ** 0.5
        assert apart > 0.1


def test_every_track_shares_one_time_axis_that_holds_the_forecast():
    spec = charts.timeline(facts(), ENGLISH, width=600)
    ends = {
        (scale["domainMin"]["expr"], scale["domainMax"]["expr"])
        for layer in layers(spec)
        if (scale := layer["encoding"].get("x", {}).get("scale"))
    }
    assert len(ends) == 1
    ((begin, end),) = ends
    # 30 days and one of forecast, in milliseconds.
    assert (int(end) - int(begin)) / 86_400_000 == 31


@pytest.mark.parametrize("interactive", [False, True])
@pytest.mark.parametrize("width", [220, 760])
def test_it_can_be_drawn_without_a_style_attribute_or_a_foreign_address(width, interactive):
    drawn = vl_convert.vegalite_to_svg(
        charts.timeline(facts(), ENGLISH, width=width, interactive=interactive),
        allowed_base_urls=[],
        show_warnings=True,
    )
    assert "style=" not in drawn
    tree = ElementTree.fromstring(drawn)  # noqa: S314
    text = " ".join(node.text or "" for node in tree.iter("{http://www.w3.org/2000/svg}text"))
    for expected in ("mmHg", "reference 18", "upper 25", "lower 10", "dry 80", "Weight, kg", "Silences", "1 Nov"):
        assert expected in text


def test_a_patient_without_any_value_can_be_drawn_too():
    empty = Timeline(days=[Day(FIRST + timedelta(days=index)) for index in range(30)])
    assert vl_convert.vegalite_to_svg(
        charts.timeline(empty, ENGLISH, width=400, interactive=True), allowed_base_urls=[]
    )
    assert charts.describe(empty, ENGLISH, "") == "Time line from 27 October to 25 November: no pressure reading."


def test_the_sentence_tells_range_last_value_and_limits():
    told = charts.describe(facts(), ENGLISH, "The table below holds every value.")
    assert "PA diastolic on 28 days of 30, from 18 to 20.9 mmHg, last 20.9 on 25 November" in told
    assert "reference 18; upper limit 25; lower limit 10" in told


def test_dates_are_drawn_as_the_dates_they_are_in_any_zone():
    draw = (
        "import json, sys, vl_convert; "
        "sys.stdout.write(vl_convert.vegalite_to_svg(json.load(sys.stdin), allowed_base_urls=[]))"
    )
    spec = json.dumps(charts.timeline(facts(), ENGLISH, width=600))
    drawn = {
        subprocess.run(
            [sys.executable, "-c", draw], input=spec, env={"TZ": zone}, capture_output=True, text=True, check=True
        ).stdout
        for zone in ("Pacific/Auckland", "America/Los_Angeles")
    }
    assert len(drawn) == 1
    assert "1 Nov" in drawn.pop()


def test_symptoms_are_letters_where_there_is_room_and_dots_where_there_is_not():
    wide, narrow = charts.timeline(facts(), ENGLISH, width=760), charts.timeline(facts(), ENGLISH, width=220)

    def has_letters(spec: charts.Spec) -> bool:
        return any(layer["encoding"].get("text", {}).get("field") == "text" for layer in layers(spec))

    assert has_letters(wide)
    assert not has_letters(narrow)
    letters = {row["text"] for row in rows(wide) if row.get("symptom") == "Swelling" and "text" in row}
    assert letters == {"s"}


def test_hovering_tells_the_whole_day_in_words():
    spec = charts.timeline(facts(), ENGLISH, width=600, interactive=True)
    column = next(row for row in rows(spec) if row.get("Day") == "27 October")
    assert column["PA systolic/diastolic (mean), mmHg"] == "36/18 (24)"
    assert column["Weight, kg"] == "80"


# --- the strip -----------------------------------------------------------------------------


def drawn_strip(values: list[float | None], marks: str, **limits: float | None) -> ElementTree.Element:
    made = Strip(FIRST, tuple(values), marks)
    text = strip.svg(ENGLISH, made, limits.get("reference"), limits.get("upper"), limits.get("lower"))
    assert "style" not in text
    return ElementTree.fromstring(text)  # noqa: S314


def test_a_missing_day_is_an_outlined_slot_and_the_line_stops_before_it():
    values = [18.0] * 14 + [None] + [19.0] * 15
    tree = drawn_strip(values, "r" * 14 + "m" + "r" * 15, reference=18.0)
    gaps = [node for node in tree if node.get("class") == "gap"]
    assert len(gaps) == 1
    line = next(node for node in tree if node.get("class") == "line")
    assert line.get("d", "").count("M") == 2
    assert "1 day without an expected reading" in tree.get("aria-label", "")


def test_a_diary_without_a_reading_and_an_excused_day_have_shapes_of_their_own():
    tree = drawn_strip([None] * 30, "d" * 10 + "e" * 10 + "-" * 10)
    classes = [node.get("class") for node in tree]
    assert classes.count("gap") == classes.count("diary") == classes.count("excused") == 10


@given(
    st.lists(st.none() | st.floats(3, 80), min_size=30, max_size=30),
    st.none() | st.floats(5, 40),
    st.none() | st.floats(5, 60),
)
def test_every_reading_is_inside_the_picture(values, reference, upper):
    tree = drawn_strip(values, "r" * 30, reference=reference, upper=upper)
    dots = next((node.get("d", "") for node in tree if node.get("class") == "dots"), "")
    heights = [float(part.split()[1].removesuffix("h0")) for part in dots.split("M")[1:]]
    assert len(heights) == sum(value is not None for value in values)
    assert all(0 <= height <= strip.HEIGHT for height in heights)


def test_steady_noise_does_not_fill_the_picture():
    tree = drawn_strip([18.0, 18.6] * 15, "r" * 30, reference=18.0)
    dots = next(node.get("d", "") for node in tree if node.get("class") == "dots")
    heights = [float(part.split()[1].removesuffix("h0")) for part in dots.split("M")[1:]]
    assert max(heights) - min(heights) < strip.HEIGHT / 8


def test_the_tracks_module_keeps_no_state():
    assert charts.pressures(facts(), ENGLISH, 500) == charts.pressures(facts(), ENGLISH, 500)
