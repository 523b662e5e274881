"""A process killed (SIGKILL) halfway through `neaptide restore` or `neaptide move`: nothing half is taken for whole."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, func, select

from service import config
from service.domain.validation import Refused
from service.health import checks
from service.keeping import backing, moving, postgresql, restoring
from service.store import holds
from service.store.session import read_session, write_session
from service.store.tables import Hold, Patient
from service.terminal import Ends
from tests.builder import building
from tests.conftest import SERVER
from tests.usecases.test_cli import Run, run
from tests.usecases.test_keeping import FOR_ALL, SEALER, empty_place
from tests.usecases.test_moving import file, opened, target
from tests.waiting import wait_until

__all__ = ["file", "run", "target"]

NOW = datetime(2026, 3, 1, tzinfo=UTC)
needs_server = pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL")


def dies(work: Callable[[], object], *engines: Engine, owner: Any, at: str) -> None:
    """In a process of its own, which is killed as it first calls this."""
    for engine in engines:
        engine.dispose()  # a child must not share its parent's connections
    child = os.fork()
    if child == 0:
        try:
            setattr(owner, at, lambda *_given, **_named: os.kill(os.getpid(), signal.SIGKILL))
            work()
        finally:
            os._exit(1)  # it was to be killed, and was not
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status)
    assert os.WTERMSIG(status) == signal.SIGKILL


def populate(engine: Engine) -> None:
    with building(engine, NOW) as build:
        build.patient(build.clinic(), "Asha")


def how_many(engine: Engine) -> int:
    with read_session(engine) as session:
        return session.scalar(select(func.count()).select_from(Patient)) or 0


def holding(engine: Engine) -> bool:
    with read_session(engine) as session:
        return holds.is_held(session)


@pytest.mark.databases("sqlite")
@pytest.mark.skipif(SERVER is not None, reason="of a file; PostgreSQL has the next one")
@pytest.mark.parametrize(("owner", "at"), [(restoring, "copy"), (restoring, "_compare"), (Path, "rename")])
def test_a_file_that_was_half_brought_back_bears_no_databases_name(
    engine: Engine, tmp_path: Path, owner: Any, at: str
) -> None:
    populate(engine)
    backup = tmp_path / "whole.backup"
    backing.back_up(engine, backup, NOW, **FOR_ALL)  # type: ignore[arg-type]
    with empty_place(tmp_path / "elsewhere") as place:
        there = Path(str(place.url.database))
        again = lambda: restoring.restore(backup, place, NOW, config.beside, SEALER)  # noqa: E731
        dies(again, engine, place, owner=owner, at=at)
        left = [one.name for one in there.parent.iterdir()]
        assert left
        assert there.name not in left
        with pytest.raises(Refused, match=f"an empty place; there is .*{left[0]}"):
            again()
        for one in there.parent.iterdir():
            one.unlink()
        again()
        assert how_many(place) == 1


@pytest.mark.postgres
@needs_server
@pytest.mark.parametrize(("owner", "at"), [(subprocess.Popen, "wait"), (restoring, "_compare")])
def test_a_database_that_was_half_brought_back_is_empty_or_held_for_good(
    engine: Engine, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch, owner: Any, at: str
) -> None:
    populate(engine)
    backup = tmp_path / "whole.backup"
    backing.back_up(engine, backup, NOW, **FOR_ALL)  # type: ignore[arg-type]
    with empty_place(tmp_path / "elsewhere") as place:
        again = lambda: restoring.restore(backup, place, NOW, config.beside, SEALER)  # noqa: E731
        dies(again, engine, place, owner=owner, at=at)
        if owner is subprocess.Popen:  # all of the script had gone to psql, but for the end of its transaction
            wait_until(lambda: postgresql.is_empty(place), "an empty database")
            return
        with pytest.raises(Refused, match="an empty database; it holds tables"):
            again()
        assert holding(place)
        with read_session(place) as session:
            assert holds.NEVER_WHOLE[1:] in checks.held(session, NOW).sentence  # the way out that the next line names
        monkeypatch.setenv("NEAPTIDE_DATABASE_URL", place.url.set(drivername="postgresql").render_as_string(False))
        said = run("resume", "--yes")
        assert (said.code, holds.NEVER_WHOLE in said.err) == (Ends.NOT_DONE, True)


@pytest.mark.database
@pytest.mark.postgres
@needs_server
@pytest.mark.parametrize("at", ["_compare", "mark", "let_go"])
def test_of_a_move_that_was_cut_off_at_most_one_of_the_two_can_be_worked_with(
    file: Path, target: Engine, run: Run, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    source = opened(file)
    populate(source)
    here, there = f"sqlite:///{file}", target.url.set(drivername="postgresql").render_as_string(hide_password=False)
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", here)
    move = lambda: run("move", "--to", there)  # noqa: E731
    dies(move, source, target, owner=moving, at=at)
    alone = opened(file, alone=True)
    assert (moving.moved_at(alone) is None) == (at != "let_go")
    alone.dispose()
    if at == "_compare":  # nothing of it was committed
        wait_until(lambda: how_many(target) == 0, "an empty table")
        assert run("move", "--to", there, "--check").code == Ends.DONE  # it can be done anew
        return
    assert holding(target)
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", there)
    said = run("resume", "--yes")
    assert (said.code, "run it again first, with the settings of the file" in said.err) == (Ends.NOT_DONE, True)
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", here)
    if at == "mark":  # the file serves on, and may have gone on
        said = move()
        assert (said.code, "rows lie in its table" in said.err) == (Ends.CANNOT_TAKE, True)
        return
    with write_session(target) as session:
        session.add(other := Hold(backup_at=NOW, restored_at=NOW, compared_at=NOW, resumed_at=NOW))
    said = move()
    assert said.code == Ends.CANNOT_TAKE
    assert f"holds is not there as it is in the file: row {other.id} was added" in said.err
    with write_session(target) as session:
        session.delete(session.get_one(Hold, other.id))
    assert "broken off before its last step" in run("move", "--to", there, "--check").out
    assert holding(target)
    assert move().code == Ends.DONE
    assert not holding(target)
    said = move()
    assert (said.code, "one that was not moved yet" in said.err) == (Ends.CANNOT_TAKE, True)
    assert run("move", "--undo", "--yes").code == Ends.DONE
    opened_again = opened(file)
    assert how_many(opened_again) == 1
    opened_again.dispose()
