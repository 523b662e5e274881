"""What is carried from evening to evening: the same, bit for bit, as working it out from the first day on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain import days as joined_days
from service.domain.days import Day, Taken
from service.domain.signals import engine
from service.domain.signals.engine import NOTHING_CARRIED, work_out
from service.domain.signals.facts import (
    AdjustmentMade,
    AnchoredReference,
    Assessment,
    Case,
    Episode,
    PressureLimits,
    typed_reference,
)
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import CarriedState, Outdated, as_bytes, from_bytes
from service.domain.vocabulary import Posture, SafetySign, Swelling

FIRST = date(2026, 1, 5)


@dataclass
class Rows:
    """What is known of one patient, as it changes from day to day."""

    readings: dict[date, list[Taken]] = field(default_factory=dict)
    diary: dict[date, Day] = field(default_factory=dict)
    reference: AnchoredReference | None = None
    limits: PressureLimits = field(default_factory=PressureLimits)
    adjustments: list[AdjustmentMade] = field(default_factory=list)
    dry_weight: float | None = None

    def case(self, today: date, after: date | None = None, usual_hour: float | None = None) -> Case:
        """Of the days after `after` only, where one is told."""
        known = [day for day in (*self.readings, *self.diary) if day <= today and (after is None or day > after)]
        first = min(known, default=today)
        readings = [one for day, some in self.readings.items() if after is None or day > after for one in some]
        return Case(
            days=joined_days.join(
                first, today, readings=readings, diary=list(self.diary.values()), usual_hour=usual_hour
            ),
            today=today,
            reference=self.reference,
            limits=self.limits,
            adjustments=[made for made in self.adjustments if made.made_on <= today],
            dry_weight_kg=self.dry_weight,
        )


@dataclass
class Clinic:
    """One patient followed evening by evening: only bytes, and the episodes as a table would hold them."""

    stored: bytes = b""
    episodes: dict[tuple[str, date], Episode] = field(default_factory=dict)

    def evening(self, rows: Rows, today: date, changed_from: date | None) -> tuple[Assessment, bytes]:
        carried = from_bytes(self.stored, DEFAULT) if self.stored else NOTHING_CARRIED
        carried = engine.still_valid(carried, rows.case(today), changed_from)
        last = carried.states[-1] if carried.states else None
        case = rows.case(today)
        if last is not None:
            hour = None if np.isnan(last.usual_hour) else last.usual_hour
            case = rows.case(today, date.fromordinal(last.day), hour)
        (worked,) = work_out([case], [carried])
        self.stored = as_bytes(worked.carried, DEFAULT)
        since = worked.assessment.since
        assert since is not None
        for key, one in list(self.episodes.items()):
            if one.ended_on is None or one.ended_on >= since or one.raised_on >= since:
                del self.episodes[key]
        for one in worked.assessment.signals:
            self.episodes[one.kind, one.raised_on] = one
        return worked.assessment, self.stored


def from_scratch(rows: Rows, today: date) -> tuple[Assessment, bytes]:
    (worked,) = work_out([rows.case(today)], [NOTHING_CARRIED])
    return worked.assessment, as_bytes(worked.carried, DEFAULT)


def assert_same(clinic: Clinic, rows: Rows, today: date, changed_from: date | None) -> None:
    carried, stored = clinic.evening(rows, today, changed_from)
    whole, whole_stored = from_scratch(rows, today)
    assert stored == whole_stored, today
    everything = {(one.kind, one.raised_on): one for one in whole.signals}
    assert clinic.episodes == everything, today
    assert replace(carried, signals=(), since=None) == replace(whole, signals=(), since=None)


def reading(random: np.random.Generator, day: date, level: float, *, hour: float = 7.0) -> Taken:
    noise = random.normal(0, 1.2, 3)
    return Taken(
        day,
        round(level + 22 + noise[0], 1),
        round(level + noise[1], 1),
        round(level + 8 + noise[2], 1),
        hour=hour + random.normal(0, 0.5),
        posture=random.choice([Posture.LYING, Posture.SITTING], p=[0.9, 0.1]),  # type: ignore[arg-type]
    )


def diary(random: np.random.Generator, day: date, ill: float) -> Day:
    return Day(
        day,
        checkin=True,
        breathlessness=int(np.clip(random.poisson(1 + 2 * ill), 0, 10)),
        extra_pillows=int(random.random() < 0.1 + 0.3 * ill),
        woke_breathless=bool(random.random() < 0.05 + 0.3 * ill),
        swelling=Swelling.ANKLE if random.random() < 0.1 + 0.3 * ill else Swelling.NONE,
        weight_kg=round(80 + 2.5 * ill + random.normal(0, 0.4), 1) if random.random() < 0.8 else None,
        weighed_in_pounds=bool(random.random() < 0.3),
        light_headed=bool(random.random() < 0.1),
        tiredness=int(random.integers(0, 5)),
        safety_signs=(SafetySign.FAINTING,) if random.random() < 0.01 else (),
    )


def change_something(random: np.random.Generator, rows: Rows, day: date) -> date | None:
    """One late, corrected or withdrawn row, or something that people set; the first date whose row it touches."""
    match int(random.integers(0, 8)):
        case 0:  # late
            late = day - timedelta(days=int(random.integers(1, 60)))
            rows.readings.setdefault(late, []).append(reading(random, late, 21.0, hour=random.uniform(5, 20)))
            return late
        case 1 if rows.readings:  # corrected
            late = sorted(rows.readings)[-int(random.integers(1, min(len(rows.readings), 40) + 1))]
            rows.readings[late] = [reading(random, late, 19.0)]
            return late
        case 2 if rows.readings:  # superseded and not given again
            late = sorted(rows.readings)[-int(random.integers(1, min(len(rows.readings), 90) + 1))]
            del rows.readings[late]
            return late
        case 3 if rows.diary:
            late = sorted(rows.diary)[-int(random.integers(1, min(len(rows.diary), 30) + 1))]
            rows.diary[late] = diary(random, late, 1.0)
            return late
        case 4:
            rows.limits = PressureLimits(upper=float(random.integers(20, 30)), lower=12.0)
        case 5:
            to_day = day - timedelta(days=int(random.integers(0, 30)))
            rows.reference = typed_reference((18.5, 26.0, None), to_day - timedelta(days=13), to_day)
        case 6:
            made_on = day - timedelta(days=int(random.integers(0, 40)))
            rows.adjustments.append(AdjustmentMade(made_on, "water tablet"))
        case _:
            rows.dry_weight = 79.0 if rows.dry_weight is None else None
            if rows.adjustments:
                rows.adjustments.pop()
    return None


@pytest.mark.slow
@given(st.integers(0, 10_000))
@settings(max_examples=2, deadline=None)
def test_carried_from_evening_to_evening_is_bit_for_bit_what_the_rows_say(seed: int):
    random = np.random.default_rng(seed)
    rows, clinic = Rows(), Clinic()
    rises_from, days = int(random.integers(25, 40)), 120
    for offset in range(days):
        day = FIRST + timedelta(days=offset)
        ill = float(np.clip((offset - rises_from) / 25, 0, 1)) * (1.0 if offset < rises_from + 50 else 0.2)
        away = rises_from + 60 < offset < rises_from + 75  # a gap in which nothing comes
        if not away and random.random() < 0.85:
            jump = 16.0 if rises_from - 20 <= offset < rises_from - 16 else 0.0
            rows.readings.setdefault(day, []).append(reading(random, day, 18 + 6 * ill + jump))
        if not away and random.random() < 0.7:
            rows.diary[day] = diary(random, day, ill)
        changed = change_something(random, rows, day) if random.random() < 0.05 else None
        if changed is None:
            clinic.evening(rows, day, changed)
            continue
        assert_same(clinic, rows, day, changed)
        if random.random() < 0.5:  # another reading of the same date, after its row was made
            rows.readings.setdefault(day, []).append(reading(random, day, 20.0, hour=14.0))
            assert_same(clinic, rows, day, day)
    assert_same(clinic, rows, FIRST + timedelta(days=days - 1), None)


def history(days: int, *, seed: int = 0) -> Rows:
    random, rows = np.random.default_rng(seed), Rows()
    for offset in range(days):
        day = FIRST + timedelta(days=offset)
        rows.readings[day] = [reading(random, day, 18 + 6 * float(np.clip((offset - 60) / 30, 0, 1)))]
        rows.diary[day] = diary(random, day, 0.0)
    return rows


def carried_to(rows: Rows, today: date) -> CarriedState:
    (worked,) = work_out([rows.case(today)], [NOTHING_CARRIED])
    return worked.carried


def last_day(days: int) -> date:
    return FIRST + timedelta(days=days - 1)


@pytest.mark.parametrize("late", [0, 3, 20, 35])
def test_a_late_reading_resumes_from_a_state_before_it(late: int):
    rows, today = history(150), last_day(150)
    changed = today - timedelta(days=late)
    resumed = engine.still_valid(carried_to(rows, today), rows.case(today), changed)
    assert resumed.states
    assert all(state.day < changed.toordinal() for state in resumed.states)


def test_a_reading_later_than_every_kept_state_begins_at_the_first_row():
    rows, today = history(150), last_day(150)
    assert engine.still_valid(carried_to(rows, today), rows.case(today), today - timedelta(days=60)).states == ()


def test_a_new_day_without_a_change_needs_one_evening_only():
    rows, today = history(150), last_day(150)
    states = engine.still_valid(carried_to(rows, today), rows.case(today + timedelta(days=1))).states
    assert states[-1].day == today.toordinal() - 1


@pytest.mark.parametrize(
    "changed",
    [
        {"limits": PressureLimits(upper=24.0)},
        {"reference": AnchoredReference(18.0, 0.5)},
        {"dry_weight": 80.0},
    ],
)
def test_what_people_set_anew_is_worked_out_from_the_rows(changed: dict[str, object]):
    rows, today = history(150), last_day(150)
    carried = carried_to(rows, today)
    assert engine.still_valid(carried, rows.case(today)).states
    assert engine.still_valid(carried, replace(rows, **changed).case(today)).states == ()  # type: ignore[arg-type]


def test_a_rise_that_lasts_for_more_than_half_a_year_stays_the_episode_it_was():
    rows, clinic, told = history(260), Clinic(), set()
    rows.reference = typed_reference((18.0, None, None), FIRST, FIRST + timedelta(days=13))
    for offset in range(60, 260):  # the rise begins on the first of these
        assessment, _ = clinic.evening(rows, FIRST + timedelta(days=offset), None)
        told |= {(one.kind, one.raised_on) for one in assessment.signals}
    assert told == {(one.kind, one.raised_on) for one in from_scratch(rows, last_day(260))[0].signals}
    (rising,) = [one for one in clinic.episodes.values() if one.ended_on is None and one.kind == "rising"]
    assert (last_day(260) - rising.began_on).days > 183


def test_many_patients_each_from_their_own_day_are_the_same_as_each_alone():
    everyone: Sequence[Rows] = [history(days, seed=days) for days in (20, 60, 90, 91)]
    today = last_day(91)
    carried = [carried_to(rows, last_day(days)) for rows, days in zip(everyone, (20, 59, 90, 90), strict=True)]
    cases = [rows.case(today) for rows in everyone]
    together = work_out(cases, carried)
    assert together == [work_out([case], [one])[0] for case, one in zip(cases, carried, strict=True)]
    assert [worked.carried for worked in together] == [carried_to(rows, today) for rows in everyone]


def test_bytes_of_other_settings_or_damaged_ones_are_refused():
    rows = history(60)
    stored = as_bytes(carried_to(rows, last_day(60)), DEFAULT)
    assert as_bytes(from_bytes(stored, DEFAULT), DEFAULT) == stored
    for wrong in (b"", stored[:-3], b"XXXX" + stored[4:], stored[:20], b"\x00" * 40, stored + b"\x00"):
        with pytest.raises(Outdated):
            from_bytes(wrong, DEFAULT)
    with pytest.raises(Outdated):
        from_bytes(stored, replace(DEFAULT, margin=2.0))


def test_what_is_carried_does_not_grow_with_the_years():
    short, long = (len(as_bytes(carried_to(history(days), last_day(days)), DEFAULT)) for days in (150, 400))
    assert long <= 1.2 * short
    assert long < 24_000


def test_after_a_change_recorded_late_the_states_are_those_of_working_it_out_from_the_start():
    rows, today = history(150), last_day(150)
    newer, older = (AdjustmentMade(today - timedelta(days=ago), "water tablet") for ago in (3, 37))
    before = replace(rows, adjustments=[newer])
    late = replace(rows, adjustments=[older, newer])
    resumed = engine.still_valid(carried_to(before, today), late.case(today))
    after = date.fromordinal(resumed.states[-1].day) if resumed.states else None
    hour = resumed.states[-1].usual_hour if resumed.states else None
    (worked,) = work_out([late.case(today, after, hour)], [resumed])
    assert as_bytes(worked.carried, DEFAULT) == as_bytes(carried_to(late, today), DEFAULT)
