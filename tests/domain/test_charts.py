"""The strip and the time line: gaps stay gaps, nothing is told by colour alone, and nothing needs a style attribute."""

from __future__ import annotations

import itertools
import json
import re
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
from service.domain.vocabulary import Swelling, WindowState
from service.reports import charts, strip, tracks
from service.reports.tracks import Ahead, Mark, Timeline
from service.words.language import load_language
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
        "marks": [Mark(row, FIRST, FIRST + timedelta(days=2), f"a {row}") for row in tracks.MarkRow],
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


@pytest.mark.parametrize("colour", [tracks.BLUE, tracks.VERMILION, tracks.GREEN, tracks.INK, tracks.FAINT])
def test_every_line_stands_out_from_white(colour):
    # WCAG 2.2, 1.4.11 Non-text Contrast: at least 3:1; relative luminance as WCAG defines it.
    assert 1.05 / (luminance(colour) + 0.05) >= 3.0


def test_the_colours_are_told_apart_by_the_commonest_colour_blindness():
    # Viénot, Brettel & Mollon 1999 (Color Res Appl 24:243–52): deuteranopia as one matrix on linear RGB.
    matrix = ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0))

    def seen(colour: str) -> tuple[float, ...]:
        channels = [(int(colour[index : index + 2], 16) / 255) ** 2.2 for index in (1, 3, 5)]
        return tuple(sum(weight * c for weight, c in zip(row, channels, strict=True)) for row in matrix)

    for one, other in itertools.combinations((tracks.BLUE, tracks.VERMILION, tracks.GREEN), 2):
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


@pytest.mark.parametrize("width", [336, 880])
def test_it_can_be_drawn_without_a_style_attribute_or_a_foreign_address(width):
    drawn = vl_convert.vegalite_to_svg(
        charts.timeline(facts(), ENGLISH, width=width),
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
    assert vl_convert.vegalite_to_svg(charts.timeline(empty, ENGLISH, width=400), allowed_base_urls=[])
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


def test_the_axes_write_months_and_numbers_as_the_reader_does():
    """Unicode CLDR, Spanish (from memory): `ene` is January, and a comma parts the decimals."""
    january = [Day(date(2026, 1, 1) + timedelta(days=index), pa_diastolic=18 + index / 40) for index in range(30)]
    spec = charts.timeline(Timeline(days=january), load_language("es"), width=825)
    tree = ElementTree.fromstring(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))  # noqa: S314
    written = [node.text or "" for node in tree.iter("{http://www.w3.org/2000/svg}text")]
    assert "11 ene" in written
    assert "18,4" in written
    assert not [text for text in written if "Jan" in text or re.fullmatch(r"\d+\.\d+", text)]


def test_symptoms_are_letters_where_there_is_room_and_dots_where_there_is_not():
    wide, narrow = charts.timeline(facts(), ENGLISH, width=880), charts.timeline(facts(), ENGLISH, width=336)

    def has_letters(spec: charts.Spec) -> bool:
        return any(layer["encoding"].get("text", {}).get("field") == "text" for layer in layers(spec))

    assert has_letters(wide)
    assert not has_letters(narrow)
    letters = {row["text"] for row in rows(wide) if row.get("symptom") == "Swelling" and "text" in row}
    assert letters == {"s"}


def test_every_track_begins_where_the_drawing_says_its_days_begin():
    known = facts()
    for width in (336, 880):
        left, right = charts.sides(known, ENGLISH, width)
        drawn = vl_convert.vegalite_to_svg(charts.timeline(known, ENGLISH, width=width), allowed_base_urls=[])
        assert f'width="{width}"' in drawn
        assert f'transform="translate({left},' in drawn
        frames = {float(one) for one in re.findall(r'class="background"[^>]* d="M0.5,0.5h(\d+)v', drawn)}
        assert frames == {width - left - right}
    assert charts.columns(known) == 31  # 30 days and one of forecast


def test_nothing_is_written_smaller_than_twelve_pixels():
    # 12 px: the bound that was set for the smallest screen; common practice, no source.
    for width in (336, 880):
        drawn = vl_convert.vegalite_to_svg(charts.timeline(facts(), ENGLISH, width=width), allowed_base_urls=[])
        sizes = {float(size) for size in re.findall(r'font-size="([\d.]+)px"', drawn)}
        assert sizes
        assert min(sizes) >= 12


def test_days_without_a_reading_are_hatched_through_every_track_and_a_dark_page_has_its_own_colours():
    some = days({4, 5, 9})
    missed = {4, 5}
    for index in missed:
        some[index] = Day(FIRST + timedelta(days=index), window=WindowState.MISSED, wants_reading=True)
    some[9] = Day(FIRST + timedelta(days=9), window=WindowState.EXCUSED)
    spec = charts.timeline(facts(days=some), ENGLISH, width=880)
    for track in spec["vconcat"]:
        hatched = {layer["mark"].get("fill"): layer["data"]["values"] for layer in track["layer"][:2]}
        assert hatched == {
            charts.MISSED: [
                {"day": tracks.edge(FIRST + timedelta(4), -1), "end": tracks.edge(FIRST + timedelta(5), 1)}
            ],
            charts.EXCUSED: [
                {"day": tracks.edge(FIRST + timedelta(9), -1), "end": tracks.edge(FIRST + timedelta(9), 1)}
            ],
        }
    drawn = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    light, dark = charts.hatched(drawn), charts.hatched(drawn, dark=True)
    assert light.count('fill="url(#missed)"') == light.count('fill="url(#excused)"') == len(spec["vconcat"])
    assert charts.DARK_PAPER in dark
    assert 'fill="white"' not in dark


@pytest.mark.parametrize("colour", [tracks.BLUE, tracks.VERMILION, tracks.GREEN, tracks.INK, tracks.FAINT])
def test_every_line_stands_out_from_the_dark_page_too(colour):
    # WCAG 2.2, 1.4.11 Non-text Contrast: at least 3:1.
    assert (luminance(charts.DARK[colour]) + 0.05) / (luminance(charts.DARK_PAPER) + 0.05) >= 3.0


def test_rows_without_anything_are_left_out_and_named_in_the_caption():
    some = [Mark(tracks.MarkRow.REVIEWS, FIRST, FIRST, "No change"), Mark(tracks.MarkRow.GOALS, FIRST, TODAY, "to 20")]
    known = facts(marks=some, days=[Day(FIRST, checkin=True, swelling=Swelling.KNEE), *days()[1:]])
    (rows_of_words,) = [
        track for track in charts.timeline(known, ENGLISH, width=880)["vconcat"] if track["height"] == 40
    ]
    assert rows_of_words["layer"][0]["encoding"]["y"]["scale"]["domain"] == ["Goals", "Reviews"]
    told = charts.caption(known, ENGLISH)
    assert (
        "Nothing in these days of: Slept in a chair, Belly full, Light-headed, Missed medicines, Safety answer," in told
    )
    assert "Adjustments, Pauses" in told
    assert not {"Goals", "Reviews", "Tiredness,"} & set(told.split())


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_names_of_levels_have_the_room_that_is_left_for_them_beside_or_paper_under_them(language):
    known, say = facts(goal_upper=20.0, goal_lower=12.0), load_language(language)
    for width in (336, 600, 880):
        names = [
            layer["mark"]
            for layer in charts.timeline(known, say, width=width)["vconcat"][0]["layer"]
            if layer["mark"]["type"] == "text"
        ]
        assert len({one["align"] for one in names}) == 1
        if names[0]["align"] == "left":
            assert charts.sides(known, say, width)[1] > 80
        else:
            assert [one.get("stroke") for one in names] == [tracks.PAPER, None] * 5


def test_a_wobble_of_the_weight_does_not_fill_its_track():
    some = [Day(FIRST + timedelta(days=index), weight_kg=80.0 + 0.8 * (index % 2)) for index in range(30)]
    track = tracks.weight(Timeline(days=some), ENGLISH)
    low, high = track["layer"][0]["encoding"]["y"]["scale"]["domain"]
    assert low <= 80.0 < 80.8 <= high
    assert high - low >= 6
    beats = [Day(FIRST + timedelta(days=index), heart_rate=70.0 + index % 3) for index in range(30)]
    low, high = tracks.heart_rate(Timeline(days=beats), ENGLISH)["layer"][0]["encoding"]["y"]["scale"]["domain"]
    assert low <= 70.0 < 72.0 <= high
    assert high - low >= 40


def test_over_a_year_the_lines_go_through_the_median_of_each_week_and_an_empty_week_is_a_gap():
    # ISO 8601 weeks, which begin on Monday: 2 March 2026 is one.
    monday = date(2026, 3, 2)
    read = {0: 10.0, 1: 12.0, 6: 20.0, 14: 9.0}
    some = [Day(monday + timedelta(days=index), pa_diastolic=read.get(index)) for index in range(140)]
    weeks = Timeline(days=some).points
    assert len(weeks) == 20
    assert [one.pa_diastolic for one in weeks[:4]] == [12.0, None, 9.0, None]
    assert [one.day for one in weeks[:2]] == [date(2026, 3, 5), date(2026, 3, 12)]
    assert Timeline(days=some[:90]).points == some[:90]


# --- the strip -----------------------------------------------------------------------------


def drawn_strip(values: list[float | None], marks: str, **limits: float | None) -> ElementTree.Element:
    made = Strip(FIRST, tuple(values), marks)
    text = strip.svg(ENGLISH, made, strip.Lines(**limits))
    assert "style" not in text
    return ElementTree.fromstring(text)  # noqa: S314


def test_a_missing_day_is_an_outlined_slot_and_the_line_stops_before_it():
    values = [18.0] * 14 + [None] + [19.0] * 15
    tree = drawn_strip(values, "r" * 14 + "m" + "r" * 15, reference=18.0)
    gaps = [node for node in tree if node.get("class") == "gap"]
    assert [node.get("d", "").count("M") for node in gaps] == [1]
    line = next(node for node in tree if node.get("class") == "line")
    assert line.get("d", "").count("M") == 2
    assert "1 day without an expected reading" in tree.get("aria-label", "")


def test_a_diary_without_a_reading_and_an_excused_day_have_shapes_of_their_own():
    tree = drawn_strip([None] * 30, "d" * 10 + "e" * 10 + "-" * 10)
    shapes = {node.get("class"): node.get("d", "").count("M") for node in tree}
    assert (shapes["gap"], shapes["diary"], shapes["excused"]) == (10, 10, 10)


@given(
    st.lists(st.none() | st.floats(3, 80), min_size=30, max_size=30),
    st.none() | st.floats(5, 40),
    st.none() | st.floats(5, 60),
)
def test_every_reading_is_inside_the_picture(values, reference, upper):
    tree = drawn_strip(values, "r" * 30, reference=reference, upper=upper)
    heights = heights_of(tree)
    beyond = next((node.get("d", "").count("M") for node in tree if node.get("class") == "out"), 0)
    assert len(heights) + beyond == sum(value is not None for value in values)
    assert all(0 <= height <= strip.HEIGHT for height in heights)


def heights_of(tree: ElementTree.Element) -> list[float]:
    dots = next((node.get("d", "") for node in tree if node.get("class") == "dots"), "")
    return [float(part.split()[1].removesuffix("h0")) for part in dots.split("M")[1:]]


def test_the_same_rise_looks_the_same_whoever_it_is_of():
    low, high = (drawn_strip([one] * 29 + [one + 6.0], "r" * 30, reference=one) for one in (9.0, 31.0))
    assert heights_of(low) == heights_of(high)


def test_what_lies_beyond_the_scale_stands_at_the_edge_with_its_figure_and_the_last_value_is_told():
    tree = drawn_strip([18.0] * 20 + [41.0] + [18.0] * 8 + [19.5], "r" * 30, reference=18.0)
    assert [node.text for node in tree if node.tag.endswith("text")] == ["41", "19.5"]
    assert len(heights_of(tree)) == 29


def test_an_adjustment_is_a_tick_on_its_day_and_the_goal_a_band():
    lines = strip.Lines(18.0, goal=(12.0, None), adjusted_on=[FIRST + timedelta(days=3), FIRST - timedelta(days=1)])
    tree = ElementTree.fromstring(strip.svg(ENGLISH, Strip(FIRST, (18.0,) * 30, "r" * 30), lines))  # noqa: S314
    ticks = [node.get("d", "") for node in tree if node.get("class") == "tick"]
    assert [tick.split()[0] for tick in ticks] == [f"M{3 * strip.SLOT + strip.SLOT / 2:g}"]
    assert sum(node.get("class") == "goal" for node in tree) == 1


def test_steady_noise_does_not_fill_the_picture():
    tree = drawn_strip([18.0, 18.6] * 15, "r" * 30, reference=18.0)
    dots = next(node.get("d", "") for node in tree if node.get("class") == "dots")
    heights = [float(part.split()[1].removesuffix("h0")) for part in dots.split("M")[1:]]
    assert max(heights) - min(heights) < strip.HEIGHT / 8


def test_the_tracks_module_keeps_no_state():
    assert tracks.pressures(facts(), ENGLISH, 600) == tracks.pressures(facts(), ENGLISH, 600)


def test_names_of_levels_close_together_stand_apart_and_the_others_stay() -> None:
    levels = [18.3, 30.0, 18.0, 12.0]
    moved = tracks.apart(levels, [10.0, 56.0], 230)  # 5 pixels a mmHg
    assert (moved[0], moved[1], moved[3]) == (0, 0, 0)
    assert moved[2] == pytest.approx(13 - 1.5)
    assert tracks.apart([], [], 230) == []
    places = [
        -level * 5 + down for level, down in zip([18.0] * 4, tracks.apart([18.0] * 4, [10.0, 56.0], 230), strict=True)
    ]
    assert [b - a for a, b in itertools.pairwise(places)] == [13, 13, 13]
