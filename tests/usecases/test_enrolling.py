"""Enrolment: who is looked after, what is expected and who may be told, with every refusal named."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select

from service.care import contacts, ending, pauses
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, MessageState, PatientState, PauseCause
from service.enrolling import baselines, clinics, people, plans
from service.reviewing import refreshing
from service.store import outbox
from service.store.audit import OPERATOR, Act
from service.store.outbox import NewMessage
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Base, Clinic, Limits, Message, PanelRow, Patient, Plan, Reference

NOW = datetime(2026, 3, 1, 8, tzinfo=UTC)  # Sunday evening in Auckland (UTC+13)
CLINIC = clinics.NewClinic("Fernmoor Clinic", "Pacific/Auckland", "111", "+64 9 999 0100", "Fernmoor")
PLAN = plans.NewPlan(time(7), time(8, 30), time(10))


@pytest.fixture
def clinic(engine: Engine) -> Clinic:
    with write_session(engine) as session:
        return clinics.enrol_clinic(session, CLINIC, OPERATOR, NOW)


@pytest.fixture
def patient(engine: Engine, clinic: Clinic) -> Patient:
    with write_session(engine) as session:
        new = people.NewPatient("F-1", "Asha Invented", "Pacific/Auckland")
        return people.enrol_patient(Act(session, OPERATOR, clinic.id, NOW), new)


@contextmanager
def refusing(field: str) -> Iterator[None]:
    with pytest.raises(Refused) as refused:
        yield
    assert refused.value.field == field
    assert refused.value.accepted


def everything(engine: Engine) -> dict[str, list[str]]:
    with read_session(engine) as session:
        return {
            table.name: sorted(str(row) for row in session.execute(select(table)))
            for table in Base.metadata.sorted_tables
        }


# --- the clinic -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("zone", "Moon/Base"),
        ("name", " "),
        ("language", "tlh"),
        ("emergency_number", "call us"),
        ("contact_line", "+"),
        ("sender_name", "x" * 33),
        ("review_weekday", 7),
        ("silent_days", 0),
        ("quiet_from", "21:00"),
        ("steps", "none"),
        ("colour", "red"),
    ],
)
def test_a_setting_that_cannot_be_used_is_refused_by_name(
    engine: Engine, clinic: Clinic, setting: str, value: Any
) -> None:
    before = everything(engine)
    with refusing(setting), write_session(engine) as session:
        clinics.change_clinic(
            Act(session, OPERATOR, clinic.id, NOW),
            session.get_one(Clinic, clinic.id),
            {setting: value},
        )
    assert everything(engine) == before


def test_a_change_is_on_the_record_by_its_field_and_not_its_value(engine: Engine, clinic: Clinic) -> None:
    with write_session(engine) as session:
        held = session.get_one(Clinic, clinic.id)
        clinics.change_clinic(Act(session, OPERATOR, held.id, NOW), held, {"contact_line": "+64 9 999 0199"})
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "clinic.change")).one()
    assert line.detail == {"fields": ["contact_line"]}
    assert (line.clinic_id, line.subject_id) == (clinic.id, clinic.id)


@pytest.mark.parametrize(
    ("setting", "value", "judges"),
    [
        ("silent_days", 5, True),
        ("zone", "Pacific/Auckland", True),
        ("review_weekday", 4, True),
        ("contact_line", "+64 9 999 0199", False),
    ],
)
def test_a_setting_that_the_review_rests_on_has_every_row_made_again(
    engine: Engine, clinic: Clinic, patient: Patient, setting: str, value: Any, judges: bool
) -> None:
    refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        held = session.get_one(Clinic, clinic.id)
        clinics.change_clinic(Act(session, OPERATOR, held.id, NOW), held, {setting: value})
    with read_session(engine) as session:
        row = session.scalars(select(PanelRow).where(PanelRow.patient_id == patient.id)).one()
        assert (row.stale_since is not None) is judges
    assert refreshing.refresh(engine, NOW).done == judges
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic.id, NOW) == []


# --- patients ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("particular", "value"),
    [
        ("clinic_ref", "F-1"),
        ("clinic_ref", ""),
        ("name", "two\nlines"),
        ("zone", "Auckland"),
        ("language", "xx"),
        ("usual_pillows", 11),
        ("dry_weight_kg", 500.0),
        ("dry_weight_kg", float("nan")),
        ("weight_unit", "stone"),
    ],
)
def test_a_particular_that_cannot_be_true_is_refused_by_name(
    engine: Engine, clinic: Clinic, patient: Patient, particular: str, value: Any
) -> None:
    given: dict[str, Any] = {"clinic_ref": "F-2", "name": "Noa Invented", "zone": "UTC", particular: value}
    with refusing(particular), write_session(engine) as session:
        people.enrol_patient(Act(session, OPERATOR, clinic.id, NOW), people.NewPatient(**given))
    with read_session(engine) as session:
        assert session.scalars(select(Patient.id)).all() == [patient.id]


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        # E.164 (ITU-T): + and at most 15 digits. Numbers from ranges set aside for fiction
        # (Ofcom: +44 7700 900xxx; ACMA: +61 491 570 xxx).
        ("+44 (0)7700 900-123", "+447700900123"),
        ("+61 491 570 156", "+61491570156"),
        ("tel:+44-7700-900123", "+447700900123"),
    ],
)
def test_telephone_numbers_are_kept_in_one_form(engine: Engine, patient: Patient, given: str, kept: str) -> None:
    with write_session(engine) as session:
        contact = people.add_contact(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, people.NewContact(Channel.TEXT, given)
        )
    assert contact.address == kept


@pytest.mark.parametrize("given", ["07700 900123", "+44", "+1234567890123456", "soon", ""])
def test_a_number_without_its_country_or_too_long_is_refused(engine: Engine, patient: Patient, given: str) -> None:
    with refusing("address"), write_session(engine) as session:
        people.add_contact(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, people.NewContact(Channel.TEXT, given)
        )


def test_a_mended_contact_is_tried_again(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        new = people.NewContact(Channel.TEXT, "+447700900123")
        contact = people.add_contact(Act(session, OPERATOR, patient.clinic_id, NOW), patient, new)
        contact.state, contact.broken_reason = type(contact.state)("broken"), "unknown number"
        people.mend_contact(Act(session, OPERATOR, contact.clinic_id, NOW), contact, "+44 7700 900124")
    assert (contact.address, contact.state.value, contact.broken_reason) == ("+447700900124", "ok", None)


# --- plans ------------------------------------------------------------------------------


def plan_of(engine: Engine, patient: Patient) -> Plan:
    with read_session(engine) as session:
        return session.scalars(select(Plan).where(Plan.patient_id == patient.id)).one()


def test_a_plan_opens_next_in_the_patients_own_morning(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        plans.set_plan(Act(session, OPERATOR, patient.clinic_id, NOW), patient, PLAN)
    plan = plan_of(engine, patient)
    # Auckland keeps daylight time, UTC+13, until 5 April 2026.
    assert (plan.next_date, plan.next_open_at) == (date(2026, 3, 2), datetime(2026, 3, 1, 18, tzinfo=UTC))


@pytest.mark.parametrize(
    ("given", "kept"),
    [("+64 9 999 0001", "+6499990001"), ("0064 9 999 0001", "+6499990001"), ("Line.One", "line.one"), ("40404",) * 2],
)
def test_a_clinics_line_is_a_number_or_a_name_of_one(engine: Engine, clinic: Clinic, given: str, kept: str) -> None:
    with write_session(engine) as session:
        act, held = Act(session, OPERATOR, clinic.id, NOW), session.get_one(Clinic, clinic.id)
        assert clinics.change_clinic(act, held, {"text_line": given}).text_line == kept
        assert clinics.change_clinic(act, held, {"text_line": None}).text_line is None
        for wrong in ("", "x", "call us", "+64", "+6499990001 or +6499990002"):
            with pytest.raises(Refused, match="text_line"):
                clinics.change_clinic(act, held, {"text_line": wrong})


@pytest.mark.parametrize(
    ("hours", "night"),
    [
        ((6, 7, 8), None),
        ((21, 22, 23), None),
        ((5, 7, 8), "05:00"),
        ((22, 22, 23), "22:00"),
    ],
)
def test_a_prompt_at_night_is_taken_only_when_it_is_said_twice(
    engine: Engine, patient: Patient, hours: tuple[int, ...], night: str | None
) -> None:
    times = [time(hour) for hour in hours]
    with write_session(engine) as session:
        act = Act(session, OPERATOR, patient.clinic_id, NOW)
        if night is None:
            assert plans.set_plan(act, patient, plans.NewPlan(*times)).opens == times[0]
            return
        for again in (None, time(7)):
            with pytest.raises(Refused, match=night) as refused:
                plans.set_plan(act, patient, plans.NewPlan(*times, opens_again=again))
            assert refused.value.field == "opens_again"
        assert plans.set_plan(act, patient, plans.NewPlan(*times, opens_again=times[0])).opens == times[0]


def test_a_step_that_puts_the_prompt_into_the_night_counts_like_the_hour(engine: Engine, patient: Patient) -> None:
    late = [
        {"kind": "prompt", "anchor": "opens", "after_minutes": 90},
        {"kind": "task", "anchor": "closes", "after_minutes": 0},
    ]
    new = plans.NewPlan(time(20), time(22), time(23), steps=late)
    with write_session(engine) as session:
        act = Act(session, OPERATOR, patient.clinic_id, NOW)
        with pytest.raises(Refused, match="21:30"):
            plans.set_plan(act, patient, new)


def test_a_new_plan_takes_the_place_of_the_old_and_is_worked_out_anew(engine: Engine, patient: Patient) -> None:
    tuesdays = plans.NewPlan(time(20), time(21), time(22), weekdays=0b0000010, wants_checkin=False)
    with write_session(engine) as session:
        plans.set_plan(Act(session, OPERATOR, patient.clinic_id, NOW), patient, PLAN)
        plans.set_plan(Act(session, OPERATOR, patient.clinic_id, NOW), patient, tuesdays)
    plan = plan_of(engine, patient)
    assert (plan.next_date, plan.next_open_at) == (date(2026, 3, 3), datetime(2026, 3, 3, 7, tzinfo=UTC))
    assert not plan.wants_checkin


def test_a_move_to_another_zone_moves_the_next_window_there(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        plans.set_plan(Act(session, OPERATOR, patient.clinic_id, NOW), patient, PLAN)
        people.change_patient(
            Act(session, OPERATOR, patient.clinic_id, NOW),
            session.get_one(Patient, patient.id),
            {"zone": "Europe/Madrid"},
        )
    # It is 09:00 on Sunday there (UTC+1): the next seven o'clock is Monday's.
    assert plan_of(engine, patient).next_open_at == datetime(2026, 3, 2, 6, tzinfo=UTC)


def test_who_has_ended_is_sent_nothing_and_planned_nothing(engine: Engine, clinic: Clinic, patient: Patient) -> None:
    with write_session(engine) as session:
        held = session.get_one(Patient, patient.id)
        plans.set_plan(Act(session, OPERATOR, held.clinic_id, NOW), held, PLAN)
        contact = people.add_contact(
            Act(session, OPERATOR, held.clinic_id, NOW), held, people.NewContact(Channel.TEXT, "+447700900123")
        )
        outbox.enqueue(session, _prompt(clinic, contact.id, patient_id=held.id), NOW)
        ending.end_patient(Act(session, OPERATOR, held.clinic_id, NOW), held)
        with refusing("patient"):
            plans.set_plan(Act(session, OPERATOR, held.clinic_id, NOW), held, PLAN)
    with read_session(engine) as session:
        message = session.scalars(select(Message)).one()
        assert session.get_one(Patient, patient.id).state is PatientState.ENDED
    assert (message.state, message.reason) == (MessageState.CANCELLED, "patient_ended")
    assert not plan_of(engine, patient).active


# --- consents ----------------------------------------------------------------------------


def _prompt(clinic: Clinic, contact_id: Any, **whose: Any) -> NewMessage:
    return NewMessage(
        clinic_id=clinic.id, contact_id=contact_id, kind=MessageKind.PROMPT, channel=Channel.TEXT,
        dedupe_key=f"test:{contact_id}", due_at=NOW + timedelta(hours=1), expires_at=NOW + timedelta(hours=5), **whose,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "about_caregiver", "cancelled"),
    [
        (ConsentKind.MESSAGES, False, {"patient"}),
        (ConsentKind.MESSAGES, True, {"caregiver"}),
        (ConsentKind.CAREGIVER, True, {"caregiver"}),
        (ConsentKind.CAREGIVER_VALUES, True, set()),
    ],
)
def test_a_withdrawal_cancels_what_is_queued_for_that_person_and_nobody_else(
    engine: Engine, clinic: Clinic, patient: Patient, kind: ConsentKind, about_caregiver: bool, cancelled: set[str]
) -> None:
    with write_session(engine) as session:
        carer = people.add_caregiver(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, people.NewCaregiver("Ben")
        )
        for owner, number, whose in (
            (patient, "+447700900123", {"patient_id": patient.id}),
            (carer, "+447700900124", {"caregiver_id": carer.id, "patient_id": None}),
        ):
            contact = people.add_contact(
                Act(session, OPERATOR, owner.clinic_id, NOW), owner, people.NewContact(Channel.TEXT, number)
            )
            outbox.enqueue(session, _prompt(clinic, contact.id, **whose), NOW)
        about = carer if about_caregiver else None
        contacts.record_consent(Act(session, OPERATOR, patient.clinic_id, NOW), patient, kind, True, "form", about)
        contacts.record_consent(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, kind, False, "by telephone", about
        )
    with read_session(engine) as session:
        gone = session.scalars(select(Message).where(Message.state == MessageState.CANCELLED)).all()
        actions = session.scalars(select(AuditLine.action).where(AuditLine.action.like("consent.%"))).all()
    assert {"patient" if message.patient_id else "caregiver" for message in gone} == cancelled
    assert {message.reason for message in gone} <= {"consent_withdrawn"}
    assert sorted(actions) == ["consent.give", "consent.withdraw"]


def test_what_a_patient_allows_names_one_of_their_own_caregivers(
    engine: Engine, clinic: Clinic, patient: Patient
) -> None:
    with write_session(engine) as session:
        other = people.enrol_patient(Act(session, OPERATOR, clinic.id, NOW), people.NewPatient("F-2", "Noa", "UTC"))
        carer = people.add_caregiver(Act(session, OPERATOR, other.clinic_id, NOW), other, people.NewCaregiver("Kim"))
        with refusing("caregiver"):
            contacts.record_consent(
                Act(session, OPERATOR, patient.clinic_id, NOW), patient, ConsentKind.CAREGIVER, True, "form"
            )
        with refusing("caregiver"):
            contacts.record_consent(
                Act(session, OPERATOR, patient.clinic_id, NOW), patient, ConsentKind.CAREGIVER, True, "form", carer
            )


# --- pauses, references, limits -------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "last", "field"),
    [
        (date(2026, 3, 5), date(2026, 3, 4), "to_date"),
        (date(2026, 3, 5), date(2027, 3, 7), "to_date"),
        (date(1926, 3, 5), None, "from_date"),
        (date(9999, 12, 31), None, "from_date"),
    ],
)
def test_a_pause_that_cannot_be_meant_is_refused(
    engine: Engine, patient: Patient, first: date, last: date | None, field: str
) -> None:
    with refusing(field), write_session(engine) as session:
        pauses.add_pause(Act(session, OPERATOR, patient.clinic_id, NOW), patient, PauseCause.AWAY, first, last, "")


def test_a_pause_ends_after_a_day_or_is_cancelled_altogether(engine: Engine, patient: Patient) -> None:
    with write_session(engine) as session:
        first = date(2026, 3, 5)
        kept = pauses.add_pause(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, PauseCause.IN_HOSPITAL, first, None, ""
        )
        pauses.end_pause(Act(session, OPERATOR, kept.clinic_id, NOW), kept, date(2026, 3, 9))
        never = pauses.add_pause(
            Act(session, OPERATOR, patient.clinic_id, NOW), patient, PauseCause.AWAY, date(2026, 4, 1), None, ""
        )
        pauses.end_pause(Act(session, OPERATOR, never.clinic_id, NOW), never, date(2026, 3, 31))
        with refusing("pause"):
            pauses.end_pause(Act(session, OPERATOR, never.clinic_id, NOW), never, date(2026, 4, 2))
    assert (kept.to_date, kept.cancelled_at) == (date(2026, 3, 9), None)
    assert never.cancelled_at == NOW


def test_the_newest_reference_and_limits_stand_beside_the_earlier_ones(engine: Engine, patient: Patient) -> None:
    fortnight = (date(2026, 2, 1), date(2026, 2, 14))
    with write_session(engine) as session:
        baselines.set_reference(Act(session, OPERATOR, patient.clinic_id, NOW), patient, 20.0, None, None, None, None)
        later = Act(session, OPERATOR, patient.clinic_id, NOW + timedelta(days=1))
        baselines.set_reference(later, patient, 18.0, 25.0, 39.0, *fortnight)
        baselines.set_limits(Act(session, OPERATOR, patient.clinic_id, NOW), patient, 25.0, None)
        baselines.set_limits(later, patient, 24.0, 8.0)
    with read_session(engine) as session:
        references = session.scalars(select(Reference.pa_diastolic).order_by(Reference.set_at)).all()
        limits = session.execute(select(Limits.upper, Limits.lower).order_by(Limits.set_at)).all()
        set_by = set(session.scalars(select(Reference.set_by)))
    assert references == [20.0, 18.0]
    assert [tuple(pair) for pair in limits] == [(25.0, None), (24.0, 8.0)]
    assert set_by == {"operator"}


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ((0.5, None, None, None, None), "pa_diastolic"),
        ((30.0, 25.0, None, None, None), "pa_diastolic"),
        ((20.0, None, 200.0, None, None), "pa_systolic"),
        ((20.0, None, None, date(2026, 2, 1), None), "to_date"),
        ((20.0, None, None, date(2026, 2, 14), date(2026, 2, 1)), "to_date"),
        ((20.0, None, None, date(2026, 2, 20), date(2026, 3, 20)), "to_date"),
    ],
)
def test_a_reference_that_cannot_be_true_is_refused(
    engine: Engine, patient: Patient, values: tuple[Any, ...], field: str
) -> None:
    with refusing(field), write_session(engine) as session:
        baselines.set_reference(Act(session, OPERATOR, patient.clinic_id, NOW), patient, *values)


def test_limits_in_the_wrong_order_are_refused(engine: Engine, patient: Patient) -> None:
    with refusing("lower"), write_session(engine) as session:
        baselines.set_limits(Act(session, OPERATOR, patient.clinic_id, NOW), patient, 10.0, 20.0)


def test_a_clinic_begins_without_any_goal_of_the_services_own(engine: Engine, patient: Patient) -> None:
    """The service ships no default clinical goal."""
    with read_session(engine) as session:
        assert session.scalars(select(Reference)).all() == []
        assert session.scalars(select(Limits)).all() == []
