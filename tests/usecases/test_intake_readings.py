"""Readings taken in: once, in their own day, however they come; and what follows in the same transaction."""

from __future__ import annotations

import uuid
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain.readings import NewReading
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ActorKind,
    Channel,
    IntakeOutcome,
    MessageKind,
    MessageState,
    PatientState,
    Source,
    StepKind,
    StepState,
    TaskKind,
    WindowState,
)
from service.intake import readings as readings_module
from service.intake.readings import record_reading, record_readings, try_readings
from service.store import outbox, panel
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Contact,
    Message,
    PanelRow,
    Patient,
    QuarantinedRow,
    Reading,
    Silence,
    Step,
    Task,
    Window,
)
from tests import inwords
from tests.ward import NOW, Ward, open_ward, ward_of

KEY = Actor(ActorKind.KEY, uuid.UUID(int=7))
TAKEN = NOW - timedelta(hours=1)  # 14:00 UTC on 25 November 2026


def make(engine: Engine, **options) -> tuple[uuid.UUID, Patient]:
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha Rowan", **options)
        panel.begin(session, ward.clinic.id, patient.id, NOW)
        session.execute(PanelRow.__table__.update().values(stale_since=None))
        return ward.clinic.id, patient


def new(patient: Patient | str, diastolic: float = 17.0, **changes) -> NewReading:
    name = patient if isinstance(patient, str) else patient.id
    good = NewReading(name, TAKEN, pa_systolic=diastolic + 21, pa_diastolic=diastolic, heart_rate=71, source_ref="a1")
    return replace(good, **changes)


def take(engine: Engine, clinic_id: uuid.UUID, one: NewReading, now: datetime = NOW):
    with write_session(engine) as session:
        return record_reading(Act(session, KEY, clinic_id, now), one)


def current(engine: Engine, patient: Patient) -> list[Reading]:
    with read_session(engine) as session:
        return list(
            session.scalars(
                select(Reading)
                .where(Reading.patient_id == patient.id, Reading.superseded_at.is_(None))
                .order_by(Reading.taken_at)
            )
        )


def open_window(ward: Ward, patient: Patient, day: date) -> Window:
    """A window of today with a prompt on its way and a reminder to come."""
    window = ward.window(patient, day, WindowState.OPEN)
    contact = Contact(
        id=uuid.uuid4(), clinic_id=ward.clinic.id, patient_id=patient.id, channel=Channel.TEXT,
        address="+441632960111", created_at=NOW,
    )  # fmt: skip
    ward.session.add(contact)
    ward.session.flush()
    ward.session.add(
        Step(
            id=uuid.uuid4(), clinic_id=ward.clinic.id, window_id=window.id, patient_id=patient.id, position=1,
            kind=StepKind.REMINDER, due_at=window.due_at, state=StepState.PENDING,
        )
    )  # fmt: skip
    outbox.enqueue(
        ward.session,
        outbox.NewMessage(
            ward.clinic.id, contact.id, MessageKind.PROMPT, Channel.TEXT, f"prompt:{window.id}", NOW, window.closes_at,
            patient_id=patient.id, window_id=window.id,
        ),
        NOW,
    )  # fmt: skip
    return window


def test_a_reading_is_kept_whole_with_its_audit_line_and_its_own_day(engine):
    clinic_id, patient = make(engine, zone="Pacific/Auckland")
    done = take(engine, clinic_id, new(patient, unit="kPa", pa_systolic=5.0, pa_diastolic=2.5, source=Source.STAFF))
    assert done.outcome is IntakeOutcome.RECORDED
    (row,) = current(engine, patient)
    assert (row.id, row.local_date) == (done.id, date(2026, 11, 26))  # 14:00 UTC is already the 26th there
    # 5 and 2.5 kPa by NIST SP 811: 37.503 and 18.752 mmHg.
    assert (row.pa_systolic, row.pa_diastolic) == (pytest.approx(37.50), pytest.approx(18.75))
    assert (row.mean_is_derived, row.unit_given, row.source, row.received_at) == (True, "kPa", Source.STAFF, NOW)
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.subject_id == done.id)).one()
        assert (line.action, line.actor_kind, line.actor_id, line.clinic_id) == (
            "reading.record", ActorKind.KEY, KEY.id, clinic_id,
        )  # fmt: skip
        assert "37" not in str(line.detail)
        assert session.scalars(select(PanelRow.stale_since)).one() is not None


def test_the_clinics_own_reference_names_a_patient_and_another_clinics_does_not(engine):
    clinic_id, patient = make(engine)
    assert take(engine, clinic_id, new(patient.clinic_ref)).outcome is IntakeOutcome.RECORDED
    other_clinic, _ = make(engine)
    for stranger in (patient.id, patient.clinic_ref, str(patient.id), "", "a\x00b", "ß" * 36, uuid.uuid4()):
        with pytest.raises(Refused, match="patient"):
            take(engine, other_clinic, replace(new(patient), patient=stranger))


def test_nothing_is_taken_in_for_someone_whose_monitoring_has_ended(engine):
    clinic_id, patient = make(engine)
    with write_session(engine) as session:
        session.get_one(Patient, patient.id).state = PatientState.ENDED
    with pytest.raises(Refused, match="patient"):
        take(engine, clinic_id, new(patient))


def test_the_same_reading_again_is_recognised_and_writes_nothing(engine):
    clinic_id, patient = make(engine)
    first = take(engine, clinic_id, new(patient))
    for again in (new(patient), new(patient, heart_rate=None), new(patient, source_ref="other")):
        assert take(engine, clinic_id, again) == replace(first, outcome=IntakeOutcome.DUPLICATE)
    with read_session(engine) as session:
        assert len(session.scalars(select(AuditLine)).all()) == 1


def test_other_values_at_the_same_instant_are_refused_unless_they_say_what_they_correct(engine):
    clinic_id, patient = make(engine)
    first = take(engine, clinic_id, new(patient))
    with pytest.raises(Refused) as told:
        take(engine, clinic_id, new(patient, 19.0))
    assert told.value.field == "taken_at"
    assert str(first.id) in told.value.accepted
    better = take(engine, clinic_id, new(patient, 19.0, supersedes=first.id))
    again = take(engine, clinic_id, new(patient, 19.0, supersedes=first.id))
    assert again == replace(better, outcome=IntakeOutcome.DUPLICATE)
    with read_session(engine) as session:
        old = session.get_one(Reading, first.id)
        assert (old.pa_diastolic, old.superseded_at) == (17.0, NOW)  # kept as it was, only marked
    assert [(row.id, row.supersedes_id) for row in current(engine, patient)] == [(better.id, first.id)]


def test_a_correction_must_name_a_current_reading_of_the_same_patient(engine):
    clinic_id, patient = make(engine)
    first = take(engine, clinic_id, new(patient))
    take(engine, clinic_id, new(patient, 19.0, supersedes=first.id))
    with pytest.raises(Refused, match="supersedes"):
        take(engine, clinic_id, new(patient, 20.0, supersedes=first.id))
    with pytest.raises(Refused, match="supersedes"):
        take(engine, clinic_id, new(patient, 20.0, supersedes=uuid.uuid4()))
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        other = ward.patient("Bram Ash")
    with pytest.raises(Refused, match="supersedes"):
        take(engine, clinic_id, new(other, 20.0, supersedes=first.id))


def test_a_correction_cannot_land_on_another_reading(engine):
    clinic_id, patient = make(engine)
    first = take(engine, clinic_id, new(patient))
    take(engine, clinic_id, new(patient, taken_at=TAKEN + timedelta(hours=-2)))
    with pytest.raises(Refused, match="taken_at"):
        take(engine, clinic_id, new(patient, 19.0, taken_at=TAKEN + timedelta(hours=-2), supersedes=first.id))
    assert len(current(engine, patient)) == 2


def test_a_reading_answers_its_window_and_stops_what_asks_for_it(engine):
    clinic_id, patient = make(engine)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        window = open_window(ward, patient, date(2026, 11, 25))
    take(engine, clinic_id, new(patient))
    with read_session(engine) as session:
        held = session.get_one(Window, window.id)
        assert (held.state, held.reading_at) == (WindowState.ANSWERED, NOW)
        assert session.scalars(select(Step.state)).one() is StepState.CANCELLED
        message = session.scalars(select(Message)).one()
        assert (message.state, message.reason) == (MessageState.CANCELLED, "answered")


def test_a_correction_that_moves_the_day_moves_the_window_too(engine):
    clinic_id, patient = make(engine, pressures=[None, None])  # yesterday and today missed
    yesterday, today = date(2026, 11, 24), date(2026, 11, 25)
    first = take(engine, clinic_id, new(patient))
    take(engine, clinic_id, new(patient, taken_at=TAKEN - timedelta(days=1), supersedes=first.id))
    with read_session(engine) as session:
        states = dict(session.execute(select(Window.local_date, Window.state)).all())
    assert states == {yesterday: WindowState.ANSWERED, today: WindowState.MISSED}


def test_a_reading_beyond_a_typed_limit_is_a_task_once_a_day(engine):
    # Their calendar is a day ahead of UTC here, in November and on the day in August on which the limits were set.
    clinic_id, patient = make(engine, upper=20.0, lower=10.0, zone="Pacific/Auckland")
    take(engine, clinic_id, new(patient, 20.0))  # at the limit is not beyond it
    take(engine, clinic_id, new(patient, 22.5, taken_at=TAKEN - timedelta(minutes=5)))
    take(engine, clinic_id, new(patient, 24.0, taken_at=TAKEN - timedelta(minutes=9)))
    take(engine, clinic_id, new(patient, 9.0, taken_at=TAKEN - timedelta(days=1)))
    take(engine, clinic_id, new(patient, 30.0, taken_at=TAKEN - timedelta(days=9)))  # for the review, not tonight
    with read_session(engine) as session:
        tasks = session.scalars(select(Task).order_by(Task.kind)).all()
    assert [task.kind for task in tasks] == [TaskKind.ABOVE_LIMIT, TaskKind.BELOW_LIMIT]
    set_on = "set for this patient on 18 August."
    assert [inwords.task(task) for task in tasks] == [
        f"PA diastolic 22.5 mmHg on 26 November, above the upper limit of 20 mmHg {set_on}",
        f"PA diastolic 9 mmHg on 25 November, below the lower limit of 10 mmHg {set_on}",
    ]


def test_without_limits_no_pressure_raises_a_task(engine):
    clinic_id, patient = make(engine)
    take(engine, clinic_id, new(patient, 60.0))
    with read_session(engine) as session:
        assert session.scalars(select(Task)).all() == []


# --- many at once ------------------------------------------------------------------


def test_a_batch_says_of_each_reading_what_became_of_it(engine):
    clinic_id, patient = make(engine)
    kept = take(engine, clinic_id, new(patient, taken_at=TAKEN - timedelta(days=3)))
    batch = [
        new(patient),
        new(patient),  # twice in one batch
        new(patient, 18.0),  # and once with other values
        new(patient, pa_systolic=5.0, taken_at=TAKEN - timedelta(days=1)),
        new("nobody"),
        new(patient, taken_at=TAKEN - timedelta(days=3)),  # there already
        new(patient, 25.0, taken_at=TAKEN - timedelta(days=3)),
        new(patient, 25.0, taken_at=TAKEN - timedelta(days=3), supersedes=kept.id),
        new(patient, taken_at=TAKEN - timedelta(days=2)),
    ]
    firsts = [one for one in batch if one.supersedes is None]
    tried = try_readings(engine, clinic_id, firsts, NOW)
    assert len(current(engine, patient)) == 1  # a try writes nothing
    done = record_readings(engine, clinic_id, batch, KEY, NOW)
    assert [_kind(one) for one in done] == [
        "recorded", "duplicate", "taken_at", "pa_systolic", "patient", "duplicate", "taken_at", "recorded", "recorded",
    ]  # fmt: skip
    assert [_kind(one) for one in tried] == [_kind(one) for one in (*done[:7], *done[8:])]
    assert done[1].id == done[0].id
    assert done[5].id == kept.id
    assert [row.pa_diastolic for row in current(engine, patient)] == [25.0, 17.0, 17.0]
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "readings.record")).one()
    assert (line.subject_id, line.detail) == (patient.id, {"readings": 2})


def test_one_poisonous_reading_is_set_aside_and_the_rest_are_taken(engine, monkeypatch):
    clinic_id, patient = make(engine)
    batch = [new(patient, 10.0 + ago, taken_at=TAKEN - timedelta(days=ago)) for ago in range(4)]

    def poisoned(*arguments):
        row = original(*arguments)
        return row | {"local_date": "not a date"} if row["pa_diastolic"] == 12.0 else row

    original = readings_module.row_of
    monkeypatch.setattr("service.intake.readings.row_of", poisoned)
    monkeypatch.setattr("service.intake.readings.row_of", poisoned)
    done = record_readings(engine, clinic_id, batch, KEY, NOW)
    assert [_kind(one) for one in done] == ["recorded", "recorded", "reading", "recorded"]
    assert len(current(engine, patient)) == 3
    with read_session(engine) as session:
        quarantined = session.scalars(select(QuarantinedRow)).one()
    assert quarantined.subject_kind == "new_reading"
    assert str(quarantined.subject_id) in done[2].accepted


@pytest.mark.parametrize("at_once", [True, False])
def test_a_batch_leaves_windows_and_silences_as_one_by_one_would(engine, at_once):
    """Three patients: a run of missed days filled in, one half filled, one whose day is still open."""
    with write_session(engine) as session:
        ward = open_ward(session)
        filled = ward.patient("Filled In", pressures=[20.0, None, None, None])
        ward.silence(filled, 2)
        half = ward.patient("Half In", pressures=[20.0, None, None, None])
        ward.silence(half, 2)
        waiting = ward.patient("Waiting")
        open_window(ward, waiting, date(2026, 11, 25))
        clinic_id = ward.clinic.id
    batch = [new(filled, taken_at=TAKEN - timedelta(days=ago)) for ago in (2, 0, 1)]
    batch += [new(half, taken_at=TAKEN - timedelta(days=1)), new(waiting)]
    if at_once:
        record_readings(engine, clinic_id, batch, KEY, NOW)
    else:
        for one in batch:
            take(engine, clinic_id, one)
    with read_session(engine) as session:
        assert _states(session, filled) == [WindowState.ANSWERED] * 4
        missed, answered = WindowState.MISSED, WindowState.ANSWERED
        assert _states(session, half) == [answered, missed, answered, missed]
        assert _states(session, waiting) == [answered]
        assert session.scalars(select(Step.state)).one() is StepState.CANCELLED
        assert session.scalars(select(Message.state)).one() is MessageState.CANCELLED
        runs = session.execute(
            select(Silence.first_date, Silence.last_date, Silence.missed, Silence.ended_at.is_(None))
            .where(Silence.patient_id == half.id, Silence.missed > 0)
            .order_by(Silence.first_date)
        ).all()
        assert [tuple(run) for run in runs] == [
            (date(2026, 11, 23), date(2026, 11, 23), 1, False),
            (date(2026, 11, 25), date(2026, 11, 25), 1, True),
        ]
        still_open = select(Silence).where(Silence.patient_id == filled.id, Silence.ended_at.is_(None))
        assert session.scalars(still_open).all() == []


def _states(session: Session, patient: Patient) -> list[WindowState]:
    return list(
        session.scalars(select(Window.state).where(Window.patient_id == patient.id).order_by(Window.local_date))
    )


def _kind(result: object) -> str:
    return result.field if isinstance(result, Refused) else result.outcome.value
