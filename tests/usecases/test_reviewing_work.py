"""Between reviews: adjustments and follow-ups, the inbox, and who is told of what is open."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import Engine, select

from service.care.tasks import raise_task, tell_instead
from service.domain.signals.facts import AdjustmentMade
from service.domain.validation import Refused
from service.domain.vocabulary import (
    AdjustmentKind,
    Channel,
    ContactState,
    Lane,
    MessageKind,
    MessageState,
    Role,
    TaskKind,
    TaskState,
)
from service.reviewing import adjusting, inbox, refreshing, staff_notices
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.patient import build_patient
from service.store.session import read_session, write_session
from service.store.tables import Adjustment, AuditLine, Clinic, Contact, Message, Staff, Task
from tests import inwords
from tests.builder import acting
from tests.carried import made_again
from tests.ward import NOW, open_ward

STEADY = [18.0, 18.5, 17.5, 18.2, 17.8] * 8
TODAY = date(2026, 11, 25)


def change(**given: object) -> NewAdjustment:
    usual: dict[str, object] = {"kind": AdjustmentKind.MEDICINE, "what": "Evening tablet added", "made_on": TODAY}
    return NewAdjustment(**(usual | given))  # type: ignore[arg-type]


# --- adjustments -----------------------------------------------------------------------


def test_an_adjustment_and_its_overdue_follow_up_are_on_the_panel(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    ward.adjusts(
        patient,
        change(made_on=TODAY - timedelta(days=10), follow_up_on=TODAY - timedelta(days=3), follow_up_what="Chemistry"),
    )
    entry = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert entry.lane is Lane.LOOK_CLOSELY
    assert "Chemistry after the change of 15 November is 3 days overdue." in inwords.reasons(entry)
    assert entry.adjustment is not None
    assert entry.adjustment.what == "Evening tablet added"


def test_a_follow_up_done_is_no_longer_due_and_is_noted_once(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    made = ward.adjusts(patient, change(follow_up_on=TODAY, follow_up_what="Chemistry"))
    assert adjusting.follow_up_done(acting(ward.session, ward.nurse, ward.now), made.id)
    assert not adjusting.follow_up_done(acting(ward.session, ward.nurse, ward.now), made.id)
    entry = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert not any("Chemistry" in sentence for sentence in inwords.reasons(entry))


def test_an_older_follow_up_is_not_forgotten_for_a_newer_adjustment(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    ward.adjusts(patient, change(made_on=TODAY - timedelta(days=9), follow_up_on=TODAY, follow_up_what="Chemistry"))
    ward.now += timedelta(minutes=5)
    ward.adjusts(patient, change(kind=AdjustmentKind.CALL, what="Rang"))
    entry = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert entry.adjustment is not None
    assert entry.adjustment.what == "Rang"
    assert any("Chemistry" in sentence for sentence in inwords.reasons(entry))


def test_the_newest_adjustment_is_the_one_made_last_and_not_the_one_recorded_last(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    days = {"Tablet halved": 4, "Tablet doubled": 9, "Less salt": 4}  # in the order in which they were recorded
    for what, ago in days.items():
        ward.adjusts(patient, change(what=what, made_on=TODAY - timedelta(days=ago)))
        ward.now += timedelta(minutes=5)
    wrong = ward.adjusts(patient, change(what="Rang", made_on=TODAY - timedelta(days=1)))
    ward.adjusts(patient, change(what="Rang", made_on=TODAY - timedelta(days=20)), corrects=wrong.id)
    seen = build_patient(ward.session, ward.clinic.id, patient.id, ward.now)
    assert [made.what for made in seen.adjustments] == ["Less salt", "Tablet halved", "Tablet doubled", "Rang"]
    newest = seen.entry.adjustment
    assert newest is not None
    assert newest.what == "Less salt"
    # The engine's own, which the response is told of, is no other.
    known = refreshing.summaries(ward.session, ward.clinic.id, {patient.id: TODAY})[patient.id]
    assert known.trend.response is not None
    assert known.trend.response.adjustment == AdjustmentMade(newest.made_on, newest.what)
    assert newest.response == known.trend.response


def test_an_adjustment_without_a_date_is_of_today_where_the_patient_lives(ward):
    asha, ben = ward.patient("Asha", zone="Pacific/Auckland"), ward.patient("Ben", zone="America/Los_Angeles")
    assert ward.adjusts(asha, change(made_on=None)).made_on == TODAY + timedelta(days=1)  # 04:00 on the 26th
    assert ward.adjusts(ben, change(made_on=None)).made_on == TODAY


def test_a_correction_is_a_new_row_and_only_one_of_two_succeeds(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    first = ward.adjusts(patient, change(what="20 mg"))
    second = ward.adjusts(patient, change(what="40 mg"), corrects=first.id)
    ward.session.refresh(first)
    assert first.superseded_at == ward.now
    assert first.what == "20 mg"
    assert second.supersedes_id == first.id
    with pytest.raises(LookupError):
        ward.adjusts(patient, change(what="60 mg"), corrects=first.id)
    seen = build_patient(ward.session, ward.clinic.id, patient.id, ward.now)
    assert [made.what for made in seen.adjustments] == ["40 mg"]


@pytest.mark.parametrize(
    ("field", "given"),
    [
        ("what", {"what": "  "}),
        ("what", {"what": "x" * 3000}),
        ("what", {"what": "a\x00b"}),
        ("made_on", {"made_on": TODAY + timedelta(days=2)}),
        ("made_on", {"made_on": TODAY - timedelta(days=900)}),
        ("follow_up_on", {"follow_up_on": TODAY - timedelta(days=1)}),
        ("follow_up_on", {"follow_up_what": "Chemistry"}),
    ],
)
def test_an_adjustment_that_cannot_be_true_is_refused_by_field(ward, field, given):
    patient = ward.patient("Asha", pressures=STEADY)
    with pytest.raises(Refused) as caught:
        ward.adjusts(patient, change(**given))
    assert caught.value.field == field
    assert ward.session.scalars(select(Adjustment)).first() is None


def test_an_adjustment_marks_the_panel_row_stale(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=STEADY)
        ids = ward.clinic.id, patient.id, ward.nurse.id
    refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        nurse = session.get_one(Staff, ids[2])
        adjusting.record_adjustment(acting(session, nurse, NOW), ids[1], change())
    assert len(made_again(engine, ids[0], NOW)) == 1


# --- the inbox -------------------------------------------------------------------------


def test_the_inbox_shows_danger_first_then_the_oldest(ward):
    patient = ward.patient("Asha")
    old = ward.task(patient, TaskKind.BROKEN_CONTACT, "The number does not work.")
    old.raised_at = ward.now - timedelta(days=3)
    ward.task(patient, TaskKind.SILENT, "No reading for 3 days.")
    ward.task(patient, TaskKind.ABOVE_LIMIT, "Above the limit.")
    ward.task(patient, TaskKind.SAFETY_ANSWER, "Chest pain was answered.")
    ward.session.flush()
    kinds = [item.kind for item in inbox.inbox(ward.session, ward.clinic.id)]
    assert kinds == [TaskKind.SAFETY_ANSWER, TaskKind.ABOVE_LIMIT, TaskKind.BROKEN_CONTACT, TaskKind.SILENT]


def test_a_task_is_taken_by_one_and_stays_until_closed_with_a_reason(ward):
    task = ward.task(ward.patient("Asha"), TaskKind.ABOVE_LIMIT, "Above the limit.")
    other = ward.staff("Rowan Pell")
    inbox.take(acting(ward.session, ward.nurse, ward.now), task.id)
    with pytest.raises(inbox.AlreadyHandled) as caught:
        inbox.take(acting(ward.session, other, ward.now), task.id)
    assert caught.value.by == "Imogen Vale"
    (item,) = inbox.inbox(ward.session, ward.clinic.id)
    assert item.taken_by == "Imogen Vale"
    with pytest.raises(Refused):
        inbox.close(acting(ward.session, other, ward.now), task.id, "   ")
    inbox.close(acting(ward.session, other, ward.now), task.id, "Rang; battery was flat.")
    assert inbox.inbox(ward.session, ward.clinic.id) == []
    (closed,) = inbox.inbox(ward.session, ward.clinic.id, closed_since=ward.now - timedelta(days=1))
    assert (closed.closed_by, closed.close_reason) == ("Rowan Pell", "Rang; battery was flat.")
    with pytest.raises(inbox.AlreadyHandled):
        inbox.close(acting(ward.session, ward.nurse, ward.now), task.id, "again")
    actions = ward.session.scalars(select(AuditLine.action).where(AuditLine.subject_id == task.id))
    assert sorted(actions) == ["task.close", "task.take"]  # of one moment


def test_nobody_takes_another_clinics_task(ward):
    other = open_ward(ward.session)
    task = other.task(other.patient("Elsewhere"), TaskKind.SILENT, "x")
    with pytest.raises(LookupError):
        inbox.take(acting(ward.session, ward.nurse, ward.now), task.id)


# --- telling staff -----------------------------------------------------------------------


class Desk:
    """A clinic with two of staff on call, and the messages that were written to them."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        with write_session(engine) as session:
            ward = open_ward(session)
            self.clinic_id = ward.clinic.id
            self.patient_id = ward.patient("Asha Okoro", pressures=STEADY).id
            self.nurse, self.doctor = ward.nurse.id, ward.staff("Rowan Pell", Role.PHYSICIAN).id
            clerk = ward.staff("Noa Finch", Role.ADMINISTRATOR).id
            for position, staff_id in enumerate((self.nurse, self.doctor, clerk)):
                session.add(
                    Contact(
                        clinic_id=self.clinic_id,
                        staff_id=staff_id,
                        channel=Channel.TEXT,
                        address=f"+4416329600{position:02d}",
                        position=position,
                        state=ContactState.OK,
                        created_at=NOW,
                    )
                )

    def raises(self, kind: TaskKind, now: datetime) -> uuid.UUID:
        with write_session(self.engine) as session:
            found = raise_task(session, self.clinic_id, self.patient_id, inwords.about(kind), uuid.uuid4().hex, now)
        assert found is not None
        return found

    def told(self, kind: MessageKind = MessageKind.STAFF_TASK) -> list[uuid.UUID]:
        with read_session(self.engine) as session:
            return list(
                session.scalars(select(Message.staff_id).where(Message.kind == kind).order_by(Message.created_at))
            )


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return Desk(engine)


def test_a_safety_answer_is_told_at_once_and_goes_round_until_somebody_takes_it(desk):
    task_id = desk.raises(TaskKind.SAFETY_ANSWER, NOW)
    staff_notices.tell_staff(desk.engine, NOW)
    assert desk.told() == [desk.nurse]
    staff_notices.tell_staff(desk.engine, NOW + timedelta(minutes=29))
    assert desk.told() == [desk.nurse]
    staff_notices.tell_staff(desk.engine, NOW + timedelta(minutes=31))
    assert desk.told() == [desk.nurse, desk.doctor]
    for minutes in (62, 93, 124):  # administrators are not on call
        staff_notices.tell_staff(desk.engine, NOW + timedelta(minutes=minutes))
    assert desk.told() == [desk.nurse, desk.doctor, desk.nurse, desk.doctor, desk.nurse]
    with write_session(desk.engine) as session:
        inbox.take(acting(session, session.get_one(Staff, desk.doctor), NOW), task_id)
    staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=24))
    assert len(desk.told()) == 5


def test_a_safety_answer_that_nobody_takes_is_told_for_ever_and_mutes_nobodys_telephone(desk):
    """Two are on call: each is told four times within half an hour of the other, then every two hours."""
    desk.raises(TaskKind.SAFETY_ANSWER, NOW)
    for minutes in range(0, 24 * 60 + 1, 30):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(minutes=minutes))
    notices = select(Message.staff_id, Message.created_at).where(Message.kind == MessageKind.STAFF_TASK)
    with read_session(desk.engine) as session:
        rows = session.execute(notices.order_by(Message.created_at)).all()
    at = {who: [(told - NOW) // timedelta(minutes=1) for one, told in rows if one == who] for who, _ in rows}
    assert at[desk.nurse] == [0, 60, 120, 180, *range(300, 24 * 60 + 1, 120)]
    assert at[desk.doctor] == [30, 90, 150, 210, *range(330, 24 * 60 + 1, 120)]


def test_what_is_no_emergency_is_told_to_each_once(desk):
    desk.raises(TaskKind.ABOVE_LIMIT, NOW)
    for hours in (0, 3, 6, 24, 48):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=hours))
    assert desk.told() == [desk.nurse, desk.doctor]


def test_something_new_in_a_task_that_was_taken_is_told_anew_to_who_was_told_before(desk):
    task_id, facts = desk.raises(TaskKind.CALL_TODAY, NOW), inwords.about(TaskKind.CALL_TODAY)
    for hours in (0, 3):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=hours))
    with write_session(desk.engine) as session:
        inbox.take(acting(session, session.get_one(Staff, desk.doctor), NOW + timedelta(hours=4)), task_id)
        assert tell_instead(session, Task.id == task_id, facts, NOW + timedelta(hours=5))
    for hours in (5, 6, 7, 10, 24):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=hours))
    assert desk.told() == [desk.nurse, desk.doctor, desk.nurse, desk.doctor]


def test_something_new_in_a_task_that_nobody_has_taken_is_told_at_once_and_puts_no_notice_off(desk):
    task_id = desk.raises(TaskKind.CALL_TODAY, NOW)
    for hours in (0, 3, 6):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=hours))
    assert desk.told() == [desk.nurse, desk.doctor]
    with write_session(desk.engine) as session:
        assert tell_instead(session, Task.id == task_id, inwords.about(TaskKind.CALL_TODAY), NOW + timedelta(hours=7))
    for hours in (7, 8, 9, 10, 24):
        staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=hours))
    assert desk.told() == [desk.nurse, desk.doctor] * 2
    slow = desk.raises(TaskKind.CAREGIVER_SAYS, NOW + timedelta(hours=24))
    with write_session(desk.engine) as session:
        assert tell_instead(session, Task.id == slow, inwords.about(TaskKind.CAREGIVER_SAYS), NOW + timedelta(hours=47))
    staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=48))
    assert desk.told() == [desk.nurse, desk.doctor] * 2 + [desk.nurse]


def test_a_silence_waits_a_day_before_anybody_is_sent_a_message(desk):
    desk.raises(TaskKind.SILENT, NOW)
    staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=23))
    assert desk.told() == []
    staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=24))
    assert desk.told() == [desk.nurse]


def test_a_taken_task_steps_up_to_nobody_and_its_waiting_message_is_cancelled(desk):
    task_id = desk.raises(TaskKind.SAFETY_ANSWER, NOW)
    staff_notices.tell_staff(desk.engine, NOW)
    with write_session(desk.engine) as session:
        inbox.take(acting(session, session.get_one(Staff, desk.doctor), NOW), task_id)
    staff_notices.tell_staff(desk.engine, NOW + timedelta(hours=5))
    with read_session(desk.engine) as session:
        (message,) = session.scalars(select(Message).where(Message.kind == MessageKind.STAFF_TASK))
    assert (message.state, message.reason) == (MessageState.CANCELLED, "task_taken")


def test_a_broken_contact_is_passed_over(desk):
    with write_session(desk.engine) as session:
        contact = session.scalars(select(Contact).where(Contact.staff_id == desk.nurse)).one()
        contact.state = ContactState.BROKEN
    desk.raises(TaskKind.SAFETY_ANSWER, NOW)
    staff_notices.tell_staff(desk.engine, NOW)
    assert desk.told() == [desk.doctor]


def test_with_nobody_to_tell_an_emergency_waits_for_somebody_and_the_rest_in_the_inbox(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        clinic_id, patient_id = ward.clinic.id, ward.patient("Asha").id
        raise_task(session, clinic_id, patient_id, inwords.about(TaskKind.SAFETY_ANSWER), "k", NOW)
        raise_task(session, clinic_id, patient_id, inwords.about(TaskKind.ABOVE_LIMIT), "l", NOW)
    assert staff_notices.tell_staff(engine, NOW).passed >= 2
    with read_session(engine) as session:
        tasks = {task.kind: task for task in session.scalars(select(Task))}
        assert {task.state for task in tasks.values()} == {TaskState.OPEN}
        assert tasks[TaskKind.ABOVE_LIMIT].escalates_at is None
        assert tasks[TaskKind.SAFETY_ANSWER].escalates_at == NOW + timedelta(minutes=30)


def morning(day: int) -> datetime:
    return datetime(2026, 11, day, 8, 0, tzinfo=UTC)  # quiet hours end at 08:00 in London


def test_one_digest_a_day_says_how_many_are_open_and_nothing_else(desk):
    staff_notices.tell_staff(desk.engine, NOW)  # learns when the next morning is
    desk.raises(TaskKind.SILENT, NOW)
    desk.raises(TaskKind.BROKEN_CONTACT, NOW)
    staff_notices.tell_staff(desk.engine, morning(26) - timedelta(minutes=1))
    assert desk.told(MessageKind.DIGEST) == []
    for minutes in (0, 10, 600):
        staff_notices.tell_staff(desk.engine, morning(26) + timedelta(minutes=minutes))
    assert sorted(map(str, desk.told(MessageKind.DIGEST))) == sorted(map(str, [desk.nurse, desk.doctor]))
    with read_session(desk.engine) as session:
        params = session.scalars(select(Message.params).where(Message.kind == MessageKind.DIGEST)).all()
    assert all(given == {"count": 2} for given in params)
    assert "Asha" not in json.dumps(list(params))


def test_no_digest_when_nothing_is_open_and_none_late_after_an_outage(desk):
    staff_notices.tell_staff(desk.engine, NOW)
    staff_notices.tell_staff(desk.engine, morning(26))
    assert desk.told(MessageKind.DIGEST) == []
    desk.raises(TaskKind.CAREGIVER_SAYS, NOW)
    # The worker was away for three mornings, and back long after the third.
    staff_notices.tell_staff(desk.engine, morning(29) + timedelta(hours=13))
    assert desk.told(MessageKind.DIGEST) == []
    with read_session(desk.engine) as session:
        assert session.get_one(Clinic, desk.clinic_id).digest_at == morning(30)
    staff_notices.tell_staff(desk.engine, morning(30) + timedelta(hours=1))
    assert len(desk.told(MessageKind.DIGEST)) == 2  # one each
