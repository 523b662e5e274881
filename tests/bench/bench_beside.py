"""What a patient waits while staff read: check-ins alone, and while four nurses open a review of 300, again and again.

`checkin_beside_review`: the check-ins' p99 with the nurses ÷ without, on two servers as `deploy/nginx.conf` routes
them (the one for staff under Nice=5, as its unit). `checkin_beside_review_one_port`: the same on one server for both,
as a plain `neaptide serve`. 2 processes of 8 threads each, 16 connections for check-ins, which come as fast as they
are taken; rounds with and without alternate. Told beside each: check-ins a second both ways, reviews a second, and
how many of these were told to come again (503).
"""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from itertools import cycle
from pathlib import Path

from service.app import create_app
from service.clock import SystemClock
from service.config import Settings
from service.domain.vocabulary import Role
from service.reviewing import refreshing
from service.store.session import open_engine, write_session
from service.store.tables import Staff
from tests.bench import bench_checkin
from tests.bench.bench_review import clinic
from tests.bench.load import Sent, at, get, post, run, run_beside, serving
from tests.signed_in import sign_in_as

ROUNDS = 5
CHECKINS = 500  # a round
NURSES = 4


def main() -> None:
    """Print both ratios."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        patients = bench_checkin.clinic(folder)
        cookie, weights = _reviewed(folder), cycle((80.0, 80.5, 81.0))
        for what, apart in (("checkin_beside_review", True), ("checkin_beside_review_one_port", False)):
            with _served(folder, apart=apart) as ports:
                _measure(what, ports, patients, cookie, weights)


@contextmanager
def _served(folder: Path, *, apart: bool) -> Iterator[list[int]]:
    with ExitStack() as stack:
        environment = bench_checkin.environment_of(folder)
        servers = [stack.enter_context(serving("service.commands.serve:wsgi(4)", environment))]
        if apart:
            servers.append(stack.enter_context(serving("service.commands.serve:wsgi(8)", environment, nice=5)))
        yield [server.port for server in servers]


def _measure(
    what: str, ports: list[int], patients: bench_checkin.People, cookie: str, weights: Iterator[float]
) -> None:
    page = get("/clinic/review", f"Cookie: {cookie}\r\n", right=(200, 503))
    key = f"Authorization: Bearer {patients.secret}\r\n"

    def checkins() -> list[list[Sent]]:
        weight = next(weights)  # another one each round: a correction, which costs no less than a first one
        return [
            [post("/api/v1/checkins", {"patient": str(one), "weight": weight}, key)] for one in patients.ids[:CHECKINS]
        ]

    run_beside(ports[0], checkins(), NURSES, page, ports[-1])
    ratios, alone, beside, read, away = [], [], [], [], 0
    for _ in range(ROUNDS):
        seconds, told = run(ports[0], checkins())
        usual = at(0.99, [one.seconds for one in told])
        alone.append(len(told) / seconds)
        (seconds, told), pages = run_beside(ports[0], checkins(), NURSES, page, ports[-1])
        ratios.append(at(0.99, [one.seconds for one in told]) / usual)
        beside.append(len(told) / seconds)
        read.append(sum(one.status == 200 for one in pages) / seconds)
        away += sum(one.status == 503 for one in pages)
    print(
        f"{what} ratio={statistics.median(ratios):.2f} min={min(ratios):.2f} max={max(ratios):.2f}"
        f" ({statistics.median(alone):,.0f} check-ins a second alone, {statistics.median(beside):,.0f} beside"
        f" {statistics.median(read):.1f} reviews a second; {away} told to come again)",
        flush=True,
    )


def _reviewed(folder: Path) -> str:
    """A second clinic, of 300 with forty days of readings, whose review is open to a nurse: the cookie she sends."""
    environment = bench_checkin.environment_of(folder)
    settings = Settings.from_env(environment)
    engine, now = open_engine(settings.database_url), SystemClock().now()
    clinic_id = clinic(engine, 300, now=now)
    with write_session(engine) as session:
        nurse = Staff(
            clinic_id=clinic_id, email="nurse@bench.example", name="Nurse", roles=[Role.NURSE], grants=[],
            password_hash="none", password_set_at=now - timedelta(days=1), created_at=now,
        )  # fmt: skip
        session.add(nurse)
        session.flush()
        nurse_id = nurse.id
    refreshing.rebuild(engine, now, portion=500)
    client = create_app(settings, engine, SystemClock(), {}).test_client()
    sign_in_as(client, nurse_id, now)
    assert client.get("/clinic/review").get_data(as_text=True).count("data-row") >= 300
    cookie = client.get_cookie("neaptide")
    assert cookie is not None
    engine.dispose()
    return f"neaptide={cookie.value}"


if __name__ == "__main__":
    main()
