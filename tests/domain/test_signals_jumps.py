"""A sudden step is told as what it is, a jump or a fault, from the second reading on; the level alone never hides it.

No outside source for the step itself (a convention of this service, see `domain.signals.jumps`); that one
reading taken sitting is no jump follows Salah 2025 (PA diastolic supine − seated 5.2 ± 5.6 mmHg).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from service.domain.days import Day, Taken, join
from service.domain.signals.engine import NOTHING_CARRIED, assess_many, work_out
from service.domain.signals.facts import Assessment, Case, LastReading, Picture
from service.domain.signals.picture import lane_of
from service.domain.vocabulary import Knowledge, Lane, Posture, SignalKind
from service.words.language import load_language
from service.words.sentences import signals

ENGLISH = load_language("en")
FIRST = date(2026, 1, 1)
QUIET = 60  # days at 18 before anything happens


def _days(*then: float, diary: dict[str, object] | None = None, seed: int = 3) -> list[Day]:
    """Sixty days near 18, noise of 1.2, and then these readings of PA diastolic, one a day."""
    random = np.random.default_rng(seed)
    levels = [round(18 + random.normal(0, 1.2), 1) for _ in range(QUIET)] + list(then)
    said = {"checkin": True, "breathlessness": 1} | (diary or {}) if diary is not None else {}
    return [
        Day(
            FIRST + timedelta(days=at),
            readings=1,
            pa_diastolic=value,
            pa_mean=value + 8,
            pa_systolic=value + 22,
            **said,
        )  # type: ignore[arg-type]
        for at, value in enumerate(levels)
    ]


def _assess(days: list[Day], later: int = 0) -> Assessment:
    return assess_many([Case(days, days[-1].day + timedelta(days=later))])[0]


def test_a_jump_is_looked_at_from_the_second_reading_and_a_call_from_the_third():
    found = [_assess(_days(34.0, 36.0, 36.0)[: QUIET + count]) for count in (1, 2, 3)]
    assert [lane_of(one.picture) for one in found[1:]] == [Lane.LOOK_CLOSELY, Lane.CALL_TODAY]
    assert found[0].picture.pressure.jump is None
    assert found[0].picture.pressure.compared.knowledge is Knowledge.TOO_LITTLE  # one reading says neither
    assert found[0].picture.pressure.last[-1] == LastReading(34.0, FIRST + timedelta(days=QUIET))
    jump = found[2].picture.pressure.jump
    assert jump is not None
    assert (jump.up, jump.readings, jump.since) == (True, 3, FIRST + timedelta(days=QUIET))
    assert jump.around == pytest.approx((34 + 36 + 36) / 3)
    assert jump.level == pytest.approx(18.0, abs=1.5)
    raised = [one for one in found[2].signals if one.kind is SignalKind.JUMP]
    assert [one.raised_on for one in raised] == [FIRST + timedelta(days=QUIET + offset) for offset in (1, 2)]


def test_readings_that_the_level_does_not_bear_out_are_not_told_as_unchanged():
    # Under the step of a jump: one at more than three standard deviations of a reading, two in a row at more than two.
    for then, known in (
        ((22.5,), Knowledge.TOO_LITTLE),
        ((21.8,), Knowledge.UNCHANGED),
        ((21.8, 21.8), Knowledge.TOO_LITTLE),
        ((21.8, 17.0), Knowledge.UNCHANGED),
    ):
        assert _assess(_days(*then)).picture.pressure.compared.knowledge is known, then


def test_the_readings_stand_in_the_sentence_and_the_level_alone_does_not():
    text = signals.picture(ENGLISH, _assess(_days(34.0, 36.0, 36.0)).picture)
    assert text.startswith("PA diastolic: 3 readings near 35 mmHg since 2 March (last read 34, 36 and 36), 1")
    assert "above this patient's level of about 18: a jump or a fault, not yet known" in text
    assert "No signal" not in text


def test_the_last_readings_stand_beside_the_level_on_any_day():
    found = _assess(_days(18.0, 17.5, 34.0)).picture
    assert "last read 18, 17.5 and 34" in signals.picture(ENGLISH, found)


def test_any_symptom_makes_two_readings_a_call():
    days = _days(34.0, 36.0, diary={})
    days = [*days[:-4], *(replace(day, woke_breathless=True) for day in days[-4:])]
    found = _assess(days).picture
    assert (found.picture, lane_of(found)) == (Picture.JUMP_GOES_ON, Lane.CALL_TODAY)
    assert "woken by breathlessness" in signals.picture(ENGLISH, found)


def test_one_far_reading_followed_by_the_old_level_is_no_signal():
    found = _assess(_days(34.0, 18.2, 17.6))
    assert found.picture.pressure.jump is None
    assert SignalKind.JUMP not in {one.kind for one in found.signals}


def test_a_fall_as_sudden_is_told_the_same_way():
    found = _assess(_days(5.0, 4.0, 4.5)).picture
    assert found.picture is Picture.JUMP_GOES_ON
    assert "below this patient's level" in signals.picture(ENGLISH, found)


def test_a_fault_that_is_mended_ends_and_a_silence_does_not_end_it():
    going_on = _assess(_days(34.0, 36.0, 36.0), later=20).picture
    assert going_on.picture is Picture.JUMP_GOES_ON
    mended = _assess(_days(34.0, 36.0, 36.0, 18.4))
    assert mended.picture.pressure.jump is None
    assert [one.ended_on is not None for one in mended.signals if one.kind is SignalKind.JUMP] == [True, True]


def test_a_step_that_stays_becomes_a_level_and_then_a_rise():
    found = _assess(_days(*([35.0, 36.0] * 30)))
    assert found.picture.pressure.jump is None
    assert found.picture.pressure.level == pytest.approx(35.5, abs=1.5)
    assert SignalKind.RISING in {one.kind for one in found.signals if one.ended_on is None}
    # At no time between was there neither: a jump until the level had come to the readings, and a rise by then.
    carried, days = NOTHING_CARRIED, _days(*([35.0, 36.0] * 30))
    for length in range(1, len(days) + 1):
        (evening,) = work_out([Case(days[:length], days[length - 1].day)], [carried])
        carried = evening.carried
        if length >= QUIET + 2:
            assert lane_of(evening.assessment.picture) in {Lane.LOOK_CLOSELY, Lane.CALL_TODAY}, length


@pytest.mark.parametrize("lasts", [5, 14])
def test_a_jump_that_is_over_takes_the_level_and_the_rise_with_it(lasts: int):
    far = [35.0, 36.0, 34.0, 35.5, 34.5, 36.5, 35.0] * 2
    during = _assess(_days(*far[:lasts]))
    (rise,) = [one for one in during.signals if one.kind is SignalKind.RISING and one.ended_on is None]
    assert rise.began_on <= FIRST + timedelta(days=QUIET)  # of the first far reading, however slowly it was believed
    over = _assess(_days(*far[:lasts], 18.4, 17.8))
    facts = over.picture.pressure
    assert facts.level == pytest.approx((18.4 + 17.8) / 2, abs=1.0)
    assert (facts.jump, facts.broken) == (None, None)
    assert not [one for one in over.signals if one.ended_on is None]
    assert lane_of(over.picture) is Lane.LOOK_CLOSELY  # two readings are not yet enough to be settled by
    # One alone is not enough to say that it is over, nor are two that are back by half.
    for back in ((18.4,), (26.0, 25.0)):
        assert SignalKind.RISING in {
            one.kind for one in _assess(_days(*far[:lasts], *back)).signals if one.ended_on is None
        }


def test_a_jump_that_is_over_is_not_what_later_pressures_are_held_against():
    # The usual is of the days 22 to 60 before; those near 35 are not among them. Its mean is that of the readings.
    after = [round(18 + random.normal(0, 1.2), 1) for random in [np.random.default_rng(5)] for _ in range(40)]
    usual = _assess(_days(*[35.0, 36.0, 34.5] * 4, *after)).picture.pressure.usual
    assert usual == pytest.approx(18.0, abs=0.6)


def test_two_readings_taken_sitting_up_are_no_jump():
    days = _days()
    for offset, value in enumerate((9.6, 9.4)):
        on = FIRST + timedelta(days=QUIET + offset)
        days += join(on, on, readings=[Taken(on, value + 22, value, value + 8, posture=Posture.SITTING)])
    assert _assess(days).picture.pressure.jump is None


def test_the_first_readings_have_no_level_to_be_far_from():
    levels = (18.0, 34.0, 35.0, 36.0)
    days = [Day(FIRST + timedelta(days=at), readings=1, pa_diastolic=value) for at, value in enumerate(levels)]
    assert _assess(days).picture.pressure.jump is None


def test_ordinary_noise_and_an_ordinary_rise_make_no_jump():
    cases = []
    for seed in range(40):
        random = np.random.default_rng(seed)
        course = 18 + 9 * np.clip((np.arange(120) - 60) / 26, 0, 1) + random.normal(0, 1.6, 120)
        days = [
            Day(FIRST + timedelta(days=at), readings=1, pa_diastolic=round(float(value), 1))
            for at, value in enumerate(course)
            if random.random() > 0.12
        ]
        cases.append(Case(days, FIRST + timedelta(days=119)))
    found = [{one.kind for one in assessed.signals} for assessed in assess_many(cases)]
    assert not [seed for seed, kinds in enumerate(found) if SignalKind.JUMP in kinds]
    assert any(SignalKind.RISING in kinds for kinds in found)
