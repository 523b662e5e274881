"""The database locked by somebody else, or its disk full, while messages are being delivered. SQLite."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError

from service.delivery.sending import Boundary
from service.domain.vocabulary import MessageKind, MessageState
from service.store.due import LEASE
from tests.post import CAREGIVER_PHONE, Post

BETWEEN = [Boundary.CLAIMED, Boundary.STAMPED, Boundary.HANDED_OVER]


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    if engine.dialect.name != "sqlite":
        pytest.skip("PostgreSQL locks rows, not the database, and its disk is the server's")
    return Post(engine, tmp_path / "gateway.sqlite3")


@contextmanager
def locked(post: Post) -> Iterator[None]:
    """Another program holds the database for longer than anybody waits."""

    def in_no_patience(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA busy_timeout=1")

    event.listen(post.engine, "checkout", in_no_patience)
    with closing(sqlite3.connect(post.engine.url.database or "", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")
    event.remove(post.engine, "checkout", in_no_patience)


@contextmanager
def disk_full(post: Post) -> Iterator[None]:
    """Not a page more than there are."""

    def fill(connection: sqlite3.Connection, *_: object) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count={pages}")

    def free(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute("PRAGMA max_page_count=1000000")

    event.listen(post.engine, "checkout", fill)
    try:
        yield
    finally:
        event.remove(post.engine, "checkout", fill)
        event.listen(post.engine, "checkout", free)


@pytest.mark.parametrize("where", BETWEEN, ids=str)
def test_a_locked_database_delays_and_loses_nothing(post: Post, where: Boundary) -> None:
    message_id = post.write(MessageKind.NUDGE, to=CAREGIVER_PHONE)
    held = []

    def lock_it(boundary: Boundary) -> None:
        if boundary is where and not held:
            held.append(locked(post))
            held[0].__enter__()

    with pytest.raises(OperationalError, match="locked"):
        post.deliver(at=lock_it)
    held[0].__exit__(None, None, None)
    _ends_well(post, message_id)


def test_a_full_disk_delays_and_loses_nothing(post: Post) -> None:
    # Enough that the histories need new pages.
    ids = [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(120)]
    with disk_full(post), pytest.raises(OperationalError, match="full"):
        post.deliver()
    for _ in range(2):
        post.clock.advance(LEASE)
        post.deliver()
    states = {post.message(message_id).state for message_id in ids}
    assert states <= {MessageState.SENT, MessageState.UNCERTAIN}
    kept = {one.message_id: one.times for one in post.gateway.messages()}
    assert {message_id for message_id in ids if post.message(message_id).state is MessageState.SENT} <= kept.keys()
    assert set(kept.values()) <= {1}


def _ends_well(post: Post, message_id: object) -> None:
    for _ in range(3):
        post.clock.advance(LEASE + timedelta(seconds=1))
        post.deliver()
    assert post.message(message_id).state is MessageState.SENT  # type: ignore[arg-type]
    (kept,) = post.gateway.messages()
    assert kept.times <= 2
