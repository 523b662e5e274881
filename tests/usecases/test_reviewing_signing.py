"""Signing: one signature a week, what was seen frozen in it, later data told as an amendment."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import date, time, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select

from service.domain import days, factjson
from service.domain.review import amendments
from service.domain.signals.facts import Picture, PictureFacts
from service.domain.validation import Refused
from service.domain.vocabulary import Outcome, SignalKind, Swelling
from service.reviewing import signing
from service.reviewing.panel import build_panel
from service.reviewing.patient import build_patient
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Patient, Signal, SignOff, Staff
from tests import inwords
from tests.ward import NOW, Ward, open_ward

STEADY = [18.0, 18.5, None, 18.2, 17.8] * 8


@pytest.fixture
def ward(engine: Engine) -> Iterator[Ward]:
    with write_session(engine) as session:
        yield open_ward(session)


def sign(ward: Ward, patient: Patient, **changes: object) -> SignOff:
    given: dict[str, object] = {
        "staff": ward.nurse,
        "outcome": Outcome.NO_CHANGE,
        "note": "",
        "next_look": None,
        "now": ward.now,
    }
    return signing.sign(ward.session, ward.clinic.id, patient.id, **(given | changes))  # type: ignore[arg-type]


def test_a_signature_keeps_what_was_on_the_page(ward):
    patient = ward.patient("Asha", pressures=STEADY, weights=[80.0] * 10)
    signed = sign(ward, patient, note="  Spoke to her.  ", outcome=Outcome.CALLED)
    entry = build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry
    assert signed.frozen["why"] == inwords.why(entry)
    assert len(signed.frozen["days"]) == 30
    assert signed.note == "Spoke to her."
    assert signed.week == date(2026, 11, 23)  # the Monday of that week
    assert signed.frozen_hash == signing.fingerprint(signed.frozen)
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
    signal = Signal(
        clinic_id=ward.clinic.id,
        patient_id=patient.id,
        kind=SignalKind.RISING,
        raised_on=date(2026, 11, 20),
        raised_at=ward.now,
        began_on=date(2026, 11, 1),
        facts=factjson.pack(PictureFacts(Picture.UP_AND_WELL, date(2026, 11, 20))),
        ended_on=date(2026, 11, 24),
    )
    ward.session.add(signal)
    ward.session.flush()
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
        clinic_id, patient_id = ward.clinic.id, patient.id
        people = [ward.nurse.id, ward.staff("Rowan Pell").id]
    ready = threading.Barrier(2)
    outcomes: list[str] = []

    def signs(staff_id: object) -> None:
        with read_session(engine) as session:
            staff = session.get_one(Staff, staff_id)
        ready.wait(timeout=10)
        try:
            with write_session(engine) as session:
                signing.sign(session, clinic_id, patient_id, staff, Outcome.CALLED, "", None, NOW)
            outcomes.append("signed")
        except signing.AlreadySigned as other:
            outcomes.append(f"told of {other.by}")

    threads = [threading.Thread(target=signs, args=(person,)) for person in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=20)
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
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(later_data)
def test_whatever_arrives_later_a_signed_record_stays_as_it_was(engine, changes):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=STEADY)
        signed = sign(ward, patient)
        frozen_before, hash_before = signing.fingerprint(signed.frozen), signed.frozen_hash
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
        assert signing.fingerprint(kept.frozen) == frozen_before == hash_before == kept.frozen_hash
        session.rollback()


def _checkin_on(patient_id, day):
    from service.store.tables import Checkin

    return (Checkin.patient_id == patient_id) & (Checkin.local_date == day)


# --- amendments ---------------------------------------------------------------------------


def told(then: days.Day, now: days.Day) -> list[str]:
    return [inwords.amendment(amendment) for amendment in amendments([then], [now])]


DAY = date(2026, 11, 20)


def test_a_late_reading_and_a_late_check_in_are_told_as_amendments():
    assert told(
        days.Day(DAY),
        days.Day(DAY, readings=1, pa_diastolic=24.0, pa_systolic=42.0, pa_mean=30.0, checkin=True, weight_kg=80.0),
    ) == [
        "20 November: a reading came late, PA diastolic 24 mmHg; a check-in came late; weight was not given, now 80 kg."
    ]


def test_a_correction_is_told_with_what_was_seen_then():
    then = days.Day(DAY, checkin=True, weight_kg=180.0, swelling=Swelling.NONE)
    now = days.Day(DAY, checkin=True, weight_kg=81.6, swelling=Swelling.ANKLE)
    assert told(then, now) == ["20 November: weight was 180 kg, now 81.6 kg; swelling was none, now ankle."]


def test_what_did_not_change_and_days_not_seen_are_no_amendment():
    day = days.Day(DAY, readings=1, pa_diastolic=20.0)
    assert told(day, day) == []
    assert amendments([day], [days.Day(DAY + timedelta(days=1), readings=1, pa_diastolic=30.0)]) == []


def test_a_late_reading_shows_as_an_amendment_of_the_signed_week(ward):
    patient = ward.patient("Asha", pressures=STEADY)
    signed = sign(ward, patient)
    missing = next(day for day in signed.frozen["days"] if "pa_diastolic" not in day)
    ward.reading(patient, date.fromisoformat(missing["day"]), 27.5)
    ward.session.flush()
    seen = build_patient(ward.session, ward.clinic.id, patient.id, ward.now)
    found = amendments([days.from_json(day) for day in seen.reviews[0].frozen["days"]], seen.days)
    assert [amendment.day.isoformat() for amendment in found] == [missing["day"]]
    assert "a reading came late, PA diastolic 27.5 mmHg" in inwords.amendment(found[0])
