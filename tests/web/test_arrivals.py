"""Rows by arrival: whoever asks again and again, by the cursor of each answer, misses nothing, whoever wrote it how.

Source: PostgreSQL's manual, 9.27 (transaction IDs and snapshots): `pg_snapshot_xmin` is the lowest transaction that
is still active; all lower ones are committed and visible, or rolled back and dead.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import BigInteger, Column, Engine, MetaData, Table, update
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.vocabulary import Role
from service.store import arrivals, seals
from service.store.arrivals import values_of
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Reading, ReviewAddition, SignOff
from service.web.api.description import description, operations
from tests.waiting import wait_until
from tests.web.conftest import House
from tests.web.test_api import GOOD_READING, is_problem
from tests.web.test_api_edges import with_form_token


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


# Lists that are not told of by arrival, and why: none of them shows rows that come or change.
MADE_ANEW = {
    "list_windows_ahead": "worked out from the plan, for dates that are still to come",
    "list_unusual_openings": "worked out from the trail, whose lines come by /openings",
    "list_openings": "the trail gathered by day and person; its lines come by /openings",
}


def test_every_list_goes_by_arrival(house: House) -> None:
    """Each list of the description takes `updated_since`; each answers with a cursor, and tells of nothing twice."""
    let_others_end(house.engine)
    administrator, paged, walked = house.staff(Role.ADMINISTRATOR), set(), 0
    for path, method, operation, shared in operations(description()):
        shown = next(iter(operation["responses"].get("200", {}).get("content", {"": {}}).values())).get("schema", {})
        named = description()["components"]["schemas"].get(shown.get("$ref", "").rpartition("/")[2], shown)
        if method != "get" or not ("items" in named.get("properties", {}) or "list_" in operation["operationId"]):
            continue
        if "updated_since" not in {one["name"] for one in operation["parameters"]}:
            paged.add(operation["operationId"])
            continue
        ids = {
            "patient_id": house.patient_id,
            "caregiver_id": house.caregiver_id,
            "staff_id": house.staff_id(Role.NURSE),
        }
        if {one["name"] for one in shared} - ids.keys():
            continue
        address = path.removeprefix("/api/v1").format(**ids)
        asks: Callable[[str], TestResponse] = house.machine.get
        if asks(f"{address}?page_size=1").status_code == 403:  # for administrators
            asks = lambda path: administrator.get(f"/api/v1{path}")  # noqa: E731
        answer = asks(f"{address}?updated_since=start&page_size=200")
        if answer.status_code == 403:  # for those who enrol
            continue
        body = answer.get_json()
        assert (body["total"], body["more"]) == (None, False), path
        walked += 1
        if path not in {"/api/v1/openings"}:
            assert asks(f"{address}?updated_since={body['cursor']}").get_json()["items"] == [], path
    assert paged == MADE_ANEW.keys()
    assert walked >= 36


def test_what_is_made_of_several_rows_comes_again_with_each_of_them(build: Callable[..., House], house: House) -> None:
    """A signature with what is added to it, a transfer as both clinics see it, what was corrected or taken back."""
    other, nurse = build("Saltholt Clinic", number="+447700900002"), house.staff(Role.NURSE)
    ours, token = f"/patients/{house.patient_id}", with_form_token(house.app, nurse)
    cursors: dict[tuple[uuid.UUID, str], str] = {}

    def post(path: str, body: dict[str, Any]) -> str:
        answer = nurse.post(f"/api/v1{path}", json=body, headers=token)
        assert answer.status_code in {200, 201}, answer.get_json()
        return str(answer.get_json()["id"])

    def news(path: str, of: House = house) -> list[dict[str, Any]]:
        found, cursors[of.clinic_id, path] = poll(of, path, cursors.get((of.clinic_id, path), "start"))
        return found

    def ids(path: str) -> set[tuple[str, bool]]:
        return {(one["id"], one.get("superseded_at", one.get("taken_back_at")) is None) for one in news(path)}

    signed, signatures = post(f"{ours}/sign-offs", {"outcome": "called"}), f"{ours}/sign-offs"
    assert ids(signatures) == {(signed, True)}
    post(f"/sign-offs/{signed}/take-back", {})
    assert ids(signatures) == {(signed, False)}
    signed = post(f"{ours}/sign-offs", {"outcome": "called"})
    assert ids(signatures) == {(signed, True)}
    seen = next(one["seen"] for lane in house.machine.get("/review").get_json()["lanes"] for one in lane["patients"])
    with write_session(house.engine) as session:  # what came since, as a call for help does
        row = session.get_one(SignOff, uuid.UUID(signed))
        add = ReviewAddition(patient_id=row.patient_id, sign_off_id=row.id, number=1, seen=seen, added_by=row.signed_by,
            added_at=house.clock.now(), outcome=row.outcome, note="", as_of=row.as_of, frozen=row.frozen,
            frozen_hash=row.frozen_hash, standing=row.standing)  # fmt: skip
        session.add(seals.sealed(Act(session, OPERATOR, house.clinic_id, house.clock.now()), add))
    assert [(one["id"], len(one["additions"])) for one in news(signatures)] == [(signed, 1)]
    assert news(signatures) == []

    adjustments, made = f"{ours}/adjustments", {"kind": "diet", "what": "less salt", "made_on": "2026-11-24"}
    first = post(adjustments, made)
    assert ids(adjustments) == {(first, True)}
    second = post(adjustments, made | {"what": "much less salt", "corrects": first})
    assert ids(adjustments) == {(first, False), (second, True)}

    planned = post(f"{ours}/next-contacts", {"due_on": "2026-11-26", "role": "nurse"})
    assert ids("/next-contacts") == {(planned, True)}
    done = post(f"/next-contacts/{planned}/done", {"done_on": "2026-11-25"})
    assert ids("/next-contacts") == {(planned, False), (done, True)}

    pause = post(f"{ours}/pauses", {"cause": "away", "from_date": "2026-11-25"})
    assert [one["event"] for one in news(f"/pauses/{pause}/history")] == ["added"]
    post(f"/pauses/{pause}/end", {"last_day": "2026-11-26"})
    assert [one["to_date"] for one in news(f"/pauses/{pause}/history")] == ["2026-11-26"]

    asked = {"to_clinic_id": str(other.clinic_id), "how": "signed form"}
    (transfer,) = {house.machine.post(f"{ours}/transfers", asked).get_json()["id"]}
    told = [[one["transfer"]["state"] for one in news("/transfers", each)] for each in (house, other)]
    assert told == [["asked"], ["asked"]]
    other.machine.post(f"/transfers/{transfer}/decline", {"reason": "no place before spring"})
    told = [[one["transfer"]["state"] for one in news("/transfers", each)] for each in (house, other, other)]
    assert told == [["declined"], ["declined"], []]

    assert [one["name"] for one in news("/transfers/clinics")] == ["Saltholt Clinic"]
    with write_session(house.engine) as session:
        session.execute(update(Clinic).where(Clinic.id == other.clinic_id).values(digest_at=house.clock.now()))
    assert news("/transfers/clinics") == []  # when its staff are told is no news
    with write_session(house.engine) as session:
        session.execute(update(Clinic).where(Clinic.id == other.clinic_id).values(name="Saltholm Clinic"))
    assert [one["name"] for one in news("/transfers/clinics")] == ["Saltholm Clinic"]


def test_a_wording_is_told_of_when_it_is_set_and_when_it_is_taken_back(house: House) -> None:
    administrator = house.staff(Role.ADMINISTRATOR)
    token, cursor = with_form_token(house.app, administrator), "start"

    def news() -> list[tuple[str, bool]]:
        nonlocal cursor
        let_others_end(house.engine)
        answer = administrator.get(f"/api/v1/wordings?updated_since={cursor}").get_json()
        cursor = answer["cursor"]
        return [(one["kind"], one["own"]) for one in answer["items"]]

    path = "/api/v1/wordings/en/prompt"
    assert news() == []
    assert administrator.put(path, json={"body": "{sender}: good morning. {link}"}, headers=token).status_code == 200
    assert (news(), news()) == ([("prompt", True)], [])
    assert administrator.delete(path, headers=token).status_code == 200
    assert (news(), news()) == ([("prompt", False)], [])


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

    def later() -> bool:  # what another transaction of this server still holds back comes with its end
        with read_session(engine) as session:
            return arrivals.final_before(session) > before

    wait_until(later, "marks beyond those of the other server")
