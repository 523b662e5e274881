"""What staff read gives way to patients: so many threads hold it at most, one page at a time, the rest is told so."""

from __future__ import annotations

import threading
from queue import Queue

import pytest
from sqlalchemy import event

from service.domain.vocabulary import Role
from tests.waiting import PATIENCE_SECONDS
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")
PLACES = 4  # as `create_app` has it


def test_staff_are_told_to_come_again_and_patients_wait_for_none_of_it(house: House) -> None:
    """RFC 9110, 15.6.4 and 10.2.3: 503, and Retry-After in seconds."""
    nurse, started, may_go_on = house.staff(Role.NURSE), threading.Event(), threading.Event()
    answers: Queue[tuple[int, str | None]] = Queue()

    def hold(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
        if "FROM panel_rows" in statement or "JOIN panel_rows" in statement:
            started.set()
            may_go_on.wait(PATIENCE_SECONDS)

    def read() -> None:
        said = house.machine.get("/review")
        answers.put((said.status_code, said.headers.get("Retry-After")))

    event.listen(house.engine, "before_cursor_execute", hold)
    readers = [threading.Thread(target=read) for _ in range(PLACES + 1)]
    try:
        for one in readers:
            one.start()
        assert started.wait(PATIENCE_SECONDS)
        assert answers.get(timeout=PATIENCE_SECONDS) == (503, "5")  # the one beyond; the others stand in line
        page = nurse.get("/clinic/")
        assert (page.status_code, page.headers["Retry-After"], page.headers["Refresh"]) == (503, "5", "5")
        assert "patients come first" in page.get_data(as_text=True)
        sent = house.machine.post("/checkins", {"patient": str(house.patient_id), "breathlessness": 2})
        assert sent.status_code == 201  # what is sent never stands in it
        assert house.app.test_client().get("/c/no-such-link").status_code == 404
        assert house.app.test_client().get("/signin").status_code == 200
    finally:
        may_go_on.set()
        for one in readers:
            one.join(PATIENCE_SECONDS)
        event.remove(house.engine, "before_cursor_execute", hold)
    assert [answers.get_nowait() for _ in range(PLACES)] == [(200, None)] * PLACES
    assert nurse.get("/clinic/").status_code < 400  # every place is free again
