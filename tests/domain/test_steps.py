"""Follow-up steps: what is done about a window, and the named reason.

The order of the steps and the two rules of kindness (one prompt and one reminder
a day, three unanswered nudges) are this service's own; no published source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import steps
from service.domain.plan import WindowFacts, WindowTimes
from service.domain.steps import DEFAULT, Reach, StepAction, StepFacts, StepReason, StepRule, decide
from service.domain.validation import Refused
from service.domain.vocabulary import StepKind

OPENS = datetime(2026, 3, 1, 7, tzinfo=UTC)
TIMES = WindowTimes(OPENS, OPENS + timedelta(minutes=90), OPENS + timedelta(hours=3))
NOTHING_YET = WindowFacts(True, True, None, None, paused=False)


def facts(kind: StepKind = StepKind.PROMPT, due_at: datetime = OPENS, **known: object) -> StepFacts:
    return replace(
        StepFacts(kind, due_at, TIMES.closes_at, NOTHING_YET, Reach.YES),
        **known,  # type: ignore[arg-type]
    )


def at_close(kind: StepKind, **known: object) -> StepFacts:
    return facts(kind, TIMES.closes_at, **known)


def test_the_default_steps_are_prompt_reminder_nudge_task() -> None:
    frozen = steps.freeze(DEFAULT, TIMES)
    assert frozen == [
        (0, StepKind.PROMPT, TIMES.opens_at),
        (1, StepKind.REMINDER, TIMES.due_at),
        (2, StepKind.NUDGE, TIMES.closes_at),
        (3, StepKind.TASK, TIMES.closes_at),
    ]


rules = st.builds(StepRule, st.sampled_from(StepKind), st.sampled_from(steps.ANCHORS), st.integers(0, 2880))


@given(st.lists(rules, max_size=8), st.lists(st.integers(0, 1000), min_size=2, max_size=2).map(sorted))
def test_frozen_steps_keep_every_rule_and_fall_due_in_order(some: list[StepRule], lengths: list[int]) -> None:
    times = WindowTimes(OPENS, OPENS + timedelta(minutes=lengths[0]), OPENS + timedelta(minutes=lengths[1]))
    frozen = steps.freeze(some, times)
    assert [position for position, _, _ in frozen] == list(range(len(some)))
    assert sorted(kind for _, kind, _ in frozen) == sorted(rule.kind for rule in some)
    due = [at for _, _, at in frozen]
    assert due == sorted(due)


def test_rules_survive_storage() -> None:
    assert steps.from_json(steps.as_json(DEFAULT)) == DEFAULT


@pytest.mark.parametrize(
    ("given_steps", "field"),
    [
        ("prompt", "steps"),
        ([], "steps"),
        ([{"kind": "prompt", "anchor": "opens"}], "steps.0"),
        ([{"kind": "call", "anchor": "opens", "after_minutes": 0}], "steps.0.kind"),
        ([{"kind": "prompt", "anchor": "noon", "after_minutes": 0}], "steps.0.anchor"),
        ([{"kind": "prompt", "anchor": "opens", "after_minutes": -1}], "steps.0.after_minutes"),
        ([{"kind": "prompt", "anchor": "opens", "after_minutes": True}], "steps.0.after_minutes"),
        ([{"kind": "prompt", "anchor": "opens", "after_minutes": 2881}], "steps.0.after_minutes"),
        (steps.as_json([*DEFAULT, DEFAULT[0]]), "steps"),
        (steps.as_json(DEFAULT[:3]), "steps"),
        (steps.as_json([DEFAULT[2], DEFAULT[0], DEFAULT[3]]), "steps"),
    ],
)
def test_rules_that_cannot_be_used_are_refused(given_steps: object, field: str) -> None:
    with pytest.raises(Refused) as refused:
        steps.from_json(given_steps)
    assert refused.value.field == field


@pytest.mark.parametrize("kind", [StepKind.PROMPT, StepKind.REMINDER])
def test_a_patient_who_can_be_reached_is_asked(kind: StepKind) -> None:
    assert decide(facts(kind), OPENS) == steps.Decision(StepAction.SEND, StepReason.ASKED)


def test_the_prompt_asks_for_what_is_left_and_the_reminder_for_the_reading() -> None:
    only_diary_left = replace(NOTHING_YET, reading_at=OPENS)
    assert decide(facts(window=only_diary_left), OPENS).action is StepAction.SEND
    assert decide(facts(StepKind.REMINDER, window=only_diary_left), OPENS).reason is StepReason.ALREADY_ANSWERED
    all_there = replace(only_diary_left, checkin_at=OPENS)
    assert decide(facts(window=all_there), OPENS).reason is StepReason.ALREADY_ANSWERED


def test_nobody_to_reach_moves_on_at_once_and_tells_staff() -> None:
    decision = decide(facts(reach=Reach.NO_CONTACT), OPENS)
    assert decision == steps.Decision(StepAction.PASS, StepReason.NO_CONTACT, moves_up_next=True, tells_staff=True)


def test_no_consent_is_a_choice_and_hurries_nobody() -> None:
    assert decide(facts(reach=Reach.NO_CONSENT), OPENS) == steps.Decision(StepAction.PASS, StepReason.NO_CONSENT)


def test_a_prompt_whose_reminder_is_due_too_is_left_out() -> None:
    assert decide(facts(later_is_due=True), OPENS).reason is StepReason.SUPERSEDED


def test_a_prompt_is_of_no_use_once_the_window_has_closed() -> None:
    assert decide(facts(), TIMES.closes_at).reason is StepReason.STALE
    assert decide(facts(), TIMES.closes_at - timedelta(seconds=1)).action is StepAction.SEND


def test_a_nudge_stays_useful_for_half_a_day_and_outlives_quiet_hours() -> None:
    nudge = at_close(StepKind.NUDGE)
    assert decide(nudge, nudge.due_at + timedelta(hours=11, minutes=59)).action is StepAction.SEND
    assert decide(nudge, nudge.due_at + timedelta(hours=12)).reason is StepReason.STALE
    quiet = timedelta(hours=11)
    expires_at = steps.expires_at(StepKind.NUDGE, nudge.due_at, TIMES.closes_at, quiet)
    assert expires_at - nudge.due_at > quiet


@pytest.mark.parametrize(
    ("known", "reason"),
    [
        ({}, StepReason.ASKED_CAREGIVER),
        ({"nudges": 2}, StepReason.ASKED_CAREGIVER),
        ({"nudges": 3, "nudged_at": TIMES.closes_at - timedelta(days=2)}, StepReason.NUDGE_CAP),
        ({"nudges": 9, "nudged_at": TIMES.closes_at - timedelta(days=3)}, StepReason.ASKED_CAREGIVER),
        ({"acknowledged": True}, StepReason.ACKNOWLEDGED),
        ({"reach": Reach.NO_CONSENT}, StepReason.NO_CONSENT),
        ({"reach": Reach.NO_CONTACT}, StepReason.NO_CONTACT),
        ({"reach": Reach.NOBODY}, StepReason.NO_CAREGIVER),
        ({"window": replace(NOTHING_YET, reading_at=OPENS)}, StepReason.ALREADY_ANSWERED),
        ({"window": replace(NOTHING_YET, paused=True)}, StepReason.EXCUSED),
    ],
)
def test_why_a_caregiver_is_nudged_or_not(known: dict[str, object], reason: StepReason) -> None:
    decision = decide(at_close(StepKind.NUDGE, **known), TIMES.closes_at)
    assert decision.reason is reason
    assert (decision.action is StepAction.SEND) == (reason is StepReason.ASKED_CAREGIVER)


@pytest.mark.parametrize(
    ("missed", "act"),
    [(0, StepAction.PASS), (2, StepAction.PASS), (3, StepAction.RAISE_TASK), (9, StepAction.RAISE_TASK)],
)
def test_staff_are_told_after_the_configured_number_of_days_however_late(missed: int, act: StepAction) -> None:
    task = at_close(StepKind.TASK, missed=missed, silent_days=3)
    assert decide(task, TIMES.closes_at + timedelta(days=5)).action is act


def test_a_silence_that_staff_were_told_of_is_not_told_by_the_next_day() -> None:
    task = at_close(StepKind.TASK, missed=4, silent_days=3, told=True)
    assert decide(task, TIMES.closes_at) == steps.Decision(StepAction.PASS, StepReason.ALREADY_TOLD)


def test_the_clinics_step_never_comes_before_the_window_has_closed() -> None:
    assert steps.moved_up_to(StepKind.NUDGE, TIMES.closes_at, OPENS) == OPENS
    assert steps.moved_up_to(StepKind.TASK, TIMES.closes_at, OPENS) == TIMES.closes_at


any_facts = st.builds(
    StepFacts,
    kind=st.sampled_from(StepKind),
    due_at=st.datetimes(OPENS.replace(tzinfo=None), TIMES.closes_at.replace(tzinfo=None), timezones=st.just(UTC)),
    closes_at=st.just(TIMES.closes_at),
    window=st.builds(
        WindowFacts,
        wants_reading=st.booleans(),
        wants_checkin=st.booleans(),
        reading_at=st.sampled_from([None, OPENS]),
        checkin_at=st.sampled_from([None, OPENS]),
        paused=st.booleans(),
    ),
    reach=st.sampled_from(Reach),
    later_is_due=st.booleans(),
    acknowledged=st.booleans(),
    nudges=st.integers(0, 6),
    missed=st.integers(0, 10),
    silent_days=st.integers(1, 10),
)


@given(any_facts, st.integers(0, 72))
def test_nobody_is_written_to_without_need_reach_or_in_a_pause(known: StepFacts, hours: int) -> None:
    now = known.due_at + timedelta(hours=hours)
    decision = decide(known, now)
    if decision.action is StepAction.SEND:
        assert known.reach is Reach.YES
        assert not known.window.paused
        assert now < steps.expires_at(known.kind, known.due_at, known.closes_at, timedelta())
        assert known.kind is not StepKind.TASK
    if decision.tells_staff:
        assert decision.moves_up_next
    assert decision.action is StepAction.PASS or not decision.moves_up_next
