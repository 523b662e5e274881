"""What is kept of a request that may be sent again: nothing to guess by, and nothing after a day."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.store import repeats
from service.store.session import read_session, write_connection
from service.store.tables import IdempotentCall
from tests.web.conftest import House
from tests.web.test_api import GOOD_READING, is_problem

OLD, NEW = "an older secret, of 40 characters or more", "the newer one, which is as long as that was"


def test_a_request_is_known_again_by_a_keyed_hash() -> None:
    # RFC 4231, section 4.3, test case 2, HMAC-SHA-256.
    of_rfc = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert repeats.hashes([b"Jefe"], b"what do ya want for nothing?") == (of_rfc,)


def test_a_repeat_is_known_over_a_change_of_the_secret_and_for_a_day(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def under(*secrets: str) -> None:
        held = house.app.extensions["neaptide"]
        settings = dataclasses.replace(held.settings, secret_key=secrets[0], secret_key_previous=secrets[1:])
        monkeypatch.setitem(house.app.extensions, "neaptide", dataclasses.replace(held, settings=settings))

    def sent() -> tuple[int, object]:
        answer = house.machine.post("/readings", GOOD_READING, Idempotency_Key="r1")
        return answer.status_code, answer.get_json()

    under(OLD)
    first = sent()
    under(NEW, OLD)
    assert sent() == first
    with read_session(house.engine) as session:
        (row,) = session.scalars(select(IdempotentCall))
    assert len(row.request_hash) == 64
    under(NEW)  # under no secret that is known, it may have been anything
    assert sent()[0] == 422
    under(OLD)
    with write_connection(house.engine) as connection:
        repeats.erase_answers(connection, house.clinic_id)
    is_problem(house.machine.post("/readings", GOOD_READING, Idempotency_Key="r1"), 409)
    for after, left in ((timedelta(hours=23), 1), (timedelta(hours=25), 0)):
        with write_connection(house.engine) as connection:
            repeats.forget(connection, house.clock.now() + after)
        with read_session(house.engine) as session:
            assert len(session.scalars(select(IdempotentCall)).all()) == left
