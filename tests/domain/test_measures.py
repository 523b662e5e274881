"""The clinic's measures, worked by hand; when staff are told; what is proposed after an adjustment."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import measures, tasks
from service.domain.measures import Share, Span
from service.domain.review import AFTER_DAYS, usually_due
from service.domain.vocabulary import AdjustmentKind, TaskKind
from service.reports import weeks
from service.words.sentences import review
from tests.inwords import ENGLISH

MONDAY = date(2026, 11, 2)


def day(after: int) -> date:
    return MONDAY + timedelta(days=after)


def test_shares_are_summed_over_their_days_and_days_outside_are_left_out():
    dated = [(day(-1), 9, 9), (day(0), 3, 4), (day(6), 1, 2), (day(7), 5, 5)]
    assert measures.share(dated, MONDAY, day(6)) == Share(4, 6)
    assert Share(4, 6).percent == pytest.approx(66.667, abs=0.001)
    assert Share(0, 0).percent is None


def test_waiting_is_the_median_of_first_answers_and_counts_those_still_open():
    begun = [("a", day(0)), ("b", day(0)), ("c", day(1)), ("d", day(2))]
    came = [("a", day(2)), ("a", day(9)), ("b", day(6)), ("c", day(0)), ("d", day(80))]
    # a waited 2, b 6; c's answer came before the break; d's 78 days later belongs to something else.
    waited = measures.waits(begun, came, at_most=60)
    assert waited == [(day(0), 2), (day(0), 6), (day(1), None), (day(2), None)]
    assert measures.waiting(days for _, days in waited) == measures.Waiting(4.0, 2, 2)
    assert measures.waiting(()) == measures.Waiting(None, 0, 0)


def test_signals_of_one_person_within_a_fortnight_are_one_episode():
    raised = [("a", day(0)), ("a", day(10)), ("a", day(20)), ("a", day(40)), ("b", day(10))]
    assert measures.episodes(raised) == [day(0), day(10), day(40)]


def test_alert_burden_is_per_hundred_patients_and_week():
    # 30 patients for 10 weeks is 300 patient-weeks; 12 signals are 4 per 100.
    assert measures.per_100_patient_weeks(12, 30 * 70) == pytest.approx(4.0)
    assert measures.per_100_patient_weeks(1, 0) is None


def test_a_stay_from_monday_to_wednesday_is_two_nights_and_three_days():
    stay = [Span("a", day(0), day(2))]
    assert measures.nights_inside(stay, day(0), day(20)) == 2
    assert measures.days_inside(stay, day(0), day(20)) == 3


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=6),
    st.integers(1, 40),
)
def test_nights_of_consecutive_weeks_add_up_to_the_nights_of_all(stays, many):
    spans = [Span(index, day(first), day(first + length)) for index, (first, length) in enumerate(stays)]
    parts = sum(measures.nights_inside(spans, day(7 * week), day(7 * week + 7)) for week in range(many))
    assert parts == measures.nights_inside(spans, day(0), day(7 * many))


# --- telling ---------------------------------------------------------------------------------


def test_every_kind_of_task_says_when_it_is_told_and_dangers_at_once():
    assert set(tasks.FIRST) == set(TaskKind)
    now = datetime(2026, 11, 25, 3, 0, tzinfo=UTC)
    assert tasks.first_told_at(TaskKind.SAFETY_ANSWER, now) == now
    assert tasks.first_told_at(TaskKind.FOLLOW_UP, now) is None
    for kind in TaskKind:
        assert tasks.next_told_at(kind, now) > now


@pytest.mark.parametrize("zone", ["Europe/London", "America/Santiago", "Australia/Lord_Howe", "Pacific/Apia", "UTC"])
def test_there_is_one_digest_for_every_local_date_also_when_clocks_change(zone):
    place = ZoneInfo(zone)
    at = datetime(2026, 1, 1, tzinfo=UTC)
    dates = []
    for _ in range(366):
        at = tasks.next_digest(at, time(8), place)
        shown = at.astimezone(place)
        assert (shown.hour, shown.minute) == (8, 0)
        dates.append(shown.date())
    assert dates == [dates[0] + timedelta(days=index) for index in range(366)]


# --- follow-ups --------------------------------------------------------------------------------


def test_other_changes_are_looked_at_within_two_weeks_and_every_proposal_is_cited():
    # NICE NG106 and QS9: review days to 2 weeks after a change of drugs or state.
    for kind, after in AFTER_DAYS.items():
        assert 1 <= after <= 14
        assert review.follow_up_source(ENGLISH).startswith("Common practice")
        assert review.usual_follow_up(ENGLISH, kind)
    # Chemistry after a medicine is the record's to tell.
    for kind in (AdjustmentKind.CALL, AdjustmentKind.MEDICINE):
        assert usually_due(kind, date(2026, 11, 1)) is None


# --- week by week ------------------------------------------------------------------------------


def test_a_line_of_weeks_breaks_where_nothing_is_known_and_the_running_week_is_apart():
    values = (40.0, None, 60.0, 80.0, 10.0)
    points = [weeks.Point(day(7 * at), value, f"<{at}>", running=at == 4) for at, value in enumerate(values)]
    drawn = weeks.svg(ENGLISH, points, name="Readings <b>", most=100.0, unit=" %")
    assert drawn.count('class="line"') == 1  # from the third to the fourth: the second is no zero
    assert (drawn.count('class="line running"'), drawn.count('class="dot"'), drawn.count('class="hollow"')) == (1, 3, 1)
    assert "from 40 % to 80 %; 80 % in the week from 23 Nov" in drawn
    assert "<b>" not in drawn
    assert "nothing known yet" in weeks.svg(ENGLISH, points[1:2], name="Readings")
