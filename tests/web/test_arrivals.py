"""Rows by arrival: whoever asks again and again, by the cursor of each answer, misses nothing, whoever wrote it how.

Source: PostgreSQL's manual, 9.27 (transaction IDs and snapshots): `pg_snapshot_xmin` is the lowest transaction that
is still active; all lower ones are committed and visible, or rolled back and dead.
"""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from sqlalchemy import BigInteger, Column, Engine, MetaData, Table, update
from sqlalchemy.orm import Session

from service.store import arrivals
from service.store.arrivals import values_of
from service.store.session import read_session, write_session
from service.store.tables import Reading
from tests.waiting import wait_until
from tests.web.conftest import House
from tests.web.test_api import GOOD_READING, is_problem


def let_others_end(engine: Engine) -> None:
    """On PostgreSQL whatever else runs on the server holds rows back, in other databases too: until that has ended."""
    if engine.dialect.name == "postgresql":
        last = transaction(engine, "max")
        wait_until(lambda: transaction(engine, "min") >= last, "the end of what ran beside")


def transaction(engine: Engine, which: str) -> int:
    with engine.connect() as connection:
        asked = f"SELECT CAST(CAST(pg_snapshot_x{which}(pg_current_snapshot()) AS text) AS bigint)"
        return int(connection.exec_driver_sql(asked).scalar_one())


def poll(house: House, path: str, since: str, *, calm: bool = True, **asked: Any) -> tuple[list[dict[str, Any]], str]:
    """All that came since, and the cursor for the next time."""
    if calm:
        let_others_end(house.engine)
    found: list[dict[str, Any]] = []
    while True:
        more = "&".join(f"{name}={value}" for name, value in ({"updated_since": since, "page_size": 2} | asked).items())
        answer = house.machine.get(f"{path}?{more}").get_json()
        found, since = found + answer["items"], answer["cursor"]
        if not answer["more"]:
            return found, since


def test_whoever_polls_is_told_of_each_row_that_came_or_changed_and_of_no_other(house: House) -> None:
    at = [f"2026-11-25T07:{minute:02}:00Z" for minute in (10, 20, 30, 40, 50)]
    for moment in at:
        assert house.machine.post("/readings", GOOD_READING | {"taken_at": moment}).status_code == 201
    first, cursor = poll(house, "/readings", "start")
    assert [one["taken_at"][:16] for one in first] == [moment[:16] for moment in at]
    assert poll(house, "/readings", cursor) == ([], cursor)
    # A correction is a new row, and the old one is told of again: it is superseded.
    wrong = first[0]
    right = GOOD_READING | {"taken_at": at[0], "pa_diastolic": 19, "supersedes": wrong["id"]}
    assert house.machine.post("/readings", right).status_code == 201
    again, cursor = poll(house, "/readings", cursor)
    assert {(one["id"] == wrong["id"], one["superseded_at"] is None) for one in again} == {(True, False), (False, True)}
    # By whatever means it is written: the service's statements, or an operator's.
    with write_session(house.engine) as session:
        session.execute(update(Reading).where(Reading.id == uuid.UUID(first[2]["id"])).values(source_ref="x"))
    with house.engine.begin() as connection:
        connection.exec_driver_sql(
            "UPDATE readings SET source_ref = 'y' WHERE taken_at LIKE '%07:40%'"
            if house.engine.dialect.name == "sqlite"
            else "UPDATE readings SET source_ref = 'y' WHERE taken_at = '2026-11-25T07:40:00Z'"
        )
    changed, cursor = poll(house, "/readings", cursor)
    assert [one["id"] for one in changed] == [first[2]["id"], first[3]["id"]]
    assert poll(house, f"/patients/{house.patient_id}/readings", cursor) == ([], cursor)  # it holds for any list
    # RFC 9110, 13.1.2: what somebody has already is answered with 304 and no body.
    path = f"/readings?updated_since={cursor}"
    seen = house.machine.get(path).headers["ETag"]
    same = house.machine("GET", path, None, If_None_Match=seen)
    assert (same.status_code, same.get_data()) == (304, b"")
    assert house.machine.post("/readings", GOOD_READING | {"taken_at": "2026-11-25T07:55:00Z"}).status_code == 201
    let_others_end(house.engine)
    assert house.machine("GET", path, None, If_None_Match=seen).status_code == 200
    for bad in ("yesterday", "9" * 18):
        is_problem(house.machine.get(f"/readings?updated_since={bad}"), 422)


def test_every_list_goes_by_arrival(house: House) -> None:
    """Each address that takes `updated_since` answers with a cursor, and what it told of once is told of no more."""
    let_others_end(house.engine)
    spec = house.app.test_client().get("/openapi.json").get_json()
    walked = 0
    for path, ways in spec["paths"].items():
        asked = {one["name"] for one in ways.get("get", {}).get("parameters", [])}
        if "updated_since" not in asked or {one["name"] for one in ways.get("parameters", [])} - {"patient_id"}:
            continue
        address = path.removeprefix("/api/v1").replace("{patient_id}", str(house.patient_id))
        answer = house.machine.get(f"{address}?updated_since=start&page_size=200")
        if answer.status_code == 403:  # for administrators
            continue
        body = answer.get_json()
        assert (body["total"], body["more"]) == (None, False), path
        walked += 1
        if path not in {"/api/v1/openings"}:
            assert house.machine.get(f"{address}?updated_since={body['cursor']}").get_json()["items"] == [], path
    assert walked >= 24


@pytest.mark.postgres
def test_of_two_transactions_that_end_in_the_other_order_none_is_missed(house: House) -> None:
    if house.engine.dialect.name != "postgresql":
        pytest.skip("on SQLite one writes at a time")
    came, cursor = [], "start"

    def polled() -> int:
        """How many came until now: whatever else runs on this server may hold rows back for a while."""
        nonlocal cursor
        more, cursor = poll(house, "/readings", cursor, calm=False)
        came.extend(one["taken_at"][:16] for one in more)
        return len(came)

    assert house.machine.post("/readings", GOOD_READING).status_code == 201
    wait_until(lambda: polled() == 1, "the first reading")
    with Session(house.engine) as slow:
        began = slow.connection()
        row = slow.query(Reading).one()
        early = values_of(row) | {"id": uuid.uuid4(), "taken_at": row.taken_at.replace(minute=1)}
        began.execute(Reading.__table__.insert().values(**early))  # written first, and not yet committed
        later = GOOD_READING | {"taken_at": "2026-11-25T07:45:00Z"}
        assert house.machine.post("/readings", later).status_code == 201  # written later, and committed
        assert polled() == 1  # held back, since what is older may still come
        slow.commit()
    wait_until(lambda: polled() == 3, "both readings")
    assert came[1:] == ["2026-11-25T07:01", "2026-11-25T07:45"]


@pytest.mark.postgres
def test_marks_go_on_from_where_another_server_had_counted_to(engine: Engine) -> None:
    """As after a dump was brought into a new server, whose transactions are counted from the beginning."""
    if engine.dialect.name != "postgresql":
        pytest.skip("SQLite keeps its count in the file")
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO arrivals (id, number) VALUES (1, 1000000) ON CONFLICT (id) DO UPDATE SET number = 1000000"
        )
    with read_session(engine) as session:
        before = arrivals.final_before(session)
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE arrivals SET number = 0")  # the new server's
        connection.exec_driver_sql(f"CREATE TEMPORARY TABLE copied AS SELECT CAST({before} AS bigint) AS mark")
        arrivals.carry_on(connection, [Table("copied", MetaData(), Column("mark", BigInteger))])
    with read_session(engine) as session:
        assert arrivals.final_before(session) > before
