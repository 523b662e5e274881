"""Closer and easier follow-up, and the usual hour. The reasons are published, the amounts are common practice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import plan, steps
from service.domain.plan import EVERY_DAY, PlanRule, WindowTimes, checked, propose_hours, usual_minute
from service.domain.steps import DEFAULT, PaceFacts, StepRule, at_pace, choose_pace
from service.domain.vocabulary import Pace, StepKind
from service.words.sentences import review
from tests.inwords import ENGLISH

DAY = timedelta(days=1)
TODAY = date(2026, 6, 1)
LONG_HERE = PaceFacts(TODAY, TODAY - 100 * DAY)
OPENS = datetime(2026, 6, 1, 7, tzinfo=UTC)
TIMES = WindowTimes(OPENS, OPENS + timedelta(minutes=90), OPENS + timedelta(hours=3))


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        ({}, None),
        ({"enrolled_on": TODAY}, Pace.NEW_HERE),
        ({"enrolled_on": TODAY - 13 * DAY}, Pace.NEW_HERE),
        ({"enrolled_on": TODAY - 14 * DAY}, None),
        ({"left_hospital_on": TODAY - 1 * DAY}, Pace.BACK_FROM_HOSPITAL),
        ({"left_hospital_on": TODAY - 14 * DAY}, Pace.BACK_FROM_HOSPITAL),
        ({"left_hospital_on": TODAY - 15 * DAY}, None),
        ({"answered": 27, "expected": 28, "last_missed": TODAY - 8 * DAY}, Pace.ANSWERS_RELIABLY),
        ({"answered": 27, "expected": 28, "last_missed": TODAY - 7 * DAY}, None),
        ({"answered": 25, "expected": 28, "last_missed": TODAY - 20 * DAY}, None),
        ({"answered": 18, "expected": 18}, None),  # too few to call anybody reliable
        # A stay weighs more than a good record before it.
        ({"answered": 28, "expected": 28, "left_hospital_on": TODAY - 2 * DAY}, Pace.BACK_FROM_HOSPITAL),
    ],
)
def test_who_is_followed_how(known: dict[str, object], expected: Pace | None) -> None:
    assert choose_pace(replace(LONG_HERE, **known)) is expected  # type: ignore[arg-type]


def minutes(frozen: tuple[steps.Frozen, ...]) -> dict[str, float]:
    return {kind.value: (at - OPENS) / timedelta(minutes=1) for _, kind, at in frozen}


def test_what_each_pace_does_to_the_default_steps() -> None:
    frozen = steps.freeze(DEFAULT, TIMES)
    usual = {"prompt": 0, "reminder": 90, "nudge": 180, "task": 180}
    assert minutes(at_pace(frozen, TIMES, None)) == usual
    for closer in steps.CLOSER:
        assert minutes(at_pace(frozen, TIMES, closer)) == usual | {"reminder": 45}
    assert minutes(at_pace(frozen, TIMES, Pace.ANSWERS_RELIABLY)) == usual | {"reminder": 135, "nudge": 240}


def test_staff_are_told_a_day_sooner_where_follow_up_is_closer() -> None:
    assert [steps.silent_days(3, one) for one in (*Pace, None)] == [2, 2, 3, 3]
    assert steps.silent_days(1, Pace.NEW_HERE) == 1


@given(
    st.lists(
        st.builds(StepRule, st.sampled_from(StepKind), st.sampled_from(steps.ANCHORS), st.integers(0, 600)), max_size=6
    ),
    st.sampled_from([*Pace, None]),
)
def test_a_pace_keeps_every_step_the_prompt_and_the_clinics_own(rules: list[StepRule], one: Pace | None) -> None:
    frozen = steps.freeze(rules, TIMES)
    after = at_pace(frozen, TIMES, one)
    assert [position for position, _, _ in after] == list(range(len(rules)))
    assert [at for _, _, at in after] == sorted(at for _, _, at in after)
    for kept in (StepKind.PROMPT, StepKind.TASK):
        assert sorted(at for _, kind, at in after if kind is kept) == sorted(
            at for _, kind, at in frozen if kind is kept
        )
    assert sorted(kind for _, kind, _ in after) == sorted(kind for _, kind, _ in frozen)
    if one in steps.CLOSER:
        pairs = zip(_times(frozen, StepKind.REMINDER), _times(after, StepKind.REMINDER), strict=True)
        assert all(sooner <= usual for usual, sooner in pairs)


def _times(some: Sequence[steps.Frozen], kind: StepKind) -> list[datetime]:
    return sorted(at for _, one, at in some if one is kind)


def test_every_pace_has_a_sentence_for_staff() -> None:
    assert all(review.pace(ENGLISH, one).endswith(".") for one in Pace)


# --- the usual hour ---------------------------------------------------------------

RULE = PlanRule(EVERY_DAY, time(7), time(8, 30), time(10))


def around(minute: int, by: int = 10, count: int = 20) -> list[int]:
    return [(minute + by * (n % 3 - 1)) % plan.DAY_MINUTES for n in range(count)]


def test_the_usual_hour_is_the_median_and_needs_a_habit() -> None:
    assert usual_minute(around(9 * 60)) == 9 * 60
    assert usual_minute(around(9 * 60, count=9)) is None
    assert usual_minute([n * 60 for n in range(24)]) is None
    assert usual_minute([23 * 60 + 50] * 8 + [10] * 8) in {23 * 60 + 50, 10}


def test_hours_are_proposed_that_put_the_usual_one_before_the_reminder() -> None:
    proposal = propose_hours(RULE, around(10 * 60 + 20))
    assert proposal is not None
    assert proposal.rule == replace(RULE, opens=time(9, 15), due=time(10, 45), closes=time(12, 15))
    assert review.hours(ENGLISH, proposal) == (
        "Usually measures at about 10:20 (20 readings): 09:15 to 12:15, reminder 10:45, would suit better."
    )


@pytest.mark.parametrize("usual", [time(6, 30), time(7, 5), time(8, 20), time(9, 10)])
def test_hours_that_suit_are_left_alone(usual: time) -> None:
    assert propose_hours(RULE, around(usual.hour * 60 + usual.minute)) is None


@given(st.integers(0, plan.DAY_MINUTES - 1), st.integers(0, 22 * 60), st.integers(30, 300), st.integers(0, 300))
def test_a_proposal_is_a_plan_that_can_be_met_with_the_same_lengths(
    usual: int, opens: int, length: int, due: int
) -> None:
    closes = min(opens + length, plan.DAY_MINUTES - 1)
    due = min(opens + due, closes)
    clocks = [time(minute // 60, minute % 60) for minute in (opens, due, closes)]
    rule = PlanRule(EVERY_DAY, *clocks)
    proposal = propose_hours(rule, around(usual))
    if proposal is None:
        return
    assert checked(proposal.rule) == proposal.rule
    before, after = (
        [at.hour * 60 + at.minute for at in (one.opens, one.due, one.closes)] for one in (rule, proposal.rule)
    )
    assert [b - after[0] for b in after] == [a - before[0] for a in before]
    # It is nearer: the usual hour is closer to the new window than it was to the old one.
    far = [max(opens - usual, usual - due, 0) for opens, due, _ in (before, after)]
    assert far[1] < far[0]
