"""What would have changed a signature, what would not, and who is called for.

No outside source prescribes these rules: they are this service's own.
"""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import factjson, review
from service.domain.days import Paused
from service.domain.review import LookPlanned, OpenTask, PatientFacts, place
from service.domain.signals.facts import (
    DiaryFacts,
    Episode,
    Picture,
    PictureFacts,
    Symptom,
    SymptomChange,
)
from service.domain.since import Standing, calls_today, since_signed, standing_of
from service.domain.summary import SilenceNow
from service.domain.tasks import EnteredCallToday
from service.domain.vocabulary import Lane, PauseCause, SafetySign, SignalKind, SilenceCause, TaskKind
from tests.domain.test_review import TODAY, open_task, pictured, standing

LATER = TODAY + timedelta(days=2)


def stood(**changes: object) -> Standing:
    facts = standing(**changes)
    return standing_of(facts, place(facts))


def news(seen: Standing | list[Standing], **changes: object) -> list[object]:
    """What staff are shown as new two days after `seen` of somebody who now stands like this."""
    facts = standing(**{"today": LATER, "last_reading_on": LATER} | changes)
    return [
        reason.because for reason in since_signed([seen] if isinstance(seen, Standing) else seen, facts, place(facts))
    ]


def told(kind: SignalKind, ago: int = 0) -> Episode:
    """An episode that was told so many days before LATER and goes on."""
    on = LATER - timedelta(days=ago)
    return Episode(kind, on, on, pictured(Picture.UP_AND_WELL, 4.0))


UP = pictured(Picture.UP_AND_WELL, 6.0)
WORSE = replace(UP, picture=Picture.UP_AND_WORSE)
BEFORE = (told(SignalKind.RISING, 9),)


def test_an_ordinary_reading_or_answer_after_the_signature_is_no_news():
    calm = stood()
    assert news(calm) == []
    higher = replace(UP, pressure=replace(UP.pressure, level=25.0))
    assert news(stood(picture=UP, signals=BEFORE), picture=higher, signals=BEFORE) == []


def test_chest_pain_two_days_after_the_signature_is_news():
    pain = open_task(TaskKind.SAFETY_ANSWER, "Chest pain.")
    assert news(stood(), tasks=(pain,)) == [pain]
    # An earlier one that was seen is none, a second one of the same kind is.
    assert news(stood(tasks=(pain,)), tasks=(pain,)) == []
    # Once staff have closed it, the diary's own sentence of it is none either.
    diary = replace(pictured(Picture.SAFETY_ANSWER), diary=DiaryFacts(safety=(SafetySign.CHEST_PAIN,)))
    assert news(stood(picture=diary, tasks=(pain,)), picture=diary) == []
    again = open_task(TaskKind.SAFETY_ANSWER, "Chest pain.")
    assert news(stood(tasks=(pain,)), tasks=(pain, again)) == [again]


@pytest.mark.parametrize(
    ("then", "now"),
    [
        ({"picture": UP, "signals": BEFORE}, {"picture": WORSE, "signals": BEFORE}),  # another named reason
        ({"picture": UP, "signals": BEFORE}, {"picture": pictured(Picture.UP_AND_WELL, 6.0, days=4.0), "signals": BEFORE}),
        ({"picture": UP, "signals": BEFORE}, {"picture": UP, "signals": (told(SignalKind.RISING),)}),  # told again
        ({"picture": UP, "signals": BEFORE}, {"picture": UP, "signals": (*BEFORE, told(SignalKind.WEIGHT_GAIN))}),
        ({}, {"picture": pictured(Picture.TOO_LITTLE)}),
        ({}, {"picture": pictured(Picture.CHANGED)}),
        ({"picture": pictured(Picture.UNCOMPARED)}, {"picture": pictured(Picture.TOO_LITTLE)}),
        ({}, {"trouble": True}),
        ({}, {"pause": Paused(PauseCause.IN_HOSPITAL, LATER, None)}),
    ],
)  # fmt: skip
def test_another_lane_another_reason_or_another_episode_is_news(then, now):
    assert len(news(stood(**then), **now)) == 1


@pytest.mark.parametrize(
    ("then", "now"),
    [
        ({"picture": WORSE, "signals": BEFORE}, {}),  # settled
        ({"picture": WORSE, "signals": BEFORE}, {"picture": UP, "signals": BEFORE}),  # the same episode calls for less
        ({"picture": UP, "signals": BEFORE, "tasks": (open_task(TaskKind.CAREGIVER_SAYS, "Away."),)}, {"picture": UP, "signals": BEFORE}),
        ({"picture": pictured(Picture.TOO_LITTLE)}, {"picture": pictured(Picture.UNCOMPARED)}),  # more is known
        ({"silence": SilenceNow(TODAY, TODAY, 4, SilenceCause.NO_REPLY)}, {"picture": pictured(Picture.TOO_LITTLE)}),
        # A late reading has moved the day on which the episode was told, on days that were signed.
        ({"picture": UP, "signals": (told(SignalKind.RISING, 9),)}, {"picture": UP, "signals": (told(SignalKind.RISING, 5),)}),
        # The same silence, longer.
        ({"silence": SilenceNow(TODAY, TODAY, 3, SilenceCause.NO_REPLY)}, {"silence": SilenceNow(TODAY, LATER, 5, SilenceCause.NO_REPLY)}),
    ],
)  # fmt: skip
def test_an_improvement_and_what_only_goes_on_is_no_news(then, now):
    assert news(stood(**then), **now) == []


def test_the_day_of_another_look_that_was_planned_with_the_signature_is_news_once():
    assert news(stood(), look_on=LATER) == [LookPlanned(LATER)]
    assert news(stood(), look_on=LATER + timedelta(days=1)) == []
    assert news([stood(), stood(look_on=TODAY)], look_on=TODAY) == []


def test_going_silent_is_no_improvement_whatever_lane_it_leads_to():
    silent = SilenceNow(LATER - timedelta(days=2), LATER, 3, SilenceCause.NO_REPLY)
    assert len(news(stood(), silence=silent)) == 1
    unwell = stood(picture=UP, signals=BEFORE)
    quiet_again = pictured(Picture.TOO_LITTLE)
    assert len(news(unwell, picture=quiet_again, silence=silent)) == 1
    ended = SilenceNow(TODAY - timedelta(days=9), TODAY - timedelta(days=5), 3, SilenceCause.NO_REPLY)
    assert len(news(stood(silence=ended), silence=silent)) == 1  # a new one
    # A silence that was signed has its task later, which stays when a reading has come.
    assert news(stood(silence=ended), tasks=(open_task(TaskKind.SILENT, "Silent."),)) == []
    assert len(news(stood(), tasks=(open_task(TaskKind.SILENT, "Silent."),))) == 1


def test_what_an_addition_has_seen_is_no_news_and_neither_is_what_the_signature_had():
    first, second = stood(picture=UP, signals=BEFORE), stood(picture=WORSE, signals=BEFORE)
    assert news([first], picture=WORSE, signals=BEFORE) != []
    assert news([first, second], picture=WORSE, signals=BEFORE) == []
    assert news([first, stood()], picture=UP, signals=BEFORE) == []


STATES = st.builds(
    dict,
    picture=st.sampled_from([*Picture]).map(lambda one: pictured(one, 5.0 if "up" in one.value else None)),
    signals=st.lists(
        st.builds(told, st.sampled_from([*SignalKind]), st.integers(0, 12)), max_size=3, unique_by=lambda one: one.kind
    ).map(tuple),
    tasks=st.lists(st.sampled_from([*TaskKind]), max_size=2).map(
        lambda kinds: tuple(open_task(kind, "Words.") for kind in kinds if kind is not TaskKind.CALL_TODAY)
    ),
)


@given(STATES, STATES)
def test_a_more_pressing_lane_is_always_news_nothing_new_never_and_settled_never(then, now):
    before, facts = stood(**then), standing(**now)
    placed = place(facts)
    found = since_signed([before], facts, placed)
    if placed.lane is Lane.SETTLED:
        assert found == ()
    elif placed.lane is Lane.CALL_TODAY and before.lane is not Lane.CALL_TODAY:
        assert found
    assert since_signed([standing_of(facts, placed)], facts, placed) == ()
    assert factjson.unpack(Standing, factjson.pack(before)) == before
    assert review.from_json(review.as_json(facts)) == facts


# --- who is called for --------------------------------------------------------------------------


def called(before: Standing | None, **changes: object) -> list[PictureFacts | Episode]:
    facts = standing(**changes)
    return list(calls_today(facts, place(facts), before))


def call(*because: PictureFacts | Episode) -> OpenTask:
    return OpenTask(uuid.uuid4(), TaskKind.CALL_TODAY, EnteredCallToday(TODAY, because), TODAY)


def test_whoever_enters_call_today_is_called_for_without_any_limit():
    assert called(stood(picture=UP), picture=WORSE) == [WORSE]
    assert called(None, picture=WORSE) == [WORSE]  # a patient's first row
    assert called(stood(picture=WORSE), picture=WORSE) == []  # stays there
    jump = pictured(Picture.JUMP_GOES_ON, 9.0)
    assert called(stood(picture=WORSE), picture=jump) == [jump]  # for another reason
    at_once = DiaryFacts(worse=(SymptomChange(Symptom.WOKEN, at_once=True), SymptomChange(Symptom.CHAIR, at_once=True)))
    strong = replace(pictured(Picture.WORSE_WITH_FLAT_PRESSURE), diary=at_once)
    assert called(stood(picture=pictured(Picture.WORSE_WITH_FLAT_PRESSURE)), picture=strong) == [strong]
    assert called(stood(), picture=UP) == []


@pytest.mark.parametrize(
    ("kind", "picture"),
    [
        (TaskKind.SAFETY_ANSWER, replace(pictured(Picture.SAFETY_ANSWER), diary=DiaryFacts(safety=(SafetySign.FAINTING,)))),
        (TaskKind.ABOVE_LIMIT, pictured(Picture.UP_AND_WELL, 8.0, days=0.0)),
    ],
)  # fmt: skip
def test_what_an_open_urgent_task_tells_of_is_not_told_twice(kind, picture):
    assert called(stood(), picture=picture) == [picture]
    assert called(stood(), picture=picture, tasks=(open_task(kind, "Words."),)) == []
    assert called(stood(), picture=WORSE, tasks=(open_task(kind, "Words."),)) == [WORSE]  # another cause


def test_an_open_call_holds_its_lane_is_told_once_and_is_no_news_of_its_own():
    facts = standing(picture=WORSE, tasks=(call(WORSE),))
    assert [reason.because for reason in place(facts).reasons] == [WORSE]
    assert called(stood(), picture=WORSE, tasks=(call(WORSE),)) == []
    gone = standing(tasks=(call(WORSE),))
    assert place(gone).lane is Lane.CALL_TODAY
    assert news(stood(picture=WORSE), tasks=(call(WORSE),)) == []
    assert len(news(stood(), tasks=(call(WORSE),))) == 1  # entered and left since: nobody has looked


def test_the_facts_of_a_placed_patient_of_another_layout_are_refused():
    stored = review.as_json(standing())
    with pytest.raises(ValueError, match="layout"):
        review.from_json(stored | {"layout": 0})
    assert isinstance(review.from_json(stored), PatientFacts)
