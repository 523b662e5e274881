"""Several threads whose writes are committed together: `service.store.together`. SQLite alone."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from threading import Event

import pytest
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import IntegrityError

from service.store import queue
from service.store.queue import NoTurn
from service.store.session import connect, open_engine, write_session
from service.store.together import write_together

Work = Callable[[Connection], None]


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    engine = open_engine(f"sqlite:///{tmp_path / 'words.sqlite3'}")
    with engine.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE words (word TEXT PRIMARY KEY, after TEXT REFERENCES words (word))")
    yield engine
    engine.dispose()


def say(word: str, after: str | None = None) -> Work:
    def work(connection: Connection) -> None:
        connection.exec_driver_sql("INSERT INTO words VALUES (?, ?)", (word, after))

    return work


def in_line(engine: Engine, number: int) -> None:
    """Wait until so many threads wait for their turn."""
    for _ in range(20_000):
        if queue._queues[str(engine.url.database)]._in_line == number:
            return
        time.sleep(0.001)
    raise AssertionError(f"{number} never waited")


def written(engine: Engine, *works: Work) -> list[Future[None]]:
    """What became of each, in the order given; the first has its turn until all the others wait for theirs."""
    first_writes, others_wait = Event(), Event()

    def one(work: Work, *, is_first: bool) -> None:
        with write_together(engine) as connection:
            if is_first:
                first_writes.set()
                assert others_wait.wait(20)
            work(connection)

    with ThreadPoolExecutor(len(works)) as pool:
        told = [pool.submit(one, works[0], is_first=True)]
        assert first_writes.wait(20)
        for number, work in enumerate(works[1:], 1):
            told.append(pool.submit(one, work, is_first=False))
            in_line(engine, number)
        others_wait.set()
    return told


def words(engine: Engine) -> set[str]:
    with connect(engine) as connection:
        return {word for (word,) in connection.exec_driver_sql("SELECT word FROM words")}


def test_those_who_wait_for_each_other_are_committed_once_and_told_after_that(engine: Engine) -> None:
    done: list[str] = []
    event.listen(engine, "commit", lambda _connection: done.append(f"commit of {len(words(engine))} before"))
    told = written(engine, *map(say, "abc"))
    assert [one.result() for one in told] == [None] * 3
    assert done == ["commit of 0 before"]
    assert words(engine) == {*"abc"}


@pytest.mark.parametrize("wrong", range(3))
def test_what_fails_is_taken_back_alone(engine: Engine, wrong: int) -> None:
    def fail(connection: Connection) -> None:
        say("wrong")(connection)
        raise LookupError("this one")

    told = written(engine, *(fail if place == wrong else say(str(place)) for place in range(3)))
    assert [type(one.exception()) for one in told] == [LookupError if at == wrong else type(None) for at in range(3)]
    assert words(engine) == {*"012"} - {str(wrong)}


def test_where_the_database_takes_back_all_of_it_nobody_is_told_that_theirs_is_kept(engine: Engine) -> None:
    def run_out(connection: Connection) -> None:
        connection.exec_driver_sql("ROLLBACK")  # as SQLite does by itself on a full disk
        raise OSError("full")

    told = written(engine, say("a"), run_out)
    assert [type(one.exception()) for one in told] == [OSError] * 2
    assert words(engine) == set()


def test_a_commit_that_fails_fails_for_everybody(engine: Engine) -> None:
    def late(connection: Connection) -> None:
        connection.exec_driver_sql("PRAGMA defer_foreign_keys=ON")
        say("b", after="nothing that is there")(connection)

    told = written(engine, say("a"), late, say("c"))
    assert [type(one.exception()) for one in told] == [IntegrityError] * 3
    assert words(engine) == set()
    assert [one.exception() for one in written(engine, say("d"))] == [None]


def test_a_transaction_of_another_kind_ends_what_was_left_open(engine: Engine) -> None:
    found: list[set[str]] = []

    def by_itself() -> None:
        with write_session(engine) as session:
            found.append(words(engine))
            say("b")(session.connection())

    with ThreadPoolExecutor(1) as pool:
        with write_together(engine) as connection:
            other = pool.submit(by_itself)
            in_line(engine, 1)
            say("a")(connection)
        assert words(engine) >= {"a"}
        other.result()
    assert (found, words(engine)) == ([{"a"}], {*"ab"})


def test_nothing_is_left_to_somebody_who_has_given_up(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    def impatient() -> None:
        with write_together(engine):
            raise AssertionError("had a turn")

    with ThreadPoolExecutor(1) as pool, write_together(engine) as connection:
        monkeypatch.setattr(queue, "PATIENCE", 0.01)
        with pytest.raises(NoTurn, match="keeps the turn"):
            pool.submit(impatient).result()
        say("a")(connection)
    assert words(engine) == {"a"}
