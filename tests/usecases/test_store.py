"""The store's own promises, on whichever database the suite runs."""

import threading
import uuid
from datetime import UTC, datetime, time, timedelta, timezone
from pathlib import Path

import pytest
from sqlalchemy import Engine, bindparam, event, select, text, update
from sqlalchemy.exc import DBAPIError, OperationalError, StatementError
from sqlalchemy.orm import aliased

from service.care import contacts
from service.domain import asking
from service.domain.vocabulary import Channel, StepState
from service.store import identity, migrate
from service.store import session as session_module
from service.store.prepared import Prepared
from service.store.session import gather_statistics, open_engine, read_session, write_connection, write_session
from service.store.tables import Base, Clinic, Contact, Message, Step
from service.store.troubles import Trouble, trouble_of
from tests import scans
from tests.conftest import SERVER
from tests.servers import VAULT


def a_clinic(created_at: datetime) -> Clinic:
    return Clinic(
        name="Fernmoor Clinic", zone="Pacific/Auckland", review_weekday=0, emergency_number="111",
        contact_line="+6499990100", sender_name="Fernmoor", quiet_from=time(21), quiet_until=time(8),
        steps=[], silent_days=2, silent_again_days=3, asks=asking.START, asks_again_in_doubt=False, created_at=created_at,
    )  # fmt: skip


def test_an_instant_comes_back_as_the_same_instant_in_utc(engine: Engine) -> None:
    given = datetime(2026, 4, 5, 2, 30, 1, 234567, tzinfo=timezone(timedelta(hours=13)))
    with write_session(engine) as session:
        session.add(a_clinic(given))
    with read_session(engine) as session:
        stored = session.scalars(select(Clinic.created_at)).one()
    assert stored == given
    assert stored.tzinfo is UTC


def test_a_naive_instant_is_refused(engine: Engine) -> None:
    with pytest.raises(StatementError, match="has no zone"), write_session(engine) as session:
        session.add(a_clinic(datetime(2026, 4, 5, 2, 30)))  # noqa: DTZ001


def test_a_block_that_fails_leaves_nothing_behind(engine: Engine) -> None:
    with pytest.raises(RuntimeError), write_session(engine) as session:
        session.add(a_clinic(datetime(2026, 4, 5, tzinfo=UTC)))
        session.flush()
        raise RuntimeError
    with read_session(engine) as session:
        assert session.scalars(select(Clinic)).all() == []


def test_the_migrations_lead_to_exactly_the_tables(engine: Engine) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    assert migrate.is_current(engine)


def test_the_migrations_lead_to_exactly_the_tables_indexes_and_triggers(engine: Engine, tmp_path: Path) -> None:
    """Which rows an index is of, the comparison above does not look at: SQLite keeps the words it was made with."""
    if engine.dialect.name != "sqlite":
        pytest.skip("another database keeps an index in words of its own")
    tables = open_engine(f"sqlite:///{tmp_path / 'tables.sqlite3'}")
    with write_connection(tables) as connection:
        Base.metadata.create_all(connection)
    kept = text("SELECT sql FROM sqlite_master WHERE type IN ('index', 'trigger') AND sql IS NOT NULL")
    with engine.connect() as made, tables.connect() as wanted:
        assert set(made.scalars(kept)) == set(wanted.scalars(kept))
    tables.dispose()


@pytest.mark.parametrize("url", ["mysql://localhost/x", "sqlite://", "sqlite:///:memory:", "sqlite:///here.sqlite3"])
def test_other_databases_are_refused_in_words(url: str) -> None:
    with pytest.raises(ValueError, match=r"accepted|needs a file"):
        open_engine(url)


@pytest.mark.skipif(SERVER is None, reason="on SQLite see tests/crash/test_storage.py")
def test_a_lock_that_somebody_keeps_is_waited_for_with_an_end(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(session_module.SERVER_SETTINGS, "lock_timeout", 200)
    own = open_engine(engine.url.render_as_string(hide_password=False), vault=VAULT)
    with write_session(engine) as keeper:
        keeper.execute(text("LOCK TABLE clinics IN ACCESS EXCLUSIVE MODE"))
        # PostgreSQL, appendix A: 55P03 is lock_not_available.
        with pytest.raises(OperationalError) as refused, read_session(own) as session:
            session.execute(text("SELECT 1 FROM clinics"))
    own.dispose()
    assert (refused.value.orig.sqlstate, trouble_of(refused.value)) == ("55P03", Trouble.BUSY)


@pytest.mark.databases("sqlite")
def test_an_id_is_of_version_7_and_greater_than_those_before_it_also_where_the_clock_went_back(monkeypatch):
    # RFC 9562, section 5.7 (layout) and appendix A.6: 2022-02-22 19:22:22 UTC is 0x017F22E279B0 ms.
    at = [1_645_557_742_000_000_000]
    monkeypatch.setattr(identity.time, "time_ns", lambda: at[0])
    monkeypatch.setattr(identity, "_last", (0, 0))
    first = identity.new_id()
    assert (first.version, first.variant, first.int >> 80) == (7, uuid.RFC_4122, 0x017F22E279B0)
    made = [first, *(identity.new_id() for _ in range(2000))]
    at[0] -= 3_600 * 1_000_000_000
    made += [identity.new_id() for _ in range(2000)]
    monkeypatch.setattr(identity, "_last", (identity._last[0], (1 << 42) - 1))
    made.append(identity.new_id())
    assert made == sorted(set(made))
    assert {(one.version, one.variant) for one in made} == {(7, uuid.RFC_4122)}

    def some() -> None:
        made.extend(identity.new_id() for _ in range(2000))

    threads = [threading.Thread(target=some) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(set(made)) == len(made)


@pytest.mark.databases("sqlite")
def test_a_statement_that_would_read_all_of_a_table_that_grows_is_found(engine, monkeypatch):
    """So that silence about all the others says something. Source of the plans' words: SQLite, "EXPLAIN QUERY PLAN"."""
    monkeypatch.setattr(scans, "asked_by", lambda: ["service/anywhere.py:any"])
    by_index = select(Message.id).where(Message.window_id == uuid.uuid4())
    whole = select(Message.id).where(Message.step_id == uuid.uuid4())
    other_name = aliased(Message)
    with read_session(engine) as session:
        session.execute(by_index)
        session.execute(select(Clinic))
        for asked in (
            whole,
            select(other_name.id).where(other_name.step_id == uuid.uuid4()),
            whole.order_by(Message.id),
        ):
            with pytest.raises(scans.ReadsAll, match=r"reads all of messages\b"):
                session.execute(asked)


@pytest.mark.databases("sqlite")
def test_sqlite_knows_how_many_rows_its_tables_have_once_it_has_looked(engine):
    """Source: SQLite, "ANALYZE": what it found stands in sqlite_stat1, the number of rows first."""
    with write_session(engine) as session:
        session.add_all([a_clinic(datetime(2026, 4, 5, tzinfo=UTC)) for _ in range(3)])
    gather_statistics(engine)
    with read_session(engine) as session:
        told = session.scalars(text("SELECT stat FROM sqlite_stat1 WHERE tbl = 'clinics'")).all()
    assert {one.split()[0] for one in told} == {"3"}


@pytest.mark.databases("sqlite")
def test_for_the_caregivers_of_a_few_patients_nobody_reads_the_contacts_of_everybody(engine):
    """Of contacts nearly none is a caregiver's, and SQLite knows so; `tests.scans` looks at each statement."""
    at = datetime(2026, 4, 5, tzinfo=UTC)
    with write_session(engine) as session:
        session.add(clinic := a_clinic(at))
        session.flush()
        session.add_all(
            Contact(clinic_id=clinic.id, channel=Channel.TEXT, address=f"+6499{number:06}", created_at=at)
            for number in range(2000)
        )
    gather_statistics(engine)
    with read_session(engine) as session:
        assert contacts.first_working(session, Contact.caregiver_id, [uuid.uuid4() for _ in range(200)]) == {}


def test_a_prepared_statement_says_what_the_same_statement_says_without(engine: Engine) -> None:
    made = datetime(2026, 4, 5, 2, 30, 1, 234567, tzinfo=UTC)
    with write_session(engine) as session:
        session.add(a_clinic(made))
    every = select(*Clinic.__table__.columns).where(
        Clinic.created_at == bindparam("made", type_=Clinic.created_at.type), Clinic.zone == "Pacific/Auckland"
    )
    fewer_days = update(Clinic.__table__).where(Clinic.silent_days == bindparam("was")).values(silent_days=1)
    told = fewer_days.where(Clinic.name == "Fernmoor Clinic").returning(Clinic.id, Clinic.created_at)
    with write_connection(engine) as connection:
        plain = connection.execute(every, {"made": made}).all()
        assert [tuple(row) for row in Prepared(every).all(connection, {"made": made})] == plain != []
        assert Prepared(every).first(connection, {"made": made}).created_at == made
        assert Prepared(every).first(connection, {"made": made + timedelta(1)}) is None
        (changed,) = Prepared(told).all(connection, {"was": 2})
        assert (changed.id, changed.created_at) == (plain[0].id, made)
        changing = Prepared(fewer_days)
        assert [changing.changes(connection, {"was": days}) for days in (2, 1)] == [0, 1]
    with pytest.raises(ValueError, match="has no zone"), write_connection(engine) as connection:
        Prepared(every).all(connection, {"made": made.replace(tzinfo=None)})
    with pytest.raises(DBAPIError) as raised, write_connection(engine) as connection:
        Prepared(select(text("1")).select_from(text("no_such_table"))).all(connection, {})
    assert trouble_of(raised.value) is Trouble.NO_LAYOUT
    with pytest.raises(TypeError, match="anew each time"), write_connection(engine) as connection:
        Prepared(every.where(Clinic.zone.in_(["a", "b"]))).all(connection, {"made": made})


def test_a_word_that_a_prepared_statement_holds_is_no_parameter_of_it(engine: Engine) -> None:
    """Source: SQLite, sqlite3_prepare_v2: one that might change the plan has it made anew at each execution."""
    asked: list[str] = []
    event.listen(engine, "before_cursor_execute", lambda _connection, _cursor, said, *_: asked.append(said))
    waits = update(Step.__table__).where(Step.id == bindparam("which"), Step.state == StepState.PENDING)
    with write_connection(engine) as connection:
        Prepared(waits.values(state=StepState.CANCELLED)).changes(connection, {"which": uuid.uuid4()})
    assert "state = 'pending'" in asked[-1]
