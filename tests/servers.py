"""A PostgreSQL database of one's own on the server that tests may use."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Engine, create_engine, make_url, text

from service.domain.seals import Sealer
from service.keyring import KeyFor, Keyring
from service.store import migrate
from service.store.migrations import roles
from service.store.session import SEALER, open_engine
from service.store.vault import Vault

WALL_KEY = b"by which the tests' transactions sign whose they are"
# Every process that a test starts, and the engine of the test itself, encrypt addresses with this one's key.
SECRET = "a secret that only this test knows, 32+ characters"
VAULT = Vault(Keyring(SECRET).every(KeyFor.CONTACTS))
_as_roles: dict[tuple[str, str], Engine] = {}


@contextmanager
def own_database(server_url: str, name: str, sealer: Sealer | None = None) -> Iterator[Engine]:
    """An empty database called `name`, dropped at the end with whoever is still connected to it."""
    server = create_engine(make_url(server_url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    url = make_url(server_url).set(database=name).render_as_string(hide_password=False)
    engine = open_engine(url, sealer=sealer, vault=VAULT)
    try:
        yield engine
    finally:
        engine.dispose()
        with server.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        server.dispose()


def through_pooler(engine: Engine) -> Engine:
    """The same database by way of the pooler at NEAPTIDE_TEST_POOLER (`host:port`); without one, itself."""
    if not (pooler := os.environ.get("NEAPTIDE_TEST_POOLER")):
        return engine
    host, _, port = pooler.rpartition(":")
    url = engine.url.set(drivername="postgresql", host=host, port=int(port)).render_as_string(hide_password=False)
    return open_engine(url, sealer=engine.get_execution_options()[SEALER], vault=VAULT)


def make_roles(engine: Engine) -> None:
    """The wall between clinics in this database, and the server's roles for it, which all databases share."""
    with engine.begin() as connection:
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock(72391)")
        found = roles.there(connection)
        for role in roles.ROLES:
            if role not in found:
                connection.exec_driver_sql(roles.making(role))
    assert migrate.raise_wall(engine, (WALL_KEY,)) == ()


def as_role(engine: Engine, role: str) -> Engine:
    """The same database for one of its roles; of any other kind of database, and where there are no roles, itself."""
    if engine.dialect.name != "postgresql":
        return engine
    url = engine.url.set(drivername="postgresql", username=role).render_as_string(hide_password=False)
    if (url, role) not in _as_roles:
        _as_roles[url, role] = open_engine(
            url, wall_key=WALL_KEY, sealer=engine.get_execution_options()[SEALER], vault=VAULT
        )
    return _as_roles[url, role]


def faces(engine: Engine) -> list[Engine]:
    """This engine, and what `as_role` has made of its database."""
    return [engine, *(one for one in _as_roles.values() if one.url.database == engine.url.database)]


def let_go() -> None:
    """Close what `as_role` has opened."""
    for engine in _as_roles.values():
        engine.dispose()
