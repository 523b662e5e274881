"""Pressure, heart rate and diary as one judgement of a rise: it may be told earlier, and never later or less.

No outside source for the figures: the weights are made by `deploy/calibrating.py joint` on simulated patients.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from statistics import fmean, stdev

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.days import Day
from service.domain.signals import engine, heart
from service.domain.signals import state as engine_state
from service.domain.signals.engine import NOTHING_CARRIED, assess_many, work_out
from service.domain.signals.episodes import OF_PRESSURE, ROW
from service.domain.signals.facts import AfterStay, AnchoredReference, Assessment, Case, ContextTag, Picture
from service.domain.signals.patient_facts import Evening
from service.domain.signals.picture import lane_of
from service.domain.signals.settings import DEFAULT
from service.domain.vocabulary import ContextKind, Knowledge, Lane, Rhythm, SignalKind
from service.words.language import load_language
from service.words.sentences import signals
from tests.bench import bench_detection, panels

ENGLISH, SPANISH = load_language("en"), load_language("es")
FIRST = date(2026, 1, 1)
LEVELS = np.concatenate([np.full(70, 18.0), 18.0 + 0.28 * np.arange(1, 13)])  # mmHg: at last a little up
RATES = np.concatenate([np.full(72, 66.0), np.full(10, 78.0)])  # beats a minute


def _days(rates: np.ndarray = RATES, levels: np.ndarray = LEVELS, breath: int | None = None) -> list[Day]:
    random = np.random.default_rng(8)
    read = [round(float(level + random.normal(0, 1.0)), 1) for level in levels]
    days = [
        Day(
            FIRST + timedelta(days=at), readings=1, pa_diastolic=low, heart_rate=None if np.isnan(rate) else float(rate)
        )
        for at, (low, rate) in enumerate(zip(read, rates, strict=True))
    ]
    if breath is None:
        return days
    return [replace(day, checkin=True, breathlessness=1 if at < 76 else breath) for at, day in enumerate(days)]


def _assess(days: list[Day], **more: object) -> Assessment:
    given = {"reference": AnchoredReference(18.0, 0.5)} | more
    return assess_many([Case(days, days[-1].day, **given)])[0]  # type: ignore[arg-type]


def _first_told(days: list[Day], **more: object) -> date | None:
    return min((one.raised_on for one in _assess(days, **more).signals if one.kind is SignalKind.RISING), default=None)


# --- heart rate against its own usual ------------------------------------------------------------


def test_the_usual_is_the_mean_of_three_to_eight_weeks_ago_and_now_is_of_five_days():
    rates = np.random.default_rng(3).normal(70, 4, 90).round()
    state = heart.nothing_read(1)
    for day, rate in enumerate(rates, start=1000):
        state = heart.follow(state, day, np.array([rate]))
    found = heart.heart_rates(state, 1089)
    usual = rates[-60:-22]  # 22 to 59 days back; the standard library's mean and deviation are the check
    assert float(found.usual[0]) == pytest.approx(fmean(usual))
    assert float(found.above[0]) == pytest.approx((fmean(rates[-5:]) - fmean(usual)) / max(stdev(usual), 3.0))


def test_a_rate_that_scatters_is_compared_with_nothing():
    random = np.random.default_rng(3)
    for spread, compared in ((4.0, True), (12.0, False)):
        heard = _assess(_days(random.normal(70, spread, len(LEVELS)).round())).picture.pressure.heart
        assert (heard is not None) is compared


@pytest.mark.parametrize("kind", [ContextKind.PACED_OR_IRREGULAR, ContextKind.RHYTHM_OR_DEVICE])
def test_in_a_paced_irregular_or_changed_rhythm_heart_rate_counts_for_nothing(kind: ContextKind):
    without = _days(np.full(len(LEVELS), np.nan))
    # Also where the tag has ended: what was usual before it is no usual any more.
    for tag in (ContextTag(kind, FIRST, None), ContextTag(kind, FIRST + timedelta(70), FIRST + timedelta(70))):
        found = _assess(_days(), tags=(tag,))
        assert found.picture.pressure.heart is None
        assert _first_told(_days(), tags=(tag,)) == _first_told(without)


def test_a_rhythm_in_the_record_counts_from_its_day_to_the_day_before_sinus_rhythm():
    at = [FIRST + timedelta(days) for days in (3, 9, 20, 30, 30)]
    rhythms = (Rhythm.SINUS, Rhythm.ATRIAL_FIBRILLATION, Rhythm.SINUS, Rhythm.PACED, Rhythm.OTHER)
    kind = ContextKind.PACED_OR_IRREGULAR
    assert heart.unheard_by_rhythm(list(zip(at, rhythms, strict=True))) == [
        ContextTag(kind, at[1], at[2] - timedelta(1)),
        ContextTag(kind, at[3], None),
    ]
    assert heart.unheard_by_rhythm([(at[0], Rhythm.PACED), (at[0], Rhythm.SINUS)]) == []


def test_a_fever_or_a_journey_is_another_reason_and_is_left_out():
    for kind in (ContextKind.INFECTION, ContextKind.TRAVEL):
        tag = ContextTag(kind, FIRST + timedelta(72), None)
        assert _assess(_days(), tags=(tag,)).picture.pressure.heart is None


# --- one judgement -------------------------------------------------------------------------------


def test_a_rise_is_told_earlier_beside_a_faster_heart_and_says_so():
    alone, beside = _first_told(_days(np.full(len(LEVELS), np.nan))), _first_told(_days())
    assert beside is not None
    assert alone is None or beside < alone
    found = _assess(_days()[: (beside - FIRST).days + 1])
    facts = found.picture
    assert (facts.pressure.rising, lane_of(facts)) == (True, Lane.LOOK_CLOSELY)
    told = signals.picture(ENGLISH, facts)
    rate = round(facts.pressure.heart.now) if facts.pressure.heart else 0
    clause = (
        f"judged together with heart rate {rate}, {rate - 66} above the usual 66: the pressure alone is not sure enough"
    )
    assert clause in told
    assert told.count("heart rate") == 1
    assert "juzgado junto con frecuencia cardíaca" in signals.picture(SPANISH, facts)


def test_one_step_more_breathless_brings_a_pressure_on_its_way_to_the_top():
    steady = np.full(len(LEVELS), np.nan)
    before = len(LEVELS) - 3
    alone = _assess(_days(steady, breath=1)[:before])
    felt = _assess(_days(steady, breath=3)[:before])
    assert not alone.picture.pressure.rising
    assert lane_of(felt.picture) is Lane.CALL_TODAY
    assert "more breathless (3 of 10, usual 1)" in signals.picture(ENGLISH, felt.picture)
    assert "the pressure alone is not sure enough" in signals.picture(ENGLISH, felt.picture)


def test_a_faster_heart_over_a_flat_pressure_is_no_rise_and_is_not_settled():
    flat, slow = (_assess(_days(rates, np.full(len(LEVELS), 18.0))) for rates in (RATES, np.full(len(LEVELS), 66.0)))
    assert lane_of(slow.picture) is Lane.SETTLED
    assert (flat.picture.picture, lane_of(flat.picture)) == (Picture.CHANGED, Lane.LOOK_CLOSELY)
    assert not flat.picture.pressure.rising
    assert flat.picture.pressure.heart is not None
    assert flat.picture.pressure.heart.knowledge is Knowledge.CHANGED
    assert signals.picture(ENGLISH, flat.picture).startswith("Changed: heart rate 78, 12 above the usual 66; PA")


def test_a_slower_heart_is_told_and_one_that_stays_for_a_fortnight_is_told_on_and_is_no_news():
    flat = np.full(len(LEVELS), 18.0)
    slower = _assess(_days(np.concatenate([np.full(72, 66.0), np.full(10, 52.0)]), flat)).picture
    assert lane_of(slower) is Lane.LOOK_CLOSELY
    assert signals.picture(ENGLISH, slower).startswith("Changed: heart rate 52, 14 below the usual 66; PA")
    for rate, told in ((78.0, "12 above"), (52.0, "14 below")):
        stays = _assess(_days(np.concatenate([np.full(62, 66.0), np.full(20, rate)]), flat)).picture
        assert (stays.picture, lane_of(stays)) == (Picture.QUIET, Lane.SETTLED)
        assert f"heart rate {rate:.0f}, {told} the usual 66, for a fortnight already" in signals.picture(ENGLISH, stays)
    climbs = _assess(_days(np.concatenate([np.full(52, 66.0), 66.0 + 0.5 * np.arange(30)]), flat)).picture
    assert lane_of(climbs) is Lane.LOOK_CLOSELY


def test_evening_by_evening_is_the_whole_history_at_once():
    days, tags = (
        _days(breath=3),
        (ContextTag(ContextKind.RHYTHM_OR_DEVICE, FIRST + timedelta(20), FIRST + timedelta(22)),),
    )
    carried = NOTHING_CARRIED
    for at in range(60, len(days), 7):
        (worked,) = work_out([Case(days[: at + 1], days[at].day, tags=tags)], [carried])
        (whole,) = work_out([Case(days[: at + 1], days[at].day, tags=tags)], [NOTHING_CARRIED])
        carried = worked.carried
        assert worked.assessment.picture == whole.assessment.picture
        assert carried.states[-1].record == whole.carried.states[-1].record


# --- never later, never less ---------------------------------------------------------------------


@settings(max_examples=5)
@given(seed=st.integers(0, 10_000), diary=st.booleans(), place=st.integers(0, len(panels.FAMILIES) - 1))
def test_no_channel_takes_away_or_delays_what_the_pressure_alone_tells(seed: int, diary: bool, place: int):
    panel = panels.make(panels.FAMILIES[place], seed, patients=8, days=130)
    random = np.random.default_rng(seed)
    panel.heart[:] = np.where(
        random.random(panel.heart.shape) < 0.5, random.normal(80, 20, panel.heart.shape), panel.heart
    )
    rows = [ROW[kind] for kind in OF_PRESSURE]
    alone, together = (
        list(bench_detection.evenings(panel, diary=with_them and diary, heart=with_them)) for with_them in (False, True)
    )
    for (one, _, _), (other, _, _) in zip(alone, together, strict=True):
        # What is open by pressure alone is open with the others on every evening, and so told that day or before.
        open_alone, open_together = one.episodes.open[rows], other.episodes.open[rows]
        assert (open_together | ~open_alone).all()


def test_a_fall_that_the_pressure_alone_tells_stays_a_fall():
    state = engine_state.begin(1)
    for day in range(1, 40):
        today = engine_state.DayInputs(np.array([[18.0], [np.nan], [np.nan]]))
        state, _, _ = engine.step(state, day, today, DEFAULT)
    going_on, quick = state.episodes.open.copy(), state.quick.copy()
    going_on[[ROW[SignalKind.RISING], ROW[SignalKind.FALLING]]] = quick[engine_state.JOINT] = True
    began = np.full_like(state.episodes.began_on, 30)
    state = replace(state, episodes=replace(state.episodes, open=going_on, began_on=began), quick=quick)
    assert Evening(state, None, DEFAULT).pressure(0).falling
    quick[engine_state.UP] = True
    assert Evening(state, None, DEFAULT).pressure(0).rising


def test_the_lift_is_never_negative_and_never_enough_alone():
    panel = panels.make(panels.DEAF, 4, patients=40, days=150)
    flat = replace(
        panel, diastolic=np.full_like(panel.diastolic, 18.0), mean=panel.mean * np.nan, systolic=panel.mean * np.nan
    )
    told = bench_detection.told_by_engine(flat, diary=True, heart=True)
    assert not told[:, ROW[SignalKind.RISING]].any()
    state = engine_state.begin(1)
    assert not engine.joint.lift(heart.heart_rates(state.heart, 1), None, DEFAULT).any()


# --- after a stay --------------------------------------------------------------------------------


def test_in_the_days_watched_after_a_stay_a_rise_is_told_earlier_and_never_later():
    """The same readings: a bar that is lower on some dates can only bring the day forward, whatever was set."""
    levels = np.concatenate([np.full(70, 18.0), 18.0 + 0.22 * np.arange(1, 26)])
    days = _days(np.full(len(levels), np.nan), levels)
    out = FIRST + timedelta(62)
    plain = _first_told(days)
    watched = _first_told(days, stays=(AfterStay(out, out + timedelta(42), out + timedelta(42)),))
    told_alone = _first_told(days, stays=(AfterStay(out, out + timedelta(42)),))  # its day is told, no bar is lower
    over = _first_told(days, stays=(AfterStay(FIRST, FIRST + timedelta(42), FIRST + timedelta(42)),))
    assert plain is not None
    assert watched is not None
    assert watched < plain == told_alone == over
    stricter = replace(DEFAULT, after_stay_sure=0.9999)
    (found,) = assess_many([Case(days, days[-1].day, AnchoredReference(18.0, 0.5), stays=(
        AfterStay(out, out + timedelta(42), out + timedelta(42)),
    ))], stricter)  # fmt: skip
    assert min(one.raised_on for one in found.signals if one.kind is SignalKind.RISING) == plain


def test_the_reason_says_which_day_after_the_discharge_it_is():
    days = _days(levels=np.full(len(LEVELS), 18.0), rates=np.full(len(LEVELS), np.nan))
    out = days[-1].day - timedelta(9)
    facts = _assess(days, stays=(AfterStay(out, out + timedelta(42)),)).picture
    assert facts.day_after_stay == 9
    assert "day 9 after the discharge of 14 March" in signals.picture(ENGLISH, facts)
    assert _assess(days, stays=(AfterStay(out, out + timedelta(8)),)).picture.after_stay is None
