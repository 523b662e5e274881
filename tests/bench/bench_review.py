"""What the weekly review costs, as ratios taken in one run.

`review_growth`: CPU time a patient at 3,000 patients ÷ at 300 (flat is 1).
`review_vs_naive`: how many times faster than loading ORM rows and computing each
patient with pandas, same patients, same numbers on the page.
`review_page_vs_static`: the page of 300 patients ÷ one that only hands over the
same HTML from memory.
Both sides alternate, seven rounds, process CPU time, median with least and most.
"""

from __future__ import annotations

import gc
import random
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from datetime import time as wall
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, insert, select
from sqlalchemy.orm import Session

from service.domain.vocabulary import Role, Source, WindowState
from service.reviewing import panel, refreshing
from service.store import migrate
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Checkin, Clinic, Patient, Plan, Reading, Staff, Window

ROUNDS = 7
DAYS = 40
NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'bench.sqlite3'}")
        migrate.upgrade(engine)
        small, large = clinic(engine, 300), clinic(engine, 3000)
        refreshing.rebuild(engine, NOW, portion=500)
        gc.collect()
        gc.freeze()
        gc.disable()
        _growth(engine, small, large)
        _page(engine, small)
        _naive(engine, small)
        engine.dispose()


def _growth(engine: Engine, small: uuid.UUID, large: uuid.UUID) -> None:
    one, other = alternate(lambda: _panel(engine, large), lambda: _panel(engine, small))
    ratios = [a / 3000 / (b / 300) for a, b in zip(one, other, strict=True)]
    say("review_growth", ratios, f"{1e6 * statistics.median(other) / 300:.0f} µs a patient at 300")


def _naive(engine: Engine, clinic_id: uuid.UUID) -> None:
    import pandas  # noqa: F401  # imported before anything is timed

    one, other = alternate(lambda: _with_pandas(engine, clinic_id), lambda: _panel(engine, clinic_id), rounds=3)
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    say("review_vs_naive", ratios, f"{1e6 * statistics.median(one) / 300:.0f} µs a patient with pandas")


def _page(engine: Engine, clinic_id: uuid.UUID) -> None:
    page, static = _pages(engine, clinic_id)
    one, other = alternate(page, static)
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    say("review_page_vs_static", ratios, f"{1e3 * statistics.median(one):.0f} ms of CPU for 300 patients")


def _panel(engine: Engine, clinic_id: uuid.UUID) -> None:
    with read_session(engine) as session:
        built = panel.build_panel(session, clinic_id, NOW)
    assert not any(entry.refreshed_now for entry in built.entries)


def _with_pandas(engine: Engine, clinic_id: uuid.UUID) -> None:
    """The plain way: objects for every row, a data frame for every patient."""
    import pandas as pd

    since = (NOW - timedelta(days=DAYS)).date()
    with Session(engine) as session:
        for patient in session.scalars(select(Patient).where(Patient.clinic_id == clinic_id)).all():
            readings = session.scalars(
                select(Reading).where(
                    Reading.patient_id == patient.id, Reading.local_date >= since, Reading.superseded_at.is_(None)
                )
            ).all()
            diary = session.scalars(
                select(Checkin).where(
                    Checkin.patient_id == patient.id, Checkin.local_date >= since, Checkin.superseded_at.is_(None)
                )
            ).all()
            windows = session.scalars(
                select(Window).where(Window.patient_id == patient.id, Window.local_date >= since)
            ).all()
            frame = (
                pd.DataFrame(
                    {"day": [row.local_date for row in readings], "dia": [row.pa_diastolic for row in readings]}
                )
                .groupby("day")
                .median()
            )
            table = frame.join(
                pd.DataFrame(
                    {"day": [row.local_date for row in diary], "kg": [row.weight_kg for row in diary]}
                ).set_index("day"),
                how="outer",
            )
            table["week"] = table["dia"].rolling(7, min_periods=3).median()
            table["reference"] = table["dia"].iloc[:14].mean()
            table["rise"] = table["week"] - table["reference"]
            table["gain"] = table["kg"].diff(3)
            sum(window.reading_at is not None for window in windows)
            table.tail(30).to_dict()


def alternate(
    one: Callable[[], object], other: Callable[[], object], rounds: int = ROUNDS
) -> tuple[list[float], list[float]]:
    """CPU seconds of each, taken in turns; a first round of both is thrown away."""
    taken: tuple[list[float], list[float]] = ([], [])
    for turn in range(rounds + 1):
        for place, act in enumerate((one, other)):
            began = time.process_time()
            act()
            if turn:
                taken[place].append(time.process_time() - began)
    return taken


def say(name: str, ratios: list[float], beside: str) -> None:
    middle = statistics.median(ratios)
    print(f"{name} ratio={middle:.2f} min={min(ratios):.2f} max={max(ratios):.2f} ({beside})")


# --- a panel, written in bulk ----------------------------------------------------------------


def clinic(engine: Engine, patients: int, days: int = DAYS) -> uuid.UUID:
    """A clinic whose patients have so many days of readings, check-ins and windows, up to NOW's."""
    noise = random.Random(patients)
    clinic_id = uuid.uuid4()
    today = NOW.date()
    with write_session(engine) as session:
        session.add(
            Clinic(
                id=clinic_id,
                name="Bench",
                zone="Europe/London",
                review_weekday=0,
                emergency_number="112",
                contact_line="+441632960000",
                sender_name="Bench",
                quiet_from=wall(21),
                quiet_until=wall(8),
                steps=[],
                silent_days=3,
                created_at=NOW,
            )
        )
        session.flush()
        ids = [uuid.uuid4() for _ in range(patients)]
        connection = session.connection()
        connection.execute(insert(Patient), [_patient(clinic_id, one, number) for number, one in enumerate(ids)])
        connection.execute(insert(Plan), [_plan(clinic_id, one, today) for one in ids])
        for back in range(days):
            day = today - timedelta(days=back)
            at = datetime.combine(day, wall(7, 30), UTC)
            came = [one for one in ids if noise.random() > 0.15]
            there = set(came)
            connection.execute(insert(Window), [_window(clinic_id, one, day, at, one in there) for one in ids])
            connection.execute(insert(Reading), [_reading(clinic_id, one, day, at, noise) for one in came])
            connection.execute(insert(Checkin), [_checkin(clinic_id, one, day, at, noise) for one in came])
    return clinic_id


def _patient(clinic_id: uuid.UUID, patient_id: uuid.UUID, number: int) -> dict[str, Any]:
    return {
        "id": patient_id,
        "clinic_id": clinic_id,
        "clinic_ref": f"B-{number}",
        "name": f"Patient {number}",
        "zone": "Europe/London",
        "language": "en",
        "usual_pillows": 2,
        "dry_weight_kg": None,
        "enrolled_at": NOW - timedelta(days=DAYS),
    }


def _plan(clinic_id: uuid.UUID, patient_id: uuid.UUID, today: date) -> dict[str, Any]:
    return {
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "weekdays": 127,
        "opens": wall(7),
        "due": wall(9),
        "closes": wall(12),
        "wants_reading": True,
        "wants_checkin": True,
        "next_date": today + timedelta(days=1),
        "next_open_at": NOW + timedelta(days=1),
        "set_at": NOW,
    }


def _window(clinic_id: uuid.UUID, patient_id: uuid.UUID, day: date, at: datetime, came: bool) -> dict[str, Any]:
    return {
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "local_date": day,
        "zone": "Europe/London",
        "opens_at": at,
        "due_at": at,
        "closes_at": at + timedelta(hours=5),
        "wants_reading": True,
        "wants_checkin": True,
        "state": WindowState.ANSWERED if came else WindowState.MISSED,
        "reading_at": at if came else None,
    }


def _reading(
    clinic_id: uuid.UUID, patient_id: uuid.UUID, day: date, at: datetime, noise: random.Random
) -> dict[str, Any]:
    low = round(noise.gauss(18, 1.3), 1)
    return {
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "taken_at": at,
        "received_at": at,
        "local_date": day,
        "pa_systolic": low + 18,
        "pa_diastolic": low,
        "pa_mean": low + 6,
        "mean_is_derived": True,
        "source": Source.API,
        "unit_given": "mm[Hg]",
        "remarks": [],
    }


def _checkin(
    clinic_id: uuid.UUID, patient_id: uuid.UUID, day: date, at: datetime, noise: random.Random
) -> dict[str, Any]:
    return {
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "local_date": day,
        "answered_at": at,
        "source": Source.PAGE,
        "breathlessness": noise.randint(0, 3),
        "weight_kg": round(noise.gauss(80, 0.4), 1),
    }


# --- the page ---------------------------------------------------------------------------------


def _pages(engine: Engine, clinic_id: uuid.UUID) -> tuple[Callable[[], object], Callable[[], object]]:
    """The panel page as the application serves it to a signed-in nurse, and the same HTML from memory."""
    from flask import Response

    from service.app import create_app
    from service.clock import FixedClock
    from service.config import Settings
    from tests.signed_in import sign_in_as

    with write_session(engine) as session:
        nurse = Staff(
            id=uuid.uuid4(),
            clinic_id=clinic_id,
            email=f"{clinic_id}@bench.example",
            name="Nurse",
            role=Role.NURSE,
            password_hash="none",
            password_set_at=NOW - timedelta(days=1),
            created_at=NOW,
        )
        session.add(nurse)
        nurse_id = nurse.id
    kept: list[str] = []
    with tempfile.TemporaryDirectory() as data:
        settings = Settings.from_env({"NEAPTIDE_DATA": data, "NEAPTIDE_SECRET_KEY": "bench " * 8})
        app = create_app(settings, engine, FixedClock(NOW), {})
    app.add_url_rule("/bench/kept", endpoint="kept", view_func=lambda: Response(kept[0]))
    client = app.test_client()
    sign_in_as(client, nurse_id, NOW)
    kept.append(client.get("/clinic/review").get_data(as_text=True))
    assert kept[0].count("data-row") >= 300
    return (lambda: client.get("/clinic/review")), (lambda: client.get("/bench/kept"))


if __name__ == "__main__":
    main()
