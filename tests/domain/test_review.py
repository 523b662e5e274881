"""Lanes and their order; the joined days; the summary that is carried.

No outside source prescribes these lanes: they are this service's own rules. What
is checked against the outside is said where it is checked.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import days as days_
from service.domain import factjson, review, summary
from service.domain.days import Day, Paused, Planned, Taken
from service.domain.record.limits import ResultBeyond
from service.domain.record.now import Contacting
from service.domain.review import (
    LastAdjustment,
    LastReview,
    OpenTask,
    PatientFacts,
    Placement,
    place,
)
from service.domain.signals import engine
from service.domain.signals.facts import (
    AdjustmentMade,
    AnchoredReference,
    Break,
    Case,
    Compared,
    Episode,
    Forecast,
    LimitRun,
    Picture,
    PictureFacts,
    PressureFacts,
    PressureLimits,
    ResponseFacts,
    SilenceFacts,
)
from service.domain.summary import Adherence, SilenceNow, Summary, TrendSummary
from service.domain.tasks import AlarmWritten, ContactDue
from service.domain.vocabulary import (
    ContactWay,
    Knowledge,
    Lane,
    Outcome,
    PauseCause,
    Pressure,
    Response,
    ResultKind,
    Role,
    SafetySign,
    SignalKind,
    SilenceCause,
    Swelling,
    TaskKind,
    WindowState,
)
from service.words.language import load_language
from service.words.sentences import brief, signals
from service.words.sentences import review as words

TODAY = date(2026, 11, 25)
ENGLISH = load_language("en")


def in_lanes(placements: list[Placement], names: dict[uuid.UUID, str]) -> dict[Lane, list[Placement]]:
    """The four lanes in the panel's order: the placement's key, then the name."""
    placements = sorted(placements, key=lambda one: (one.order, names[one.patient_id].casefold()))
    return {lane: [one for one in placements if one.lane is lane] for lane in review.LANES}


def pictured(
    picture: Picture, size: float | None = None, *, known: bool = True, days: float | None = None
) -> PictureFacts:
    """The picture of a patient at 18.2 mmHg, against a reference of 18 where there is one."""
    reference = AnchoredReference(18.0, 0.4) if known else None
    broken = Break(size > 0, size, 0.9, 0.9, TODAY) if size is not None else None
    forecast = None if days is None else Forecast(25.0, up=True, days=days, low=days, high=days)
    compared = Compared(Knowledge.CHANGED if broken else Knowledge.UNCHANGED, 0 if broken else 6, 6, 7, TODAY)
    pressure = PressureFacts(level=18.2, reference=reference, broken=broken, forecast=forecast, compared=compared)
    return PictureFacts(picture, TODAY, pressure)


def said(placed: Placement) -> list[str]:
    """The reasons as staff read them in English."""
    return words.reasons(ENGLISH, placed.reasons)


def standing(**changes: object) -> PatientFacts:
    """A patient of whom nothing is to be said, but for the changes: of the facts, the summary or its trend."""
    trend = {"picture": pictured(Picture.QUIET)} | _of(TrendSummary, changes)
    known = {
        "today": TODAY,
        "strip": summary.Strip(TODAY, (None,), summary.NOTHING),
        "adherence": Adherence(28, 30),
        "last_reading_on": TODAY,
        "trend": TrendSummary(**trend),  # type: ignore[arg-type]
    } | _of(Summary, changes)
    facts = {"patient_id": uuid.uuid4(), "enrolled_on": date(2026, 6, 1), "silent_days": 3} | _of(PatientFacts, changes)
    return PatientFacts(known=Summary(**known), **facts)  # type: ignore[arg-type]


def _of(kind: type, changes: dict[str, object]) -> dict[str, object]:
    return {name: value for name, value in changes.items() if name in kind.__dataclass_fields__}  # type: ignore[attr-defined]


def open_task(kind: TaskKind, words: str) -> OpenTask:
    return OpenTask(uuid.uuid4(), kind, AlarmWritten("test", words, "112"), TODAY)


def wrote(words: str) -> str:
    return f"They wrote: “{words}”. They were told at once to call 112. Call them."


def raised(kind: SignalKind, ended_on: date | None = None) -> Episode:
    return Episode(kind, TODAY, TODAY, pictured(Picture.UP_AND_WELL, 4.0), ended_on)


ABOVE = (
    "Above the limit: the last 3 readings of PA diastolic, since 23 November, were above the 25 mmHg set for this "
    "patient; the last 3 have a median of 27 mmHg (as of 25 November, when it was told)."
)


def beyond(readings: int) -> Episode:
    run = LimitRun(True, 25.0, readings, TODAY - timedelta(days=readings - 1), 27.0)
    pressure = PressureFacts(limits=PressureLimits(25.0), in_a_row=run)
    return Episode(SignalKind.ABOVE_LIMIT, TODAY, TODAY, PictureFacts(Picture.QUIET, TODAY, pressure))


def told_as(picture: Picture) -> str:
    return signals.picture(ENGLISH, pictured(picture))


def silent(missed: int) -> SilenceNow:
    return SilenceNow(TODAY - timedelta(days=missed), TODAY - timedelta(days=1), missed, SilenceCause.NO_REPLY)


# --- lanes ---------------------------------------------------------------------------


def test_settled_says_what_is_known_and_never_all_clear():
    placed = place(standing())
    assert placed.lane is Lane.SETTLED
    assert said(placed) == [
        "PA diastolic about 18.2 mmHg against the reference of 18, compared and unchanged on 6 of the last 7 days; "
        "no diary, so how they feel is not known; no goal and no limits set; 28 of 30 readings in 30 days."
    ]
    assert "clear" not in said(placed)[0].lower()


def unsettled() -> ResponseFacts:
    return ResponseFacts(AdjustmentMade(TODAY - timedelta(days=9)), Response.NOT_SETTLING, 22.0, 22.4, 9, None)


@pytest.mark.parametrize(
    ("changes", "lane"),
    [
        ({"signals": (raised(SignalKind.ABOVE_LIMIT),)}, Lane.CALL_TODAY),
        ({"signals": (raised(SignalKind.BELOW_LIMIT),)}, Lane.CALL_TODAY),
        ({"signals": (raised(SignalKind.SAFETY_ANSWER),)}, Lane.CALL_TODAY),
        ({"signals": (raised(SignalKind.RISING),)}, Lane.LOOK_CLOSELY),
        ({"signals": (raised(SignalKind.FALLING),)}, Lane.LOOK_CLOSELY),
        ({"signals": (raised(SignalKind.WEIGHT_GAIN),)}, Lane.LOOK_CLOSELY),
        ({"signals": (raised(SignalKind.WORSE_SYMPTOMS),)}, Lane.LOOK_CLOSELY),
        ({"picture": pictured(Picture.UP_AND_WORSE)}, Lane.CALL_TODAY),
        ({"picture": pictured(Picture.UP_AND_WELL)}, Lane.LOOK_CLOSELY),
        ({"picture": pictured(Picture.SAFETY_ANSWER)}, Lane.CALL_TODAY),
        ({"picture": pictured(Picture.QUIET, days=0.0)}, Lane.CALL_TODAY),
        ({"picture": pictured(Picture.UP_AND_WELL, 4.0, days=6.5)}, Lane.CALL_TODAY),
        ({"trouble": True, "last_reading_on": None}, Lane.LOOK_CLOSELY),
        ({"silence": silent(2)}, Lane.SETTLED),
        ({"silence": silent(3)}, Lane.NOT_HEARD_FROM),
        ({"last_reading_on": None}, Lane.NOT_HEARD_FROM),
        ({"has_plan": False}, Lane.NOT_HEARD_FROM),
        ({"pause": Paused(PauseCause.AWAY, TODAY, None)}, Lane.NOT_HEARD_FROM),
        ({"picture": pictured(Picture.QUIET, known=False)}, Lane.LOOK_CLOSELY),
        (
            {"adjustments": (LastAdjustment(TODAY - timedelta(days=9), "Less salt", unsettled()),)},
            Lane.LOOK_CLOSELY,
        ),
        (
            {"last_review": LastReview(date(2026, 11, 16), date(2026, 11, 18), Outcome.NOT_REACHED, None)},
            Lane.LOOK_CLOSELY,
        ),
        (
            {"last_review": LastReview(date(2026, 11, 16), date(2026, 11, 18), Outcome.NO_CHANGE, TODAY)},
            Lane.LOOK_CLOSELY,
        ),
        (
            {
                "last_review": LastReview(
                    date(2026, 11, 16), date(2026, 11, 18), Outcome.CALLED, TODAY + timedelta(days=1)
                )
            },
            Lane.SETTLED,
        ),
    ],
)
def test_each_finding_has_its_lane(changes, lane):
    assert place(standing(**changes)).lane is lane


@pytest.mark.parametrize("kind", sorted(set(TaskKind) - review.TO_DECIDE))
def test_every_kind_of_open_task_keeps_a_patient_out_of_settled(kind):
    task = open_task(kind, "Somebody must look.")
    assert place(standing(tasks=(task,))).lane is not Lane.SETTLED


@pytest.mark.parametrize("kind", list(SignalKind))
def test_every_signal_keeps_a_patient_out_of_settled_also_when_it_ended_unseen(kind):
    assert place(standing(signals=(raised(kind),))).lane is not Lane.SETTLED
    ended = place(standing(unseen=(raised(kind, TODAY),)))
    assert ended.lane is Lane.LOOK_CLOSELY
    assert "not yet seen by anyone" in said(ended)[0]


def test_a_follow_up_that_is_due_and_one_that_is_overdue_are_told():
    made = TODAY - timedelta(days=10)
    due = LastAdjustment(made, "Tablet changed", follow_up_on=TODAY, follow_up_what="Blood test")
    late = LastAdjustment(made, "Tablet changed", follow_up_on=TODAY - timedelta(days=3), follow_up_what="Blood test")
    early = LastAdjustment(made, "Tablet changed", follow_up_on=TODAY + timedelta(days=1), follow_up_what="Blood test")
    assert said(place(standing(adjustments=(due,)))) == ["Blood test after the change of 15 November is due today."]
    assert said(place(standing(adjustments=(late,)))) == [
        "Blood test after the change of 15 November is 3 days overdue."
    ]
    assert place(standing(adjustments=(early,))).lane is Lane.SETTLED


def test_every_reason_is_told_the_most_pressing_first():
    placed = place(
        standing(
            picture=pictured(Picture.SILENT_WHILE_RISING),
            silence=silent(4),
            tasks=(open_task(TaskKind.SAFETY_ANSWER, "Chest pain was answered."),),
            adjustments=(LastAdjustment(TODAY, "x", follow_up_on=TODAY, follow_up_what="Blood test"),),
        )
    )
    assert said(placed) == [
        wrote("Chest pain was answered."),
        told_as(Picture.SILENT_WHILE_RISING),
        "Blood test after the change of 25 November is due today.",
        "No reading for 4 planned days (last on 25 November): asked, and no reply.",
    ]


def test_a_silence_that_the_picture_tells_is_told_once_with_its_cause_beside_it():
    rising = replace(pictured(Picture.SILENT_WHILE_RISING), silence=SilenceFacts(4, silent_days=3))
    placed = place(standing(picture=rising, silence=silent(4)))
    told = said(placed)
    assert (told[0].count("4 planned days"), told[1:]) == (1, ["Asked, and no reply."])
    assert [text.startswith("Silent 4 days") for text in brief.reasons(ENGLISH, placed.reasons)] == [True]


def test_a_picture_that_rests_on_a_signal_is_not_told_twice_but_a_limit_is():
    placed = place(
        standing(
            picture=pictured(Picture.UP_AND_WELL),
            signals=(raised(SignalKind.RISING), beyond(3)),
        )
    )
    assert said(placed) == [ABOVE, told_as(Picture.UP_AND_WELL)]


def test_of_many_tasks_about_one_limit_the_fullest_sentence_is_told():
    tasks = tuple(open_task(TaskKind.ABOVE_LIMIT, f"Above on day {day}.") for day in (1, 2))
    placed = place(standing(tasks=tasks))
    assert said(placed) == [wrote("Above on day 2.")]
    placed = place(standing(tasks=tasks, signals=(beyond(3),)))
    assert said(placed) == [ABOVE]


def test_a_result_beyond_its_limit_calls_today_as_a_passed_pressure_limit_does():
    high = ResultBeyond(
        ResultKind.POTASSIUM, 5.8, "mmol/L", "2026-11-25T09:00:00+00:00", TODAY, True, 5.5, "mmol/L", TODAY
    )
    placed = place(standing(tasks=(OpenTask(uuid.uuid4(), TaskKind.RESULT_LIMIT, high, TODAY),)))
    assert (placed.lane, review.must_be_opened(placed.reasons)) == (Lane.CALL_TODAY, True)
    assert said(placed) == [
        "Potassium 5.8 mmol/L on 25 November: above this patient’s limit of 5.5 mmol/L, set on 25 November."
    ]


def test_a_silence_is_told_once_and_not_again_by_its_task():
    task = open_task(TaskKind.SILENT, "No reading on 4 planned days in a row.")
    placed = place(standing(tasks=(task,), silence=silent(4)))
    assert said(placed) == ["No reading for 4 planned days (last on 25 November): asked, and no reply."]
    assert said(place(standing(tasks=(task,)))) == [wrote("No reading on 4 planned days in a row.")]


def test_a_safety_answer_is_told_once_by_its_task():
    task = open_task(TaskKind.SAFETY_ANSWER, "Chest pain was answered.")
    placed = place(
        standing(
            picture=pictured(Picture.SAFETY_ANSWER),
            signals=(raised(SignalKind.SAFETY_ANSWER),),
            unseen=(raised(SignalKind.SAFETY_ANSWER, TODAY),),
            tasks=(task,),
        )
    )
    assert said(placed) == [wrote("Chest pain was answered.")]


def test_a_lane_is_ordered_by_an_overdue_contact_then_days_to_the_limit_then_the_break_then_the_silence_then_the_name():
    rising = (raised(SignalKind.RISING),)
    contact = Contacting(uuid.uuid4(), TODAY - timedelta(days=1), ContactWay.CALL, None, Role.NURSE, agreed=True)
    overdue = OpenTask(uuid.uuid4(), TaskKind.NEXT_CONTACT, ContactDue(contact, is_overdue=True), TODAY)
    people = {
        "to be called yesterday": standing(tasks=(overdue,)),
        "soon": standing(signals=rising, picture=pictured(Picture.QUIET, days=8.0)),
        "later": standing(signals=rising, picture=pictured(Picture.QUIET, 12.0, days=12.0)),
        "far": standing(signals=rising, picture=pictured(Picture.QUIET, 8.0)),
        "near": standing(signals=rising, picture=pictured(Picture.QUIET, -4.0)),
        "quiet": standing(signals=(raised(SignalKind.WEIGHT_GAIN),), silence=silent(2)),
        "Alan": standing(signals=(raised(SignalKind.WEIGHT_GAIN),)),
        "bea": standing(signals=(raised(SignalKind.WEIGHT_GAIN),)),
    }
    names = {one.patient_id: name for name, one in people.items()}
    lanes = in_lanes([place(one) for one in reversed(people.values())], names)
    assert [names[one.patient_id] for one in lanes[Lane.LOOK_CLOSELY]] == list(people)


@given(
    st.lists(
        st.builds(
            standing,
            silence=st.none() | st.integers(1, 9).map(silent),
            signals=st.lists(st.sampled_from(list(SignalKind)).map(raised), max_size=4).map(tuple),
            picture=st.none()
            | st.builds(
                pictured,
                st.sampled_from(list(Picture)),
                st.none() | st.floats(-20, 20),
                known=st.booleans(),
                days=st.none() | st.floats(0, 60),
            ),
            trouble=st.booleans(),
            last_reading_on=st.none() | st.just(TODAY),
            has_plan=st.booleans(),
        ),
        max_size=12,
    )
)
def test_whatever_is_known_each_patient_is_in_exactly_one_lane_with_a_sentence(people):
    names = {one.patient_id: "Asha" for one in people}
    lanes = in_lanes([place(one) for one in people], names)
    assert set(lanes) == set(Lane)
    placed = [one for lane in lanes.values() for one in lane]
    assert sorted(str(one.patient_id) for one in placed) == sorted(str(one.patient_id) for one in people)
    assert all(said(one) and len(set(said(one))) == len(said(one)) for one in placed)


@pytest.mark.parametrize("weekday", range(7))
def test_a_review_week_begins_on_the_clinics_day_and_holds_today(weekday):
    for offset in range(14):
        today = TODAY + timedelta(days=offset)
        week = review.week_of(today, weekday)
        assert week.weekday() == weekday
        assert 0 <= (today - week).days < 7


# --- joined days -----------------------------------------------------------------------


def taken(day: date, diastolic: float) -> Taken:
    return Taken(day, diastolic + 18, diastolic, diastolic + 6, 70.0)


def test_the_joined_table_keeps_days_with_only_one_half_and_days_with_none():
    first = TODAY - timedelta(days=3)
    days = days_.join(
        first,
        TODAY,
        readings=[taken(first, 18.0)],
        diary=[Day(first + timedelta(days=1), weight_kg=81.0)],
        windows=[Planned(first + timedelta(days=2), WindowState.MISSED, True, False)],
    )
    assert [day.day for day in days] == days_.dates(first, TODAY)
    assert (days[0].readings, days[0].checkin) == (1, False)
    assert (days[1].readings, days[1].checkin, days[1].pa_diastolic) == (0, True, None)
    assert days[2].reading_missing
    assert days[3] == Day(TODAY)


def test_several_readings_of_a_day_are_their_median():
    days = days_.join(TODAY, TODAY, readings=[taken(TODAY, value) for value in (18.0, 30.0, 19.0)])
    assert days[0].pa_diastolic == 19.0
    assert days[0].readings == 3


@given(st.lists(st.integers(0, 9), max_size=12), st.lists(st.integers(0, 9), unique=True, max_size=10))
def test_no_reading_and_no_diary_day_is_lost_or_made_up(reading_days, diary_days):
    first = TODAY - timedelta(days=9)
    days = days_.join(
        first,
        TODAY,
        readings=[taken(first + timedelta(days=offset), 18.0) for offset in reading_days],
        diary=[Day(first + timedelta(days=offset), tiredness=3) for offset in diary_days],
    )
    assert sum(day.readings for day in days) == len(reading_days)
    assert {(day.day - first).days for day in days if day.checkin} == set(diary_days)


def test_a_day_survives_json():
    day = Day(
        TODAY,
        WindowState.ANSWERED,
        True,
        True,
        1,
        38.0,
        20.0,
        26.0,
        71.0,
        ("sitting",),
        True,
        3,
        1,
        True,
        False,
        Swelling.ANKLE,
        True,
        81.4,
        False,
        2,
        False,
        (SafetySign.CHEST_PAIN,),
        "slept badly",
        PauseCause.AWAY,
    )
    assert factjson.unpack(Day, json.loads(json.dumps(days_.as_json(day)))) == day
    assert days_.as_json(Day(TODAY)) == {"day": "2026-11-25"}


# --- the carried summary ------------------------------------------------------------------


def test_adherence_leaves_excused_days_out_of_both_numbers():
    # 8 received of 10 expected with 4 excused days: the definition of CHECK-VALUES ("days with a valid
    # reading ÷ days expected, excused days out of both"), worked by hand.
    states = [WindowState.ANSWERED] * 8 + [WindowState.MISSED] * 2 + [WindowState.EXCUSED] * 4 + [WindowState.OPEN]
    days = [
        Day(TODAY + timedelta(days=index), state, True, state is WindowState.ANSWERED)
        for index, state in enumerate(states)
    ]
    assert summary.adherence(recent(days)) == Adherence(8, 10, 4)


def test_a_missing_day_is_visibly_empty_in_the_strip_and_told_in_its_sentence():
    first = TODAY - timedelta(days=29)
    windows = [Planned(day, WindowState.MISSED, True, False) for day in days_.dates(first, TODAY)]
    days = days_.join(first, TODAY, readings=[taken(first, 18.0), taken(TODAY, 21.0)], windows=windows)
    made = summary.strip(recent(days))
    assert made.values[1:-1] == (None,) * 28
    assert made.marks == "r" + "m" * 28 + "r"
    assert "28 days without an expected reading" in words.strip(ENGLISH, made)
    assert "18 to 21 mmHg on 2 days" in words.strip(ENGLISH, made)


@given(
    values=st.lists(st.none() | st.floats(5, 60).map(lambda value: round(value, 1)), min_size=30, max_size=30),
    level=st.none() | st.floats(5, 60),
    silence=st.none() | st.integers(1, 40).map(silent),
    pause=st.none() | st.just(Paused(PauseCause.EQUIPMENT, TODAY, None)),
)
def test_a_summary_survives_json(values, level, silence, pause):
    made = summary.Summary(
        today=TODAY,
        strip=summary.Strip(TODAY - timedelta(days=29), tuple(values), "r" * 30),
        adherence=Adherence(3, 4, 5),
        trend=summary.TrendSummary(
            picture=replace(pictured(Picture.UP_AND_WELL, 3.14159), pressure=PressureFacts(Pressure.MEAN, level=level)),
            signals=(raised(SignalKind.RISING), beyond(4)),
            response=unsettled(),
        ),
        upper=25.0,
        last_reading_on=TODAY,
        silence=silence,
        pause=pause,
    )
    told = json.loads(json.dumps(summary.as_json(made)))
    assert summary.from_json(told) == made
    assert made.strip.values == tuple(values)


def test_numbers_are_said_the_same_way_everywhere():
    assert [ENGLISH.figure(value) for value in (18.0, 18.04, 18.06, -0.01)] == ["18", "18", "18.1", "0"]
    assert [ENGLISH.change(value) for value in (1.44, -0.8, 0.04)] == ["+1.4", "−0.8", "0"]
    assert ENGLISH.ngettext("%(num)d day", "%(num)d days", 1) == "1 day"
    assert ENGLISH.ngettext("%(num)d day", "%(num)d days", 0) == "0 days"
    assert ENGLISH.listed(["a", "b", "c"]) == "a, b and c"


def test_a_pause_covers_its_last_day_and_one_until_told_covers_every_later_day():
    assert Paused(PauseCause.AWAY, TODAY, TODAY).covers(TODAY)
    assert not Paused(PauseCause.AWAY, TODAY, TODAY).covers(TODAY + timedelta(days=1))
    assert Paused(PauseCause.AWAY, TODAY, None).covers(TODAY + timedelta(days=400))


def recent(days: Iterable[Day]) -> summary.RecentDays:
    return summary.recent(list(days))


# --- limits as they were typed in -----------------------------------------------------------


def read(*values: float | None) -> list[Day]:
    return [
        Day(TODAY - timedelta(days=len(values) - 1 - index), readings=value is not None, pa_diastolic=value)
        for index, value in enumerate(values)
    ]


SETTLED = [18.0] * 40  # so that the filter is slow to follow a jump


def beyond_limit(values: list[float | None], limits: PressureLimits) -> list[Episode]:
    """The signals beyond a limit that hold today."""
    found = engine.assess_many([Case(read(*SETTLED, *values), TODAY, limits=limits)])[0].signals
    return [
        signal
        for signal in found
        if signal.ended_on is None and signal.kind in {SignalKind.ABOVE_LIMIT, SignalKind.BELOW_LIMIT}
    ]


def test_three_days_in_a_row_beyond_a_limit_are_told_from_the_third_and_keep_that_day():
    limits = PressureLimits(upper=25.0, lower=10.0)
    assert beyond_limit([18.0, 26.0, 27.0], limits) == []
    (third,) = beyond_limit([18.0, 26.0, None, 27.0, 29.0], limits)
    assert (third.kind, third.raised_on, third.began_on) == (
        SignalKind.ABOVE_LIMIT,
        TODAY,
        TODAY - timedelta(days=3),
    )
    assert "the last 3 have a median of 27 mmHg" in signals.signal(ENGLISH, third.kind, third.facts)
    (later,) = beyond_limit([18.0, 26.0, 27.0, 29.0, 30.0, 31.0], limits)
    assert later.raised_on == TODAY - timedelta(days=2)


@pytest.mark.parametrize(
    ("values", "limits"),
    [
        ([26.0, 27.0, 24.0, 28.0], PressureLimits(upper=25.0)),
        ([25.0, 25.0, 25.0], PressureLimits(upper=25.0)),
        ([30.0, 30.0, 30.0], PressureLimits()),
        ([30.0, 30.0, 30.0, *[None] * 8], PressureLimits(upper=25.0)),
        ([30.0, 30.0, 30.0, 20.0], PressureLimits(upper=25.0)),
        ([], PressureLimits(upper=25.0)),
    ],
)
def test_a_day_within_a_limit_or_no_limit_or_old_readings_say_nothing(values, limits):
    assert beyond_limit(values, limits) == []


def test_below_a_lower_limit_is_told_too():
    (low,) = beyond_limit([9.0, 8.0, 8.5], PressureLimits(lower=10.0))
    assert low.kind is SignalKind.BELOW_LIMIT


def test_whoever_is_in_hospital_is_headed_as_such_in_the_lane_that_the_rest_calls_for():
    pause = Paused(PauseCause.IN_HOSPITAL, date(2026, 11, 20), None)
    quiet = place(standing(pause=pause))
    assert (quiet.lane, quiet.reasons[0].because) == (Lane.NOT_HEARD_FROM, pause)
    placed = place(standing(pause=pause, signals=(raised(SignalKind.ABOVE_LIMIT),)))
    assert (placed.lane, placed.reasons[0].because) == (Lane.CALL_TODAY, pause)
    assert [reason.because for reason in placed.reasons].count(pause) == 1
