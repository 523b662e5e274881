"""Closing windows, and silences kept in step with whatever arrives, in whatever order."""

from __future__ import annotations

import random
import threading
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, update

from service.care import pauses
from service.care.windows import checkin_arrived, resettle
from service.domain import plan
from service.domain.vocabulary import MessageState, PauseCause, StepState, WindowState
from service.scheduling import closing, opening, steps
from service.store.audit import OPERATOR, Act
from service.store.session import open_engine, write_session
from service.store.tables import Checkin, Message, Patient, Pause, Reading, Silence, Step, Window
from tests.conftest import SERVER
from tests.fernmoor import MONDAY, SEVEN, Fernmoor, checkin_row, clinic_of, tick
from tests.servers import VAULT

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture
def fernmoor(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session, silent_days=30)
    return Fernmoor(engine, clinic)


def live_through(fernmoor: Fernmoor, days: int, first: int = 0) -> None:
    """That many days pass; every prompt that goes out is handed to the provider."""
    for day in range(first, first + days):
        for after in (0, 1.5, 3):
            at = SEVEN + day * DAY + after * HOUR
            tick(fernmoor.engine, at)
            hand_over(fernmoor, at)


def hand_over(fernmoor: Fernmoor, at: datetime, state: MessageState = MessageState.SENT) -> None:
    with write_session(fernmoor.engine) as session:
        session.execute(
            update(Message)
            .where(Message.state == MessageState.QUEUED)
            .values(state=state, attempts=1, handed_over_at=at, settled_at=at)
        )


def check_in(fernmoor: Fernmoor, patient: Patient, day: int, now: datetime) -> None:
    local_date = MONDAY + timedelta(days=day)
    with write_session(fernmoor.engine) as session:
        session.add(Checkin(**checkin_row(patient, local_date, now)))
        session.flush()
        checkin_arrived(session, patient.id, local_date, now)


def told(fernmoor: Fernmoor) -> list[tuple[int, int, int, str, bool]]:
    """Silences as (first day, last day, missed, cause, has ended), days counted from Monday."""
    rows = fernmoor.rows(Silence, Silence.missed > 0, order=Silence.first_date)
    return [
        ((s.first_date - MONDAY).days, (s.last_date - MONDAY).days, s.missed, s.cause.value, s.ended_at is not None)
        for s in rows
    ]


def test_missed_days_lengthen_one_silence_and_a_reading_ends_it(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, 2)
    assert told(fernmoor) == [(0, 1, 2, "no_reply", False)]
    fernmoor.arrive(patient, 2, SEVEN + 2 * DAY - HOUR)
    assert told(fernmoor) == [(0, 1, 2, "no_reply", True)]
    (silence,) = fernmoor.rows(Silence)
    assert (silence.ended_at, silence.ended_because) == (SEVEN + 2 * DAY - HOUR, "reading")
    live_through(fernmoor, 2, first=2)
    assert told(fernmoor) == [(0, 1, 2, "no_reply", True), (3, 3, 1, "no_reply", False)]


def test_a_reading_stops_what_is_still_pending_and_queued(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    fernmoor.caregiver(patient)
    opening.open_windows(fernmoor.engine, SEVEN)
    fernmoor.arrive(patient, 0, SEVEN + HOUR)
    (window,) = fernmoor.rows(Window)
    assert (window.state, window.reading_at, window.settled_at) == (WindowState.ANSWERED, SEVEN + HOUR, SEVEN + HOUR)
    assert {s.state for s in fernmoor.rows(Step)} == {StepState.DONE, StepState.CANCELLED}
    assert [(m.state, m.reason) for m in fernmoor.rows(Message)] == [(MessageState.CANCELLED, "answered")]
    live_through(fernmoor, 1)
    assert len(fernmoor.rows(Message)) == 1
    assert told(fernmoor) == []


def test_todays_reading_makes_yesterdays_queued_nudge_pointless(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    fernmoor.caregiver(patient)
    opening.open_windows(fernmoor.engine, SEVEN)
    closing.close_windows(fernmoor.engine, SEVEN + 3 * HOUR)
    steps.take_steps(fernmoor.engine, SEVEN + 3 * HOUR)
    fernmoor.arrive(patient, 1, SEVEN + 22 * HOUR)
    assert {m.state for m in fernmoor.rows(Message)} == {MessageState.CANCELLED}


@pytest.mark.parametrize(
    ("state", "cause"), [(MessageState.FAILED, "not_delivered"), (MessageState.EXPIRED, "not_delivered")]
)
def test_a_prompt_that_never_arrived_is_the_cause(fernmoor: Fernmoor, state: MessageState, cause: str) -> None:
    fernmoor.patient()
    opening.open_windows(fernmoor.engine, SEVEN)
    hand_over(fernmoor, SEVEN, state)
    closing.close_windows(fernmoor.engine, SEVEN + 3 * HOUR)
    assert told(fernmoor) == [(0, 0, 1, cause, False)]


def test_a_diary_without_a_reading_is_its_own_cause_also_when_it_comes_late(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    opening.open_windows(fernmoor.engine, SEVEN)
    check_in(fernmoor, patient, 0, SEVEN + HOUR)
    live_through(fernmoor, 1)
    assert told(fernmoor) == [(0, 0, 1, "diary_only", False)]
    live_through(fernmoor, 1, first=1)
    assert told(fernmoor) == [(0, 1, 2, "no_reply", False)]
    check_in(fernmoor, patient, 1, SEVEN + DAY + 5 * HOUR)
    assert told(fernmoor) == [(0, 1, 2, "diary_only", False)]


def test_a_plan_without_readings_has_missed_windows_and_no_silence(fernmoor: Fernmoor) -> None:
    fernmoor.patient(plan={"wants_reading": False})
    live_through(fernmoor, 2)
    assert {w.state for w in fernmoor.rows(Window)} == {WindowState.MISSED}
    assert told(fernmoor) == []


def test_a_late_reading_repairs_adherence_and_divides_the_silence(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, 4)
    (before,) = fernmoor.rows(Silence)
    fernmoor.arrive(patient, 1, SEVEN + 3 * DAY + 5 * HOUR)
    assert told(fernmoor) == [(0, 0, 1, "no_reply", True), (2, 3, 2, "no_reply", False)]
    states = [w.state for w in fernmoor.rows(Window, order=Window.local_date)]
    assert states == [WindowState.MISSED, WindowState.ANSWERED, WindowState.MISSED, WindowState.MISSED]
    # The part that goes on keeps its row, and with it the nudges and replies that belong to it.
    assert [s.id for s in fernmoor.rows(Silence, Silence.ended_at.is_(None))] == [before.id]


def test_late_readings_for_every_day_leave_no_silence_behind(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, 2)
    for day in (1, 0):
        fernmoor.arrive(patient, day, SEVEN + 2 * DAY - 2 * HOUR)
    assert told(fernmoor) == []
    (silence,) = fernmoor.rows(Silence)
    assert (silence.missed, silence.ended_because) == (0, "late_reading")


def test_a_pause_told_afterwards_excuses_and_its_end_takes_that_back(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, 3)
    with write_session(fernmoor.engine) as session:
        held = pauses.add_pause(
            Act(session, OPERATOR, patient.clinic_id, SEVEN + 3 * DAY - HOUR),
            patient,
            PauseCause.IN_HOSPITAL,
            MONDAY,
            MONDAY + 2 * DAY,
            "",
        )
    assert told(fernmoor) == []
    assert {w.state for w in fernmoor.rows(Window)} == {WindowState.EXCUSED}
    with write_session(fernmoor.engine) as session:
        pauses.end_pause(
            Act(session, OPERATOR, held.clinic_id, SEVEN + 3 * DAY - HOUR),
            session.get_one(Pause, held.id),
            MONDAY,
        )
    assert told(fernmoor) == [(1, 2, 2, "no_reply", False)]


def test_a_reading_that_nobody_told_the_window_of_is_found_at_its_close(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    opening.open_windows(fernmoor.engine, SEVEN)
    fernmoor.write_reading(patient, MONDAY, SEVEN + HOUR)
    closing.close_windows(fernmoor.engine, SEVEN + 3 * HOUR)
    (window,) = fernmoor.rows(Window)
    assert (window.state, window.reading_at) == (WindowState.ANSWERED, SEVEN + HOUR)
    assert told(fernmoor) == []


def test_windows_closed_late_take_their_place_before_readings_that_came_since(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    fernmoor.write_reading(patient, MONDAY + 2 * DAY, SEVEN + 2 * DAY + HOUR)
    live_through(fernmoor, 1, first=4)  # nobody ticked from Monday to Friday morning
    assert told(fernmoor) == [(0, 1, 2, "not_asked", True), (3, 4, 2, "no_reply", False)]


def test_a_correction_that_takes_the_reading_away_joins_the_silences_again(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    live_through(fernmoor, 3)
    fernmoor.arrive(patient, 1, SEVEN + 3 * DAY - HOUR)
    with write_session(fernmoor.engine) as session:
        session.execute(update(Reading).values(superseded_at=SEVEN + 3 * DAY))
        resettle(session, patient.id, SEVEN + 3 * DAY - HOUR, around=MONDAY + DAY)
    assert told(fernmoor) == [(0, 2, 3, "no_reply", False)]


@pytest.mark.parametrize("seed", range(5))
def test_whatever_the_order_the_silences_are_what_the_windows_and_readings_say(fernmoor: Fernmoor, seed: int) -> None:
    """Random days of readings, late ones, corrections and pauses; the rows are compared with a telling from scratch."""
    dice = random.Random(seed)
    patient = fernmoor.patient()
    now = SEVEN
    for day in range(12):
        live_through(fernmoor, 1, first=day)
        now = SEVEN + day * DAY + 4 * HOUR
        for _ in range(dice.randrange(3)):
            now += timedelta(minutes=1)
            at = dice.randrange(day + 2)
            match dice.choice(["reading", "reading", "diary", "correction", "pause", "unpause"]):
                case "reading":
                    fernmoor.arrive(patient, at, now)
                case "diary" if not fernmoor.rows(Checkin, Checkin.local_date == MONDAY + at * DAY):
                    check_in(fernmoor, patient, at, now)
                case "correction":
                    retract(fernmoor, patient, at, now)
                case "pause":
                    with write_session(fernmoor.engine) as session:
                        first = MONDAY + at * DAY
                        act = Act(session, OPERATOR, patient.clinic_id, now)
                        pauses.add_pause(act, patient, PauseCause.AWAY, first, first + DAY, "")
                case "unpause":
                    with write_session(fernmoor.engine) as session:
                        session.execute(update(Pause).values(cancelled_at=now))
                        resettle(session, patient.id, now)
        assert_in_step(fernmoor)


def retract(fernmoor: Fernmoor, patient: Patient, day: int, now: datetime) -> None:
    local_date = MONDAY + day * DAY
    with write_session(fernmoor.engine) as session:
        on_that_day = (Reading.local_date == local_date, Reading.superseded_at.is_(None))
        session.execute(update(Reading).where(*on_that_day).values(superseded_at=now))
        resettle(session, patient.id, now, around=local_date)


def assert_in_step(fernmoor: Fernmoor) -> None:
    windows = fernmoor.rows(Window)
    readings = {r.local_date for r in fernmoor.rows(Reading, Reading.superseded_at.is_(None))}
    expected = plan.missed_runs(((w.local_date, w.state) for w in windows), readings)
    rows = fernmoor.rows(Silence, Silence.missed > 0, order=Silence.first_date)
    assert [(s.first_date, s.last_date, s.missed, s.ended_at is not None) for s in rows] == [
        (run.first, run.last, run.missed, run.ended) for run in expected
    ]
    for window in windows:
        assert (window.local_date in readings) == (window.reading_at is not None)
        if window.state is not WindowState.EXCUSED:
            assert (window.state is WindowState.ANSWERED) == (window.reading_at is not None)


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
def test_readings_that_arrive_while_their_windows_close_are_never_missed(engine: Engine, fernmoor: Fernmoor) -> None:
    patients = [fernmoor.patient() for _ in range(60)]
    opening.open_windows(engine, SEVEN)
    own = open_engine(engine.url.render_as_string(hide_password=False), vault=VAULT)
    closes_at = SEVEN + 3 * HOUR
    errors: list[BaseException] = []
    start = threading.Barrier(2)

    def close() -> None:
        try:
            start.wait()
            while closing.close_windows(own, closes_at, limit=3).seen:
                pass
        except BaseException as error:
            errors.append(error)

    closer = threading.Thread(target=close)
    closer.start()
    start.wait()
    for patient in patients:
        fernmoor.arrive(patient, 0, closes_at)
    closer.join()
    own.dispose()
    closing.close_windows(engine, closes_at)
    assert errors == []
    assert {w.state for w in fernmoor.rows(Window)} == {WindowState.ANSWERED}
    assert fernmoor.rows(Silence, Silence.missed > 0) == []
    assert fernmoor.rows(Silence, Silence.ended_at.is_(None)) == []
