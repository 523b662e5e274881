"""Opening windows and taking follow-up steps, over rows."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, text, update
from sqlalchemy.exc import OperationalError

from service.care import ending, pauses
from service.domain.steps import DEFAULT, StepReason, StepRule, as_json
from service.domain.vocabulary import ContactState, MessageKind, PauseCause, StepKind, StepState, TaskKind, WindowState
from service.enrolling import clinics
from service.scheduling import closing, opening
from service.scheduling import steps as stepping_
from service.store import quarantine
from service.store.audit import OPERATOR, Act
from service.store.session import open_engine, write_session
from service.store.tables import (
    AuditLine,
    Clinic,
    Consent,
    Contact,
    Message,
    Patient,
    Plan,
    QuarantinedRow,
    Silence,
    Step,
    Task,
    Window,
)
from tests.conftest import SERVER
from tests.fernmoor import MONDAY, SEVEN, START, Fernmoor, clinic_of, tick
from tests.servers import VAULT
from tests.statements import each_statement, statements_of

HOUR = timedelta(hours=1)


@pytest.fixture
def fernmoor(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


def messages(fernmoor: Fernmoor, *where: Any) -> list[tuple[str, str]]:
    return [(m.kind.value, m.state.value) for m in fernmoor.rows(Message, *where, order=Message.created_at)]


def test_a_window_opens_with_its_steps_and_its_prompt_in_one_transaction(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    assert opening.open_windows(fernmoor.engine, SEVEN - timedelta(seconds=1)).seen == 0
    assert opening.open_windows(fernmoor.engine, SEVEN).done == 1

    (window,) = fernmoor.rows(Window)
    assert (window.patient_id, window.local_date, window.state) == (patient.id, MONDAY, WindowState.OPEN)
    assert (window.opens_at, window.due_at, window.closes_at) == (SEVEN, SEVEN + 1.5 * HOUR, SEVEN + 3 * HOUR)
    steps = fernmoor.rows(Step, order=Step.position)
    assert [(s.kind, s.state) for s in steps] == [
        (StepKind.PROMPT, StepState.DONE),
        (StepKind.REMINDER, StepState.PENDING),
        (StepKind.NUDGE, StepState.PENDING),
        (StepKind.TASK, StepState.PENDING),
    ]
    (message,) = fernmoor.rows(Message)
    assert message.dedupe_key == f"prompt:{window.id}:text"
    assert (message.window_id, message.step_id, message.expires_at) == (window.id, steps[0].id, window.closes_at)
    assert message.params == {"asks": ["reading", "checkin"]}
    (plan,) = fernmoor.rows(Plan)
    assert (plan.next_date, plan.next_open_at) == (MONDAY + timedelta(days=1), SEVEN + 24 * HOUR)
    (line,) = fernmoor.rows(AuditLine, AuditLine.action == "windows.open")
    assert line.detail == {"windows": 1}


def test_a_second_pass_finds_nothing_to_do(fernmoor: Fernmoor) -> None:
    fernmoor.patient()
    tick(fernmoor.engine, SEVEN)
    before = messages(fernmoor)
    assert opening.open_windows(fernmoor.engine, SEVEN).seen == 0
    assert stepping_.take_steps(fernmoor.engine, SEVEN).seen == 0
    assert messages(fernmoor) == before == [("prompt", "queued")]


def test_what_came_early_is_noted_and_not_asked_for(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    fernmoor.write_reading(patient, MONDAY, SEVEN - HOUR)
    tick(fernmoor.engine, SEVEN)
    (window,) = fernmoor.rows(Window)
    assert (window.state, window.reading_at) == (WindowState.ANSWERED, SEVEN - HOUR)
    (message,) = fernmoor.rows(Message)
    assert message.params == {"asks": ["checkin"]}
    tick(fernmoor.engine, SEVEN + 4 * HOUR)
    assert Counter(s.reason for s in fernmoor.rows(Step)) == {"asked": 1, "already_answered": 3}
    assert len(fernmoor.rows(Message)) == 1


def test_a_plan_that_wants_only_what_is_there_asks_nothing(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient(plan={"wants_checkin": False})
    fernmoor.write_reading(patient, MONDAY, SEVEN - HOUR)
    tick(fernmoor.engine, SEVEN)
    assert fernmoor.rows(Message) == []


def test_a_date_inside_a_pause_opens_excused_and_asks_nothing(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        pauses.add_pause(Act(session, OPERATOR, patient.clinic_id, START), patient, PauseCause.AWAY, MONDAY, MONDAY, "")
    tick(fernmoor.engine, SEVEN + 4 * HOUR)
    (window,) = fernmoor.rows(Window)
    assert window.state is WindowState.EXCUSED
    assert fernmoor.rows(Message) == fernmoor.rows(Silence) == []


def test_days_without_a_worker_are_caught_up_without_a_flood(fernmoor: Fernmoor) -> None:
    fernmoor.caregiver(fernmoor.patient())
    fernmoor.now = SEVEN + 5 * 24 * HOUR + HOUR  # Saturday at eight: today's window is open, five are over
    tick(fernmoor.engine, fernmoor.now)
    windows = fernmoor.rows(Window, order=Window.local_date)
    assert [w.local_date for w in windows] == [MONDAY + timedelta(days=n) for n in range(6)]
    assert [w.state for w in windows] == [WindowState.MISSED] * 5 + [WindowState.OPEN]
    (silence,) = fernmoor.rows(Silence)
    assert (silence.missed, silence.cause.value, silence.ended_at) == (5, "not_asked", None)
    # One prompt for today, one task for staff; nobody is asked about days that are gone.
    assert messages(fernmoor) == [("prompt", "queued")]
    assert [task.kind for task in fernmoor.rows(Task)] == [TaskKind.SILENT]
    assert Counter(s.reason for s in fernmoor.rows(Step, Step.kind == StepKind.NUDGE)) == {"stale": 5, None: 1}


def test_a_worker_that_wakes_between_due_and_closing_sends_one_message_not_two(fernmoor: Fernmoor) -> None:
    fernmoor.patient()
    tick(fernmoor.engine, SEVEN + 2 * HOUR)
    assert messages(fernmoor) == [("reminder", "queued")]
    assert {s.kind.value: s.reason for s in fernmoor.rows(Step)} == {
        "prompt": "superseded_by_later",
        "reminder": "asked",
        "nudge": None,
        "task": None,
    }


def test_pending_prompt_and_reminder_that_fall_due_together_are_one_message(fernmoor: Fernmoor) -> None:
    with write_session(fernmoor.engine) as session:
        later = [StepRule(StepKind.PROMPT, "opens", 10), *DEFAULT[1:]]
        clinics.change_clinic(
            Act(session, OPERATOR, fernmoor.clinic.id, START),
            session.get_one(Clinic, fernmoor.clinic.id),
            {"steps": as_json(later)},
        )
    fernmoor.patient()
    tick(fernmoor.engine, SEVEN)
    assert messages(fernmoor) == []
    tick(fernmoor.engine, SEVEN + 2 * HOUR)
    assert messages(fernmoor) == [("reminder", "queued")]


def test_steps_are_frozen_when_the_window_opens(fernmoor: Fernmoor) -> None:
    fernmoor.patient()
    tick(fernmoor.engine, SEVEN)
    with write_session(fernmoor.engine) as session:
        only_task = as_json([StepRule(StepKind.TASK, "closes", 0)])
        clinics.change_clinic(
            Act(session, OPERATOR, fernmoor.clinic.id, SEVEN),
            session.get_one(Clinic, fernmoor.clinic.id),
            {"steps": only_task},
        )
    tick(fernmoor.engine, SEVEN + 1.5 * HOUR)
    assert messages(fernmoor) == [("prompt", "queued"), ("reminder", "queued")]
    tick(fernmoor.engine, SEVEN + 24 * HOUR)
    assert len(fernmoor.rows(Step)) == 5


def test_a_patients_own_steps_take_the_clinics_place(fernmoor: Fernmoor) -> None:
    fernmoor.patient(plan={"steps": as_json([StepRule(StepKind.PROMPT, "due", 0), DEFAULT[3]])})
    tick(fernmoor.engine, SEVEN)
    assert messages(fernmoor) == []
    tick(fernmoor.engine, SEVEN + 1.5 * HOUR)
    assert messages(fernmoor) == [("prompt", "queued")]


def test_no_working_contact_moves_on_at_once_and_tells_staff_once_a_week(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient(contact=False)
    fernmoor.caregiver(patient)
    tick(fernmoor.engine, SEVEN)
    assert {s.kind.value: s.reason for s in fernmoor.rows(Step)} == {
        "prompt": "no_contact",
        "reminder": "no_contact",
        "nudge": "asked_caregiver",
        "task": None,
    }
    assert messages(fernmoor) == [("nudge", "queued")]
    (task,) = fernmoor.rows(Task)
    assert (task.kind, task.patient_id) == (TaskKind.NO_CONTACT, patient.id)
    tick(fernmoor.engine, SEVEN + 5 * HOUR)
    assert messages(fernmoor) == [("nudge", "queued")]
    tick(fernmoor.engine, SEVEN + 24 * HOUR)
    assert len(fernmoor.rows(Task, Task.kind == TaskKind.NO_CONTACT)) == 1


def test_broken_contacts_are_no_contacts(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        session.execute(update(Contact).where(Contact.patient_id == patient.id).values(state=ContactState.BROKEN))
    tick(fernmoor.engine, SEVEN)
    assert messages(fernmoor) == []
    assert [task.kind for task in fernmoor.rows(Task)] == [TaskKind.NO_CONTACT]


def test_without_consent_nothing_is_sent_and_nobody_is_alarmed(fernmoor: Fernmoor) -> None:
    fernmoor.patient(consent=False)
    tick(fernmoor.engine, SEVEN + 1.5 * HOUR)
    assert fernmoor.rows(Message) == fernmoor.rows(Task) == []


def test_a_no_that_is_not_as_it_was_written_is_left_to_the_last_look_which_tells_staff(fernmoor: Fernmoor) -> None:
    fernmoor.caregiver(fernmoor.patient(), agreed=False)
    with write_session(fernmoor.engine) as session:
        session.execute(update(Consent).values(given=False))
    for after in (0, 1.5, 3):
        tick(fernmoor.engine, SEVEN + after * HOUR)
    assert sorted(message.kind for message in fernmoor.rows(Message)) == ["nudge", "prompt", "reminder"]


@pytest.mark.parametrize(
    ("allowed", "agreed", "contact", "reason"),
    [
        (True, True, True, StepReason.ASKED_CAREGIVER),
        (False, True, True, StepReason.NO_CONSENT),
        (True, False, True, StepReason.NO_CONSENT),
        (True, True, False, StepReason.NO_CONTACT),
    ],
)
def test_a_caregiver_is_nudged_only_when_both_sides_agreed(
    fernmoor: Fernmoor, allowed: bool, agreed: bool, contact: bool, reason: StepReason
) -> None:
    fernmoor.caregiver(fernmoor.patient(), allowed=allowed, agreed=agreed, contact=contact)
    for after in (0, 1.5, 3):
        tick(fernmoor.engine, SEVEN + after * HOUR)
    (nudge,) = fernmoor.rows(Step, Step.kind == StepKind.NUDGE)
    assert nudge.reason == reason.value
    assert bool(fernmoor.rows(Message, Message.kind == MessageKind.NUDGE)) == (reason is StepReason.ASKED_CAREGIVER)
    assert bool(fernmoor.rows(Task)) == (reason is StepReason.NO_CONTACT)


def test_nudges_go_round_the_caregivers_and_stop_after_three(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient(plan={"silent_days": 5})
    first, second = fernmoor.caregiver(patient), fernmoor.caregiver(patient)
    for day in range(5):
        for after in (0, 1.5, 3):
            tick(fernmoor.engine, SEVEN + (day * 24 + after) * HOUR)
    asked = fernmoor.rows(Message, Message.kind == MessageKind.NUDGE, order=Message.created_at)
    assert [m.caregiver_id for m in asked] == [first.id, second.id, first.id]
    reasons = [s.reason for s in fernmoor.rows(Step, Step.kind == StepKind.NUDGE, order=Step.due_at)]
    assert reasons == ["asked_caregiver"] * 3 + ["nudge_cap"] * 2
    assert [task.facts["missed"] for task in fernmoor.rows(Task)] == [5]


def test_a_nudge_near_quiet_hours_lives_past_them(fernmoor: Fernmoor) -> None:
    fernmoor.caregiver(fernmoor.patient(opens=time(18), due=time(20), closes=time(21)))
    closes_at = SEVEN + 14 * HOUR
    for at in (closes_at - 3 * HOUR, closes_at):
        tick(fernmoor.engine, at)
    (nudge,) = fernmoor.rows(Message, Message.kind == MessageKind.NUDGE)
    assert nudge.expires_at >= closes_at + 9.5 * HOUR + HOUR  # quiet until half past six


def test_nothing_more_is_asked_about_a_patient_whose_care_has_ended(fernmoor: Fernmoor) -> None:
    patient = fernmoor.patient()
    fernmoor.caregiver(patient)
    tick(fernmoor.engine, SEVEN)
    with write_session(fernmoor.engine) as session:
        ending.end_patient(
            Act(session, OPERATOR, patient.clinic_id, SEVEN + HOUR),
            session.get_one(Patient, patient.id),
        )
    for after in (1.5, 3, 24):
        tick(fernmoor.engine, SEVEN + after * HOUR)
    assert messages(fernmoor) == [("prompt", "cancelled")]
    (window,) = fernmoor.rows(Window)
    assert window.state is WindowState.EXCUSED
    assert fernmoor.rows(Silence) == []


# --- rows that cannot be handled -----------------------------------------------


def test_a_plan_that_cannot_even_be_loaded_is_quarantined_and_the_rest_open(fernmoor: Fernmoor) -> None:
    """The query itself fails for all of them: which are due must be asked without the rest of their rows."""
    good, poison = fernmoor.patient(), fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        session.execute(
            text("UPDATE patients SET state = 'nonsense' WHERE clinic_ref = :which"), {"which": poison.clinic_ref}
        )
    tally = opening.open_windows(fernmoor.engine, SEVEN)
    assert (tally.done, tally.quarantined) == (1, 1)
    assert [w.patient_id for w in fernmoor.rows(Window)] == [good.id]
    assert [row.subject_kind for row in fernmoor.rows(QuarantinedRow)] == ["plan"]
    assert opening.open_windows(fernmoor.engine, SEVEN).seen == 0  # not tried in a loop


def test_what_fails_for_every_plan_is_no_plans_fault(fernmoor: Fernmoor, monkeypatch) -> None:
    """As when a column is not there yet: nobody is quarantined, and the worker's part is told to have failed."""
    for _ in range(3):
        fernmoor.patient()

    def fail(*_: object) -> None:
        raise LookupError("no such column")

    with monkeypatch.context() as broken:
        broken.setattr(opening, "_load", fail)
        with pytest.raises(LookupError):
            opening.open_windows(fernmoor.engine, SEVEN)
    assert fernmoor.rows(QuarantinedRow) == []
    assert opening.open_windows(fernmoor.engine, SEVEN).done == 3


def test_a_plan_that_cannot_be_read_is_quarantined_and_the_rest_open(fernmoor: Fernmoor) -> None:
    good, poison = fernmoor.patient(), fernmoor.patient()
    with write_session(fernmoor.engine) as session:
        session.execute(update(Patient).where(Patient.id == poison.id).values(zone="Nowhere/Else"))
    tally = opening.open_windows(fernmoor.engine, SEVEN)
    assert (tally.done, tally.quarantined) == (1, 1)
    assert [w.patient_id for w in fernmoor.rows(Window)] == [good.id]
    (quarantined,) = fernmoor.rows(QuarantinedRow)
    assert quarantined.subject_kind == "plan"
    assert quarantined.error.startswith("Refused at localtime.py:")
    assert opening.open_windows(fernmoor.engine, SEVEN).seen == 0  # not tried in a loop

    with write_session(fernmoor.engine) as session:
        session.execute(update(Patient).where(Patient.id == poison.id).values(zone="Pacific/Auckland"))
        assert quarantine.release(session, ("plan", quarantined.subject_id), SEVEN)
    assert opening.open_windows(fernmoor.engine, SEVEN).done == 1
    assert len(fernmoor.rows(Window)) == 2


def test_a_row_the_database_refuses_does_not_hold_up_its_batch(fernmoor: Fernmoor) -> None:
    patients = [fernmoor.patient() for _ in range(5)]
    poison = patients[2]

    def refuse(statement: str, parameters: Any) -> None:
        if statement.startswith("INSERT INTO windows") and poison.id.hex in str(parameters).replace("-", ""):
            raise ValueError("the driver could not take this row")

    with each_statement(fernmoor.engine, refuse):
        tally = opening.open_windows(fernmoor.engine, SEVEN)
    assert (tally.done, tally.quarantined) == (4, 1)
    assert {w.patient_id for w in fernmoor.rows(Window)} == {p.id for p in patients} - {poison.id}
    assert len(fernmoor.rows(Message)) == 4


def test_a_database_that_is_away_parks_nothing(fernmoor: Fernmoor) -> None:
    fernmoor.patient()

    def away(statement: str, _parameters: Any) -> None:
        if statement.startswith("INSERT INTO windows"):
            raise OperationalError(statement, None, Exception("gone"))

    with each_statement(fernmoor.engine, away), pytest.raises(OperationalError):
        opening.open_windows(fernmoor.engine, SEVEN)
    assert fernmoor.rows(QuarantinedRow) == []
    assert opening.open_windows(fernmoor.engine, SEVEN).done == 1


# --- many at once ---------------------------------------------------------------


def test_batches_smaller_than_what_is_due_are_worked_off(fernmoor: Fernmoor) -> None:
    for _ in range(7):
        fernmoor.patient()
    assert opening.open_windows(fernmoor.engine, SEVEN, limit=3).done == 7
    assert closing.close_windows(fernmoor.engine, SEVEN + 3 * HOUR, limit=3).done == 7
    assert stepping_.take_steps(fernmoor.engine, SEVEN + 3 * HOUR, limit=4).seen == 21
    assert len(fernmoor.rows(Silence)) == 7


def test_the_number_of_queries_does_not_grow_with_the_number_of_patients(fernmoor: Fernmoor) -> None:
    def day(at: datetime) -> int:
        with statements_of(fernmoor.engine) as asked:
            tick(fernmoor.engine, at)
            tick(fernmoor.engine, at + 3 * HOUR)
        return len(asked)

    first = [fernmoor.patient() for _ in range(2)]  # of several rows PostgreSQL takes the locks in order first
    for patient in first:
        fernmoor.caregiver(patient)
    two = day(SEVEN)
    with write_session(fernmoor.engine) as session:
        for patient in first:
            act = Act(session, OPERATOR, patient.clinic_id, SEVEN + 4 * HOUR)
            ending.end_patient(act, session.get_one(Patient, patient.id))
    fernmoor.now = SEVEN + 5 * HOUR
    for _ in range(5):
        fernmoor.caregiver(fernmoor.patient())
    assert day(SEVEN + 24 * HOUR) == two


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
def test_two_workers_at_once_neither_double_nor_lose(engine: Engine, fernmoor: Fernmoor) -> None:
    patients = [fernmoor.patient() for _ in range(120)]
    for patient in patients[:40]:
        fernmoor.caregiver(patient)
    others = [open_engine(engine.url.render_as_string(hide_password=False), vault=VAULT) for _ in range(2)]
    errors: list[BaseException] = []

    def ticks(own: Engine, start: threading.Barrier) -> None:
        try:
            for after in (0, 1.5, 3, 24, 25.5, 27):
                start.wait()
                opening.open_windows(own, SEVEN + after * HOUR, limit=7)
                closing.close_windows(own, SEVEN + after * HOUR, limit=7)
                stepping_.take_steps(own, SEVEN + after * HOUR, limit=7)
        except BaseException as error:
            errors.append(error)
            start.abort()

    start = threading.Barrier(len(others))
    threads = [threading.Thread(target=ticks, args=(own, start)) for own in others]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # Whatever a worker passed over because the other held it is done by the next tick.
    tick(engine, SEVEN + 27 * HOUR)
    for own in others:
        own.dispose()
    assert errors == []
    assert Counter(w.patient_id for w in fernmoor.rows(Window)) == {p.id: 2 for p in patients}
    assert {w.state for w in fernmoor.rows(Window)} == {WindowState.MISSED}
    kinds = Counter(m.kind for m in fernmoor.rows(Message))
    assert kinds == {MessageKind.PROMPT: 240, MessageKind.REMINDER: 240, MessageKind.NUDGE: 80}
    assert Counter((s.patient_id, s.missed) for s in fernmoor.rows(Silence)) == {(p.id, 2): 1 for p in patients}
    assert fernmoor.rows(QuarantinedRow) == []
    assert fernmoor.rows(Step, Step.state == StepState.PENDING) == []
