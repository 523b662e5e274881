"""Writes that come at the same moment, committed together: a commit waits for the disk, and costs more than the rest.

On SQLite one writes at a time. Whoever has written, and sees another thread of this process wait for the turn, leaves
the transaction open and the turn to that thread; the last commits it, and only then are they all answered. Promises to
each what `write_connection` does: their work is on the disk when the block ends well, and taken back where it does not,
by itself. A commit that fails fails for everybody in it.

For what is short, and asked most: who came first waits for those who came after, `MOST` at most. On PostgreSQL, where
many write at once and the server gathers their commits, it is `write_connection`.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

from sqlalchemy import Connection, Engine

from service.store import counting
from service.store.queue import turn
from service.store.session import begun, write_connection

MOST = 16


class Together:
    """A transaction that threads write into, one after the other."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.writers = 0
        self.error: BaseException | None = None  # why nothing of it was kept
        self.has_ended = threading.Event()
        with ExitStack() as ends:
            self.connection = ends.enter_context(engine.connect())
            ends.enter_context(begun(self.connection))
            self._ends = ends.pop_all()

    @contextmanager
    def one(self) -> Iterator[Connection]:
        """One thread's part of it, which is taken back alone."""
        self.writers += 1
        if self.writers > 1:
            counting.begin(self.connection)
        part = self.connection.begin_nested() if self.writers > 1 else None
        try:
            yield self.connection
            if part is not None:
                part.commit()
        except BaseException as error:
            # After some errors, such as a full disk, the database has taken back all of it, and what was begun within
            # it is gone (SQLite, "Response To Errors Within A Transaction").
            driver: Any = self.connection.connection.driver_connection
            if part is not None and driver.in_transaction:
                part.rollback()
            else:
                self.error = error
            raise

    def end(self) -> None:
        """Commit it, or take it back where it cannot be; whoever wrote into it is told."""
        try:
            with self._ends:
                if self.error is not None:
                    raise self.error
        except BaseException as error:
            self.error = error
        finally:
            self.has_ended.set()


@contextmanager
def write_together(engine: Engine) -> Iterator[Connection]:
    """`write_connection`, in one transaction with others of this process that wait at this moment."""
    if engine.dialect.name != "sqlite":
        with write_connection(engine) as connection:
            yield connection
        return
    with turn(str(engine.url.database)) as now:
        ours = now.left
        if not isinstance(ours, Together) or ours.engine is not engine:
            if ours is not None:
                ours.end()
            ours = Together(engine)
        try:
            with ours.one() as connection:
                yield connection
            tally = counting.counted(connection)
        finally:
            if ours.error is not None or ours.writers == MOST or not now.hand_over(ours):
                ours.end()
    ours.has_ended.wait()
    if ours.error is not None:
        raise ours.error
    counting.keep(tally)
