"""The store's own promises, on whichever database the suite runs."""

import importlib
from datetime import UTC, datetime, time, timedelta, timezone

import pytest
from sqlalchemy import Dialect, Engine, MetaData, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import StatementError
from sqlalchemy.schema import CreateIndex

from service.store import migrate
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Base, Clinic


def a_clinic(created_at: datetime) -> Clinic:
    return Clinic(
        name="Fernmoor Clinic", zone="Pacific/Auckland", review_weekday=0, emergency_number="111",
        contact_line="+6499990100", sender_name="Fernmoor", quiet_from=time(21), quiet_until=time(8),
        steps=[], silent_days=2, created_at=created_at,
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


@pytest.mark.parametrize("dialect", [sqlite.dialect(), postgresql.dialect()], ids=["sqlite", "postgresql"])
def test_the_first_layout_has_exactly_the_tables_indexes(dialect: Dialect) -> None:
    """Which rows an index is of, the comparison above does not look at."""
    first = importlib.import_module("service.store.migrations.versions.0001_the_first_layout")

    def indexes(layout: MetaData) -> set[str]:
        every = (index for table in layout.tables.values() for index in table.indexes)
        return {str(CreateIndex(index).compile(dialect=dialect)) for index in every}

    assert indexes(first.LAYOUT) == indexes(Base.metadata)


@pytest.mark.parametrize("url", ["mysql://localhost/x", "sqlite://", "sqlite:///:memory:"])
def test_other_databases_are_refused_in_words(url: str) -> None:
    with pytest.raises(ValueError, match=r"accepted|needs a file"):
        open_engine(url)
