"""What many tests begin with, made once in a process and copied for each of them."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import TypeVar

from sqlalchemy import Engine

T = TypeVar("T")
_kept: dict[Hashable, tuple[bytes, bytes]] = {}


def made_once(engine: Engine, which: Hashable, make: Callable[[], T]) -> T:
    """What `make` lays into the empty database, and a copy of what it gives back, which can be pickled.

    On SQLite it is called once for each `which`, and its file copied from then on. On PostgreSQL it is
    called each time: a database cannot be put in another's place while somebody is connected.
    """
    if engine.dialect.name != "sqlite":
        return make()
    file = Path(engine.url.database or "")
    if which not in _kept:
        given = make()
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        _kept[which] = file.read_bytes(), pickle.dumps(given)
        return given
    laid, given_then = _kept[which]
    engine.dispose()
    for log in file.parent.glob(f"{file.name}-*"):
        log.unlink()
    file.write_bytes(laid)
    copy: T = pickle.loads(given_then)  # noqa: S301 - written above
    return copy
