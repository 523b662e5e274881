"""What is long is read from a standby, and told as of when it is; where the standby is away it is read all the same.

The database itself stands for the standby, by another way in, and a test says that it is one: the real thing needs a
server of its own, and is tried by hand (deploy/OPERATING.md, "A standby for what is long").
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine, event, text

from service.health import servers
from service.store import standby
from service.store.migrations.roles import WEB
from service.store.session import open_engine
from tests.conftest import SERVER
from tests.servers import VAULT, WALL_KEY, as_role
from tests.web.test_clinic_pages import Clinic, clinic

__all__ = ["clinic"]

pytestmark = [
    pytest.mark.database,
    pytest.mark.postgres,
    pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL"),
]
AS_OF = datetime(2026, 11, 24, 7, 12, tzinfo=UTC)


@pytest.fixture
def other_way(clinic: Clinic) -> Iterator[Engine]:
    """As the web's role, behind the wall, as a standby's connections are."""
    url = as_role(clinic.engine, WEB).url.set(drivername="postgresql").render_as_string(hide_password=False)
    own = open_engine(url, vault=VAULT, wall_key=WALL_KEY)
    clinic.app.extensions["neaptide"] = replace(clinic.app.extensions["neaptide"], standby=own)
    yield own
    own.dispose()


def test_figures_and_files_come_from_the_standby_with_its_moment_and_a_decision_never(
    clinic: Clinic, other_way: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    event.listen(other_way, "before_cursor_execute", lambda _c, _cursor, statement, *_: asked.append(statement))

    # It says itself that it is none: then it is not read, whatever it holds.
    assert "As of" not in clinic.get("/clinic/measures")
    assert [one for one in asked if "pg_is_in_recovery" not in one] == []
    assert not servers.standby(other_way, AS_OF).ok

    monkeypatch.setattr(standby, "AS_OF", text(f"SELECT timestamptz '{AS_OF.isoformat()}'"))
    asked.clear()
    assert "As of" in (page := clinic.get("/clinic/measures"))
    assert "Tuesday 24 November" in page or "24 Nov" in page
    assert any("windows" in one for one in asked)
    asked.clear()
    assert clinic.get("/clinic/review")
    assert clinic.get("/clinic/inbox")
    assert asked == []
    found = servers.standby(other_way, AS_OF + timedelta(minutes=6))
    assert (found.ok, found.value) == (False, 360.0)
    assert servers.standby(other_way, AS_OF + timedelta(seconds=7)).ok


def test_where_the_standby_is_away_the_database_itself_is_read(clinic: Clinic) -> None:
    gone = open_engine("postgresql://postgres@127.0.0.1:1/neaptide")
    clinic.app.extensions["neaptide"] = replace(clinic.app.extensions["neaptide"], standby=gone)
    page = clinic.get("/clinic/measures")
    assert "Readings received" in page
    assert "As of" not in page
    assert "in its place: the database cannot be reached" in servers.standby(gone, AS_OF).sentence
    gone.dispose()


def test_the_operator_is_told_before_a_process_gets_no_connection(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = servers.connections(engine)
    assert found is not None
    with engine.connect() as connection:  # PostgreSQL, "Connections and Authentication": 100, of which 3 are kept
        most = connection.exec_driver_sql("SHOW max_connections").scalar_one()
    assert f"gives {int(most) - 3} connections" in found.sentence
    monkeypatch.setattr(servers, "MOST_CONNECTIONS", int(most))
    short = servers.connections(engine)
    assert short is not None
    assert not short.ok
