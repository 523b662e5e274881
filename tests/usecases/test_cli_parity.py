"""What the API can change, an operator can change from a terminal, through the same use cases."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import pytest
from sqlalchemy import Engine, select

from service.care import contacts
from service.clock import SystemClock
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, MessageState, Source
from service.enrolling.baselines import FEWEST_DATES
from service.store import outbox
from service.store.outbox import NewMessage
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Caregiver, Clinic, Contact, Message, Patient, Plan, Reference
from service.store.tables import Reading as Taken
from tests.usecases.test_cli import CLINIC, PASSWORD, PATIENT, Run, done, run

__all__ = ["run"]

DOCTOR = "rowan@fernmoor.example"
STEPS = ("--step", "prompt:opens", "--step", "reminder:due+15", "--step", "nudge:closes", "--step", "task:closes+60")
AS_STORED = [
    {"kind": "prompt", "anchor": "opens", "after_minutes": 0},
    {"kind": "reminder", "anchor": "due", "after_minutes": 15},
    {"kind": "nudge", "anchor": "closes", "after_minutes": 0},
    {"kind": "task", "anchor": "closes", "after_minutes": 60},
]


@pytest.fixture
def clinic(run: Run) -> Run:
    """A clinic with one patient and the account of a physician."""
    done(run(*CLINIC))
    done(run(*PATIENT, "--telephone", "+64 9 999 0101"))
    hire = ("staff", "add", "--email", DOCTOR, "--name", "Rowan Pell", "--role", "physician", "--password-stdin")
    done(run(*hire, stdin=f"{PASSWORD}\n"))
    return run


def test_a_clinics_settings_are_changed_and_what_is_left_out_stays(clinic: Run, engine: Engine) -> None:
    words = ("--emergency-number", "112", "--quiet-from", "22:30", "--silent-days", "2", "--review-weekday", "friday")
    changed = done(clinic("clinic", "change", *words, *STEPS))
    assert changed.value("changed") == "emergency_number quiet_from review_weekday silent_days steps"
    with read_session(engine) as session:
        held = session.scalars(select(Clinic)).one()
    assert (held.emergency_number, held.quiet_from, held.silent_days, held.review_weekday) == (
        "112",
        time(22, 30),
        2,
        4,
    )
    assert held.steps == AS_STORED
    assert (held.name, held.quiet_until) == ("Fernmoor Clinic", time(8))
    shown = done(clinic("clinic", "show"))
    assert shown.value("steps") == "prompt:opens reminder:due+15 nudge:closes task:closes+60"


def test_a_patients_particulars_are_changed(clinic: Run, engine: Engine) -> None:
    done(
        clinic("patient", "change", "F-1", "--zone", "Europe/Madrid", "--dry-weight", "180", "--weight-unit", "[lb_av]")
    )
    with read_session(engine) as session:
        held = session.scalars(select(Patient)).one()
    # 1 lb is 0.45359237 kg exactly (NIST SP 811).
    assert held.dry_weight_kg == pytest.approx(180 * 0.45359237, abs=0.001)
    assert (held.zone, held.weight_unit, held.name) == ("Europe/Madrid", "[lb_av]", "Asha Invented")


def test_a_patient_is_followed_up_in_another_way_and_again_as_the_clinic_does(clinic: Run, engine: Engine) -> None:
    done(clinic("plan", "set", "F-1", "--opens", "07:00", "--due", "08:30", "--closes", "10:00", "--no-checkin"))
    done(clinic("plan", "steps", "F-1", *STEPS, "--silent-days", "1"))
    with read_session(engine) as session:
        held = session.scalars(select(Plan)).one()
    assert (held.steps, held.silent_days, held.opens, held.wants_checkin) == (AS_STORED, 1, time(7), False)
    shown = done(clinic("plan", "show", "F-1"))
    assert (shown.value("steps"), shown.value("silent_days")) == (
        "prompt:opens reminder:due+15 nudge:closes task:closes+60", "1",
    )  # fmt: skip
    done(clinic("plan", "steps", "F-1", "--silent-days", "4"))
    with read_session(engine) as session:
        held = session.scalars(select(Plan)).one()
    assert (held.steps, held.silent_days) == (AS_STORED, 4)  # what is not named stays
    done(clinic("plan", "steps", "F-1", "--as-clinic"))
    with read_session(engine) as session:
        held = session.scalars(select(Plan)).one()
    assert (held.steps, held.silent_days, held.opens) == (None, None, time(7))


def readings_on(engine: Engine, days: int, first: date) -> None:
    """Diastolic 18, 19, 18, 19 …, and a second reading of each date, 4 above, that the median halves."""
    with write_session(engine) as session:
        patient = session.scalars(select(Patient)).one()
        for n in range(days):
            for hour, above in ((7, 0.0), (8, 4.0)):
                taken_at = datetime.combine(first + timedelta(days=n), time(hour), SystemClock().now().tzinfo)
                session.add(
                    Taken(
                        clinic_id=patient.clinic_id, patient_id=patient.id, taken_at=taken_at, received_at=taken_at,
                        local_date=taken_at.date(), pa_systolic=40 + above, pa_diastolic=18 + n % 2 + above,
                        pa_mean=27 + above, mean_is_derived=False, source=Source.FILE, unit_given="mm[Hg]", remarks=[],
                    )
                )  # fmt: skip


def test_a_reference_is_the_mean_of_a_fortnight_or_typed_and_a_clinician_answers_for_it(
    clinic: Run, engine: Engine
) -> None:
    first = SystemClock().now().date() - timedelta(days=20)
    readings_on(engine, 14, first)
    said = done(clinic("reference", "set", "F-1", "--from", first.isoformat(), "--decided-by", DOCTOR))
    # By hand: medians of each date 20, 21, 20 …, whose mean over 14 dates is 20.5; mean 27 and 29, systolic 40 and 44.
    assert (said.value("diastolic"), said.value("mean"), said.value("systolic")) == ("20.5", "29.0", "42.0")
    done(clinic("reference", "set", "F-1", "--diastolic", "17.5", "--decided-by", DOCTOR))
    shown = done(clinic("reference", "show", "F-1")).out.splitlines()
    assert "17.5/none/none mmHg" in shown[0]
    assert f"{first} to {first + timedelta(days=13)}" in shown[1]
    with read_session(engine) as session:
        answers = {row.set_by.partition(":")[0] for row in session.scalars(select(Reference))}
        typed = {line.actor_kind.value for line in session.scalars(select(AuditLine))}
    assert (answers, typed) == ({"staff"}, {"operator"})


def test_limits_are_typed_and_taken_away(clinic: Run, engine: Engine) -> None:
    done(clinic("limits", "set", "F-1", "--upper", "25", "--lower", "8", "--decided-by", DOCTOR))
    done(clinic("limits", "set", "F-1", "--decided-by", DOCTOR))
    shown = done(clinic("limits", "show", "F-1")).out.splitlines()
    assert ["lower none, upper none" in shown[0], "lower 8, upper 25" in shown[1]] == [True, True]


def test_a_contact_is_corrected_and_tried_again(clinic: Run, engine: Engine) -> None:
    done(clinic("contact", "add", "F-1", "--channel", "email", "--address", "asha@invented.example"))
    with write_session(engine) as session:
        held = session.scalars(select(Contact).where(Contact.channel == Channel.TEXT)).one()
        held.state, held.broken_reason = "broken", "unknown"  # type: ignore[assignment]
    assert "broken" in done(clinic("contact", "list", "F-1")).out
    done(clinic("contact", "change", str(held.id), "--address", "+64 9 999 0199"))
    listed = done(clinic("contact", "list", "F-1")).out
    assert "broken" not in listed
    assert [line.split()[3] for line in listed.splitlines()] == ["+6499990199", "asha@invented.example"]


def test_a_caregiver_is_ended_and_their_consents_are_seen_withdrawn(clinic: Run, engine: Engine) -> None:
    carer = done(clinic("caregiver", "add", "F-1", "--name", "Ben", "--telephone", "+64 9 999 0102")).value("caregiver")
    for kind in ("caregiver", "messages"):
        done(clinic("consent", "record", "F-1", "--kind", kind, "--caregiver", carer, "--how", "signed form"))
    now = SystemClock().now()
    with write_session(engine) as session:
        ben = session.scalars(select(Caregiver)).one()
        (contact,) = contacts.reachable(session, caregiver_id=ben.id)
        outbox.enqueue(
            session,
            NewMessage(
                ben.clinic_id, contact.id, MessageKind.NUDGE, Channel.TEXT, "nudge:1", now, now + timedelta(hours=12),
                patient_id=ben.patient_id, caregiver_id=ben.id,
            ),
            now,
        )  # fmt: skip
    assert "active" in done(clinic("caregiver", "list", "F-1")).out
    done(clinic("caregiver", "end", carer))
    assert "ended" in done(clinic("caregiver", "list", "F-1")).out
    consents = done(clinic("consent", "list", "F-1")).out.splitlines()
    assert sum("withdrawn" in line for line in consents) == 2
    with read_session(engine) as session:
        message = session.scalars(select(Message)).one()
        assert contacts.reachable(session, caregiver_id=ben.id) == []
        assert not contacts.has_consent(session, ben.patient_id, ConsentKind.CAREGIVER, ben.id)
    assert (message.state, message.reason) == (MessageState.CANCELLED, "caregiver_ended")


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("clinic", "change"), "options"),
        (("clinic", "change", "--emergency-number", "call me"), "emergency_number"),
        (("clinic", "change", "--silent-days", "99"), "silent_days"),
        (("clinic", "change", "--step", "prompt-opens"), "step"),
        (("clinic", "change", "--step", "prompt:opens"), "steps"),
        (("clinic", "change", "--step", "letter:opens", "--step", "task:closes"), "steps.0.kind"),
        (("patient", "change", "F-1", "--zone", "Moon/Base"), "zone"),
        (("plan", "steps", "F-1", "--silent-days", "2"), "plan"),
        (("plan", "steps", "F-1"), "steps"),
        (("plan", "steps", "F-1", "--as-clinic", "--silent-days", "2"), "steps"),
        (("reference", "set", "F-1", "--decided-by", DOCTOR), "diastolic"),
        (("reference", "set", "F-1", "--from", "2026-01-01", "--decided-by", DOCTOR), "from_date"),
        (("reference", "set", "F-1", "--diastolic", "18", "--decided-by", "nobody@fernmoor.example"), "decided_by"),
        (("limits", "set", "F-1", "--upper", "8", "--lower", "25", "--decided-by", DOCTOR), "lower"),
        (("contact", "change", "00000000-0000-0000-0000-000000000000", "--address", "x"), "contact"),
        (("contact", "add", "F-1", "--channel", "email", "--address", "nowhere"), "address"),
        (("caregiver", "end", "00000000-0000-0000-0000-000000000000"), "caregiver"),
    ],
)  # fmt: skip
def test_what_cannot_be_changed_is_one_line_and_exit_code_2(clinic: Run, words: tuple[str, ...], names: str) -> None:
    said = clinic(*words)
    assert said.code == 2
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert names in said.err
    assert "accepted" in said.err


def test_an_administrator_does_not_answer_for_a_limit(clinic: Run) -> None:
    hire = ("staff", "add", "--email", "noa@fernmoor.example", "--name", "Noa", "--role", "administrator")
    done(clinic(*hire, "--password-stdin", stdin=f"{PASSWORD}\n"))
    assert clinic("limits", "set", "F-1", "--upper", "25", "--decided-by", "noa@fernmoor.example").code == 2


@pytest.mark.parametrize(
    ("words", "bind", "passed"),
    [
        ((), "127.0.0.1:8000", []),
        (("--port", "8123"), "127.0.0.1:8123", ["NEAPTIDE_PORT=8123"]),
        (("--host", "::1", "--port", "1"), "[::1]:1", ["NEAPTIDE_HOST=::1", "NEAPTIDE_PORT=1"]),
    ],
)
def test_where_to_serve_is_typed_or_set(
    run: Run, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], bind: str, passed: list[str]
) -> None:
    """What the server's own processes read goes along, so that they know the same address."""
    told: list[str] = []
    monkeypatch.setattr("os.execv", lambda _program, command: told.extend(command))
    done(run("serve", *words))
    assert told[told.index("--bind") + 1] == bind
    assert [told[place + 1] for place, word in enumerate(told) if word == "--env"] == passed


def test_a_fortnight_with_too_few_readings_makes_no_reference(clinic: Run, engine: Engine) -> None:
    first = SystemClock().now().date() - timedelta(days=20)
    readings_on(engine, FEWEST_DATES - 1, first)
    said = clinic("reference", "set", "F-1", "--from", first.isoformat(), "--decided-by", DOCTOR)
    assert (said.code, "from_date" in said.err) == (2, True)
