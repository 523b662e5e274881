"""Backups: whole while others write, brought back only into an empty place, and held until somebody lets them go on."""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
import threading
import uuid
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from io import BytesIO
from pathlib import Path

import pandas
import pytest
from sqlalchemy import Engine, func, select

from service import config
from service.commands.keeping import go_on
from service.domain.readings import NewReading
from service.domain.seals import Sealer
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageKind, MessageState, SilenceCause
from service.health import checks
from service.intake.readings import record_reading
from service.keeping import archive, backing, contents, exporting, restoring
from service.keyring import Keyring
from service.store import holds, migrate
from service.store.audit import Act, Actor, ActorKind
from service.store.session import open_engine, read_session, write_session
from service.store.tables import AuditLine, Base, Message, Reading, Silence, StaffSession
from service.worker import Worker, links_for
from tests.builder import building
from tests.conftest import SERVER
from tests.servers import SECRET, VAULT, own_database
from tests.usecases.test_cli import Run, clinic, run
from tests.waiting import wait_until
from tests.world import World, nudge, prompt

__all__ = ["clinic", "run"]

# A fingerprint of what was signed opens nothing.
NO_SECRETS = {("sign_offs", "frozen_hash"), ("review_additions", "frozen_hash")}
KEYS = Keyring(SECRET)
SEALER = KEYS.sealer()
FOR_ALL = {"version": "0.0.1", "keys": KEYS, "around": config.beside}


@contextmanager
def empty_place(folder: Path) -> Iterator[Engine]:
    """Where a backup may be brought back to: of the kind that this run is on."""
    if SERVER is not None:
        with own_database(SERVER, f"neaptide_test_{uuid.uuid4().hex}") as engine:
            yield engine
        return
    folder.mkdir()
    engine = open_engine(f"sqlite:///{folder / 'neaptide.sqlite3'}", vault=VAULT)
    yield engine
    engine.dispose()


class Machine(threading.Thread):
    """Sends one reading after another, and keeps those that it was told are kept."""

    def __init__(self, world: World, patient_id: uuid.UUID, clinic_id: uuid.UUID) -> None:
        super().__init__(daemon=True)
        self.world, self.patient_id, self.clinic_id = world, patient_id, clinic_id
        self.acknowledged: list[datetime] = []
        self.enough = threading.Event()

    def run(self) -> None:
        first = self.world.now - timedelta(days=20)
        for number in range(2_000):
            if self.enough.is_set():
                return
            at = first + timedelta(minutes=number)
            with write_session(self.world.engine) as session:
                act = Act(session, Actor(ActorKind.KEY), self.clinic_id, self.world.now)
                record_reading(act, NewReading(self.patient_id, at, 36.0, 18.0))
            self.acknowledged.append(at)


def test_what_was_acknowledged_before_a_backup_is_in_it_whoever_writes_meanwhile(world: World, tmp_path: Path) -> None:
    asha = world.patient("Asha")
    machine = Machine(world, asha.id, asha.clinic_id)
    machine.start()
    wait_until(lambda: len(machine.acknowledged) >= 10, "readings")
    before = len(machine.acknowledged)
    file = tmp_path / "whole.backup"
    backing.back_up(world.engine, file, world.now, **FOR_ALL)  # type: ignore[arg-type]
    wait_until(lambda: len(machine.acknowledged) > before, "more readings")
    machine.enough.set()
    machine.join()

    with empty_place(tmp_path / "elsewhere") as place:
        done = restoring.restore(file, place, world.now, config.beside, SEALER)
        with read_session(place) as session:
            kept = list(session.scalars(select(Reading.taken_at).order_by(Reading.taken_at)))
            audited = session.scalar(select(func.count()).where(AuditLine.action == "reading.record"))
            assert holds.is_held(session)
        assert len(kept) >= before
        assert kept == machine.acknowledged[: len(kept)]  # none left out, and each whole: with its line
        assert done.manifest.tables["readings"].rows == len(kept) == audited
        with pytest.raises(Refused, match="empty"):
            restoring.restore(file, place, world.now, config.beside, SEALER)
    assert [one.name for one in tmp_path.glob("*.part*")] == []


def test_what_was_brought_back_asks_nobody_until_it_is_let_go_on_and_knows_what_it_does_not_know(
    world: World, tmp_path: Path
) -> None:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    file = tmp_path / "whole.backup"
    backing.back_up(world.engine, file, world.now, **FOR_ALL)  # type: ignore[arg-type]
    world.at(asha, "07:05")
    world.reading(asha)  # lost with the machine

    with empty_place(tmp_path / "elsewhere") as place:
        world.at(asha, "06:00")  # of the next day
        restoring.restore(file, place, world.now, config.beside, SEALER)
        world.engine = place
        transports = {Channel.TEXT: world.gateway}
        world.worker = Worker(place, world.clock, transports, links_for(world.links), world.worker._settings, "there")
        with write_session(place) as session:
            assert session.scalar(select(StaffSession.id).limit(1)) is None
            messages = select(Message).where(Message.kind == MessageKind.PROMPT)
            other = session.scalars(messages).one()
            other.state, other.next_try_at = MessageState.QUEUED, other.created_at  # as if it was on its way then
        world.at(asha, "09:00")  # and with it the prompt's and the reminder's time
        held = {one.name: one for one in checks.readiness(place, world.now)}["held"]
        assert not held.ok
        assert "backup of 2026-03-01 18:00 UTC" in held.sentence
        assert held.sentence.endswith("`neaptide resume` lets it go on.")
        with read_session(place) as session:
            gap = holds.newest(session, world.now)
        assert gap is not None

        go_on(place, gap, world.now)
        world.at(asha, "10:05")
        # Neither day's prompt and no reminder; what is due from now on comes.
        world.phone(ben).expects(nudge())
        with read_session(place) as session:
            silence = session.scalars(select(Silence)).one()
            asking = (MessageKind.PROMPT, MessageKind.REMINDER)
            states = dict(session.execute(select(Message.kind, Message.state).where(Message.kind.in_(asking))).all())
        assert (silence.cause, silence.missed) == (SilenceCause.UNCERTAIN, 2)
        # Of the first the gateway's receipt was still to be had; the second was never handed over, as far as is known.
        assert states == {MessageKind.PROMPT: MessageState.DELIVERED, MessageKind.REMINDER: MessageState.UNCERTAIN}
        assert {one.name: one for one in checks.readiness(place, world.now)}["held"].ok
        world.at(asha, "07:00")
        world.phone(asha).expects(prompt())
        world.engine.dispose()


@pytest.mark.databases("sqlite")
def test_a_backup_that_was_touched_or_is_none_is_refused(engine: Engine, tmp_path: Path) -> None:
    file = tmp_path / "whole.backup"
    now = datetime(2026, 3, 1, tzinfo=UTC)
    backing.back_up(engine, file, now, **FOR_ALL)  # type: ignore[arg-type]
    with pytest.raises(Refused, match="not there yet"):
        backing.back_up(engine, file, now, **FOR_ALL)  # type: ignore[arg-type]
    whole = file.read_bytes()
    for damaged in (
        b"",
        b"no archive",
        whole[: len(whole) // 2],
        whole[:5000] + bytes([whole[5000] ^ 1]) + whole[5001:],
    ):
        file.write_bytes(damaged)
        with empty_place(tmp_path / uuid.uuid4().hex) as place:
            with pytest.raises(Refused, match="neaptide backup"):
                restoring.restore(file, place, now, config.beside, SEALER)
            assert SERVER is not None or not Path(str(place.url.database)).exists()
    # Wherever a bit is turned: zlib, the archive's directory and its flags each complain in a way of their own.
    # The last 22 bytes are the directory's end record (APPNOTE 6.3, 4.3.16), with where the directory begins.
    for place_of in (*range(0, len(whole), max(len(whole) // 150, 1)), *range(len(whole) - 22, len(whole))):
        file.write_bytes(whole[:place_of] + bytes([whole[place_of] ^ 1]) + whole[place_of + 1 :])
        with suppress(Refused):
            archive.check(file)
    with zipfile.ZipFile(BytesIO(whole)) as made, empty_place(tmp_path / "late") as place:
        manifest, database = json.loads(made.read(archive.MANIFEST)), made.read(archive.DATABASE["sqlite"])
        for forged, said in (
            ({"taken_at": "2026-03-01T00:00:00"}, "whole file"),
            ({"taken_at": "2026-03-01T00:00:01+00:00"}, "clock right"),
            ({"version": " " * archive.LONGEST_TOLD}, "whole file"),  # small, until it is opened
            ({"size": 0}, "whole file"),  # no more of it is read than is told of
        ):
            with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as doctored:
                doctored.writestr(archive.MANIFEST, json.dumps(manifest | forged))
                doctored.writestr(archive.DATABASE["sqlite"], database)
            with pytest.raises(Refused, match=said):
                restoring.restore(file, place, now, config.beside, SEALER)


def test_another_tables_contents_are_told(engine: Engine, tmp_path: Path) -> None:
    """A dump that was made anew without one row, under a manifest that was made to fit it, is still found out: by the
    manifest's seal, and without one by the tables. HMAC: `domain.seals`."""
    file, forged = tmp_path / "whole.backup", tmp_path / "forged.backup"
    now = datetime(2026, 3, 1, tzinfo=UTC)
    manifest = backing.back_up(engine, file, now, **FOR_ALL)  # type: ignore[arg-type]
    real = manifest.tables["clinics"].sha256.encode()
    with empty_place(tmp_path / "elsewhere") as place:

        def refused(forging: Mapping[bytes, bytes], said: str, sealer: Sealer = SEALER, *, needs_seal: bool) -> None:
            with zipfile.ZipFile(file) as whole, zipfile.ZipFile(forged, "w") as other:
                for name in whole.namelist():
                    text = whole.read(name)
                    for was, new in forging.items() if name == archive.MANIFEST else ():
                        assert was in text
                        text = text.replace(was, new)
                    other.writestr(name, text)
            with pytest.raises((Refused, restoring.Differs), match=said):
                restoring.restore(forged, place, now, config.beside, sealer, needs_seal=needs_seal)

        altered, unsealed = {real: b"0" * 64}, {manifest.seal.encode(): b""}
        refused(altered, "its seal was not", needs_seal=True)
        refused(altered, "its seal was not", needs_seal=False)
        refused(unsealed, "with its seal", needs_seal=True)
        refused({}, "NEAPTIDE_SECRET_KEY", Keyring(SECRET[::-1]).sealer(), needs_seal=True)
        refused({}, "NEAPTIDE_SECRET_KEY", Sealer(), needs_seal=True)
        refused(altered | unsealed, "clinics", needs_seal=False)  # it goes on, and the tables tell


@pytest.mark.databases("sqlite")
def test_an_operator_backs_up_brings_back_and_lets_go_on(
    clinic: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, words, secrets = tmp_path / "backups", tmp_path / "passphrase", tmp_path / "secrets.env"
    folder.mkdir()
    words.write_text("a passphrase of this test\n", encoding="utf-8")
    assert "none yet   backup: `neaptide backup` has never made a backup" in clinic("doctor").out
    with monkeypatch.context() as by_other_means:
        by_other_means.setenv("NEAPTIDE_BACKUP_HOURS", "0")
        assert "not known  backup" in clinic("doctor").out
    said = clinic("backup", str(folder), "--with-key", "--passphrase-file", str(words), "--keep", "1")
    assert said.code == 0, said.err
    (file,) = folder.iterdir()
    assert file.stat().st_mode & 0o077 == 0
    assert os.environ["NEAPTIDE_SECRET_KEY"].encode() not in file.read_bytes()
    assert "well       backup: The newest backup by `neaptide backup` was taken" in clinic("doctor").out
    assert clinic("resume").code == 1  # nothing is held

    place = tmp_path / "place"
    asked = ("restore", str(file), "--into", str(place), "--secrets", str(secrets), "--passphrase-file", str(words))
    words.write_text("another passphrase of this test\n", encoding="utf-8")
    assert "the one that this backup was made with" in clinic(*asked).err
    words.write_text("a passphrase of this test\n", encoding="utf-8")
    said = clinic(*asked)
    assert said.code == 0, said.err
    assert "Consents withdrawn" in said.out
    assert secrets.read_text(encoding="utf-8") == f"NEAPTIDE_SECRET_KEY='{os.environ['NEAPTIDE_SECRET_KEY']}'\n"
    assert secrets.stat().st_mode & 0o077 == 0
    assert "seal: compared, and it holds" in said.out
    assert "empty folder" in clinic(*asked[:4]).err

    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{place / 'neaptide.sqlite3'}")
    assert "attention  held" in clinic("doctor").out
    assert clinic("resume", stdin="n\n").code == 1
    assert clinic("resume", "--yes").code == 0
    assert "well       held" in clinic("doctor").out
    own = open_engine(os.environ["NEAPTIDE_DATABASE_URL"])
    with read_session(own) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "service.resume")).one()
    assert line.detail == {"login": "imogen"}
    assert migrate.is_current(own)
    own.dispose()


def test_everything_of_a_clinic_goes_out_and_nothing_that_opens_a_door(world: World, tmp_path: Path) -> None:
    asha = world.patient("Asha", window=("07:00", "10:00"))
    ben = world.caregiver(asha, "=Ben")
    world.staff("Noa")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.reading(asha)
    world.checks_in(asha, note="one; two")
    with building(world.engine, world.now) as build:
        build.patient(build.clinic(name="Elsewhere"), "Somebody else", ref="X-1")
    folder = tmp_path / "export"
    noted: list[int] = []  # how much lay there when it was
    export = partial(exporting.export, world.engine, asha.clinic_id, now=world.now, version="0.0.1")
    note = lambda: noted.append(sum(1 for one in tmp_path.rglob("*") if one.is_file()))  # noqa: E731
    before = sum(1 for one in tmp_path.rglob("*") if one.is_file())
    rows = export(folder, note=note)

    # pandas reads both forms as what the database holds.
    with read_session(world.engine) as session:
        wanted = session.scalars(select(Reading)).one()
    for file, read in (("readings.csv", pandas.read_csv), ("readings.ndjson", partial(pandas.read_json, lines=True))):
        (told,) = read(folder / file).to_dict("records")
        assert (told["id"], told["pa_diastolic"]) == (str(wanted.id), wanted.pa_diastolic)
        assert pandas.Timestamp(told["taken_at"]) == wanted.taken_at
    named = pandas.read_csv(folder / "caregivers.csv")
    assert list(named["name"]) == ["'=Ben"]  # OWASP, "CSV injection"
    assert json.loads((folder / "caregivers.ndjson").read_text(encoding="utf-8"))["name"] == ben.name
    assert list(pandas.read_csv(folder / "patients.csv")["clinic_ref"]) == [asha.clinic_ref]
    assert rows["message_events"] > 0

    known = pandas.read_csv(folder / "dictionary.csv", keep_default_na=False)
    of = {(table, column) for table, column in zip(known["table"], known["column"], strict=True) if column}
    of_no_clinic = {name for name, why in exporting.left_out().items() if why == exporting.OF_NO_CLINIC}
    assert {"holds", "backups", "heartbeats"} <= of_no_clinic  # and nothing that anybody has entered or sent:
    assert not of_no_clinic & {"readings", "checkins", "messages", "message_events", "audit_lines", "audit_seals"}
    for table in Base.metadata.sorted_tables:
        assert table.name in set(known["table"])
        if table.name not in exporting.left_out():
            assert {(table.name, column.name) for column in table.columns} <= of
            out = set(pandas.read_csv(folder / f"{table.name}.csv").columns)
            assert [name for name in out if re.search("hash|secret|token|codes$", name)] == [
                name for name in out if (table.name, name) in NO_SECRETS
            ]
    (said,) = known[(known["table"] == "silences") & (known["column"] == "missed")]["meaning"]
    assert said == "windows"
    sums = json.loads((folder / "export.json").read_text(encoding="utf-8"))["sha256"]
    assert all(hashlib.sha256((folder / name).read_bytes()).hexdigest() == one for name, one in sums.items())
    with pytest.raises(Refused, match="not there yet"):
        export(folder, note=note)
    nowhere = folder / "none" / "out"
    with pytest.raises(FileNotFoundError) as failed:
        export(nowhere, note=note)
    assert failed.value.filename == str(nowhere)  # as it was asked for
    assert noted == [before]  # once: before the first row went out, and not for what was refused


@pytest.mark.postgres
@pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL")
def test_without_its_programs_a_postgresql_database_is_not_backed_up_and_it_is_said(
    engine: Engine, tmp_path: Path
) -> None:
    nowhere = {"PATH": str(tmp_path)}
    with pytest.raises(Refused, match="pg_dump on this machine"):
        backing.back_up(
            engine, tmp_path / "none", datetime(2026, 3, 1, tzinfo=UTC), "0", KEYS, lambda given: {**given, **nowhere}
        )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.databases("sqlite")
def test_what_a_backup_left_that_was_killed_goes_with_a_later_one_and_nothing_else_does(
    engine: Engine, tmp_path: Path
) -> None:
    now = datetime(2026, 3, 1, tzinfo=UTC)
    left = f"{backing.NAME.format(at=now)}.0123abcd.part"
    day_before = [left, f"{left}.sqlite3", f"{left}.sqlite3-wal", "neaptide-mine.backup.part", "neaptide-1.backup"]
    today = f"{backing.NAME.format(at=now)}.4567cdef.part"  # perhaps of one that is being made
    for name in (*day_before, today):
        (tmp_path / name).write_bytes(b"")
    for name in day_before:
        os.utime(tmp_path / name, (0, 0))
    backing.back_up(engine, tmp_path / "whole.backup", now, **FOR_ALL)  # type: ignore[arg-type]
    assert {one.name for one in tmp_path.iterdir()} == {*day_before[3:], today, "whole.backup"}


@pytest.mark.databases("sqlite")
def test_a_disk_that_fills_up_leaves_no_backup_and_is_told_as_one(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its place is full: SQLite says so of the copy, whatever the disk has."""
    own = contents.sqlite_file

    @contextmanager
    def small(file: Path) -> Iterator[sqlite3.Connection]:
        with own(file) as connection:
            connection.execute("PRAGMA max_page_count = 2")
            yield connection

    monkeypatch.setattr(contents, "sqlite_file", small)
    with pytest.raises(OSError, match="No space left") as failed:
        backing.back_up(engine, tmp_path / "a.backup", datetime(2026, 3, 1, tzinfo=UTC), **FOR_ALL)  # type: ignore[arg-type]
    assert failed.value.filename == str(tmp_path / "a.backup")
    assert list(tmp_path.glob("a.backup*")) == []


@pytest.mark.databases("sqlite")
def test_a_backup_that_the_database_cannot_be_told_of_is_there_all_the_same(
    clinic: Run, engine: Engine, tmp_path: Path
) -> None:
    """The disk of the database is full, say, and another has room."""
    with engine.begin() as connection:
        connection.exec_driver_sql("CREATE TRIGGER full BEFORE INSERT ON backups BEGIN SELECT RAISE(FAIL, 'full'); END")
    file = tmp_path / "whole.backup"
    said = clinic("backup", str(file))
    assert said.code == 1
    assert f"{file} was made and is whole, but the database could not be told of it" in said.err
    assert archive.check(file).tables["clinics"].rows == 1
