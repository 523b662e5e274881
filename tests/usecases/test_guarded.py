"""Batches whose culprit is found, writes that find their row there already, and text a database can keep.

No outside source: these are the store's own promises, on whichever database the suite runs.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import DatabaseError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolExhausted
from sqlalchemy.orm import Session
from structlog.testing import capture_logs

from service.domain.validation import is_storable, storable
from service.store.guarded import guarded, guarded_each, quarantine_each, whole_else_each
from service.store.ids import among, slices
from service.store.session import read_session, write_session
from service.store.tables import Heartbeat, QuarantinedRow, ReadPosition
from service.store.upsert import insert_new, insert_rows, upsert

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def write(session: Session, source: str) -> str:
    if source == "bad":
        raise ZeroDivisionError
    insert_rows(session, ReadPosition.__table__, [{"id": uuid.uuid4(), "source": source, "position": 1}])
    return source


def write_all(session: Session, sources: list[str]) -> list[str]:
    return [write(session, source) for source in sources]


def written(engine: Engine) -> set[str]:
    with read_session(engine) as session:
        return set(session.scalars(select(ReadPosition.source)))


def test_a_batch_that_goes_well_is_one_transaction(engine: Engine) -> None:
    sources = ["a", "b"]
    outcome = guarded(
        engine, sources, kind="source", whole=lambda session: write_all(session, sources), alone=pytest.fail
    )
    assert (outcome.done, outcome.failed) == ([["a", "b"]], [])
    assert written(engine) == {"a", "b"}


def test_the_culprit_of_a_batch_is_named_and_the_rest_are_written(engine: Engine) -> None:
    chosen: list[str] = []

    def whole(session: Session) -> list[str]:
        chosen.extend(["a", "bad", "b"])  # rows may be chosen in the very transaction
        return write_all(session, chosen)

    with capture_logs() as logs:
        outcome = guarded(
            engine, chosen, kind="source", whole=whole, alone=lambda session, source: [write(session, source)]
        )
    assert outcome.done == [["a"], ["b"]]
    assert [(source, type(error)) for source, error in outcome.failed] == [("bad", ZeroDivisionError)]
    assert [(line["kind"], line["rows"]) for line in logs] == [("source", 3)]
    assert written(engine) == {"a", "b"}


AWAY = (
    OperationalError("", {}, Exception()), InterfaceError("", {}, Exception()), PoolExhausted("no connection left"),
    DatabaseError("", {}, Exception(), connection_invalidated=True),  # in the middle of an answer, psycopg's own class
)  # fmt: skip


@pytest.mark.parametrize("away", AWAY, ids=["away", "gone", "no connection left", "lost"])
def test_a_database_that_is_away_is_nobodys_fault(engine: Engine, away: Exception) -> None:
    def gone(*_: object) -> None:
        raise away

    def fails(*_: object) -> None:
        raise ZeroDivisionError

    for whole, alone in ((gone, pytest.fail), (fails, gone)):
        with pytest.raises(type(away)):
            guarded(engine, ["a"], kind="source", whole=whole, alone=alone)
        with pytest.raises(type(away)):
            whole_else_each(["a"], kind="source", whole=whole, alone=alone)
    with pytest.raises(type(away)):
        guarded_each(engine, ["a"], gone, pytest.fail)
    with pytest.raises(type(away)):
        guarded_each(engine, ["a"], gone)


def test_a_culprit_is_kept_in_the_transaction_that_tried_it_and_what_it_wrote_is_taken_back(engine: Engine) -> None:
    def alone(session: Session, source: str) -> str:
        write(session, f"half of {source}")
        return write(session, source)

    def keep(session: Session, source: str, error: Exception) -> str:
        assert isinstance(error, ZeroDivisionError)
        return write(session, f"kept {source}")

    def whole(session: Session) -> str:
        raise ZeroDivisionError

    outcome = guarded(engine, ["a", "bad", "b"], kind="thing", whole=whole, alone=alone, keep=keep)
    assert (outcome.done, outcome.failed) == (["a", "kept bad", "b"], [])
    assert written(engine) == {"half of a", "a", "kept bad", "half of b", "b"}


def test_what_cannot_even_be_kept_is_raised_after_the_rest_have_had_their_turn(engine: Engine) -> None:
    def keep(session: Session, source: str, error: Exception) -> str:
        write(session, "half kept")
        raise LookupError(source)

    with pytest.raises(LookupError, match="bad"):
        guarded_each(engine, ["a", "bad", "b"], write, keep)
    assert written(engine) == {"a", "b"}


def test_each_row_that_fails_is_quarantined_by_itself(engine: Engine) -> None:
    ids = [uuid.uuid4(), uuid.uuid4()]
    quarantine_each(engine, "thing", [(which, ZeroDivisionError()) for which in ids], NOW)
    with read_session(engine) as session:
        rows = session.scalars(select(QuarantinedRow)).all()
    assert {(row.subject_kind, row.subject_id, row.error) for row in rows} == {
        ("thing", which, "ZeroDivisionError") for which in ids
    }


def sign(worker: str, ticks: int) -> dict[str, object]:
    return {"id": uuid.uuid4(), "worker": worker, "started_at": NOW, "seen_at": NOW, "last_tick": {"ticks": ticks}}


def ticks(engine: Engine) -> dict[str, int]:
    with read_session(engine) as session:
        return {row.worker: row.last_tick["ticks"] for row in session.scalars(select(Heartbeat))}


@pytest.mark.parametrize("number", [1, 3])
def test_a_row_that_is_there_is_left_or_given_new_values(engine: Engine, number: int) -> None:
    names = [f"worker {n}" for n in range(number)]
    with write_session(engine) as session:
        assert insert_new(session, Heartbeat.__table__, [sign(name, 1) for name in names], ["worker"]) == number
        assert insert_new(session, Heartbeat.__table__, [sign(name, 2) for name in names], ["worker"]) == 0
    assert ticks(engine) == dict.fromkeys(names, 1)
    with write_session(engine) as session:
        assert (
            upsert(session, Heartbeat.__table__, [sign(name, 3) for name in [*names, "new"]], ["worker"]) == number + 1
        )
    assert ticks(engine) == dict.fromkeys([*names, "new"], 3)
    with pytest.raises(IntegrityError), write_session(engine) as session:
        insert_rows(session, Heartbeat.__table__, [sign("new", 4)])


def test_a_row_keeps_its_id_and_changes_only_under_its_condition(engine: Engine) -> None:
    first = uuid.uuid4()

    def move(place: int) -> int:
        row = {"id": first if place == 5 else uuid.uuid4(), "source": "list", "position": place}
        with write_session(engine) as session:
            further = "read_positions.position < excluded.position"
            return upsert(session, ReadPosition.__table__, [row], ["source"], only_if=further)

    assert [move(5), move(7), move(7), move(6)] == [1, 1, 0, 0]
    with read_session(engine) as session:
        row = session.scalars(select(ReadPosition)).one()
    assert (row.id, row.position) == (first, 7)


def test_nothing_to_write_asks_the_database_nothing(engine: Engine) -> None:
    with read_session(engine) as session:
        assert insert_rows(session, Heartbeat.__table__, []) == 0
        assert insert_new(session, Heartbeat.__table__, [], ["worker"]) == 0
        assert upsert(session, Heartbeat.__table__, [], ["worker"]) == 0


@pytest.mark.parametrize("others", [0, 3, 70_000])  # more than either database takes as parameters one by one
def test_rows_are_found_among_any_number_of_ids(engine: Engine, others: int) -> None:
    with write_session(engine) as session:
        write_all(session, ["a", "b"])
        mine = session.scalars(select(ReadPosition.id).where(ReadPosition.source == "a")).one()
    asked = [uuid.uuid4() for _ in range(others)]
    with read_session(engine) as session:
        assert session.scalars(select(ReadPosition.id).where(among(ReadPosition.id, asked))).all() == []
        assert session.scalars(select(ReadPosition.id).where(among(ReadPosition.id, [*asked, mine]))).all() == [mine]


@pytest.mark.parametrize(
    ("number", "sizes"), [(0, []), (1, [1]), (500, [500]), (501, [500, 1]), (1100, [500, 500, 100])]
)
def test_long_lists_come_in_slices(number: int, sizes: list[int]) -> None:
    parts = list(slices(range(number)))
    assert [len(part) for part in parts] == sizes
    assert [item for part in parts for item in part] == list(range(number))


@pytest.mark.parametrize("text", ["a\x00b", "a\ud800b"], ids=["NUL", "half of a surrogate pair"])
def test_text_no_database_takes_is_made_text_that_all_take(engine: Engine, text: str) -> None:
    assert not is_storable(text)
    assert storable(text) == "a b"
    with write_session(engine) as session:
        session.add(ReadPosition(source=storable(text), position=1))
    assert written(engine) == {"a b"}


@pytest.mark.parametrize("text", ["a\x08b", "a\x1bb", "a\x7fb"], ids=["backspace", "escape", "delete"])
def test_what_others_wrote_is_kept_without_control_characters(text: str) -> None:
    """Code points 0 to 31 and 127 (ISO/IEC 6429): shown on an operator's terminal, an escape would be obeyed."""
    assert is_storable(text)
    assert storable(text) == "a b"


@pytest.mark.parametrize("text", ["", "plain", "ñ \U0001f600", "one\ttwo\r\nthree", "\N{REPLACEMENT CHARACTER}"])
def test_other_text_stays_as_it_is(text: str) -> None:
    assert is_storable(text)
    assert storable(text) == text
