"""From a file to PostgreSQL: everything comes over as it was, one of the two serves, and whatever differs is named."""

from __future__ import annotations

import json
import shutil
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, inspect, select, text

from service.commands import opening
from service.domain.vocabulary import Channel, Outcome
from service.keeping import moving
from service.keyring import Keyring
from service.reviewing import refreshing, signing
from service.store import chain, holds, migrate, months
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Base, Reading
from service.terminal import Ends
from service.worker import Worker, links_for
from tests.builder import acting, building
from tests.conftest import SERVER
from tests.filled import fill
from tests.servers import SECRET, VAULT, own_database
from tests.usecases.test_cli import Run, run
from tests.world import World, prompt

__all__ = ["run"]

# A file and a server at once: with the tests on PostgreSQL alone.
pytestmark = [
    pytest.mark.database,
    pytest.mark.postgres,
    pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL"),
]
# RFC 9562, version 7: the first 48 bits are milliseconds, here of July 2025.
OLDER = uuid.UUID("01980000-0000-7000-8000-000000000001")
SEALER = Keyring(SECRET).sealer()


@pytest.fixture
def file(blank_sqlite: Path, tmp_path: Path) -> Path:
    own = tmp_path / "neaptide.sqlite3"
    shutil.copy(blank_sqlite, own)
    return own


def opened(file: Path, **options: Any) -> Engine:
    return open_engine(f"sqlite:///{file}", sealer=SEALER, vault=VAULT, **options)


@pytest.fixture
def target() -> Iterator[Engine]:
    assert SERVER is not None
    with own_database(SERVER, f"neaptide_test_{uuid.uuid4().hex}", SEALER) as engine:
        yield engine


def held(engine: Engine) -> dict[str, list[Any]]:
    """Every row of every table as the service reads it: with addresses opened, and words as vocabulary."""
    with engine.connect() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(select(table).order_by(table.c.id))]
            for table in Base.metadata.sorted_tables
            if table.name != "arrivals"
        }


@dataclass
class Lived:
    """A world on a file, with a signed week and a sealed trail; nobody has the file open."""

    world: World
    asha: Any
    before: dict[str, list[Any]]


def live(file: Path, folder: Path) -> Lived:
    engine = opened(file)
    world = World(engine, folder)
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    asha, nurse = world.patient("Asha"), world.staff("Noa")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.reading(asha)
    world.checks_in(asha, note="steady, “as usual”")
    refreshing.refresh(engine, world.now)
    with write_session(engine) as session:
        signing.sign(acting(session, nurse, world.now), asha.id, Outcome.CALLED, "Rang her.", None)
    world.advance(minutes=1)
    chain.seal_new(engine, world.now)
    return Lived(world, asha, held(engine))


def test_a_lived_in_place_goes_on_where_it_was_moved_to_and_only_there(
    file: Path, target: Engine, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lived = live(file, tmp_path)
    world, asha = lived.world, lived.asha
    to = target.url.set(drivername="postgresql").render_as_string(hide_password=False)
    monkeypatch.setattr(opening, "clock_of", lambda _settings: world.clock)
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{file}")

    said = run("move", "--to", to, "--check")
    assert said.code == Ends.CANNOT_TAKE
    assert "nobody works with: stop process" in said.err
    world.engine.dispose()
    assert run("move", "--to", to, "--check").code == Ends.DONE
    assert inspect(target).get_table_names() == []  # a look writes nothing
    moved = json.loads(run("move", "--to", to, "--json").out)
    assert moved == json.loads(Path(f"{file}.moved.json").read_text(encoding="utf-8"))
    assert moved["rows"] == sum(len(rows) for rows in lived.before.values())

    # The service's own types read the same there, but for the line that tells of it.
    there = held(target)
    there["audit_lines"] = [row for row in there["audit_lines"] if "service.move" not in row]
    assert there == lived.before
    said = run("worker", "--once")
    assert said.code == Ends.CANNOT_TAKE
    assert "was moved to PostgreSQL" in said.err
    assert "not moved yet" in run("move", "--to", to).err

    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", to)
    deep = [one for one in json.loads(run("doctor", "--deep", "--json").out)["items"] if one["name"].startswith("deep")]
    assert [one["ok"] for one in deep] == [True]
    assert run("audit", "verify").code == Ends.DONE
    world.engine = target
    world.worker = Worker(target, world.clock, {Channel.TEXT: world.gateway}, links_for(world.links),
                          world.worker._settings, "there")  # fmt: skip
    world.at(asha, "07:00")  # nothing is held: the next day begins
    world.phone(asha).expects(prompt()).follows_link().checks_in(breathlessness=2)
    assert world.clinic.sees(asha).adherence == (1, 1)
    world.engine.dispose()

    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{file}")
    assert run("move", "--undo", stdin="n\n").code == Ends.NOT_DONE
    assert run("move", "--undo", "--yes").code == Ends.DONE
    assert "rows lie in its table" in run("move", "--to", to).err
    back = opened(file)
    with read_session(back) as session:
        assert holds.is_held(session)  # what was signed, said and sent there is not known here
    back.dispose()


def test_a_row_that_differs_or_cannot_be_taken_is_named_and_nothing_is_left_there(file: Path, target: Engine) -> None:
    """With a row in every table, whatever its columns hold."""
    engine = opened(file)
    with building(engine, (now := World(engine, file.parent).now)) as build:
        clinic = build.clinic()
        patient = build.patient(clinic, "Asha")
        build.staff(clinic, "Noa")
    with write_session(engine) as session:
        ids = fill(session, clinic.id, patient.id, "Ünwritten \\ \t 'as' it is\n")
    engine.dispose()
    migrate.upgrade(target)

    def tamper(connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if "ENABLE TRIGGER" in statement and "ALTER TABLE readings" in statement:
            connection.connection.driver_connection.execute("UPDATE readings SET heart_rate = 4711")

    alone = opened(file, alone=True)
    event.listen(target, "before_cursor_execute", tamper)
    with pytest.raises(
        moving.NotMoved, match=f"readings is not there as it is in the file: row {ids['readings']} differs"
    ):
        moving.bring_over(alone, target, now, lambda _done, _of: None)
    event.remove(target, "before_cursor_execute", tamper)
    with write_session(alone) as session:
        session.connection().exec_driver_sql("UPDATE readings SET source_ref = ?", ("x" * 81,))
    with pytest.raises(moving.NotMoved, match=f"row {ids['readings'].hex} of readings, column source_ref"):
        moving.bring_over(alone, target, now, lambda _done, _of: None)
    with read_session(target) as session:
        assert session.scalar(select(func.count()).select_from(Reading)) == 0
    with write_session(alone) as session:
        session.connection().exec_driver_sql("UPDATE readings SET source_ref = NULL")
        older = "UPDATE messages SET id = ? WHERE id = ?"
        session.connection().exec_driver_sql(older, (OLDER.hex, ids["messages"].hex))
    came = moving.bring_over(alone, target, now + timedelta(minutes=1), lambda _done, _of: None)
    assert min(one.rows for name, one in came.tables.items() if name in ids) >= 1
    with read_session(target) as session:  # the message of another year lies in its own month
        assert not [laid for laid in months.look(session) if laid.astray]
        assert session.scalar(text("SELECT count(*) FROM months.messages_2025_07")) == 1
    alone.dispose()
