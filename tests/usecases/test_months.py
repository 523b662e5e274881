"""What grows daily lies by month on PostgreSQL: made ahead, crossed, dropped whole, and told where a month is missing.

That a message is one whatever month it falls into, and goes with its month alone, is a rule of our own: no source. The
bounds of a month are RFC 9562's: the first 48 bits of an id are the milliseconds since 1970 (section 5.7).
"""

from __future__ import annotations

import re
import threading
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from alembic.migration import MigrationContext
from alembic.operations import Operations
from sqlalchemy import Engine, delete, event, func, select, text
from sqlalchemy.exc import ProgrammingError

from service.delivery import operating
from service.domain.retention import checked_keep
from service.domain.vocabulary import MessageKind, MessageState
from service.health import checks
from service.keeping import retention
from service.scheduling import steps
from service.store import chain, due, identity, months, outbox
from service.store.audit import SYSTEM, Act
from service.store.identity import new_id
from service.store.migrations import indexing
from service.store.migrations.roles import WORKER
from service.store.session import read_session, write_session
from service.store.tables import MONTHLY, AuditLine, Message, MessageEvent, Occurrence
from service.store.wall import WEB
from tests.conftest import SERVER
from tests.post import Post
from tests.servers import as_role

pytestmark = [
    pytest.mark.database,
    pytest.mark.postgres,
    pytest.mark.skipif(SERVER is None, reason="needs PostgreSQL"),
]
NOW = datetime.now(UTC).replace(hour=12)  # months are the machine's: ids begin with its time
SECOND = timedelta(seconds=1)
At = Callable[[datetime], None]


@pytest.fixture
def at(post: Post, monkeypatch: pytest.MonkeyPatch) -> Iterator[At]:
    """Sets the machine's clock, which ids go by, and the service's. Afterwards the months are as they were."""

    def moved(moment: datetime) -> None:
        monkeypatch.setattr(identity, "_last", (0, 0))
        monkeypatch.setattr(identity, "time", SimpleNamespace(time_ns=lambda: int(moment.timestamp() * 1e9)))
        post.clock.set(moment)

    yield moved
    with post.engine.begin() as connection:
        for table in MONTHLY:
            connection.exec_driver_sql(f"DELETE FROM {table}")
            for month in months._months_of(connection, table):
                if month[-7:] < months.month_name(NOW):
                    connection.exec_driver_sql(f"DROP TABLE months.{month}")
    months.make_ahead(post.engine)


def lies_in(engine: Engine, table: str) -> set[str]:
    with engine.connect() as connection:
        return set(connection.scalars(text(f"SELECT DISTINCT tableoid::regclass::text FROM {table}")))


def months_planned_for(engine: Engine, work: Callable[[], object]) -> set[str]:
    """The months that the plans of all statements read which `work` sends."""
    found: set[str] = set()

    def explain(_connection: object, cursor: Any, statement: str, given: Any, *_: object) -> None:
        if re.match("SELECT|WITH|UPDATE", statement):
            plan = cursor.connection.execute(f"EXPLAIN {statement}", given).fetchall()
            found.update(re.findall(r"_(\d{4}_\d{2})\b", str(plan)))

    event.listen(engine, "before_cursor_execute", explain)
    try:
        work()
    finally:
        event.remove(engine, "before_cursor_execute", explain)
    return found


def first_of(later: int) -> datetime:
    year, month = months.month_name(NOW, later).split("_")
    return datetime(int(year), int(month), 1, tzinfo=UTC)


def told_of_months(engine: Engine, now: datetime = NOW) -> checks.Finding:
    with read_session(engine) as session:
        return next(checks._months(session, now))


def test_an_occurrence_across_the_end_of_a_month_is_one_message_and_each_row_lies_in_its_own(
    post: Post, at: At
) -> None:
    ends = first_of(1)
    at(ends - SECOND)
    sent = post.write(MessageKind.PROMPT, dedupe_key="prompt:w:text")
    at(ends + SECOND)
    new = outbox.NewMessage(
        post.patient.clinic_id, post.message(sent).contact_id, MessageKind.PROMPT, post.message(sent).channel,
        "prompt:w:text", ends, ends + timedelta(hours=3), post.patient.id,
    )  # fmt: skip
    with write_session(post.engine) as session:
        assert outbox.enqueue(session, new, ends) is None
        assert outbox.enqueue_many(session, [new, new], ends) == 2
    assert post.deliver().done == 1
    assert post.message(sent).state is MessageState.SENT
    assert lies_in(post.engine, "messages") == {f"months.messages_{months.month_name(NOW)}"}
    assert lies_in(post.engine, "message_events") == {f"months.message_events_{months.month_name(NOW, 1)}"}
    # Once it could not come again, its occurrence is let go of, and not a day before.
    over = ends - SECOND + timedelta(hours=3) + outbox.RECURS_WITHIN
    assert outbox.forget_over(post.engine, over).done == 0
    assert outbox.forget_over(post.engine, over + timedelta(days=1)).done == 1
    with read_session(post.engine) as session:
        assert session.scalar(select(func.count(Occurrence.id))) == 0


def test_old_months_go_whole_while_messages_are_sent_but_for_one_in_which_something_waits(post: Post, at: At) -> None:
    engine, keep = post.engine, checked_keep("NEAPTIDE_KEEP", "messages=1, audit=1")
    gone, waits = NOW - timedelta(days=105), NOW - timedelta(days=70)
    at(gone)
    old = [post.write(MessageKind.PROMPT) for _ in range(3)]
    assert post.deliver().done == 1  # what goes to one person together is one
    with write_session(engine) as session:
        session.execute(delete(AuditLine))  # the clinic's beginning, of another day than this
        Act(session, SYSTEM, post.patient.clinic_id, gone).note("message.retry", ("message", old[0]))
    chain.seal_new(engine, gone)
    at(waits)
    waiting = post.write(MessageKind.PROMPT, lasts=timedelta(days=100), due_at=NOW + timedelta(days=1))
    assert told_of_months(engine).ok is False  # nobody had made these months
    assert months.make_ahead(engine).done > 0
    assert told_of_months(engine).ok
    at(NOW)
    now = [post.write(MessageKind.NUDGE, to="+447700900003") for _ in range(3)]
    reader = engine.connect()
    reader.execute(select(Message.id))  # holds up whoever wants the table for itself
    dropping = threading.Thread(target=retention.apply, args=(engine, keep, SYSTEM, NOW))
    dropping.start()
    assert post.deliver().done >= 1  # within the time in which the other waits and gives way
    reader.close()
    dropping.join(60)
    assert not dropping.is_alive()
    with engine.connect() as connection:
        left = {table: months._months_of(connection, table) for table in MONTHLY}
    of = {when: months.month_name(when) for when in (gone, waits)}
    assert [table for table in MONTHLY if f"{table}_{of[gone]}" in left[table]] == []
    assert f"messages_{of[waits]}" in left["messages"]
    with read_session(engine) as session:
        assert set(session.scalars(select(Message.id))) == {waiting, *now}
        assert set(session.scalars(select(MessageEvent.message_id))) == set(now)
        told = session.scalars(select(AuditLine.detail).where(AuditLine.action == "retention.apply")).one()
    assert (told["kind"], told["rows"]) == ("messages", len(old) + len(old) + 1)  # two were carried by the third
    assert not any(one.flaws for one in chain.verify(engine))
    assert retention.apply(engine, keep, SYSTEM, NOW).done == 0


def test_without_a_month_rows_lie_in_the_rest_and_doctor_says_so_until_they_are_laid(post: Post, at: At) -> None:
    engine, next_month = post.engine, months.month_name(NOW, 1)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DROP TABLE months.messages_{next_month}")
    at(first_of(1) + SECOND)
    sent = post.write(MessageKind.PROMPT)
    assert post.deliver().done == 1
    assert lies_in(engine, "messages") == {"months.messages_rest"}
    told = told_of_months(engine)
    assert not told.ok
    assert "Rows of messages lie in no month" in told.sentence
    assert months.make_ahead(engine).done == 1
    assert lies_in(engine, "messages") == {f"months.messages_{next_month}"}
    assert post.message(sent).state is MessageState.SENT
    assert told_of_months(engine).ok
    assert months.make_ahead(engine).done == 0
    assert "run short" in told_of_months(engine, first_of(months.AHEAD)).sentence


def test_the_workers_role_makes_months_and_reads_none_of_them_by_its_own_name(post: Post) -> None:
    last = months.month_name(NOW, months.AHEAD)
    with post.engine.begin() as connection:
        connection.exec_driver_sql(f"DROP TABLE months.steps_{last}")
    assert months.make_ahead(as_role(post.engine, WORKER)).done == 1
    for role, refused in (
        (WORKER, f"SELECT * FROM months.messages_{last}"),
        (WORKER, f"DROP TABLE months.messages_{last}"),
        (WORKER, "ALTER TABLE messages DETACH PARTITION months.messages_rest"),
        (WEB, "SELECT months.make(3)"),
        (WEB, f"INSERT INTO months.messages_{last} DEFAULT VALUES"),
    ):
        with (
            pytest.raises(ProgrammingError, match=r"permission denied|must be owner"),
            as_role(post.engine, role).begin() as connection,
        ):
            connection.exec_driver_sql(refused)
    with post.engine.connect() as connection:
        open_to = connection.scalars(
            text(
                "SELECT relname FROM pg_class WHERE relnamespace = 'months'::regnamespace AND relkind = 'r' AND NOT relrowsecurity"
            )
        )
        assert list(open_to) == []


def test_an_index_is_built_on_each_month_beside_its_writers_and_then_is_the_tables(post: Post) -> None:
    told = "SELECT count(*) FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhparent WHERE c.relname = 'ix_messages_settled_at'"
    with post.engine.connect() as connection:
        context = MigrationContext.configure(connection)
        with Operations.context(context), context.begin_transaction():
            indexing.add_index("ix_messages_settled_at", "messages", ["settled_at"])
        number = len(months._months_of(connection, "messages")) + 1
        assert connection.scalar(text(told)) == number
        with Operations.context(context), context.begin_transaction():
            indexing.drop_index("ix_messages_settled_at", "messages")
        assert connection.scalar(text(told)) == 0


def test_the_bounds_of_a_month_are_those_of_ids(post: Post) -> None:
    # RFC 9562, appendix A.6: this id was made at 2022-02-22 19:22:22 UTC (the example's local time was 14:22:22 -05:00).
    example = uuid.UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
    with post.engine.connect() as connection:
        asked = text("SELECT months.month_of(:id), months.first_id('2022-02-22 19:22:22+00')")
        month, first = connection.execute(asked, {"id": example}).one()
    assert month == datetime(2022, 2, 1, tzinfo=UTC)
    assert first == uuid.UUID("017F22E2-79B0-0000-0000-000000000000")
    # What hangs on that row is looked for from a day before on: the machines of two workers may show different times.
    assert identity.none_made_before([example, new_id()]) == uuid.UUID("017F1DBC-1DB0-0000-0000-000000000000")
    assert identity.none_made_before([example, uuid.uuid4()]) == uuid.UUID(int=0)
    # And what was made by then up to a day after.
    assert identity.none_made_after([example]) == uuid.UUID("017F2808-D5B0-FFFF-FFFF-FFFFFFFFFFFF")
    assert identity.none_made_after([example, uuid.uuid4()]) == uuid.UUID(int=2**128 - 1)


def test_the_history_of_what_was_settled_long_ago_is_looked_for_in_no_month_since(post: Post, at: At) -> None:
    at(NOW - timedelta(days=100))
    settled, waits = (post.write(MessageKind.REPLY, lasts=timedelta(days=99), params={"text": one}) for one in "xy")
    at(NOW - timedelta(days=60))
    with write_session(post.engine) as session:  # forty days late; its last line is of now
        outbox.end_turn(
            session, Message.id == settled, MessageState.FAILED, "x", post.clock.now(), settled_at=post.clock.now()
        )
    at(NOW)
    months.make_ahead(post.engine)

    def told(message_id: uuid.UUID) -> list[str]:
        with read_session(post.engine) as session:
            return [one.event for one in operating.history(session, message_id)]

    this = months.month_name(NOW)
    assert told(settled) == post.events(settled) == ["failed"]
    assert this not in months_planned_for(post.engine, lambda: told(settled))
    assert this in months_planned_for(post.engine, lambda: told(waits))  # of which more may come


def test_who_looks_again_and_again_reads_no_month_that_is_long_over_and_now_and_then_all(
    post: Post, at: At, monkeypatch: pytest.MonkeyPatch
) -> None:
    seconds = [1.0]
    monkeypatch.setattr(due, "time", SimpleNamespace(monotonic=lambda: seconds[0]))
    long_ago = NOW - 3 * due.LATELY
    at(long_ago)
    waits = post.write(MessageKind.REPLY, lasts=4 * due.LATELY, params={"text": "x"})
    at(NOW)
    months.make_ahead(post.engine)

    def look() -> None:
        since = lately.since()
        steps.take_steps(post.engine, NOW, since=since)
        post.deliver(since=since)

    lately = due.Lately(post.engine)
    assert lately.since() is None  # whoever begins looks at all
    assert months.month_name(long_ago) not in months_planned_for(post.engine, look)
    assert post.message(waits).state is MessageState.QUEUED
    seconds[0] += due.LOOKS_BACK_SECONDS
    assert months.month_name(long_ago) in months_planned_for(post.engine, look)
    assert post.message(waits).state is MessageState.SENT


def test_the_worker_has_postgresql_look_at_tables_as_wholes_once_a_week(post: Post) -> None:
    """Source: PostgreSQL, "Routine vacuuming", 25.1.3: autovacuum never analyzes a table above partitions."""
    known = text("SELECT count(*) FROM pg_stats WHERE tablename = 'messages' AND attname = 'kind' AND inherited")
    post.write(MessageKind.PROMPT)
    with post.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM pg_statistic WHERE starelid = 'messages'::regclass")
        for table in MONTHLY:
            connection.exec_driver_sql(f"SELECT pg_stat_reset_single_table_counters('{table}'::regclass)")
    worker = as_role(post.engine, WORKER)
    assert months.gather_statistics(worker).done == len(MONTHLY)
    with post.engine.connect() as connection:
        assert connection.scalar(known) == 1
    assert months.gather_statistics(worker).done == 0
