"""Check-ins taken in: corrections supersede, and a safety answer is a task in the same transaction."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import Engine, select

from service.domain.diary import Answers, NewCheckin
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ActorKind,
    IntakeOutcome,
    PatientState,
    SafetySign,
    Source,
    Swelling,
    TaskKind,
    TaskState,
    WeightDoubt,
    WindowState,
)
from service.intake.checkins import record_checkin
from service.store import histories, panel
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Checkin, PanelRow, Patient, Plan, Silence, Task, Window
from tests import inwords
from tests.statements import statements_of
from tests.ward import NOW, open_ward, ward_of

PATIENT = Actor(ActorKind.PATIENT)
TODAY = date(2026, 11, 25)
WELL = Answers(breathlessness=2, weight=82.4, swelling=Swelling.NONE, safety_signs=())
CHEST, FAINT, RACING = SafetySign.CHEST_PAIN, SafetySign.FAINTING, SafetySign.RACING_HEART


def make(engine: Engine, **options) -> tuple[uuid.UUID, Patient]:
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha Rowan", **options)
        panel.begin(session, ward.clinic.id, patient.id, NOW)
        session.execute(PanelRow.__table__.update().values(stale_since=None))
        return ward.clinic.id, patient


def take(engine: Engine, clinic_id: uuid.UUID, patient: Patient, answers: Answers, now: datetime = NOW, **more):
    with write_session(engine) as session:
        return record_checkin(Act(session, PATIENT, clinic_id, now), NewCheckin(patient.id, answers, **more))


def rows(engine: Engine, patient: Patient) -> list[Checkin]:
    with read_session(engine) as session:
        return list(
            session.scalars(
                select(Checkin)
                .where(Checkin.patient_id == patient.id)
                .order_by(Checkin.local_date, Checkin.answered_at)
            )
        )


def tasks(engine: Engine) -> list[Task]:
    with read_session(engine) as session:
        return list(session.scalars(select(Task).order_by(Task.raised_at)))


def test_answers_are_kept_as_given_and_nothing_is_made_up_for_the_rest(engine):
    clinic_id, patient = make(engine)
    done = take(
        engine,
        clinic_id,
        patient,
        Answers(weight=181.5, weight_unit="[lb_av]", woke_breathless=False, note=" slept well "),
        source=Source.PAGE,
    )
    (row,) = rows(engine, patient)
    assert (row.id, row.local_date, row.answered_at, row.source) == (done.id, TODAY, NOW, Source.PAGE)
    # 1 lb = 0.45359237 kg exactly (NIST SP 811, appendix B.8)
    assert (row.weight_kg, row.weight_unit) == (pytest.approx(82.327), "[lb_av]")
    assert (row.woke_breathless, row.note) == (False, "slept well")
    assert (row.breathlessness, row.swelling, row.light_headed, row.safety_signs) == (None, None, None, None)
    assert (done.safety, done.emergency_number, done.corrects) == (False, "112", None)
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine)).one()
        assert (line.action, line.subject_id, line.actor_kind) == ("checkin.record", done.id, ActorKind.PATIENT)
        assert session.scalars(select(PanelRow.stale_since)).one() == NOW
    assert tasks(engine) == []


def test_today_is_the_patients_own(engine):
    clinic_id, patient = make(engine, zone="Pacific/Auckland")
    assert take(engine, clinic_id, patient, WELL).local_date == date(2026, 11, 26)
    with pytest.raises(Refused, match="local_date"):
        take(engine, clinic_id, patient, WELL, local_date=date(2026, 11, 27))


def test_a_day_that_was_missed_can_still_be_filled_in(engine):
    clinic_id, patient = make(engine)
    assert take(engine, clinic_id, patient, WELL, local_date=date(2026, 11, 20)).local_date == date(2026, 11, 20)
    with pytest.raises(Refused, match="local_date"):
        take(engine, clinic_id, patient, WELL, local_date=date(2024, 1, 1))


def test_the_same_answers_again_write_nothing(engine):
    clinic_id, patient = make(engine)
    answers = replace(WELL, safety_signs=(CHEST, FAINT))
    first = take(engine, clinic_id, patient, answers)
    again = take(engine, clinic_id, patient, replace(answers, safety_signs=(FAINT, CHEST, CHEST)))
    assert again == replace(first, outcome=IntakeOutcome.DUPLICATE)
    assert again.safety  # and still says to call
    assert len(rows(engine, patient)) == 1
    assert len(tasks(engine)) == 1


def test_a_second_check_in_of_a_day_supersedes_the_first_which_stays_on_record(engine):
    clinic_id, patient = make(engine)
    first = take(engine, clinic_id, patient, WELL)
    second = take(engine, clinic_id, patient, replace(WELL, weight=84.0), NOW + timedelta(hours=1))
    old, new = rows(engine, patient)
    assert (old.id, old.weight_kg, old.superseded_at) == (first.id, 82.4, NOW + timedelta(hours=1))
    assert (new.id, new.weight_kg, new.superseded_at, new.supersedes_id) == (second.id, 84.0, None, first.id)
    assert second.corrects == first.id


def test_a_safety_answer_is_a_task_in_the_same_transaction(engine):
    clinic_id, patient = make(engine)
    with pytest.raises(RuntimeError), write_session(engine) as session:
        record_checkin(Act(session, PATIENT, clinic_id, NOW), NewCheckin(patient.id, Answers(safety_signs=(CHEST,))))
        raise RuntimeError("power cut")
    assert (rows(engine, patient), tasks(engine)) == ([], [])

    done = take(engine, clinic_id, patient, Answers(safety_signs=(CHEST, FAINT)), source=Source.PAGE)
    assert (done.safety, done.emergency_number) == (True, "112")
    (task,) = tasks(engine)
    assert (task.kind, task.patient_id, task.raised_at) == (TaskKind.SAFETY_ANSWER, patient.id, NOW)
    assert task.escalates_at == NOW  # staff are told at once
    assert inwords.task(task) == (
        "Check-in of 25 November: chest pain or pressure and fainting. They were told at once to call 112. Call them."
    )
    assert task.facts["checkin"] == str(done.id)


@pytest.mark.parametrize(
    ("signs", "kind"),
    [
        # A fast or irregular pulse with any of the red flags is one of them: several US patient sheets. One shock of
        # a defibrillator in somebody who feels well is for the same day: common practice, no source.
        ((RACING,), TaskKind.SAME_DAY),
        ((SafetySign.ONE_SHOCK,), TaskKind.SAME_DAY),
        ((FAINT, RACING), TaskKind.SAFETY_ANSWER),
        ((RACING, SafetySign.ONE_SHOCK), TaskKind.SAFETY_ANSWER),
        ((SafetySign.SHOCKS,), TaskKind.SAFETY_ANSWER),
    ],
)
def test_a_racing_heart_or_one_shock_alone_is_for_the_same_day_and_with_more_an_emergency(engine, signs, kind):
    clinic_id, patient = make(engine)
    done = take(engine, clinic_id, patient, Answers(safety_signs=signs), source=Source.PAGE)
    assert done.safety is (kind is TaskKind.SAFETY_ANSWER)
    (task,) = tasks(engine)
    assert (task.kind, task.escalates_at) == (kind, NOW)
    number, when = ("112", "Call them.") if done.safety else (done.contact_line, "Call them today.")
    assert inwords.task(task).endswith(f"They were told at once to call {number}. {when}")


def test_a_second_sign_makes_the_first_an_emergency(engine):
    clinic_id, patient = make(engine)
    take(engine, clinic_id, patient, Answers(safety_signs=(RACING,)))
    take(engine, clinic_id, patient, Answers(safety_signs=(RACING, FAINT)), NOW + timedelta(minutes=5))
    assert [task.kind for task in tasks(engine)] == [TaskKind.SAME_DAY, TaskKind.SAFETY_ANSWER]


def test_a_correction_raises_again_only_for_a_sign_that_is_new(engine):
    clinic_id, patient = make(engine)
    signs = [(CHEST,), (CHEST,), (), (CHEST,), (CHEST, FAINT), None]
    for hour, given in enumerate(signs):
        answers = Answers(safety_signs=given, weight=80.0 + hour)
        take(engine, clinic_id, patient, answers, NOW + timedelta(minutes=hour))
    raised = [task.facts["signs"] for task in tasks(engine)]
    assert raised == [["chest_pain"], ["chest_pain"], ["fainting"]]


def test_nobody_is_woken_by_a_sign_copied_from_an_old_notebook(engine):
    clinic_id, patient = make(engine)
    signs = Answers(safety_signs=(CHEST,))
    assert take(engine, clinic_id, patient, signs, local_date=date(2026, 11, 22), source=Source.FILE).safety
    assert tasks(engine) == []
    take(engine, clinic_id, patient, signs, local_date=date(2026, 11, 23), source=Source.FILE)
    (task,) = tasks(engine)
    assert inwords.task(task) == "Check-in of 23 November: chest pain or pressure. Call them."  # we told them nothing


def test_a_check_in_marks_its_window_and_leaves_the_reading_awaited(engine):
    clinic_id, patient = make(engine)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        window = ward.window(patient, TODAY, WindowState.OPEN)
    take(engine, clinic_id, patient, WELL)
    with read_session(engine) as session:
        held = session.get_one(Window, window.id)
        assert (held.checkin_at, held.state) == (NOW, WindowState.OPEN)
    assert rows(engine, patient)[0].window_id == window.id


def test_a_check_in_only_plan_is_answered_by_the_check_in(engine):
    clinic_id, patient = make(engine)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        window = ward.window(patient, TODAY, WindowState.OPEN)
        window.wants_reading = False
    take(engine, clinic_id, patient, WELL)
    with read_session(engine) as session:
        assert session.get_one(Window, window.id).state is WindowState.ANSWERED


def test_a_late_check_in_gives_the_silence_its_true_cause(engine):
    clinic_id, patient = make(engine, pressures=[20.0, None])
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        silence = ward.silence(patient, 1)
        silence.first_date = silence.last_date = TODAY
    take(engine, clinic_id, patient, WELL)
    with read_session(engine) as session:
        assert session.get_one(Silence, silence.id).cause.value == "diary_only"


def test_a_weight_in_doubt_is_kept_as_it_was_given_and_told_until_they_say(engine):
    clinic_id, patient = make(engine)
    take(engine, clinic_id, patient, Answers(weight=82.0), local_date=TODAY - timedelta(days=1))
    done = take(engine, clinic_id, patient, Answers(weight=180.0), source=Source.PAGE)
    assert done.weight_doubt is WeightDoubt.OTHER_UNIT
    (task,) = tasks(engine)
    assert (task.kind, task.state) == (TaskKind.WEIGHT_DOUBT, TaskState.OPEN)
    # 180 lb = 81.647 kg (NIST SP 811)
    assert inwords.task(task) == (
        "Weight of 25 November: 180 kg; in the other unit it would be 81.6 kg, near the last, 82 kg. Nobody has said "
        "that it is right; until then it is compared with nothing."
    )
    with read_session(engine) as session:
        kept = histories.load(session, clinic_id, [patient.id])[patient.id].diary[-1]
    assert (kept.weight_kg, kept.sure_weight_kg) == (180.0, None)
    more = Answers(weight=180.0, tiredness=3)
    assert take(engine, clinic_id, patient, more, NOW + timedelta(minutes=1)).weight_doubt is WeightDoubt.OTHER_UNIT
    assert len(tasks(engine)) == 1  # one weight, one task
    right = replace(more, weight_unit="[lb_av]", weight_confirmed=True)
    assert take(engine, clinic_id, patient, right, NOW + timedelta(minutes=2)).weight_doubt is None
    assert [(task.state, task.close_reason) for task in tasks(engine)] == [(TaskState.CLOSED, "weight_known")]


def test_a_confirmed_weight_stays_confirmed_while_it_is_the_same(engine):
    clinic_id, patient = make(engine)
    take(engine, clinic_id, patient, Answers(weight=82.0), local_date=TODAY - timedelta(days=1))
    take(engine, clinic_id, patient, Answers(weight=92.0, weight_confirmed=True))
    again = take(engine, clinic_id, patient, Answers(weight=92.0), NOW + timedelta(minutes=1))
    assert (again.outcome, again.weight_doubt) == (IntakeOutcome.DUPLICATE, None)
    more = take(engine, clinic_id, patient, Answers(weight=92.0, tiredness=1), NOW + timedelta(minutes=2))
    assert more.weight_doubt is None
    other = take(engine, clinic_id, patient, Answers(weight=93.0, tiredness=1), NOW + timedelta(minutes=3))
    assert other.weight_doubt is WeightDoubt.FAR


def test_a_weight_of_an_old_notebook_in_doubt_is_no_task(engine):
    clinic_id, patient = make(engine)
    for ago, kg in ((9, 82.0), (8, 150.0), (7, 82.5)):
        day = TODAY - timedelta(days=ago)
        take(engine, clinic_id, patient, Answers(weight=kg), local_date=day, source=Source.FILE)
    assert [row.weight_doubt for row in rows(engine, patient)] == [None, WeightDoubt.FAR, None]
    assert tasks(engine) == []


def test_what_cannot_be_taken_is_refused_and_writes_nothing(engine):
    clinic_id, patient = make(engine)
    for answers, field in [(Answers(), "answers"), (Answers(weight=900.0), "weight")]:
        with pytest.raises(Refused) as told:
            take(engine, clinic_id, patient, answers)
        assert told.value.field == field
    other_clinic, _ = make(engine)
    with pytest.raises(Refused, match="patient"):
        take(engine, other_clinic, patient, WELL)
    with write_session(engine) as session:
        session.get_one(Patient, patient.id).state = PatientState.ENDED
        assert session.scalars(select(Plan)).all()
    with pytest.raises(Refused, match="patient"):
        take(engine, clinic_id, patient, WELL)
    assert rows(engine, patient) == []


def test_a_check_in_takes_few_statements(engine):
    clinic_id, patient = make(engine)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        ward.window(patient, TODAY, WindowState.OPEN)
    with statements_of(engine, "SELECT", "INSERT", "UPDATE", "DELETE") as said:
        take(engine, clinic_id, patient, WELL, local_date=TODAY)
    # what stands, the row, its audit line, the window's mark, the review's mark
    assert [statement.split()[0] for statement in said] == ["SELECT", "INSERT", "INSERT", "UPDATE", "UPDATE"]
