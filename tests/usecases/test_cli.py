"""`neaptide …` as an operator types it: a clinic set up from nothing, and every refusal in one line with exit code 2."""

from __future__ import annotations

import io
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from service.accounts import keys, signin
from service.accounts.signin import SignedIn
from service.cli import main
from service.clock import SystemClock
from service.domain.vocabulary import ConsentKind, Scope
from service.store.session import connect, read_session
from service.store.tables import AuditLine, Caregiver, Clinic, Consent, Contact, Patient, Pause, Plan

PASSWORD = "four quiet minutes a day"
CLINIC = (
    "clinic", "add", "--name", "Fernmoor Clinic", "--zone", "Europe/London", "--emergency-number", "999",
    "--contact-line", "+44 7700 900100", "--sender-name", "Fernmoor",
)  # fmt: skip
PATIENT = ("patient", "add", "--ref", "F-1", "--name", "Asha Invented", "--zone", "Pacific/Auckland")


@dataclass
class Said:
    code: int
    out: str
    err: str

    def value(self, name: str) -> str:
        """What the line `name: value` says."""
        return next(line.split(": ", 1)[1] for line in self.out.splitlines() if line.startswith(f"{name}: "))


Run = Callable[..., Said]


@pytest.fixture
def run(engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one command on the test's database."""
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", engine.url.render_as_string(hide_password=False))
    monkeypatch.setenv("NEAPTIDE_SECRET_KEY", "a secret that only this test knows, 32+ characters")

    def call(*words: str, stdin: str = "") -> Said:
        monkeypatch.setattr(sys, "argv", ["neaptide", *words])
        monkeypatch.setattr(sys, "stdin", io.StringIO(stdin))
        code = 0
        try:
            main()
        except SystemExit as stopped:
            code = stopped.code if isinstance(stopped.code, int) else 0
        told = capsys.readouterr()
        return Said(code, told.out, told.err)

    return call


def done(said: Said) -> Said:
    assert said.code == 0, said.err
    return said


def test_a_clinic_is_set_up_from_a_terminal(run: Run, engine: Engine) -> None:
    done(run(*CLINIC, "--review-weekday", "wednesday", "--quiet-until", "07:30"))
    patient = done(
        run(
            *PATIENT,
            "--dry-weight",
            "180",
            "--weight-unit",
            "[lb_av]",
            "--telephone",
            "+64 9 999 0101",
            "--email",
            "Asha@Invented.example",
        )
    ).value("patient")
    done(run("consent", "record", "F-1", "--how", "signed form"))
    carer = done(run("caregiver", "add", "F-1", "--name", "Ben Invented", "--telephone", "+64 9 999 0102")).value(
        "caregiver"
    )
    done(run("consent", "record", "F-1", "--kind", "caregiver", "--caregiver", carer, "--how", "signed form"))
    done(run("consent", "record", "F-1", "--caregiver", carer, "--how", "by telephone"))
    plan = done(run("plan", "set", "F-1", "--opens", "07:00", "--due", "08:30", "--closes", "10:00",
                    "--weekday", "monday", "--weekday", "friday"))  # fmt: skip
    assert plan.value("next_window").endswith("07:00 Pacific/Auckland")
    today = SystemClock().now().date().isoformat()
    pause = done(run("pause", "add", "F-1", "--cause", "away", "--from", today)).value("pause")
    done(run("pause", "end", pause, "--last-day", today))

    with read_session(engine) as session:
        clinic = session.scalars(select(Clinic)).one()
        held = session.scalars(select(Patient)).one()
        contacts = session.scalars(select(Contact).where(Contact.patient_id == held.id).order_by(Contact.position))
        addresses = [contact.address for contact in contacts]
        consents = {(one.kind, one.caregiver_id is None) for one in session.scalars(select(Consent))}
        rule = session.scalars(select(Plan)).one()
        ended = session.scalars(select(Pause)).one()
        actors = {line.actor_kind.value for line in session.scalars(select(AuditLine))}
    assert (clinic.review_weekday, clinic.quiet_until.isoformat("minutes")) == (2, "07:30")
    assert str(held.id) == patient
    # 1 lb is 0.45359237 kg exactly (NIST SP 811).
    assert held.dry_weight_kg == pytest.approx(180 * 0.45359237, abs=0.001)
    assert addresses == ["+6499990101", "asha@invented.example"]
    assert consents == {
        (ConsentKind.MESSAGES, True), (ConsentKind.CAREGIVER, False), (ConsentKind.MESSAGES, False),
    }  # fmt: skip
    assert rule.weekdays == 0b0010001
    assert ended.to_date is not None
    assert ended.to_date.isoformat() == today
    assert actors == {"operator"}


def test_what_was_set_up_is_shown(run: Run) -> None:
    done(run(*CLINIC))
    done(run(*PATIENT, "--telephone", "+64 9 999 0101"))
    assert "plan: none" in done(run("patient", "show", "F-1")).out
    done(run("plan", "set", "F-1", "--opens", "07:00", "--due", "08:30", "--closes", "10:00", "--no-checkin"))
    assert done(run("clinic", "show")).value("emergency_number") == "999"
    shown = done(run("patient", "show", "F-1"))
    assert shown.value("zone") == "Pacific/Auckland"
    assert "contact: text +6499990101 (ok)" in shown.out
    plan = done(run("plan", "show", "F-1"))
    assert (plan.value("opens"), plan.value("checkin")) == ("07:00", "False")
    assert "F-1" in done(run("patient", "list")).out
    done(run("patient", "end", "F-1"))
    assert "ended" in done(run("patient", "list")).out


def test_staff_come_in_with_a_password_that_never_stood_in_an_argument(run: Run, engine: Engine) -> None:
    done(run(*CLINIC))
    words = ("staff", "add", "--email", "Imogen@Fernmoor.example", "--name", "Imogen Vale", "--role", "nurse")
    done(run(*words, "--password-stdin", stdin=f"{PASSWORD}\n"))
    now = SystemClock().now()
    assert isinstance(signin.sign_in(engine, "imogen@fernmoor.example", PASSWORD, now), SignedIn)
    done(run("staff", "password", "imogen@fernmoor.example", "--password-stdin", stdin="another long enough one\n"))
    assert not isinstance(signin.sign_in(engine, "imogen@fernmoor.example", PASSWORD, now), SignedIn)
    done(run("staff", "close", "imogen@fernmoor.example"))
    listed = done(run("staff", "list")).out
    assert "closed" in listed
    assert not isinstance(signin.sign_in(engine, "imogen@fernmoor.example", "another long enough one", now), SignedIn)


def test_a_key_is_told_once_and_can_be_revoked(run: Run, engine: Engine) -> None:
    done(run(*CLINIC))
    issued = done(run("key", "issue", "--name", "bridge", "--scope", "readings"))
    with connect(engine) as connection:
        key = keys.check_key(connection, issued.value("secret"))
    assert key is not None
    assert key.scopes == {Scope.READINGS}
    assert issued.value("secret") not in done(run("key", "list")).out
    done(run("key", "revoke", issued.value("key")))
    with connect(engine) as connection:
        assert keys.check_key(connection, issued.value("secret")) is None
    assert "revoked" in done(run("key", "list")).out


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("clinic", "add", "--name", "X", "--zone", "Moon/Base", "--emergency-number", "1", "--contact-line", "12",
          "--sender-name", "X"), "zone"),
        (("patient", "add", "--ref", "F-2", "--name", "X", "--zone", "UTC", "--telephone", "12"), "address"),
        (("patient", "add", "--ref", "F-1", "--name", "X", "--zone", "UTC"), "clinic_ref"),
        (("patient", "show", "nobody"), "patient"),
        (("patient", "add", "--clinic", "Saltholt", "--ref", "F-2", "--name", "X", "--zone", "UTC"), "clinic"),
        (("plan", "set", "F-1", "--opens", "7 am", "--due", "08:00", "--closes", "09:00"), "opens"),
        (("plan", "set", "F-1", "--opens", "07:00", "--due", "06:00", "--closes", "09:00"), "due"),
        (("plan", "show", "F-1"), "plan"),
        (("consent", "record", "F-1", "--kind", "caregiver", "--how", "form"), "caregiver"),
        (("pause", "add", "F-1", "--cause", "away", "--from", "1999-01-01"), "from_date"),
        (("staff", "close", "nobody@fernmoor.example"), "email"),
        (("key", "revoke", "00000000-0000-0000-0000-000000000000"), "key"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_is_one_line_and_exit_code_2(run: Run, words: tuple[str, ...], names: str) -> None:
    done(run(*CLINIC))
    done(run(*PATIENT))
    said = run(*words)
    assert said.code == 2
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert names in said.err
    assert "accepted" in said.err


def test_a_password_that_is_refused_is_not_repeated(run: Run) -> None:
    done(run(*CLINIC))
    words = ("staff", "add", "--email", "a@fernmoor.example", "--name", "X", "--role", "nurse", "--password-stdin")
    said = run(*words, stdin="short7\n")
    assert said.code == 2
    assert "short7" not in said.out + said.err


def test_another_patients_caregiver_is_not_consented_for(run: Run, engine: Engine) -> None:
    done(run(*CLINIC))
    done(run(*PATIENT))
    done(run("patient", "add", "--ref", "F-2", "--name", "Noa Invented", "--zone", "UTC"))
    carer = done(run("caregiver", "add", "F-2", "--name", "Kim", "--telephone", "+64 9 999 0103")).value("caregiver")
    said = run("consent", "record", "F-1", "--kind", "caregiver", "--caregiver", carer, "--how", "form")
    assert said.code == 2
    with read_session(engine) as session:
        assert session.scalars(select(Consent)).all() == []
        assert session.scalars(select(Caregiver)).one().name == "Kim"


def test_an_unknown_command_is_told_as_one(run: Run) -> None:
    said = run("surprise")
    assert said.code == 2
    assert "surprise" in said.err


def test_a_database_without_tables_is_told_in_one_line(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{tmp_path / 'fresh.sqlite3'}")
    said = run("patient", "list")
    assert said.code == 1
    assert said.err.splitlines() == ["neaptide: the database lacks what this needs; run `neaptide migrate` first"]
    assert "layout" in done(run("migrate")).out
    assert "add one first" in run("patient", "list").err


def test_help_loads_nothing_heavy() -> None:
    """Asked for in a fresh process: the web application, numpy and the drawing libraries stay on the shelf."""
    check = (
        "import sys; from service.cli import cli; cli.main(['--version'], standalone_mode=False);"
        "print(*sorted({'flask', 'numpy', 'sqlalchemy', 'vl_convert', 'typst'} & set(sys.modules)))"
    )
    told = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True)
    assert told.stdout.splitlines()[-1] == ""
