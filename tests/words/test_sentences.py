"""Whatever the domain says as facts has words: no kind of fact, and no word of a vocabulary, is left without.

No outside source: these are the service's own sentences. What each says is checked beside the rule that makes it.
"""

from __future__ import annotations

import dataclasses
import types
import typing
import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.readings import UNITS_OF_WEIGHT, NewReading, checked
from service.domain.record.now import Happened
from service.domain.review import Because, OpenTask, Reason
from service.domain.sending import SendReason
from service.domain.signals.facts import (
    AdjustmentMade,
    AnchoredReference,
    Break,
    Compared,
    DiaryFacts,
    Episode,
    Forecast,
    LimitRun,
    Picture,
    PictureFacts,
    PressureFacts,
    PressureLimits,
    ResponseFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
    WeightWeek,
)
from service.domain.summary import TrendSummary
from service.domain.tasks import CheckFound, Found, TaskFacts
from service.domain.vocabulary import (
    AdjustmentKind,
    CaregiverAnswer,
    Channel,
    EventCause,
    EventKind,
    Knowledge,
    Lane,
    MessageKind,
    MessageState,
    Outcome,
    Pace,
    PauseCause,
    Posture,
    Pressure,
    Response,
    SafetySign,
    SignalKind,
    SilenceCause,
    StepKind,
    Swelling,
    TaskKind,
    TaskState,
)
from service.words import labels
from service.words.language import codes, load_language
from service.words.sentences import brief, keeping, review, signals, standing, tasks, week
from tests.inwords import ENGLISH

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
# Facts as they can be: numbers that were measured are finite, and what people wrote is text.
PLAIN = {
    float: st.floats(0, 60).map(lambda value: round(value, 6)),
    int: st.integers(0, 3),
    bool: st.booleans(),
    str: st.sampled_from(("Ben", "Blood test", "Look.")),
    date: st.dates(date(2026, 1, 1), date(2026, 12, 31)),
    uuid.UUID: st.uuids(),
    type(None): st.none(),
}

NAMED = {"unit": st.sampled_from(sorted(UNITS_OF_WEIGHT))}  # of a weight, the only unit among the facts


def facts_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any facts of this type: a dataclass, one of a union, a vocabulary, or plain."""
    if kind in PLAIN:
        return PLAIN[kind]
    if typing.get_origin(kind) in {types.UnionType, typing.Union}:
        return st.one_of(*(facts_of(part) for part in typing.get_args(kind)))
    if typing.get_origin(kind) is tuple:
        first, *rest = typing.get_args(kind)
        if rest == [...]:
            return st.lists(facts_of(first), min_size=1, max_size=3).map(tuple)
        return st.tuples(*(facts_of(part) for part in (first, *rest)))
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return st.builds(
            kind, **{name: NAMED[name] if name in NAMED else facts_of(hint) for name, hint in hints.items()}
        )
    return st.sampled_from(list(kind))


def is_a_sentence(text: str) -> bool:
    return bool(text) and text[0] == text[0].upper() and text[-1] in ".!?”" and "%(" not in text


@pytest.mark.parametrize(
    "vocabulary",
    [
        AdjustmentKind, CaregiverAnswer, Channel, Lane, MessageKind, MessageState, Outcome, PauseCause, Pressure,
        Response, SafetySign, SendReason, SignalKind, SilenceCause, StepKind, Swelling, TaskKind, TaskState,
    ],
)  # fmt: skip
def test_every_word_that_staff_read_has_one_name(vocabulary: type[StrEnum]) -> None:
    names = [labels.label(ENGLISH, word) for word in vocabulary]
    assert all(names)
    assert len(set(names)) == len(names)
    assert all(labels.title(ENGLISH, word)[0].isupper() for word in vocabulary)


def test_lanes_and_causes_say_what_they_are_and_what_can_be_done() -> None:
    assert all(is_a_sentence(labels.explanation(ENGLISH, lane)) for lane in Lane)
    assert all(is_a_sentence(labels.advice(ENGLISH, cause)) for cause in SilenceCause)
    assert all(is_a_sentence(review.pace(ENGLISH, pace)) for pace in Pace)


def test_every_remark_on_a_reading_is_in_the_catalogue() -> None:
    odd = checked(NewReading(uuid.uuid4(), NOW + timedelta(minutes=2), 12.0, 11.5, posture=Posture.SITTING), NOW)
    assert sorted(odd.remarks) == sorted(labels.REMARKS)


@given(facts_of(TaskFacts))
@settings(max_examples=60, deadline=None)
def test_every_task_has_a_sentence(facts: TaskFacts) -> None:
    assert is_a_sentence(tasks.task(ENGLISH, facts))


@given(facts_of(Because))
@settings(max_examples=120, deadline=None)
def test_every_reason_has_a_sentence(because: Because) -> None:
    assert is_a_sentence(review.reason(ENGLISH, because))


@pytest.mark.parametrize("language", codes())
@given(because=facts_of(Because))
@settings(max_examples=150, deadline=None)
def test_every_reason_is_told_in_eight_words_at_most(language: str, because: Because) -> None:
    told = brief.reason(load_language(language), because)
    assert 0 < len(told.split()) <= brief.MOST_WORDS, told
    assert told[0] == told[0].upper()
    assert "%(" not in told


def test_what_the_nightly_check_found_is_told_after_the_reason_that_calls_by_itself() -> None:
    found = OpenTask(uuid.uuid4(), TaskKind.CALL_TODAY, CheckFound(Found.CALL_UNTOLD, NOW.date()), NOW.date())
    unwell = PictureFacts(Picture.SILENT_AND_UNWELL, NOW.date())
    given = [Reason(Lane.CALL_TODAY, found), Reason(Lane.CALL_TODAY, unwell)]
    assert brief.reasons(ENGLISH, given)[-1] == "Nightly check: Call today"
    assert brief.reasons(ENGLISH, given[:1]) == ["Nightly check: Call today"]


@given(facts_of(TrendSummary))
@settings(max_examples=60, deadline=None)
def test_weight_and_symptoms_are_a_few_words_and_unchanged_only_where_compared(known: TrendSummary) -> None:
    told = week.week(ENGLISH, known)
    assert 2 <= len(told) <= week.MOST_SMALL
    calm = known.diary.compared.knowledge is Knowledge.UNCHANGED and not known.diary.worse
    assert calm or not any(one.way is week.Went.SAME and one.name == "diary" for one in told)


def test_a_weight_far_from_dry_is_not_told_as_the_same_for_want_of_a_change_in_the_week() -> None:
    over = DiaryFacts(weight=WeightWeek(89.8, 0.0), weight_gain=WeightChange(2.2, WeightSpan.OVER_DRY))
    told = week.week(ENGLISH, TrendSummary(PictureFacts(Picture.SILENT_AND_UNWELL, NOW.date(), diary=over)))[0]
    assert told == week.Small("weight", week.Went.UP, "2.2 kg over dry")


def risen(ago: int, limit: float | None = None, level: float = 27.0) -> PictureFacts:
    """Nine over the reference by readings that ended so many days ago; a passed limit where one is given."""
    forecast = None if limit is None else Forecast(limit, True, 0.0, 0.0, 0.0)
    pressure = PressureFacts(
        level=level,
        level_sd=0.8,
        reference=AnchoredReference(18.0, 0.5),
        limits=PressureLimits(limit),
        broken=Break(True, 9.0, 0.99, 0.99, NOW.date() - timedelta(days=20)),
        forecast=forecast,
        last_reading_on=NOW.date() - timedelta(days=ago),
    )
    return PictureFacts(Picture.UP_AND_WELL, NOW.date(), pressure)


@pytest.mark.parametrize(
    ("facts", "short", "long"),
    [
        (risen(3), "+9 mmHg over reference", ", now about 27 mmHg"),
        (risen(5), "Last known +9 mmHg, 20 Nov", ", last known on 20 November about 27 mmHg"),
        (risen(1, 25.0), "Above the limit of 25", "; above the limit of 25 mmHg set"),
        (risen(1, 26.5), "Perhaps above limit 26.5", "; perhaps above the limit of 26.5 mmHg set"),
        (risen(9, 25.0), "Above the limit of 25, 16 Nov", ", last known on 16 November about 27 mmHg"),
    ],
)
def test_an_old_level_has_its_date_and_a_limit_within_the_error_is_perhaps_passed(facts, short, long) -> None:
    # After 3 days without a reading the level is no longer that of now: this service's own number, no source.
    assert brief.picture(ENGLISH, facts).casefold() == short.casefold()
    assert long in signals.picture(ENGLISH, facts)


def test_a_limit_passed_before_the_readings_stopped_is_told_with_the_day_of_the_last_and_of_its_telling() -> None:
    told_on = NOW.date() - timedelta(days=9)
    passed = Episode(SignalKind.ABOVE_LIMIT, told_on, told_on, replace(risen(9, 25.0), today=told_on))
    reasons = [Reason(Lane.CALL_TODAY, passed)]
    assert brief.reasons(ENGLISH, reasons, told_on) == ["Above the limit of 25, 16 Nov"]
    assert review.reasons(ENGLISH, reasons)[0].endswith("set for this patient (as of 16 November, when it was told).")
    assert review.reasons(ENGLISH, reasons, reasons)[0].startswith("New: PA diastolic")


def test_a_limit_told_by_readings_is_not_perhaps_passed_beside_it() -> None:
    perhaps = risen(1, 26.5)
    run = replace(perhaps, pressure=replace(perhaps.pressure, in_a_row=LimitRun(True, 26.5, 3, NOW.date(), 27.0)))
    passed = Episode(SignalKind.ABOVE_LIMIT, NOW.date(), NOW.date(), run)
    told = brief.reasons(ENGLISH, [Reason(Lane.CALL_TODAY, passed), Reason(Lane.CALL_TODAY, perhaps)])
    assert told == ["3 readings above the limit of 26.5", "+9 mmHg over reference"]


@pytest.mark.parametrize(
    ("pressures", "short"),
    [
        (Compared(Knowledge.UNCHANGED, days=3, heard=6), "Pressures compared on 3 of 7 days"),
        (Compared(Knowledge.UNCHANGED, days=4, heard=6), "Too little diary to compare"),
        (Compared(Knowledge.TOO_LITTLE, heard=6), "Not sure whether the pressure has moved"),
    ],
)
def test_what_could_not_be_compared_is_named(pressures: Compared, short: str) -> None:
    facts = PictureFacts(Picture.UNCOMPARED, NOW.date(), PressureFacts(compared=pressures))
    assert brief.picture(ENGLISH, facts) == short


def test_a_bad_night_is_among_the_small_words_of_a_week_that_is_otherwise_as_usual() -> None:
    usual = Compared(Knowledge.UNCHANGED, days=6, heard=7, of=7)
    diary = DiaryFacts(compared=usual, once=(SymptomChange(Symptom.CHAIR, 1.0),))
    told = week.week(ENGLISH, TrendSummary(PictureFacts(Picture.QUIET, NOW.date(), diary=diary)))
    assert week.Small("slept in a chair", week.Went.UP) in told


@pytest.mark.parametrize(("language", "told"), [("en", "Past the reference"), ("es", "Referencia rebasada")])
def test_an_overshoot_says_past_and_neither_above_nor_below(language: str, told: str) -> None:
    facts = ResponseFacts(AdjustmentMade(NOW.date()), Response.OVERSHOT, 14.0, 22.0, 9, None)
    assert brief.reason(load_language(language), facts).startswith(told)


@given(st.sampled_from(SignalKind), facts_of(PictureFacts))
@settings(max_examples=60, deadline=None)
def test_every_signal_has_a_sentence(kind: SignalKind, facts: PictureFacts) -> None:
    assert is_a_sentence(signals.signal(ENGLISH, kind, facts))


@given(facts_of(ResponseFacts))
@settings(max_examples=30, deadline=None)
def test_every_response_has_a_sentence(facts: ResponseFacts) -> None:
    assert is_a_sentence(signals.response(ENGLISH, facts))


def test_a_level_against_that_before_an_event_is_told_as_last_known_since_readings_may_have_stopped() -> None:
    stay = Happened(EventKind.ADMISSION, EventCause.HEART_FAILURE, NOW.date(), None, 24.7)
    told = [standing.event(ENGLISH, stay, level).rpartition("; ")[2] for level in (27.4, 24.7, 20.0)]
    assert told == ["last known 3 above that", "last known as high", "last known 5 below that"]


def test_what_erasing_keeps_is_said_to_show_whether_and_never_that_all_was_well() -> None:
    """Nobody looked whether anybody was written to without consent: what stays lets somebody look."""
    kept = " ".join(why for _, why in keeping.stays(load_language("en")))
    assert "whether anybody was written to without consent" in kept
    assert "nobody was" not in kept
