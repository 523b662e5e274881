"""The invented clinic of the demo: everything a newcomer should be able to see is there, and is what the service says.

Nothing here checks medicine: the people and their pressures are made up.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import phonenumbers
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, select

from fixtures import people, seeding
from fixtures.courses import days_lived
from fixtures.demo import fill
from fixtures.machine import machine
from service.care.windows import resettle
from service.commands.seed import seed as seed_command
from service.config import Settings
from service.domain.localtime import local_date, zone
from service.domain.plan import PlanRule, window_times
from service.domain.vocabulary import (
    PAUSES_ENTERED,
    ConsentKind,
    Lane,
    LinkPurpose,
    MessageKind,
    SignalKind,
    SilenceCause,
    StepKind,
    StepState,
    TaskKind,
    WindowState,
)
from service.enrolling import clinics
from service.keyring import KeyFor
from service.links import is_over, read_link
from service.reviewing import refreshing
from service.reviewing.measuring import why_readings_stop
from service.reviewing.panel import build_panel
from service.store import migrate
from service.store.audit import OPERATOR
from service.store.session import open_engine, read_session, write_session
from service.store.tables import (
    Adjustment,
    Base,
    Checkin,
    Clinic,
    Consent,
    Contact,
    Message,
    MessageEvent,
    Patient,
    Pause,
    Reading,
    Signal,
    SignOff,
    Silence,
    Staff,
    Step,
    Task,
    Window,
)
from service.store.vault import Vault
from service.transports.mock import MockGateway

pytestmark = pytest.mark.databases("sqlite")

NOW = datetime(2026, 11, 25, 15, 20, tzinfo=UTC)  # a Wednesday morning in New York


@dataclass
class Seeded:
    engine: Engine
    settings: Settings
    notes: dict[str, Any]
    gateway: MockGateway

    def rows(self, table: type[Base], *where: Any) -> list[Any]:
        with read_session(self.engine) as session:
            return list(session.scalars(select(table).where(*where)))

    def patient(self, ref: str) -> Patient:
        found: Patient = self.rows(Patient, Patient.clinic_ref == ref)[0]
        return found

    @property
    def clinic(self) -> Clinic:
        found: Clinic = self.rows(Clinic)[0]
        return found


@pytest.fixture(scope="module")
def seeded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Seeded]:
    folder = tmp_path_factory.mktemp("seeded")
    chosen = Settings.from_env({"NEAPTIDE_DATA": str(folder), "NEAPTIDE_DEMO": "yes"})
    engine = open_engine(chosen.database_url, vault=Vault(chosen.keys.every(KeyFor.CONTACTS)))
    migrate.upgrade(engine)
    notes = fill(engine, chosen, NOW)
    yield Seeded(engine, chosen, notes, MockGateway(folder / "gateway.sqlite3", lambda: NOW))
    engine.dispose()


def test_everybody_is_on_the_panel_and_every_lane_has_somebody(seeded: Seeded) -> None:
    with read_session(seeded.engine) as session:
        panel = build_panel(session, seeded.clinic.id, NOW)
    assert {entry.clinic_ref for entry in panel.entries} == {person.ref for person in people.PEOPLE}
    assert len(panel.entries) >= 24
    assert {lane for lane in Lane if panel.lanes[lane]} == set(Lane)
    assert not any(entry.summary.trouble for entry in panel.entries)


def test_no_address_stands_in_the_database_in_clear(seeded: Seeded) -> None:
    """OWASP ASVS 5.0, 14.2.4. The whole file is looked through, indexes, texts and what was deleted too."""
    with read_session(seeded.engine) as session:
        known = {*session.scalars(select(Contact.address)), *session.scalars(select(Staff.email))}
        steps = {one for one in session.scalars(select(Staff.totp_secret)) if one}
    assert len(known) >= len(people.PEOPLE)
    file = Path(seeded.engine.url.database or "")
    kept = b"".join(part.read_bytes() for part in file.parent.glob(f"{file.name}*"))
    assert b"Fernmoor" in kept, "what is not encrypted is found: the search looks where it should"
    assert [one for one in known | steps if one.removeprefix("+").encode() in kept] == []


def test_there_are_several_zones_and_two_languages(seeded: Seeded) -> None:
    patients = seeded.rows(Patient)
    assert len({patient.zone for patient in patients}) >= 6
    assert {patient.language for patient in patients} == {"en", "es"}


def test_the_history_is_about_120_days_and_ends_now(seeded: Seeded) -> None:
    days = [window.local_date for window in seeded.rows(Window)]
    assert (max(days) - min(days)).days >= 120
    newest = max(taken.taken_at for taken in seeded.rows(Reading))
    assert NOW - timedelta(hours=6) < newest <= NOW
    assert max(given.answered_at for given in seeded.rows(Checkin)) <= NOW


def test_what_is_long_past_has_ids_of_its_own_instant(seeded: Seeded) -> None:
    """RFC 9562, section 5.7: version 7, and 48 bits of milliseconds since 1970 at the front."""
    came = {
        Window: "opens_at", Step: None, Reading: "received_at", Checkin: "answered_at", Message: "created_at",
        MessageEvent: "at",
    }  # fmt: skip
    for table, instant in came.items():
        rows = seeded.rows(table)
        assert {row.id.version for row in rows} == {7}
        if instant is not None:
            past = [row for row in rows if getattr(row, instant) < NOW - timedelta(days=7)]
            told = {row.id: datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=row.id.int >> 80) for row in past}
            apart = {abs(told[row.id] - getattr(row, instant)) for row in past}
            assert past
            assert max(apart) < timedelta(milliseconds=1)


def test_silence_has_each_of_its_causes_and_somebody_never_had_a_reading(seeded: Seeded) -> None:
    still = seeded.rows(Silence, Silence.ended_at.is_(None))
    # Nothing is in doubt in the demo: its gateway never dies with a message in hand.
    assert {silence.cause for silence in still} == set(SilenceCause) - {SilenceCause.UNCERTAIN}
    nobody = seeded.patient("FM-130")
    assert seeded.rows(Reading, Reading.patient_id == nobody.id) == []


def test_rises_falls_adjustments_pauses_and_a_safety_answer_are_there(seeded: Seeded) -> None:
    assert {SignalKind.RISING, SignalKind.FALLING, SignalKind.ABOVE_LIMIT, SignalKind.WORSE_SYMPTOMS} <= {
        signal.kind for signal in seeded.rows(Signal)
    }
    assert len(seeded.rows(Adjustment)) >= 6
    assert {pause.cause for pause in seeded.rows(Pause)} == set(PAUSES_ENTERED)
    asking_for_help = seeded.rows(Task, Task.kind == TaskKind.SAFETY_ANSWER)
    assert [task.patient_id for task in asking_for_help] == [seeded.patient("FM-111").id]
    assert NOW - asking_for_help[0].raised_at < timedelta(hours=24)


def test_past_weeks_are_signed_and_this_one_is_left_to_the_reader(seeded: Seeded) -> None:
    with read_session(seeded.engine) as session:
        panel = build_panel(session, seeded.clinic.id, NOW)
    assert len({signed.week for signed in seeded.rows(SignOff)}) == seeding.SIGNED_WEEKS
    assert panel.signed == 0
    overdue = [entry for entry in panel.entries if (entry.days_since_review or 0) > 13]
    assert len(overdue) == seeding.LEFT_OUT_LAST_WEEK


def test_the_invented_past_is_what_the_service_itself_would_say(seeded: Seeded) -> None:
    """Settled anew by the service's own rules, no window and no silence of the past changes."""

    def told() -> tuple[set[Any], set[Any]]:
        windows = {(one.patient_id, one.local_date, one.state, one.reading_at) for one in seeded.rows(Window)}
        runs = {(one.patient_id, one.first_date, one.last_date, one.missed, one.cause) for one in seeded.rows(Silence)}
        return windows, runs

    before = told()
    with write_session(seeded.engine) as session:
        for patient in session.scalars(select(Patient)).all():
            resettle(session, patient.id, NOW)
        session.flush()
        session.commit()
    assert told() == before
    refreshing.refresh(seeded.engine, NOW)
    with read_session(seeded.engine) as session:
        assert refreshing.differing(session, seeded.clinic.id, NOW) == []


def test_nothing_past_is_left_open(seeded: Seeded) -> None:
    assert seeded.rows(Window, Window.state == WindowState.OPEN, Window.closes_at <= NOW) == []
    assert seeded.rows(Step, Step.state == StepState.PENDING, Step.due_at <= NOW) == []


def test_nothing_was_sent_before_consent_nor_after_it_was_withdrawn(seeded: Seeded) -> None:
    to_patients = Message.caregiver_id.is_(None) & Message.staff_id.is_(None)
    for patient in seeded.rows(Patient):
        own = (Consent.patient_id == patient.id, Consent.caregiver_id.is_(None), Consent.kind == ConsentKind.MESSAGES)
        consents = sorted(seeded.rows(Consent, *own), key=lambda consent: consent.at)
        sent = [
            message.handed_over_at for message in seeded.rows(Message, Message.patient_id == patient.id, to_patients)
        ]
        sent = [at for at in sent if at is not None]
        assert consents[0].given
        assert all(at > consents[0].at for at in sent)
        if len(consents) > 1:
            assert not consents[-1].given
            assert all(at < consents[-1].at for at in sent)


def test_the_patients_telephone_holds_a_prompt_whose_link_opens_todays_window(seeded: Seeded) -> None:
    token = newest_link(seeded, "patient_path", "c")
    with read_session(seeded.engine) as session:
        link = read_link(session, token, LinkPurpose.CHECKIN)
    window = seeded.rows(Window, Window.id == link.window_id)[0]
    assert window.state is WindowState.OPEN
    assert window.opens_at <= NOW < window.closes_at
    assert not is_over(link, NOW)


def test_the_caregivers_telephone_holds_a_nudge_whose_link_can_be_answered(seeded: Seeded) -> None:
    token = newest_link(seeded, "caregiver_path", "g")
    with read_session(seeded.engine) as session:
        link = read_link(session, token, LinkPurpose.CAREGIVER)
    window = seeded.rows(Window, Window.id == link.window_id)[0]
    assert window.state is WindowState.MISSED
    assert not is_over(link, NOW)
    assert seeded.rows(Message, Message.kind == MessageKind.NUDGE, Message.window_id == window.id)


def test_asking_a_caregiver_sometimes_brings_the_reading(seeded: Seeded) -> None:
    with read_session(seeded.engine) as session:
        brought = {row.step: row.came for row in why_readings_stop(session, seeded.clinic.id, NOW).brought}
    assert 0 < brought[StepKind.NUDGE].part < brought[StepKind.NUDGE].whole


def test_no_message_on_a_lock_screen_names_anybody(seeded: Seeded) -> None:
    names = {part for person in people.PEOPLE for part in person.name.split()}
    names |= {part for person in people.PEOPLE for helper in person.helpers for part in helper.name.split()}
    bodies = [message.body for message in seeded.gateway.messages()]
    assert len(bodies) > 40
    assert [body for body in bodies if names & set(re.findall(r"\w+", body))] == []


def test_seeding_goes_only_into_an_empty_database(seeded: Seeded) -> None:
    with pytest.raises(ValueError, match="only into an empty one"):
        seeding.seed(seeded.engine, machine(seeded.engine, seeded.settings), NOW)


def test_the_command_refuses_where_the_settings_do_not_say_demo(tmp_path: Path) -> None:
    refused = CliRunner().invoke(seed_command, env={"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_DEMO": "no"})
    assert refused.exit_code == 1
    assert "NEAPTIDE_DEMO" in refused.output
    assert not (tmp_path / "neaptide.sqlite3").exists()


def test_notes_of_an_earlier_demo_do_not_keep_a_new_database_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    env = {"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_DEMO": "yes"}
    engine = open_engine(Settings.from_env(env, begins=True).database_url)
    migrate.upgrade(engine)
    monkeypatch.setattr("service.commands.seed._fixtures", _OneClinic)
    (tmp_path / "demo.json").write_text('{"clinic": "of before"}', encoding="utf-8")
    for _ in range(2):  # and the second time there is nothing left to do
        assert CliRunner().invoke(seed_command, ["--quiet"], env=env).exit_code == 0
        assert json.loads((tmp_path / "demo.json").read_text(encoding="utf-8")) == {"clinic": "Fernmoor"}
    with read_session(engine) as session:
        assert session.scalars(select(Clinic.name)).all() == ["Fernmoor"]
    engine.dispose()


class _OneClinic:
    """In place of the whole demo, which takes long to make."""

    def fill(self, engine: Engine, _settings: Settings, now: datetime, _step: object) -> dict[str, str]:
        with write_session(engine) as session:
            new = clinics.NewClinic("Fernmoor", "Pacific/Auckland", "111", "+64 9 999 0100", "Fernmoor")
            clinics.enrol_clinic(session, new, OPERATOR, now).is_invented = True
        return {"clinic": "Fernmoor"}


def test_the_same_seed_gives_the_same_days_and_another_gives_others() -> None:
    today = date(2026, 11, 25)
    for person in people.PEOPLE:
        assert days_lived(person, today, "one") == days_lived(person, today, "one")
    assert days_lived(people.PEOPLE[0], today, "one") != days_lived(people.PEOPLE[0], today, "another")


def test_every_number_is_one_kept_for_fiction(seeded: Seeded) -> None:
    """NANPA keeps 555-0100 to 555-0199 of every area code for fiction. The range is from memory."""
    numbers = {to.to for to in seeded.gateway.messages()} | {people.telephone(place) for place in range(100)}
    assert all(re.fullmatch(r"\+1\d{3}55501\d\d", number) for number in numbers)
    assert all(phonenumbers.is_possible_number(phonenumbers.parse(number)) for number in numbers)


@settings(max_examples=300, deadline=None)
@given(
    st.integers(0, 4 * 365 * 24 * 60).map(lambda minutes: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes))
)
def test_at_any_hour_somebodys_window_is_open_to_be_shown(now: datetime) -> None:
    def is_open(person: people.Person) -> bool:
        where = zone(person.zone)
        today = local_date(now, where)
        window = window_times(PlanRule(person.weekdays, *person.window), today, where)
        return window.opens_at <= now < window.closes_at

    shown = [person for person in people.PEOPLE if person.shown]
    assert any(is_open(person) for person in shown)
    # Their own story must not keep them silent today, nor anybody from answering for them.
    assert all(person.helpers and person.weekdays == people.EVERY_DAY for person in shown)


def newest_link(seeded: Seeded, path: str, page: str) -> str:
    contact = seeded.notes[path].rsplit("/", 1)[1]
    address = seeded.rows(Contact, Contact.id == uuid.UUID(contact))[0].address
    bodies = [message.body for message in seeded.gateway.messages_to(address)]
    assert bodies, "the telephone is empty"
    found = re.search(rf"/{page}/([\w.-]+)", bodies[-1])
    assert found, bodies[-1]
    return found[1]
