"""Care that had ended begins again: asked from that day on, with nothing before it held against anybody."""

from __future__ import annotations

import io
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from service.care import contacts, ending, pauses
from service.care.tasks import raise_task
from service.domain.tasks import NumberToCheck, Whose
from service.domain.validation import Refused
from service.domain.vocabulary import (
    BeginsAgain,
    ConsentKind,
    EventKind,
    MessageKind,
    PatientState,
    PauseCause,
    ResultKind,
    TaskState,
    WindowState,
)
from service.filing.importing import Intake, import_results
from service.health import invariants
from service.intake import results
from service.recording import events
from service.reviewing import refreshing
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import AuditLine, Message, Patient, Pause, ResultRow, Silence, Task, Window
from tests.fernmoor import MONDAY, SEVEN, START, Fernmoor, clinic_of, tick

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
MISTAKE = BeginsAgain.ENDED_BY_MISTAKE


@pytest.fixture
def ward(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


@pytest.fixture
def patient(ward: Fernmoor) -> Patient:
    return ward.patient()


def act(ward: Fernmoor, patient: Patient, at: Any, do: Any, *args: Any, **new: Any) -> Any:
    ward.now = at
    with write_session(ward.engine) as session:
        return do(Act(session, OPERATOR, patient.clinic_id, at), session.get_one(Patient, patient.id), *args, **new)


def lives(ward: Fernmoor, days: range) -> None:
    """Windows of these days from Monday on open and close, their steps taken."""
    for day in days:
        for after in (0 * HOUR, 1.5 * HOUR, 3 * HOUR, 5 * HOUR):
            tick(ward.engine, SEVEN + day * DAY + after)


def prompted(ward: Fernmoor) -> list[int]:
    """The days, from Monday on, on which somebody was asked."""
    found = ward.rows(Message, Message.kind == MessageKind.PROMPT, order=Message.created_at)
    return [(message.created_at - SEVEN) // DAY for message in found]


def died(ward: Fernmoor, patient: Patient, day: int) -> Any:
    how = {"kind": EventKind.DEATH, "from_date": MONDAY + day * DAY, "confirmed": True}
    return act(ward, patient, SEVEN + day * DAY + HOUR, events.record_event, **how)


def task_of(ward: Fernmoor, patient: Patient) -> None:
    facts = NumberToCheck(patient.id, Whose.PATIENT)
    with write_session(ward.engine) as session:
        raise_task(session, patient.clinic_id, patient.id, facts, "what a death closes", START)


def test_after_a_death_taken_back_the_plan_asks_from_the_day_named_and_silence_is_watched(
    ward: Fernmoor, patient: Patient
) -> None:
    task_of(ward, patient)
    lives(ward, range(1))  # Monday is missed
    death = died(ward, patient, 1)
    lives(ward, range(1, 4))
    act(ward, patient, SEVEN + 4 * DAY + HOUR, events.withdraw_event, death, "another person")
    lives(ward, range(4, 5))
    assert prompted(ward) == [0]  # a death that was taken back asks nobody yet
    (task,) = ward.rows(Task, Task.dedupe_key == "what a death closes")
    assert task.state is TaskState.CLOSED
    act(ward, patient, SEVEN + 4 * DAY + 6 * HOUR, ending.begin_again, MONDAY + 6 * DAY, MISTAKE)
    (task,) = ward.rows(Task, Task.dedupe_key == "what a death closes")
    assert (task.state, task.close_reason) == (TaskState.OPEN, None)
    lives(ward, range(5, 8))
    assert prompted(ward) == [0, 6, 7]
    windows = ward.rows(Window, order=Window.local_date)
    assert [(window.local_date - MONDAY).days for window in windows] == [0, 6, 7]
    assert {window.state for window in windows} == {WindowState.MISSED}
    (silence,) = ward.rows(Silence)
    assert (silence.first_date, silence.missed) == (MONDAY, 3)
    (pause,) = ward.rows(Pause)
    assert (pause.cause, pause.from_date, pause.to_date) == (
        PauseCause.NOT_IN_CARE, MONDAY + DAY, MONDAY + 5 * DAY
    )  # fmt: skip
    (line,) = ward.rows(AuditLine, AuditLine.action == "patient.begin_again")
    assert line.detail == {"from_date": "2026-03-08", "why": "ended_by_mistake"}


def test_a_window_that_the_end_excused_stays_so_and_the_nightly_check_finds_nothing(
    ward: Fernmoor, patient: Patient
) -> None:
    tick(ward.engine, SEVEN)  # open, and asked about
    act(ward, patient, SEVEN + HOUR, ending.end_patient)
    lives(ward, range(3))
    act(ward, patient, SEVEN + 3 * DAY, ending.begin_again, MONDAY + 3 * DAY, BeginsAgain.CAME_BACK)
    ward.arrive(patient, 3, SEVEN + 3 * DAY + HOUR)  # everything before it is decided anew
    states = {window.local_date: window.state for window in ward.rows(Window)}
    assert states[MONDAY] is WindowState.EXCUSED
    refreshing.refresh(ward.engine, ward.now)
    assert list(invariants.look(ward.engine, SEVEN + 3 * DAY + 2 * HOUR)) == []


@pytest.mark.parametrize(
    ("after", "asked"),
    [(1, [0]), (4, [1])],  # hours after seven; the window closes at ten
)
def test_whoever_begins_today_is_asked_today_while_its_hours_last(
    ward: Fernmoor, patient: Patient, after: int, asked: list[int]
) -> None:
    act(ward, patient, START, ending.end_patient)
    act(ward, patient, SEVEN + after * HOUR, ending.begin_again, MONDAY, BeginsAgain.CAME_BACK)
    tick(ward.engine, SEVEN + after * HOUR)
    tick(ward.engine, SEVEN + DAY)
    assert [(window.local_date - MONDAY).days for window in ward.rows(Window, order=Window.local_date)][:1] == asked


def test_consent_that_was_withdrawn_is_not_given_by_it(ward: Fernmoor, patient: Patient) -> None:
    act(ward, patient, START, ending.end_patient)
    act(ward, patient, START, contacts.record_consent, ConsentKind.MESSAGES, False, "by telephone")
    act(ward, patient, START + HOUR, ending.begin_again, MONDAY, BeginsAgain.CAME_BACK)
    lives(ward, range(2))
    assert len(ward.rows(Window)) == 2
    assert ward.rows(Message) == []
    act(ward, patient, SEVEN + 1.5 * DAY, contacts.record_consent, ConsentKind.MESSAGES, True, "by telephone")
    lives(ward, range(2, 3))
    assert prompted(ward) == [2]


@pytest.mark.parametrize(
    ("before", "from_date", "field"),
    [
        ("in care", MONDAY, "patient"),
        ("died", MONDAY, "patient"),
        ("ended", date(2026, 2, 28), "from_date"),  # it is 1 March where they live
        ("ended", date(2027, 3, 3), "from_date"),
    ],
)
def test_what_cannot_begin_again_is_refused(
    ward: Fernmoor, patient: Patient, before: str, from_date: date, field: str
) -> None:
    if before == "died":
        act(ward, patient, START, events.record_event, kind=EventKind.DEATH, from_date=MONDAY - DAY, confirmed=True)
    elif before == "ended":
        act(ward, patient, START, ending.end_patient)
    was = [row.state for row in ward.rows(Patient)]
    with pytest.raises(Refused) as refused:
        act(ward, patient, START, ending.begin_again, from_date, MISTAKE)
    assert refused.value.field == field
    assert [row.state for row in ward.rows(Patient)] == was


def test_the_pause_of_an_end_is_moved_by_nobody_while_it_lasts(ward: Fernmoor, patient: Patient) -> None:
    for _ in range(2):  # who has ended stays so
        act(ward, patient, START, ending.end_patient)
    (pause,) = ward.rows(Pause)

    def move(act: Act, _: Patient) -> None:
        pauses.end_pause(act, act.session.get_one(Pause, pause.id), MONDAY)

    with pytest.raises(Refused, match="pause"):
        act(ward, patient, START, move)
    act(ward, patient, START, ending.begin_again, MONDAY - DAY, MISTAKE)
    (pause,) = ward.rows(Pause)
    assert pause.cancelled_at is not None  # not a day was lost
    assert [row.state for row in ward.rows(Patient)] == [PatientState.ACTIVE]


@pytest.mark.parametrize("how", ["ended", "died the day before"])
def test_results_up_to_the_last_day_of_care_are_taken_in_from_file_and_page_alike(
    ward: Fernmoor, patient: Patient, how: str
) -> None:
    """It is 1 March, the evening, where they live; another clinic's patients stay unknown."""
    last = MONDAY - DAY
    if how == "ended":
        act(ward, patient, START, ending.end_patient)
    else:
        last -= DAY
        act(ward, patient, START, events.record_event, kind=EventKind.DEATH, from_date=last, confirmed=True)
    with write_session(ward.engine) as session:
        elsewhere = Fernmoor(ward.engine, clinic_of(session, name="Elsewhere")).clinic
    head = "patient,taken_at,kind,value,unit"
    days = (last - 9 * DAY, last, last + DAY)
    lines = [f"{patient.clinic_ref},{day}T09:00+13:00,potassium,4.4,mmol/L" for day in days]
    file = io.BytesIO("\n".join([head, *lines]).encode())
    now = START + 2 * DAY
    assert import_results(Intake(ward.engine, elsewhere.id, OPERATOR, now), file).refused_rows == 3
    report = import_results(Intake(ward.engine, patient.clinic_id, OPERATOR, now), file)
    assert (report.taken, [(one.line, one.field) for one in report.refused]) == (2, [(4, "taken_at")])
    assert sorted(row.taken_at for row in ward.rows(ResultRow)) == [
        START.replace(hour=20, minute=0) - (MONDAY - day) * 1 for day in days[:2]
    ]
    late = {"kind": ResultKind.SODIUM, "value": "140", "unit": "mmol/L"}
    act(ward, patient, now, results.record_result, **late, taken_at=START - (MONDAY - DAY - last))
    with pytest.raises(Refused, match="taken_at"):
        act(ward, patient, now, results.record_result, **late, taken_at=START + DAY - (MONDAY - DAY - last))
