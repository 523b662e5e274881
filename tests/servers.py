"""A PostgreSQL database of one's own on the server that tests may use."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Engine, create_engine, make_url, text

from service.domain.seals import Sealer
from service.store.session import open_engine


@contextmanager
def own_database(server_url: str, name: str, sealer: Sealer | None = None) -> Iterator[Engine]:
    """An empty database called `name`, dropped at the end with whoever is still connected to it."""
    server = create_engine(make_url(server_url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    url = make_url(server_url).set(database=name).render_as_string(hide_password=False)
    engine = open_engine(url, sealer=sealer)
    try:
        yield engine
    finally:
        engine.dispose()
        with server.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
        server.dispose()
