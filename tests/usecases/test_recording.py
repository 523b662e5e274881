"""The record beside the pressures: nothing entered is lost, and what happens to a patient acts at once."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from service.care import ending, entries, pauses, persons, recorded
from service.domain.validation import Refused
from service.domain.vocabulary import (
    Channel,
    ContactWay,
    ContextKind,
    EarlierCourse,
    EventKind,
    MedicineClass,
    MessageKind,
    MessageState,
    NoResult,
    PatientState,
    PauseCause,
    ResultKind,
    Role,
    Route,
    Sex,
)
from service.enrolling import baselines, clinics, contexts
from service.intake import results
from service.recording import chemistry, events, medicines, next_contacts
from service.store import outbox
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Checkin,
    Clinic,
    Contact,
    ContextTagRow,
    EventRow,
    MedicineRow,
    Message,
    NextContact,
    Patient,
    Pause,
    PersonRow,
    Plan,
    ResultRow,
    Silence,
    Window,
)
from tests.builder import building
from tests.fernmoor import SEVEN, START, Fernmoor, checkin_row, clinic_of, tick
from tests.statements import statements_of

TODAY = date(2026, 3, 1)  # where the patients live
FUROSEMIDE = {
    "name": "Furosemide", "kind": MedicineClass.LOOP_DIURETIC, "dose": "40", "unit": "mg", "times_a_day": "1",
    "route": Route.ORAL, "from_date": TODAY,
}  # fmt: skip


@pytest.fixture
def ward(engine: Engine) -> Fernmoor:
    with write_session(engine) as session:
        clinic = clinic_of(session)
    return Fernmoor(engine, clinic)


@pytest.fixture
def patient(ward: Fernmoor) -> Patient:
    return ward.patient()


def acting(ward: Fernmoor, patient: Patient, do: Any, *args: Any, later: int = 0, **new: Any) -> Any:
    with write_session(ward.engine) as session:
        act = Act(session, OPERATOR, patient.clinic_id, ward.now + timedelta(seconds=later))
        return do(act, session.get_one(Patient, patient.id), *args, **new)


def test_a_correction_is_a_newer_row_and_the_first_of_two_counts(ward: Fernmoor, patient: Patient) -> None:
    first = acting(ward, patient, medicines.record_medicine, **FUROSEMIDE)
    second = acting(ward, patient, medicines.record_medicine, **FUROSEMIDE | {"dose": "80"}, corrects=first, later=1)
    with pytest.raises(Refused) as refused:
        acting(ward, patient, medicines.record_medicine, **FUROSEMIDE | {"dose": "20"}, corrects=first, later=2)
    assert refused.value.field == "id"
    rows = {row.id: row for row in ward.rows(MedicineRow)}
    assert (rows[first.id].dose, rows[first.id].superseded_at is None) == ("40", False)
    assert (rows[second.id].dose, rows[second.id].supersedes_id) == ("80", first.id)
    lines = ward.rows(AuditLine, AuditLine.action.startswith("medicines."), order=AuditLine.at)
    assert [line.action for line in lines] == ["medicines.enter", "medicines.correct"]
    assert {name for line in lines for name in line.detail} == {"patient", "corrects"}  # ids, and no value


def test_what_was_taken_back_counts_no_more_and_stays_on_record(ward: Fernmoor, patient: Patient) -> None:
    row = acting(
        ward, patient, results.record_result, kind=ResultKind.POTASSIUM, value="5.9", unit=None, taken_at=START
    )
    acting(ward, patient, entries.withdraw, row, "another person's blood", later=1)
    with write_session(ward.engine) as session:
        assert entries.counting(session, ResultRow, patient.id) == []
    kept = ward.rows(ResultRow, order=ResultRow.entered_at)
    assert [(one.value, one.withdrawn) for one in kept] == [("5.9", False), ("5.9", True)]
    with pytest.raises(Refused):
        acting(ward, patient, entries.withdraw, kept[1], "and again", later=2)


def test_an_admission_pauses_and_its_end_ends_the_pause(ward: Fernmoor, patient: Patient) -> None:
    stay = acting(ward, patient, events.record_event, kind=EventKind.ADMISSION, from_date=TODAY - timedelta(days=3))
    (pause,) = ward.rows(Pause)
    assert (pause.cause, pause.from_date, pause.to_date) == (PauseCause.IN_HOSPITAL, stay.from_date, None)
    out = acting(
        ward, patient, events.record_event, kind=EventKind.ADMISSION, from_date=stay.from_date, to_date=TODAY,
        corrects=stay, later=1,
    )  # fmt: skip
    (pause,) = ward.rows(Pause)
    assert (pause.to_date, out.pause_id) == (TODAY - timedelta(days=1), pause.id)
    taken_back = acting(ward, patient, events.withdraw_event, out, "it was her sister", later=2)
    (pause,) = ward.rows(Pause)
    assert pause.cancelled_at is not None
    assert [row.id for row in ward.rows(EventRow, EventRow.superseded_at.is_(None))] == [taken_back.id]


def test_a_stay_that_a_caregiver_had_told_of_is_one_pause_and_ends_with_it(ward: Fernmoor, patient: Patient) -> None:
    first = TODAY - timedelta(days=4)
    acting(ward, patient, pauses.add_pause, PauseCause.IN_HOSPITAL, first, None, "")
    began = {"kind": EventKind.ADMISSION, "from_date": first + timedelta(days=1)}
    stay = acting(ward, patient, events.record_event, **began, later=1)
    acting(ward, patient, events.record_event, **began, to_date=TODAY, corrects=stay, later=2)
    (pause,) = ward.rows(Pause)
    assert (pause.from_date, pause.to_date, pause.cancelled_at) == (first, TODAY - timedelta(days=1), None)


def test_a_stay_that_began_on_another_day_moves_its_pause(ward: Fernmoor, patient: Patient) -> None:
    new = {"kind": EventKind.ADMISSION, "to_date": TODAY}
    stay = acting(ward, patient, events.record_event, **new, from_date=TODAY - timedelta(days=6))
    acting(ward, patient, events.record_event, **new, from_date=TODAY - timedelta(days=3), corrects=stay, later=1)
    kept = [pause.from_date for pause in ward.rows(Pause) if pause.cancelled_at is None]
    assert kept == [TODAY - timedelta(days=3)]


def test_an_event_keeps_what_the_28_days_before_held(ward: Fernmoor, patient: Patient) -> None:
    for days in (1, 28, 29):
        ward.write_reading(patient, TODAY - timedelta(days=days), START)
    event = acting(ward, patient, events.record_event, kind=EventKind.URGENT_VISIT, from_date=TODAY)
    assert event.before["from_date"] == "2026-02-01"
    assert event.before["pa_diastolic"] == [18.0, *[None] * 26, 18.0]


def test_missed_medicines_are_those_of_the_newest_check_ins_and_not_of_long_ago(
    ward: Fernmoor, patient: Patient
) -> None:
    asked = [0, 3, recorded.ASKED_WITHIN.days - 1, recorded.ASKED_WITHIN.days]
    with write_session(ward.engine) as session:
        for days in [*asked, 1]:
            row = checkin_row(patient, TODAY - timedelta(days=days), START - timedelta(days=days))
            session.add(Checkin(**row, missed_medicines=None if days == 1 else True))
    with read_session(ward.engine) as session:
        told = recorded.load_one(session, patient.id, TODAY).missed
    assert told == [(TODAY - timedelta(days=days), True) for days in reversed(asked[:-1])]


def test_the_level_before_an_event_is_told_on_the_scale_that_the_sensor_has_now(
    ward: Fernmoor, patient: Patient
) -> None:
    for days in range(4, 11):
        ward.write_reading(patient, TODAY - timedelta(days=days), START)
    acting(ward, patient, events.record_event, kind=EventKind.URGENT_VISIT, from_date=TODAY)

    def level() -> float | None:
        with read_session(ward.engine) as session:
            return recorded.load(session, [patient.id])[patient.id].events[0].level_before

    assert level() == 18.0  # every reading
    new = {"kind": ContextKind.RECALIBRATED, "from_date": TODAY, "to_date": None, "offset_mmhg": 2.5}
    tag = acting(ward, patient, contexts.record, **new, note="")
    assert level() == 20.5
    with write_session(ward.engine) as session:
        there = session.get_one(ContextTagRow, tag.id)
        contexts.end(Act(session, OPERATOR, patient.clinic_id, ward.now), there, TODAY - timedelta(days=1))
    assert level() == 18.0


def test_a_recorded_death_ends_care_and_no_phone_gets_another_message(ward: Fernmoor, patient: Patient) -> None:
    contact = next(row for row in ward.rows(Contact) if row.patient_id == patient.id)
    with write_session(ward.engine) as session:
        new = outbox.NewMessage(
            clinic_id=patient.clinic_id, contact_id=contact.id, kind=MessageKind.PROMPT, channel=Channel.TEXT,
            dedupe_key="before", due_at=START, expires_at=START + timedelta(hours=3), patient_id=patient.id,
        )  # fmt: skip
        outbox.enqueue(session, new, START)
    with pytest.raises(events.DeathToConfirm):
        acting(ward, patient, events.record_event, kind=EventKind.DEATH, from_date=TODAY)
    acting(ward, patient, events.record_event, kind=EventKind.DEATH, from_date=TODAY, confirmed=True)
    for days in range(4):
        tick(ward.engine, SEVEN + timedelta(days=days))
    (message,) = ward.rows(Message)
    assert (message.state, message.reason) == (MessageState.CANCELLED, ending.DIED)
    assert [row.state for row in ward.rows(Patient)] == [PatientState.ENDED]


@pytest.mark.parametrize(
    ("do", "new", "field"),
    [
        (next_contacts.plan_contact, {"due_on": TODAY, "way": ContactWay.CALL, "role": Role.NURSE}, "due_on"),
        (baselines.set_goal, {"lower": None, "upper": 18.0, "why": "settled there", "until": TODAY}, "until"),
        (medicines.record_medicine, FUROSEMIDE, "from_date"),
        (chemistry.record_reason, {"due_on": TODAY, "why": NoResult.NOT_WANTED, "note": "late"}, "due_on"),
        (results.record_result, {"kind": ResultKind.POTASSIUM, "value": "4", "taken_at": START}, "taken_at"),
        (events.record_event, {"kind": EventKind.ADMISSION, "from_date": TODAY}, "from_date"),
    ],
)
def test_nothing_is_planned_for_somebody_who_died_and_what_came_before_is_still_entered(
    ward: Fernmoor, patient: Patient, do: Any, new: dict[str, Any], field: str
) -> None:
    died = TODAY - timedelta(days=2)
    death = acting(ward, patient, events.record_event, kind=EventKind.DEATH, from_date=died, confirmed=True)
    with pytest.raises(Refused) as refused:
        acting(ward, patient, do, **new, later=1)
    assert refused.value.field == field
    late = {"kind": ResultKind.POTASSIUM, "value": "6.1", "taken_at": START - timedelta(days=2)}
    assert acting(ward, patient, results.record_result, **late, later=2).value == "6.1"
    acting(ward, patient, medicines.record_medicine, **FUROSEMIDE | {"from_date": died}, later=3)
    acting(ward, patient, events.withdraw_event, death, "another person", later=4)
    if field in {"due_on", "until"}:  # care does not begin again by this, and nobody would be told
        with pytest.raises(Refused, match=field):
            acting(ward, patient, do, **new, later=5)


def test_who_enters_a_second_course_of_a_medicine_says_what_becomes_of_the_first(
    ward: Fernmoor, patient: Patient
) -> None:
    def enter(more: dict[str, Any], **how: Any) -> MedicineRow:
        new: dict[str, Any] = FUROSEMIDE | {"name": "furosemide", "dose": "80"} | more
        row: MedicineRow = acting(ward, patient, medicines.record_medicine, **new, **how)
        return row

    first = enter({"name": "Furosemide", "from_date": TODAY - timedelta(days=9)})
    for clashing in ({}, {"from_date": TODAY - timedelta(days=20)}):  # begun after it, and before
        with pytest.raises(Refused) as refused:
            enter(clashing, later=1)
        assert (refused.value.field, refused.value.value) == ("earlier", None)
    enter({"route": Route.IV}, later=1)
    enter({"from_date": TODAY - timedelta(days=20), "to_date": TODAY - timedelta(days=10)}, later=1)
    beside = enter({}, earlier=EarlierCourse.BESIDE, later=2)
    enter({"dose": "60"}, corrects=beside, later=3)  # it stood beside it already
    with pytest.raises(Refused, match="from_date"):  # none can end before it began
        enter({"from_date": TODAY - timedelta(days=9)}, earlier=EarlierCourse.ENDED, later=4)
    enter({"dose": "120", "from_date": TODAY - timedelta(days=1), "to_date": TODAY - timedelta(days=1)},
          earlier=EarlierCourse.ENDED, later=4)  # fmt: skip
    with write_session(ward.engine) as session:
        now = entries.counting(session, MedicineRow, patient.id, MedicineRow.from_date)
        taken = [(row.dose, row.to_date) for row in now if row.route is Route.ORAL]
    yesterday = TODAY - timedelta(days=1)
    assert taken == [
        ("80", TODAY - timedelta(days=10)), ("80", TODAY - timedelta(days=2)), ("120", yesterday), ("60", None)
    ]  # fmt: skip
    assert first.dose == "80"


def test_the_person_is_kept_whole_and_as_it_was(ward: Fernmoor, patient: Patient) -> None:
    acting(ward, patient, persons.set_person, born_on=date(1948, 5, 1), sex=Sex.FEMALE)
    acting(ward, patient, persons.set_person, born_on=date(1948, 5, 11), dialysis_days=[0, 2, 4], later=1)
    rows = ward.rows(PersonRow, order=PersonRow.entered_at)
    assert [(row.born_on, row.sex, row.dialysis_days) for row in rows] == [
        (date(1948, 5, 1), Sex.FEMALE, None), (date(1948, 5, 11), None, 0b10101),
    ]  # fmt: skip
    with pytest.raises(Refused, match="implanted_on"):
        acting(ward, patient, persons.set_person, born_on=TODAY, implanted_on=date(2000, 1, 1))


def test_a_next_contact_is_somebodys_and_is_done_once(ward: Fernmoor, patient: Patient) -> None:
    due = TODAY + timedelta(days=2)
    with pytest.raises(Refused, match="staff_id"):
        acting(ward, patient, next_contacts.plan_contact, due_on=due, way=ContactWay.CALL)
    with building(ward.engine, START) as build:  # who only reads or administers would not make it
        looks_on = build.staff(ward.clinic, "Ola Invented", Role.READ_ONLY, Role.ADMINISTRATOR).id
    with pytest.raises(Refused, match="staff_id"):
        acting(ward, patient, next_contacts.plan_contact, due_on=due, way=ContactWay.CALL, staff_id=looks_on)
    planned = acting(ward, patient, next_contacts.plan_contact, due_on=due, way=ContactWay.CALL, role=Role.NURSE)
    done = acting(ward, patient, next_contacts.contact_done, planned, TODAY, later=1)
    assert (done.due_on, done.done_on) == (due, TODAY)
    with pytest.raises(Refused):
        acting(ward, patient, next_contacts.contact_done, done, TODAY, later=2)


@pytest.mark.parametrize(
    ("do", "new", "field"),
    [
        (events.record_event, {"kind": EventKind.ADMISSION, "from_date": TODAY + timedelta(days=1)}, "from_date"),
        (events.record_event, {"kind": EventKind.DEATH, "from_date": TODAY, "to_date": date(2026, 3, 2)}, "to_date"),
        (medicines.record_medicine, FUROSEMIDE | {"times_a_day": "0"}, "times_a_day"),
        (medicines.record_medicine, FUROSEMIDE | {"dose": "a lot"}, "dose"),
        (results.record_result, {"taken_at": START, "value": "4"}, "kind"),
        (results.record_result, {"taken_at": START, "value": "4", "code": "8385-7"}, "code"),
        (results.record_result, {"taken_at": START + timedelta(days=1), "value": "4", "code": "2823-3"}, "taken_at"),
        (results.record_result, {"taken_at": START, "value": "2.5", "code": "88021-1"}, "value"),
        (results.record_result, {"taken_at": START, "value": "tango", "code": "8884-9"}, "value"),
    ],
)
def test_what_cannot_be_is_refused_by_its_field(
    ward: Fernmoor, patient: Patient, do: Any, new: dict[str, Any], field: str
) -> None:
    with pytest.raises(Refused) as refused:
        acting(ward, patient, do, **new)
    assert refused.value.field == field
    assert ward.rows(AuditLine, AuditLine.action.endswith(".enter")) == []


def test_the_end_of_a_stay_plans_the_clinics_contacts_once_and_anew_where_it_was_put_right(
    ward: Fernmoor, patient: Patient
) -> None:
    """Visits after 1, 2, 3 and 6 weeks, a call within 3 days (CHECK-VALUES, after a stay); counted by hand."""

    def to_come() -> list[tuple[ContactWay, date]]:
        now = (NextContact.superseded_at.is_(None), NextContact.withdrawn.is_(False), NextContact.done_on.is_(None))
        return [(row.way, row.due_on) for row in ward.rows(NextContact, *now, order=NextContact.due_on)]

    out = TODAY - timedelta(days=4)
    stay = {"kind": EventKind.ADMISSION, "from_date": out - timedelta(days=5)}
    began = acting(ward, patient, events.record_event, **stay)
    assert to_come() == []
    with statements_of(ward.engine, "SELECT") as asked:
        ended = acting(ward, patient, events.record_event, **stay, to_date=out, corrects=began, later=1)
    assert sum("FROM tasks" in one for one in asked) == 1  # what is due is settled once, not for each contact
    visits = [(ContactWay.VISIT, out + timedelta(days=days)) for days in (7, 14, 21, 42)]
    assert to_come() == [(ContactWay.CALL, TODAY), *visits]  # the call is late already: it is due today
    call = next(row for row in ward.rows(NextContact) if row.way is ContactWay.CALL)
    acting(ward, patient, next_contacts.contact_done, call, TODAY, later=2)
    noted = acting(ward, patient, events.record_event, **stay, to_date=out, note="seen", corrects=ended, later=3)
    assert to_come() == visits  # the same stay plans nothing twice
    right = acting(
        ward, patient, events.record_event, **stay, to_date=out + timedelta(days=1), corrects=noted, later=4
    )  # fmt: skip
    assert to_come() == [(way, day + timedelta(days=1)) for way, day in visits]  # the call has taken place
    acting(ward, patient, events.withdraw_event, right, "it was her sister", later=5)
    assert to_come() == []


def test_after_a_stay_a_plan_asks_every_day_for_as_long_as_the_clinic_set_and_silence_counts_what_was_asked(
    ward: Fernmoor,
) -> None:
    weekly = ward.patient(plan={"weekdays": 0b0000001})  # on Mondays; TODAY is a Sunday
    with write_session(ward.engine) as session:
        act = Act(session, OPERATOR, ward.clinic.id, START)
        clinics.change_clinic(act, session.get_one(Clinic, ward.clinic.id), {"record_rules": {"daily_days": 3}})
    stay = {"kind": EventKind.ADMISSION, "from_date": TODAY - timedelta(days=6), "to_date": TODAY}
    out = acting(ward, weekly, events.record_event, **stay)
    for hour in range(0, 24 * 9, 3):
        tick(ward.engine, SEVEN + timedelta(hours=hour))
    opened = [row.local_date for row in ward.rows(Window, order=Window.local_date)]
    assert opened == [TODAY + timedelta(days=days) for days in (1, 2, 3, 8)]  # 2, 3 and 4 March, and Monday the 9th
    (silence,) = ward.rows(Silence, Silence.missed > 0)
    assert silence.missed == 4
    acting(ward, weekly, events.withdraw_event, out, "it was her sister", later=9 * 86400)
    assert [row.phases for row in ward.rows(Plan)] == [None]
