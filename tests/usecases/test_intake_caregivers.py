"""What a caregiver says: kept, shown to staff, and acted on once."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine, select, update

from service.domain.validation import Refused
from service.domain.vocabulary import (
    ActorKind,
    CaregiverAnswer,
    Channel,
    IntakeOutcome,
    MessageKind,
    MessageState,
    PauseCause,
    StepKind,
    StepState,
    TaskKind,
    TaskState,
    WindowState,
)
from service.intake.caregivers import record_caregiver_reply
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Caregiver,
    CaregiverReply,
    Contact,
    Message,
    Patient,
    Pause,
    Silence,
    Step,
    Task,
    Window,
)
from tests import inwords
from tests.ward import NOW, open_ward

TODAY = date(2026, 11, 25)
YESTERDAY = TODAY - timedelta(days=1)


@dataclass
class Scene:
    """A patient who missed yesterday and today, and a caregiver with a nudge on the way."""

    engine: Engine
    clinic_id: uuid.UUID
    patient: Patient
    ben: Caregiver
    window_id: uuid.UUID  # today's

    def says(
        self,
        answer: CaregiverAnswer,
        until: date | None = None,
        note: str = "",
        *,
        by: Caregiver | None = None,
        later=0,
    ):
        who = by or self.ben
        actor = Actor(ActorKind.CAREGIVER, who.id)
        with write_session(self.engine) as session:
            return record_caregiver_reply(
                Act(session, actor, who.clinic_id, NOW + timedelta(minutes=later)),
                who.id,
                self.window_id,
                answer,
                until,
                note,
            )

    def all(self, table):
        with read_session(self.engine) as session:
            return list(session.scalars(select(table)))

    def states(self) -> dict[date, WindowState]:
        with read_session(self.engine) as session:
            return dict(session.execute(select(Window.local_date, Window.state)).all())


@pytest.fixture
def scene(engine: Engine) -> Scene:
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha Rowan", pressures=[20.0, None, None])
        silence = ward.silence(patient, 2)
        silence.first_date, silence.last_date = YESTERDAY, TODAY
        window = session.scalars(select(Window).where(Window.local_date == TODAY)).one()
        ben = add_caregiver(ward, patient, "Ben Rowan", "son")
        contact = Contact(
            id=uuid.uuid4(), clinic_id=ward.clinic.id, caregiver_id=ben.id, channel=Channel.TEXT,
            address="+441632960222", created_at=NOW,
        )  # fmt: skip
        session.add(contact)
        session.flush()
        for position, kind in enumerate((StepKind.NUDGE, StepKind.TASK)):
            session.add(
                Step(
                    id=uuid.uuid4(), clinic_id=ward.clinic.id, window_id=window.id, patient_id=patient.id,
                    position=position, kind=kind, due_at=NOW + timedelta(hours=1), state=StepState.PENDING,
                )
            )  # fmt: skip
        outbox.enqueue(
            session,
            outbox.NewMessage(
                ward.clinic.id, contact.id, MessageKind.NUDGE, Channel.TEXT, "nudge:1", NOW, NOW + timedelta(hours=12),
                patient_id=patient.id, caregiver_id=ben.id, window_id=window.id,
            ),
            NOW,
        )  # fmt: skip
        return Scene(engine, ward.clinic.id, patient, ben, window.id)


def add_caregiver(ward, patient: Patient, name: str, relation: str) -> Caregiver:
    caregiver = Caregiver(
        id=uuid.uuid4(), clinic_id=ward.clinic.id, patient_id=patient.id, name=name, relation=relation,
        zone=patient.zone, language="en", created_at=NOW,
    )  # fmt: skip
    ward.session.add(caregiver)
    ward.session.flush()
    return caregiver


def test_having_spoken_is_noted_and_excuses_nothing(scene):
    done = scene.says(CaregiverAnswer.SPOKE, note="she  is fine,\nwill measure later")
    assert (done.outcome, done.pause_id) == (IntakeOutcome.RECORDED, None)
    (reply,) = scene.all(CaregiverReply)
    assert (reply.id, reply.at) == (done.id, NOW)
    assert scene.states() == {
        TODAY: WindowState.MISSED, YESTERDAY: WindowState.MISSED, TODAY - timedelta(days=2): WindowState.ANSWERED,
    }  # fmt: skip
    (task,) = scene.all(Task)
    assert task.kind is TaskKind.CAREGIVER_SAYS
    assert inwords.task(task) == "Ben Rowan (son) spoke to them. They add: “she is fine, will measure later”"
    assert scene.all(AuditLine)[-1].action == "caregiver.reply"


def test_nobody_is_nudged_further_but_the_clinics_step_stays(scene):
    scene.says(CaregiverAnswer.SPOKE)
    (message,) = scene.all(Message)
    assert (message.state, message.reason) == (MessageState.CANCELLED, "caregiver_replied")
    steps = {step.kind: step.state for step in scene.all(Step)}
    assert steps == {StepKind.NUDGE: StepState.CANCELLED, StepKind.TASK: StepState.PENDING}


@pytest.mark.parametrize(
    ("answer", "cause", "last"),
    [
        (CaregiverAnswer.IN_HOSPITAL, PauseCause.IN_HOSPITAL, None),
        (CaregiverAnswer.AWAY, PauseCause.AWAY, TODAY + timedelta(days=6)),
        (CaregiverAnswer.EQUIPMENT, PauseCause.EQUIPMENT, TODAY + timedelta(days=2)),
    ],
)
def test_what_excuses_pauses_from_the_days_own_date(scene, answer, cause, last):
    done = scene.says(answer)
    (pause,) = scene.all(Pause)
    assert (pause.id, pause.cause, pause.from_date, pause.to_date) == (done.pause_id, cause, TODAY, last)
    states = scene.states()
    assert (states[TODAY], states[YESTERDAY]) == (WindowState.EXCUSED, WindowState.MISSED)
    (silence,) = scene.all(Silence)
    assert silence.missed == 1  # yesterday stays missed
    (task,) = scene.all(Task)
    assert "Readings are not expected from 25 November" in inwords.task(task)


def test_a_last_day_that_is_known_is_kept(scene):
    done = scene.says(CaregiverAnswer.AWAY, TODAY + timedelta(days=20))
    assert done.paused_to == TODAY + timedelta(days=20)
    assert scene.all(CaregiverReply)[0].until == done.paused_to
    assert "to 15 December" in inwords.task(scene.all(Task)[0])


def test_a_second_tap_changes_nothing(scene):
    first = scene.says(CaregiverAnswer.IN_HOSPITAL)
    assert scene.says(CaregiverAnswer.IN_HOSPITAL) == replace(first, outcome=IntakeOutcome.DUPLICATE)
    assert (len(scene.all(CaregiverReply)), len(scene.all(Pause)), len(scene.all(Task))) == (1, 1, 1)


def test_a_cause_that_is_paused_already_is_not_doubled(scene):
    with write_session(scene.engine) as session:
        ward_sister = Caregiver(
            id=uuid.uuid4(), clinic_id=scene.clinic_id, patient_id=scene.patient.id, name="Cara Rowan",
            zone="Europe/London", language="en", created_at=NOW,
        )  # fmt: skip
        session.add(ward_sister)
    first = scene.says(CaregiverAnswer.IN_HOSPITAL)
    second = scene.says(CaregiverAnswer.IN_HOSPITAL, TODAY + timedelta(days=4), by=ward_sister)
    assert second.pause_id == first.pause_id
    (pause,) = scene.all(Pause)
    assert pause.to_date == TODAY + timedelta(days=4)  # the one who knew the day is believed
    assert len(scene.all(Task)) == 2  # and staff hear both
    another = scene.says(CaregiverAnswer.EQUIPMENT)
    assert another.pause_id != first.pause_id


def test_a_changed_mind_is_a_new_reply(scene):
    scene.says(CaregiverAnswer.SPOKE)
    assert scene.says(CaregiverAnswer.IN_HOSPITAL, later=1).outcome is IntakeOutcome.RECORDED
    assert scene.says(CaregiverAnswer.SPOKE, later=2).outcome is IntakeOutcome.RECORDED
    assert len(scene.all(CaregiverReply)) == 3


def test_staff_have_one_task_of_what_one_caregiver_says_of_one_silence(scene):
    scene.says(CaregiverAnswer.SPOKE)
    with read_session(scene.engine) as session:
        scene.window_id = session.scalars(select(Window.id).where(Window.local_date == YESTERDAY)).one()
    scene.says(CaregiverAnswer.IN_HOSPITAL, note="since Monday", later=1)
    (task,) = scene.all(Task)
    assert (task.facts["answer"], task.facts["note"]) == ("in_hospital", "since Monday")
    with write_session(scene.engine) as session:
        session.execute(update(Silence).values(first_date=YESTERDAY, last_date=YESTERDAY))
        session.execute(update(Task).values(state=TaskState.CLOSED))
    scene.says(CaregiverAnswer.EQUIPMENT, later=2)
    assert len(scene.all(Task)) == 2  # staff had closed the other


@pytest.mark.parametrize(
    ("answer", "until", "note", "field"),
    [
        (CaregiverAnswer.AWAY, YESTERDAY, "", "until"),
        (CaregiverAnswer.AWAY, TODAY + timedelta(days=367), "", "until"),
        (CaregiverAnswer.SPOKE, TODAY, "", "until"),
        (CaregiverAnswer.SPOKE, None, "x" * 501, "note"),
        (CaregiverAnswer.SPOKE, None, "a\x00b", "note"),
    ],
)
def test_what_cannot_be_taken_is_refused_and_writes_nothing(scene, answer, until, note, field):
    with pytest.raises(Refused) as told:
        scene.says(answer, until, note)
    assert told.value.field == field
    assert scene.all(CaregiverReply) == []


def test_only_a_named_caregiver_speaks_and_only_about_their_own(scene):
    with write_session(scene.engine) as session:
        ward = open_ward(session)
        stranger = add_caregiver(ward, ward.patient("Bram Ash"), "Dora Ash", "")
    with pytest.raises(Refused, match="window"):
        scene.says(CaregiverAnswer.SPOKE, by=stranger)
    with write_session(scene.engine) as session:
        session.get_one(Caregiver, scene.ben.id).active = False
    with pytest.raises(Refused, match="caregiver"):
        scene.says(CaregiverAnswer.SPOKE)
