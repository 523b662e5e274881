"""Where an installation's data lies is said, never guessed; it is one user's, and no other user reads it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url

from service.config import Settings
from service.domain.validation import Refused
from service.store.session import open_engine, write_session
from tests.usecases.test_cli import CLINIC, Run, done, run

__all__ = ["run"]

pytestmark = pytest.mark.databases("sqlite")

HISTORY = "patient,taken_at,pa_systolic,pa_diastolic\nF-1,2026-01-02T07:00:00+00:00,38,18\n"


@pytest.fixture
def careless() -> Iterator[None]:
    """A terminal whose new files everybody may read, as most are."""
    was = os.umask(0o022)
    yield
    os.umask(was)


@pytest.mark.usefixtures("careless")
def test_whatever_a_command_writes_is_its_own_users_alone(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "history.csv").write_text(HISTORY, encoding="utf-8")
    made = tmp_path / "made"
    monkeypatch.setenv("NEAPTIDE_DATA", str(made / "data"))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{made / 'data' / 'neaptide.sqlite3'}")
    monkeypatch.delenv("NEAPTIDE_SECRET_KEY")
    done(run("migrate"))
    engine = open_engine(f"sqlite:///{made / 'data' / 'neaptide.sqlite3'}")
    with closing(engine.raw_connection()), write_session(engine):  # somebody else is connected: the log beside it stays
        pass
    done(run(*CLINIC))
    out = ("--out", str(made / "signals.csv"), "--days-out", str(made / "days.csv"))
    done(run("replay", str(tmp_path / "history.csv"), *out))
    monkeypatch.setenv("NEAPTIDE_DEMO", "yes")
    run("doctor")  # makes the demo's telephones
    kinds = {path.name: path.stat().st_mode & 0o777 for path in made.rglob("*")}
    engine.dispose()
    assert {"neaptide.sqlite3", "neaptide.sqlite3-wal", "neaptide.sqlite3-shm", "secret-key", "gateway.sqlite3"} <= set(kinds)  # fmt: skip
    assert {"signals.csv", "days.csv"} <= set(kinds)
    assert {name: oct(mode) for name, mode in kinds.items() if mode & 0o077} == {}
    assert made.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("given", [None, "", ".data", "data/here"])
def test_a_folder_for_data_is_said_in_full_or_nothing_runs(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: str | None
) -> None:
    """Whoever stands in the wrong folder would get a second, empty database, in which all is well."""
    standing = tmp_path / "elsewhere"
    standing.mkdir()
    monkeypatch.chdir(standing)
    monkeypatch.delenv("NEAPTIDE_DATA") if given is None else monkeypatch.setenv("NEAPTIDE_DATA", given)
    monkeypatch.delenv("NEAPTIDE_DATABASE_URL")
    said = run("doctor")
    assert said.code == 2
    assert f"NEAPTIDE_DATA was {given or ''!r}; accepted: the absolute path" in said.err
    assert list(standing.iterdir()) == []


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives a folder away")
def test_what_belongs_to_another_user_is_refused_by_name(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    env = {"NEAPTIDE_DATA": str(data)}
    assert Settings.from_env(env).data_dir == data
    os.chown(data, 65534, -1)
    before = list(data.iterdir())
    with pytest.raises(Refused, match=r"root's own.*nobody's: run this as nobody") as refused:
        Settings.from_env(env)
    assert (refused.value.field, refused.value.value) == ("NEAPTIDE_DATA", str(data))
    assert list(data.iterdir()) == before


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives a file away")
def test_so_is_a_database_of_another_user_in_a_folder_of_ones_own(run: Run) -> None:
    url = make_url(os.environ["NEAPTIDE_DATABASE_URL"])
    if url.get_backend_name() != "sqlite":
        pytest.skip("a server's files are the server's")
    os.chown(str(url.database), 65534, -1)
    said = run("doctor")
    assert said.code == 2
    assert "NEAPTIDE_DATABASE_URL was " in said.err
    assert "run this as nobody" in said.err
    os.chown(str(url.database), 0, -1)


def test_the_doctor_names_what_other_users_may_read(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NEAPTIDE_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("NEAPTIDE_DATABASE_URL", f"sqlite:///{tmp_path}/data/neaptide.sqlite3")
    done(run("migrate"))
    assert "well       private: No other user of this machine" in run("doctor").out
    (tmp_path / "data").chmod(0o755)  # as an earlier version left it
    assert (
        f"attention  private: Other users of this machine may read {tmp_path}/data: `chmod go=`." in run("doctor").out
    )
