"""What an operator sees of requests: counted and logged by the pattern of their route, and nobody's link in either."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine

from service import logs
from service.commands import serve
from service.web.observing import NO_ROUTE, OTHER
from tests.house import TOKEN, House, open_house
from tests.web.test_invitations import BORN, PAGE, WHO, link_of, press, sign_in

pytestmark = pytest.mark.databases("sqlite")
WRONG = "q19GbWItRhy8qLnZtX3v0A"  # looks like a link's key, and is none


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> Iterator[House]:
    logs.configure("debug")
    yield open_house(engine, tmp_path, NEAPTIDE_ACCESS_LOG="yes")
    logging.getLogger("gunicorn.error").removeFilter(logs._as_ours)


def walk(house: House) -> tuple[list[str], str]:
    """A check-in by link, a caregiver's answer, wrong links, an invitation. Every key there was, and an answer's id."""
    first = house.link(house.asha)
    answer = house.client.get(first)
    answer.get_data()
    house.client.post(first, data={"tiredness": "1"}).get_data()
    nudge = house.nudged()
    for path in (nudge, f"/c/{nudge.rpartition('/')[2]}", f"/c/{WRONG}", f"/{WRONG}", f"/signin?next=/c/{WRONG}"):
        house.client.get(path).get_data()
    house.client.open(f"/c/{WRONG}", method=WRONG.upper()).get_data()
    house.hire_nurse()
    nurse: FlaskClient = sign_in(house, house.app.test_client())
    invitation = link_of(nurse, press(nurse, PAGE, **WHO))
    for sent in (BORN, {**BORN, "year": "1949"}):
        house.client.get(invitation).get_data()
        house.client.post(f"{invitation}/check", data=sent).get_data()
    links = (first, nudge, invitation)
    return [WRONG, WRONG.upper(), *(link.rpartition("/")[2] for link in links)], answer.headers["X-Request-Id"]


def test_no_log_has_a_link_and_the_access_log_has_each_request(
    house: House, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """At the lowest level there is, of every logger. OWASP ASVS 5.0, 16.2.5."""
    with caplog.at_level(logging.DEBUG):
        keys, request_id = walk(house)
    said = capsys.readouterr()
    assert [key for key in keys if key in said.err + said.out + caplog.text] == []
    told = [json.loads(line) for line in said.err.splitlines() if line.startswith("{")]
    asked = [line for line in told if line["event"] == "request"]
    routes = {(line["method"], line["route"], line["status"]) for line in asked}
    assert {
        ("GET", "/c/<token>", 200), ("POST", "/c/<token>", 303), ("GET", "/c/<token>", 404), ("GET", "/g/<token>", 200),
        ("GET", "/i/<token>", 200), (OTHER, NO_ROUTE, 405), ("GET", NO_ROUTE, 404), ("GET", "/signin", 200),
    } <= routes  # fmt: skip
    assert {route for _, route, _ in routes} <= {rule.rule for rule in house.app.url_map.iter_rules()} | {NO_ROUTE}
    ordinary = {"event", "level", "timestamp", "request", "method", "route", "status", "milliseconds", "bytes"}
    assert all(ordinary <= line.keys() <= ordinary | {"clinic", "staff"} for line in asked)
    (one,) = (line for line in asked if line["request"] == request_id)
    assert (one["route"], one["status"], one["clinic"]) == ("/c/<token>", 200, str(house.asha.clinic_id))
    assert one["bytes"] > 1000
    staff = {line["staff"] for line in asked if line["route"].startswith("/clinic/")}
    assert len(staff) == 1
    # What a request had written besides bears its id as well.
    assert {line["request"] for line in told if "request" in line} == {line["request"] for line in asked}


def test_requests_are_counted_by_route_and_class_of_status_and_by_nothing_of_a_person(house: House) -> None:
    """Read by Prometheus' own parser. Whoever tries a thousand addresses makes one row of them."""
    before = counted(house)
    keys, _ = walk(house)
    for number in range(20):
        house.client.get(f"/{WRONG}/{number}").get_data()
    after = counted(house)

    def grew(name: str, **labels: str) -> float:
        key = (name, tuple(sorted(labels.items())))
        return after.get(key, 0) - before.get(key, 0)

    asked = "neaptide_http_requests_total"
    assert grew(asked, route="/c/<token>", status="2xx") == 1
    assert grew(asked, route="/c/<token>", status="3xx") == 1
    assert grew(asked, route="/c/<token>", status="4xx") == 2
    assert grew(asked, route=NO_ROUTE, status="4xx") == 22
    assert grew("neaptide_http_request_seconds_count", route="/g/<token>") == 1
    # In this process worked as well: Asha's check-in came too late for her window, whose reading nobody took.
    assert grew("neaptide_windows_closed_total", process="web", state="missed") == 1
    assert grew("neaptide_messages_total", process="web", event="sent") >= 1
    told = " ".join(f"{name} {labels}" for name, labels in after)
    assert [key for key in keys if key in told] == []


def test_what_a_server_counted_that_is_gone_is_taken_away_when_the_next_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve, "MEMORY", tmp_path)
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    mine, other = f"neaptide-{os.geteuid()}-", "neaptide-x-1-of-somebody-else"
    for name in (f"{mine}{gone.pid}-a", f"{mine}{os.getppid()}-b", other):
        (tmp_path / name).mkdir()
    made = serve._fresh_folder()
    assert {one.name for one in tmp_path.iterdir()} == {made.name, f"{mine}{os.getppid()}-b", other}
    assert made.name.startswith(f"{mine}{os.getpid()}-")
    assert made.stat().st_mode & 0o077 == 0


def counted(house: House) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    answer = house.client.get("/metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    families = text_string_to_metric_families(answer.get_data(as_text=True))
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}
