"""Signing: one signature a week, what was seen frozen in it, what reads differently told apart."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date, time, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.care import entries
from service.domain import days, factjson, seals
from service.domain.since import later_days
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ActorKind,
    ContactWay,
    EventKind,
    Lane,
    Outcome,
    SignalKind,
    Swelling,
    TaskKind,
    TaskState,
)
from service.recording import events, next_contacts
from service.reviewing import inbox, signing, withdrawing
from service.reviewing.panel import PanelEntry, build_panel
from service.reviewing.patient import build_patient
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, NextContact, Patient, SignOff, Staff
from tests import inwords
from tests.builder import acting
from tests.conftest import SERVER
from tests.ward import NOW, Ward, at_once, open_ward

STEADY = [18.0, 18.5, None, 18.2, 17.8] * 8


def sign(ward: Ward, patient: Patient, **changes: object) -> SignOff:
    given: dict[str, object] = {
        "staff": ward.nurse,
        "outcome": Outcome.NO_CHANGE,
        "note": "",
        "next_look": None,
        "now": ward.now,
    }
    given |= changes
    act = acting(ward.session, given.pop("staff"), given.pop("now"))  # type: ignore[arg-type]
    return signing.sign(act, patient.id, **given)  # type: ignore[arg-type]


def test_a_signature_keeps_what_was_on_the_page(ward):
    patient = ward.patient("Asha", pressures=STEADY, weights=[80.0] * 10)
    signed = sign(ward, patient, note="  Spoke to her.  ", outcome=Outcome.CALLED)
    entry = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert signed.frozen["why"] == inwords.why(entry)
    assert len(signed.frozen["days"]) == 30
    assert signed.note == "Spoke to her."
    assert signed.week == date(2026, 11, 23)  # the Monday of that week
    assert signed.frozen_hash == seals.fingerprint(signed.frozen)
    assert entry.signed is not None
    assert entry.signed.by == "Imogen Vale"


def test_a_signed_patient_goes_below_the_unsigned_of_their_lane(ward):
    first = ward.patient("Asha", pressures=STEADY)
    second = ward.patient("Ben", pressures=STEADY)
    sign(ward, first)
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    assert [entry.patient_id for entry in panel.entries] == [second.id, first.id]
    assert panel.signed == 1


def test_the_second_signature_of_a_week_is_told_who_was_first(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    sign(ward, patient)
    with pytest.raises(signing.AlreadySigned) as caught:
        sign(ward, patient, staff=ward.staff("Rowan Pell"))
    assert caught.value.by == "Imogen Vale"
    # The transaction that lost is still good for everything else.
    assert ward.session.scalar(select(func.count()).select_from(SignOff)) == 1


def test_next_week_is_signed_anew_and_counts_the_days_since(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    sign(ward, patient)
    later = ward.now + timedelta(days=6)
    entry = build_patient(ward.session, ward.clinic.id, patient.id, later).entry
    assert entry.signed is None
    assert entry.days_since_review == 6
    assert sign(ward, patient, now=later).week == date(2026, 11, 30)


def test_who_could_not_be_reached_is_carried_over_until_reached(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    sign(ward, patient, outcome=Outcome.NOT_REACHED)
    later = ward.now + timedelta(days=6)
    entry = build_patient(ward.session, ward.clinic.id, patient.id, later).entry
    assert entry.carried_over
    assert any("could not be reached on 25 November" in sentence for sentence in inwords.reasons(entry))


def test_signing_marks_the_patients_signals_as_seen_by_the_signer(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    signal = ward.signal(patient, date(2026, 11, 20), date(2026, 11, 1), date(2026, 11, 24))
    before = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert any("not yet seen by anyone" in sentence for sentence in inwords.reasons(before))
    sign(ward, patient)
    ward.session.refresh(signal)
    assert signal.seen_by == ward.nurse.id
    after = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert not any("not yet seen" in sentence for sentence in inwords.reasons(after))


def test_a_signature_is_audited_without_any_value(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    signed = sign(ward, patient, note="Her potassium was 5.1")
    line = ward.session.scalars(select(AuditLine).where(AuditLine.action == "review.sign")).one()
    assert line.subject_id == signed.id
    assert "5.1" not in str(line.detail)
    assert "Asha" not in str(line.detail)


@pytest.mark.parametrize(
    "changes",
    [
        {"note": "x" * 5000},
        {"note": "a\x00b"},
        {"next_look": date(2026, 11, 25)},
        {"next_look": date(2028, 11, 25)},
    ],
)
def test_what_cannot_be_signed_is_refused_and_nothing_is_written(ward, changes):
    patient = ward.patient("Asha", pressures=STEADY)
    with pytest.raises(Refused):
        sign(ward, patient, **changes)
    assert ward.session.scalar(select(func.count()).select_from(SignOff)) == 0


def test_nobody_signs_another_clinics_patient(ward):
    other = open_ward(ward.session)
    patient = other.patient("Elsewhere", pressures=STEADY)
    with pytest.raises(LookupError):
        sign(ward, patient)
    with pytest.raises(LookupError):
        sign(ward, ward.patient("Asha"), staff=other.nurse)


def test_of_two_who_sign_at_once_exactly_one_wins(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=STEADY)
        patient_id = patient.id
        people = [ward.nurse.id, ward.staff("Rowan Pell").id]

    def signs(session: Session, staff: Staff) -> str:
        try:
            signing.sign(acting(session, staff, NOW), patient_id, Outcome.CALLED, "", None)
        except signing.AlreadySigned as other:
            return f"told of {other.by}"
        return "signed"

    outcomes = at_once(engine, people, signs)
    assert sorted(outcome.split()[0] for outcome in outcomes) == ["signed", "told"]
    with read_session(engine) as session:
        assert session.scalar(select(func.count()).select_from(SignOff)) == 1


later_data = st.lists(
    st.tuples(
        st.integers(0, 29),
        st.sampled_from(["reading", "checkin", "withdraw"]),
        st.floats(8, 40).map(lambda value: round(value, 1)),
    ),
    max_size=8,
)


@settings(
    max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(later_data)
def test_whatever_arrives_later_a_signed_record_stays_as_it_was(engine, changes):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=STEADY)
        signed = sign(ward, patient)
        frozen_before, hash_before = seals.fingerprint(signed.frozen), signed.frozen_hash
        today = ward.today(patient)
        readings = {}
        for turn, (ago, what, value) in enumerate(changes):
            day = today - timedelta(days=ago)
            if what == "reading":
                readings[day] = ward.reading(patient, day, value, at=time(20, turn))
            elif what == "withdraw" and day in readings:
                readings[day].superseded_at = ward.now + timedelta(minutes=5)
            elif what == "checkin" and not session.scalar(select(func.count()).where(_checkin_on(patient.id, day))):
                ward.checkin(patient, day, {"weight_kg": 60 + value})
            session.flush()
        session.expire_all()
        kept = session.get_one(SignOff, signed.id)
        assert seals.fingerprint(kept.frozen) == frozen_before == hash_before == kept.frozen_hash
        session.rollback()


def _checkin_on(patient_id, day):
    from service.store.tables import Checkin

    return (Checkin.patient_id == patient_id) & (Checkin.local_date == day)


# --- what only reads differently ---------------------------------------------------------------------------


def told(then: days.Day, now: days.Day) -> list[str]:
    return [inwords.later_day(day) for day in later_days([then], [now])]


DAY = date(2026, 11, 20)


def test_a_late_reading_and_a_late_check_in_are_told_as_later_days():
    assert told(
        days.Day(DAY),
        days.Day(DAY, readings=1, pa_diastolic=24.0, pa_systolic=42.0, pa_mean=30.0, checkin=True, weight_kg=80.0),
    ) == [
        "20 November: a reading came since, PA diastolic 24 mmHg; a check-in came since; weight was not given, now 80 kg."
    ]


def test_a_correction_is_told_with_what_was_seen_then():
    then = days.Day(DAY, checkin=True, weight_kg=180.0, swelling=Swelling.NONE)
    now = days.Day(DAY, checkin=True, weight_kg=81.6, swelling=Swelling.ANKLE)
    assert told(then, now) == ["20 November: weight was 180 kg, now 81.6 kg; swelling was none, now ankle."]


def test_what_did_not_change_and_days_not_seen_are_left_out():
    day = days.Day(DAY, readings=1, pa_diastolic=20.0)
    assert told(day, day) == []
    assert later_days([day], [days.Day(DAY + timedelta(days=1), readings=1, pa_diastolic=30.0)]) == []


def test_a_late_reading_is_a_later_value_of_the_signed_week(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    signed = sign(ward, patient)
    missing = next(day for day in signed.frozen["days"] if "pa_diastolic" not in day)
    ward.reading(patient, date.fromisoformat(missing["day"]), 27.5)
    ward.session.flush()
    seen = build_patient(ward.session, ward.clinic.id, patient.id, ward.now)
    found = later_days([factjson.unpack(days.Day, day) for day in seen.reviews[0].frozen["days"]], seen.days)
    assert [later.day.isoformat() for later in found] == [missing["day"]]
    assert "a reading came since, PA diastolic 27.5 mmHg" in inwords.later_day(found[0])


# --- what must not be signed unseen ------------------------------------------------------------


def opened(ward: Ward, patient: Patient) -> PanelEntry:
    return build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry


@pytest.mark.parametrize("kind", [TaskKind.SAFETY_ANSWER, TaskKind.SAME_DAY, TaskKind.ABOVE_LIMIT, TaskKind.CALL_TODAY])
def test_what_calls_today_is_signed_after_it_was_read_and_with_a_word(ward, kind):
    patient = ward.patient("Asha", pressures=STEADY, reference=18.0)
    ward.task(patient, kind, "Chest pain.")
    seen = opened(ward, patient).seen
    for wrong in ({"outcome": Outcome.CALLED}, {"seen": seen}, {"seen": seen, "note": " \n"}):
        with pytest.raises(Refused):
            sign(ward, patient, **wrong)
    with pytest.raises(signing.LookAgain):
        sign(ward, patient, outcome=Outcome.CALLED, seen="0" * 16)
    assert sign(ward, patient, seen=seen, note="Rang; an ambulance is there.").outcome is Outcome.NO_CHANGE


def test_a_passed_limit_that_nobody_has_seen_is_not_signed_unseen_in_a_calmer_lane(ward):
    patient = ward.patient("Asha", pressures=STEADY, reference=18.0)
    ward.signal(patient, date(2026, 11, 20), date(2026, 11, 1), date(2026, 11, 24)).kind = SignalKind.ABOVE_LIMIT
    ward.session.flush()
    entry = opened(ward, patient)
    assert entry.lane is Lane.LOOK_CLOSELY
    assert entry.must_be_opened
    with pytest.raises(Refused):
        sign(ward, patient, outcome=Outcome.CALLED)


# --- taken back ---------------------------------------------------------------------------------


def take_back(ward: Ward, signed: SignOff, *, by: Staff | None = None, after: timedelta = timedelta(minutes=2)) -> None:
    withdrawing.take_back(acting(ward.session, by or ward.nurse, signed.signed_at + after), signed.id)


def test_a_signature_taken_back_undoes_what_was_done_with_it_and_stays_on_record(ward):
    patient = ward.patient("Asha", pressures=STEADY, reference=18.0)
    task = ward.task(patient, TaskKind.SAFETY_ANSWER, "Chest pain.")
    signal = ward.signal(patient, date(2026, 11, 20), date(2026, 11, 1), date(2026, 11, 24))
    act = Act(ward.session, Actor(ActorKind.STAFF, ward.nurse.id), ward.clinic.id, ward.now)
    before = opened(ward, patient)
    signed = sign(ward, patient, outcome=Outcome.CALLED, seen=before.seen)
    inbox.close(acting(ward.session, ward.nurse, ward.now), task.id, "Called.")
    next_contacts.plan_contact(act, patient, due_on=ward.today(patient), way=ContactWay.CALL, staff_id=ward.nurse.id)
    take_back(ward, signed)
    ward.session.expire_all()
    after = opened(ward, patient)
    assert (after.signed, after.seen, after.reasons) == (None, before.seen, before.reasons)
    assert (task.state, task.closed_by, signal.seen_at) == (TaskState.OPEN, None, None)
    assert task.escalates_at == ward.now + timedelta(minutes=2)  # told at once, as it was when it was raised
    assert entries.counting(ward.session, NextContact, patient.id) == []
    assert seals.fingerprint(ward.session.get_one(SignOff, signed.id).frozen) == signed.frozen_hash
    actions = ward.session.scalars(select(AuditLine.action).where(AuditLine.subject_id == signed.id)).all()
    assert set(actions) == {"review.sign", "review.take_back"}
    # Once more: there is room for one signature, and taking the first back again changes nothing.
    take_back(ward, signed)
    assert sign(ward, patient, outcome=Outcome.CALLED, seen=after.seen, now=ward.now + timedelta(minutes=3)).number == 2
    with pytest.raises(signing.AlreadySigned):
        sign(ward, patient)


def test_a_signature_stands_after_some_minutes_for_others_and_once_it_was_added_to(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    signed = sign(ward, patient)
    with pytest.raises(withdrawing.StillStands, match="too_late"):
        take_back(ward, signed, after=withdrawing.WITHIN + timedelta(seconds=1))
    with pytest.raises(withdrawing.StillStands, match="anothers"):
        take_back(ward, signed, by=ward.staff("Rowan Pell"))
    seen = opened(ward, patient).seen
    signing.add(acting(ward.session, ward.nurse, ward.now), patient.id, Outcome.CALLED, "Rang.", seen)
    with pytest.raises(withdrawing.StillStands, match="added_to"):
        take_back(ward, signed)
    assert opened(ward, patient).signed is not None


def test_of_who_died_meanwhile_no_task_is_open_again(ward):
    patient = ward.patient("Asha", pressures=STEADY, reference=18.0)
    task = ward.task(patient, TaskKind.SAFETY_ANSWER, "Chest pain.")
    signed = sign(ward, patient, outcome=Outcome.CALLED, seen=opened(ward, patient).seen)
    act = acting(ward.session, ward.nurse, ward.now)
    inbox.close(act, task.id, "Called.")
    events.record_event(act, patient, kind=EventKind.DEATH, from_date=ward.today(patient), confirmed=True)
    take_back(ward, signed)
    ward.session.refresh(task)
    assert task.state is TaskState.CLOSED


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL")
def test_nothing_is_added_to_a_signature_that_is_taken_back_in_the_same_moment(engine, monkeypatch):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient, nurse = ward.patient("Asha", pressures=STEADY), ward.nurse
        signed = sign(ward, patient)
        seen = opened(ward, patient).seen
    looked, stands = threading.Event(), signing._stands

    def after_it_looked(*given):
        looked.set()
        return stands(*given)

    def adds():
        with write_session(engine) as session:
            signing.add(acting(session, nurse, NOW), patient.id, Outcome.CALLED, "Rang.", seen)

    monkeypatch.setattr(signing, "_stands", after_it_looked)
    with ThreadPoolExecutor(1) as pool:
        with write_session(engine) as session:
            withdrawing.take_back(acting(session, nurse, NOW), signed.id)
            added = pool.submit(adds)
            assert looked.wait(30)
        with pytest.raises(signing.NotSigned):
            added.result(30)
