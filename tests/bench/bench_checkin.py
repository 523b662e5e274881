"""What check-ins and readings cost, as ratios taken in one run.

`checkin_vs_bare`: check-ins a second through POST /api/v1/checkins (bearer key, schema, patient, window, audit line,
review's mark) ÷ a bare Flask application that does the same durable work through sqlite3 on the same kind of file
(`bare.py` says what). `reading_vs_bare`: the same of readings through POST /api/v1/readings, each of which also ends
what was to follow: an answered window, two steps cancelled. `form_vs_bare`: what a patient does by a link, the form,
its answers and the thanks. Same server, settings and load: gunicorn, 2 workers, 16 connections kept alive. Rounds
alternate. Beside each the same ratio by the processor time that the servers spent, which a busy machine disturbs less:
at full load, where 16 connections wait for one another, and `alone`, one request after the other; and the tail,
p99 ÷ p50.
`start_vs_bare`: how long a server takes from its start to its first answer, ours ÷ bare, each alone.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as wall
from pathlib import Path

from sqlalchemy import insert

from service.accounts import keys
from service.domain import asking
from service.domain.vocabulary import LinkPurpose, Scope, StepKind, StepState, WindowState
from service.links import Leads, Links
from service.store import migrate
from service.store.audit import OPERATOR, Act
from service.store.session import gather_statistics, open_engine, write_session
from service.store.tables import Clinic, PanelRow, Patient, Step, Window
from tests.bench.bare import LAYOUT
from tests.bench.load import CONNECTIONS, Sent, Server, Told, at, get, post, run, serving
from tests.servers import SECRET, VAULT

ROUNDS = 7
STARTS = 3
REQUESTS = 400  # a round and side
JOURNEYS = 150  # of three requests
WARMING = 60  # journeys before anything is measured
PEOPLE = 600
API, API_OF_BARE = "/api/v1", ""
Round = Callable[[int], list[list[Sent]]]  # what is sent to one side, so many days ago


@dataclass(frozen=True)
class People:
    """An invented clinic: its patients, a machine's key, and of each round links to some patients' days."""

    ids: Sequence[uuid.UUID]
    secret: str
    tokens: Sequence[Sequence[str]]


def main() -> None:
    """Print the ratios and the tail."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        people = clinic(folder)
        _bare_file(folder / "bare.sqlite3", people)
        environment = environment_of(folder) | {"BARE_DATABASE": str(folder / "bare.sqlite3")}
        _compare_starts(environment)
        with (
            serving("service.commands.serve:wsgi()", environment) as ours,
            serving("tests.bench.bare:app", environment) as bare,
        ):
            _compare("checkin", ours, bare, checkins(people), checkins(people, API_OF_BARE))
            _compare("reading", ours, bare, readings(people), readings(people, API_OF_BARE))
            _compare("form", ours, bare, forms(people), forms(people))


def _compare_starts(environment: Mapping[str, str]) -> None:
    took: dict[str, list[float]] = {}
    for _ in range(STARTS):
        for application in ("service.commands.serve:wsgi()", "tests.bench.bare:app"):
            began = time.monotonic()
            with serving(application, environment) as server:
                run(server.port, [[get("/healthz")]])
                took.setdefault(application, []).append(time.monotonic() - began)
    ours, bare = (statistics.median(one) for one in took.values())
    print(f"start_vs_bare ratio={ours / bare:.2f} (answers after {ours:.1f} s, bare {bare:.1f} s)")


def environment_of(folder: Path) -> dict[str, str]:
    """What the server of a bench reads."""
    return os.environ | {
        "NEAPTIDE_DATA": str(folder),
        "NEAPTIDE_DATABASE_URL": f"sqlite:///{folder / 'neaptide.sqlite3'}",
        "NEAPTIDE_DEMO": "no",
        "NEAPTIDE_LOG_LEVEL": "error",
        "NEAPTIDE_SECRET_KEY": SECRET,
    }


def _compare(what: str, ours: Server, bare: Server, mine: Round, theirs: Round) -> None:
    run(ours.port, mine(ROUNDS)[:WARMING])
    run(bare.port, theirs(ROUNDS)[:WARMING])
    waits, rates, ratios, spent, spared = [], [], [], 0.0, 0.0
    for ago in range(ROUNDS):
        seconds, told, of_ours = _measured(ours, mine(ago))
        rates.append(len(told) / seconds)
        waits += [one.seconds for one in told]
        theirs_took, _, of_bare = _measured(bare, theirs(ago))
        ratios.append(theirs_took / seconds)
        spent, spared = spent + of_ours, spared + of_bare
    print(
        f"{what}_vs_bare ratio={statistics.median(ratios):.2f} min={min(ratios):.2f} max={max(ratios):.2f}"
        f" ({statistics.median(rates):,.0f} requests a second)"
    )
    print(f"{what}_cpu_vs_bare {_told_of(spent, spared, sum(len(mine(ago)) for ago in range(ROUNDS)))}")
    left = mine(ROUNDS)[WARMING:]
    _, _, spent = _measured(ours, left, connections=1)
    _, _, spared = _measured(bare, theirs(ROUNDS)[WARMING:], connections=1)
    print(f"{what}_cpu_alone_vs_bare {_told_of(spent, spared, len(left))}")
    print(
        f"{what}_tail ratio={at(0.99, waits) / at(0.5, waits):.1f}"
        f" (p50 {1000 * at(0.5, waits):.1f} ms, p99 {1000 * at(0.99, waits):.1f} ms)"
    )


def _measured(
    server: Server, journeys: list[list[Sent]], connections: int = CONNECTIONS
) -> tuple[float, list[Told], float]:
    """Seconds by the clock, what was told, seconds of the server's processor time."""
    before = server.processor_time()
    seconds, told = run(server.port, journeys, connections)
    return seconds, told, server.processor_time() - before


def _told_of(spent: float, spared: float, times: int) -> str:
    return f"ratio={spared / spent:.2f} ({1000 * spent / times:.2f} ms each, {1000 * spared / times:.2f} ms bare)"


def _day(ago: int) -> date:
    return datetime.now(UTC).date() - timedelta(days=ago + 1)


def checkins(people: People, api: str = API) -> Round:
    """Check-ins of machines, of that day."""
    key = f"Authorization: Bearer {people.secret}\r\n"

    def of(ago: int) -> list[list[Sent]]:
        answers = {"local_date": _day(ago).isoformat(), "breathlessness": 2, "extra_pillows": 0, "safety_signs": []}
        return [
            [post(f"{api}/checkins", {"patient": str(one), "weight": 80 + number % 9, **answers}, key)]
            for number, one in enumerate(people.ids[:REQUESTS])
        ]

    return of


def readings(people: People, api: str = API) -> Round:
    """Readings of that day, each of which answers its window."""
    key = f"Authorization: Bearer {people.secret}\r\n"

    def of(ago: int) -> list[list[Sent]]:
        taken = datetime.combine(_day(ago), wall(9), UTC).isoformat()
        values = {"taken_at": taken, "pa_systolic": 31, "pa_diastolic": 15, "pa_mean": 21, "heart_rate": 70}
        return [[post(f"{api}/readings", {"patient": str(one), **values}, key)] for one in people.ids[:REQUESTS]]

    return of


def forms(people: People) -> Round:
    """Form, answers, thanks: by links to that day."""
    answers = {
        "weight": "82.4", "weight_unit": "kg", "breathlessness": "2", "extra_pillows": "0", "safety_signs": "none",
        "woke_breathless": "no", "swelling": "none",
    }  # fmt: skip

    def of(ago: int) -> list[list[Sent]]:
        pages = [f"/c/{token}" for token in people.tokens[ago]]
        return [[get(page), post(page, answers, form=True, right=303), get(f"{page}/thanks")] for page in pages]

    return of


def _bare_file(path: Path, people: People) -> None:
    """The same patients and days, in the bare application's own few columns."""
    theirs = [str(one) for one in people.ids]
    days = [_day(ago).isoformat() for ago in range(ROUNDS + 1)]
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.executescript(LAYOUT)
        database.execute("INSERT INTO keys VALUES (?, 'bench', 'fernmoor')", (_digest(people.secret),))
        database.executemany(
            "INSERT INTO patients VALUES (?, 'fernmoor', 1, 'Europe/London', NULL, NULL)", [(one,) for one in theirs]
        )
        windows = [(one, day) for day in days for one in theirs]
        database.executemany("INSERT INTO windows VALUES (?, ?, 'open', NULL, NULL)", windows)
        steps = [(*one, place) for one in windows for place in (1, 2)]
        database.executemany("INSERT INTO steps VALUES (?, ?, ?, 'pending')", steps)
        links = [
            (_digest(token), one, day)
            for day, tokens in zip(days, people.tokens, strict=True)
            for token, one in zip(tokens, theirs[-JOURNEYS:], strict=True)
        ]
        database.executemany("INSERT INTO links VALUES (?, ?, ?, 'fernmoor')", links)
        database.commit()


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def clinic(folder: Path) -> People:
    """An invented clinic whose patients each have a window a day, with two steps to come, and a machine's key.

    The first patients are for machines, the last for links.
    """
    engine = open_engine(f"sqlite:///{folder / 'neaptide.sqlite3'}", vault=VAULT)
    migrate.upgrade(engine)
    now, links, tokens = datetime.now(UTC), Links("http://127.0.0.1"), []
    clinic_id, ids = uuid.uuid4(), [uuid.uuid4() for _ in range(PEOPLE)]
    with write_session(engine) as session:
        session.execute(
            insert(Clinic).values(
                id=clinic_id, name="Fernmoor Clinic (invented)", zone="Europe/London", language="en", review_weekday=0,
                emergency_number="112", contact_line="+441632960000", sender_name="Fernmoor", quiet_from=wall(21),
                quiet_until=wall(8), steps=[], asks=asking.START, silent_days=3, silent_again_days=3,
                asks_again_in_doubt=False, created_at=now,
            )
        )  # fmt: skip
        session.execute(
            insert(Patient),
            [
                {"id": one, "clinic_id": clinic_id, "clinic_ref": one.hex[:12], "name": "Invented", "enrolled_at": now,
                 "zone": "Europe/London", "language": "en", "weight_unit": "kg", "usual_pillows": 2}
                for one in ids
            ],
        )  # fmt: skip
        session.execute(
            insert(PanelRow),
            [
                {"clinic_id": clinic_id, "patient_id": one, "as_of": now.date(), "facts": {}, "updated_at": now,
                 "outdated_at": now, "touched": 0}
                for one in ids
            ],
        )  # fmt: skip
        for ago in range(ROUNDS + 1):
            windows = [_window(clinic_id, one, now - timedelta(days=ago + 1)) for one in ids]
            session.execute(insert(Window), windows)
            session.execute(insert(Step), [step for window in windows for step in _steps(window)])
            leads = [
                Leads(LinkPurpose.CHECKIN, clinic_id, one["patient_id"], window_id=one["id"])
                for one in windows[-JOURNEYS:]
            ]
            until = now + timedelta(days=2)
            tokens.append([links.make(session, one, now, until).rpartition("/")[2] for one in leads])
        scopes = [Scope.CHECKINS, Scope.READINGS]
        _, secret = keys.issue_key(Act(session, OPERATOR, clinic_id, now), "bench", scopes)
    gather_statistics(engine)  # as a worker does each night
    engine.dispose()
    return People(ids, secret, tokens)


def _window(clinic_id: uuid.UUID, patient_id: uuid.UUID, at: datetime) -> dict[str, object]:
    return {
        "id": uuid.uuid4(), "clinic_id": clinic_id, "patient_id": patient_id, "local_date": at.date(),
        "zone": "Europe/London", "opens_at": at, "due_at": at, "closes_at": at + timedelta(hours=3),
        "wants_reading": True, "wants_checkin": True, "state": WindowState.OPEN,
    }  # fmt: skip


def _steps(window: dict[str, object]) -> list[dict[str, object]]:
    of_it = {"clinic_id": window["clinic_id"], "patient_id": window["patient_id"], "window_id": window["id"]}
    return [
        {**of_it, "position": place, "kind": kind, "due_at": window["closes_at"], "state": StepState.PENDING}
        for place, kind in enumerate((StepKind.REMINDER, StepKind.NUDGE), 1)
    ]


if __name__ == "__main__":
    main()
