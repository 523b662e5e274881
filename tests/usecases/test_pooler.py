"""Behind a pooler each transaction may have another of the server's connections: nothing is left on one, nothing relied on."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import uuid
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import Engine, make_url, text

from service import config
from service.domain.validation import Refused
from service.keeping import backing
from service.store import migrate
from service.store.migrations.roles import WEB
from service.store.session import open_engine, read_session, write_connection
from service.store.wall import stand
from tests.builder import building
from tests.conftest import SERVER
from tests.servers import VAULT, WALL_KEY
from tests.waiting import wait_until
from tests.world import World

PGBOUNCER = shutil.which("pgbouncer") or shutil.which("pgbouncer", path="/usr/sbin")
REQUIRED = os.environ.get("NEAPTIDE_REQUIRE_POOLER") == "1"
pytestmark = [
    pytest.mark.database,
    pytest.mark.postgres,
    pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL"),
    pytest.mark.skipif(PGBOUNCER is None and not REQUIRED, reason="needs Debian's pgbouncer"),
]
# pgbouncer.ini(5). One connection for everybody of a role: each transaction finds what the one before left on it.
CONFIG = """[databases]
{name} = host={host} port={port} user=postgres
web = host={host} port={port} dbname={name} user={web}
[pgbouncer]
listen_addr = 127.0.0.1
listen_port = {own}
unix_socket_dir =
auth_type = any
pool_mode = transaction
default_pool_size = 1
"""


@pytest.fixture
def pooler(engine: Engine, tmp_path: Path) -> Iterator[str]:
    """The address of one in front of this test's database."""
    assert PGBOUNCER is not None, "pgbouncer is required and was not found; on Debian: apt-get install pgbouncer"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        own = probe.getsockname()[1]
    server, file = make_url(str(SERVER)), tmp_path / "pgbouncer.ini"
    told = CONFIG.format(name=engine.url.database, host=server.host, port=server.port or 5432, own=own, web=WEB)
    file.write_text(told, encoding="utf-8")
    user = ["-u", "postgres"] if os.geteuid() == 0 else []
    with subprocess.Popen([PGBOUNCER, *user, str(file)], stderr=subprocess.DEVNULL) as running:

        def listens() -> bool:
            with suppress(OSError), socket.create_connection(("127.0.0.1", own), 1):
                return True
            return False

        wait_until(listens, "the pooler")
        yield f"postgresql://postgres@127.0.0.1:{own}"
        running.kill()


def test_what_one_transaction_leaves_behind_troubles_no_other(engine: Engine, pooler: str, tmp_path: Path) -> None:
    with building(engine, World(engine, tmp_path).now) as build:
        mine, other = build.clinic(), build.clinic(name="Elsewhere")
        build.staff(mine, "Noa"), build.staff(other, "Ben")
    one, another = (open_engine(f"{pooler}/{engine.url.database}", vault=VAULT) for _ in range(2))
    waits = text("SELECT current_setting('lock_timeout'), current_setting('statement_timeout')")
    try:
        for _ in range(8):  # the driver prepares what it meets a sixth time: each would find the other's under its name
            for through in (one, another):
                with read_session(through) as session:
                    assert tuple(session.execute(waits).one()) == ("15s", "2min")
        with another.connect().execution_options(isolation_level="REPEATABLE READ") as connection:
            asked = "SELECT current_setting('transaction_isolation'), current_setting('lock_timeout')"
            assert tuple(connection.execute(text(asked)).one()) == ("repeatable read", "15s")
        straight = open_engine(engine.url.render_as_string(hide_password=False), vault=VAULT)
        with straight.connect() as plain:  # and a server itself is not taken for one
            assert tuple(plain.execute(waits).one()) == ("15s", "2min")
        straight.dispose()
        for needs_more in (migrate.upgrade, lambda pooled: back_up(pooled, tmp_path / "no.backup")):
            with pytest.raises(Refused, match="past a pooler"):
                needs_more(one)
    finally:
        one.dispose()
        another.dispose()


def test_the_wall_stands_where_a_connection_was_another_clinics_before(
    engine: Engine, pooler: str, tmp_path: Path
) -> None:
    with building(engine, World(engine, tmp_path).now) as build:
        clinics = [build.clinic(name=name) for name in ("Fernmoor", "Elsewhere")]
        for clinic in clinics:
            build.staff(clinic, f"Noa of {clinic.name}")
    webs = [open_engine(f"{pooler}/web", vault=VAULT, wall_key=WALL_KEY) for _ in clinics]
    try:
        for _ in range(8):
            for clinic, web in zip(clinics, webs, strict=True):
                stand(clinic.id)
                with write_connection(web) as connection:
                    assert connection.scalars(text("SELECT clinic_id FROM staff")).all() == [clinic.id]
                stand()
                with write_connection(web) as connection:
                    assert connection.scalars(text("SELECT clinic_id FROM staff")).all() == []
    finally:
        stand()
        for web in webs:
            web.dispose()


def back_up(engine: Engine, file: Path) -> None:
    backing.back_up(engine, file, World(engine, file.parent).now, "0.0.1", uuid.uuid4().hex, config.beside)
