"""What the weekly review costs, as ratios taken in one run.

`review_growth`: CPU time a patient at 3,000 patients ÷ at 300 (flat is 1).
`record_growth`: the same of what the record says beside each row.
`review_vs_naive`: how many times faster than the plain way done well, rows read and made on
both sides: three statements for everybody, tuples instead of objects, and each patient's numbers
(strip, week, reference, weight, adherence, lane) in plain Python. No engine, no sentence, no task.
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

from service.care import recorded
from service.domain import asking
from service.domain.vocabulary import (
    ContactWay,
    MedicineClass,
    PatientState,
    ResultKind,
    Role,
    Route,
    Source,
    WindowState,
)
from service.reviewing import panel, refreshing
from service.store import migrate
from service.store.identity import new_id
from service.store.session import open_engine, read_session, write_session
from service.store.tables import (
    Base,
    Checkin,
    Clinic,
    MedicineRow,
    NextContact,
    Patient,
    Plan,
    Reading,
    ResultRow,
    Staff,
    Window,
)
from service.store.upsert import insert_rows
from tests.carried import made_again
from tests.servers import SECRET, VAULT

ROUNDS = 7
DAYS = 40
NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'bench.sqlite3'}", vault=VAULT)
        migrate.upgrade(engine)
        small, large = clinic(engine, 300), clinic(engine, 3000)
        for one in (small, large):
            _enter(engine, one)
        refreshing.rebuild(engine, NOW, portion=500)
        gc.collect()
        gc.freeze()
        gc.disable()
        for one in (small, large):  # a page that made a row again would measure something else
            assert made_again(engine, one, NOW) == []
        _growth(engine, small, large)
        _record(engine, small, large)
        _page(engine, small)
        _naive(engine, small)
        engine.dispose()


def _record(engine: Engine, small: uuid.UUID, large: uuid.UUID) -> None:
    """`record_growth`: what the record says beside each row, CPU time a patient at 3,000 ÷ at 300."""

    def told(clinic_id: uuid.UUID) -> object:
        with read_session(engine) as session:
            ids = session.scalars(select(Patient.id).where(Patient.clinic_id == clinic_id)).all()
            return recorded.of_patients(session, session.get_one(Clinic, clinic_id), ids, NOW)

    one, other = alternate(lambda: told(large), lambda: told(small))
    ratios = [a / 3000 / (b / 300) for a, b in zip(one, other, strict=True)]
    say("record_growth", ratios, f"{1e6 * statistics.median(other) / 300:.0f} µs a patient at 300")


def _enter(engine: Engine, clinic_id: uuid.UUID) -> None:
    """A course, four results and a contact to come in everybody's record."""
    with write_session(engine) as session:
        connection = session.connection()
        ids = session.scalars(select(Patient.id).where(Patient.clinic_id == clinic_id)).all()
        whose = [
            {"clinic_id": clinic_id, "patient_id": one, "entered_by": "bench", "entered_at": NOW, "withdrawn": False}
            for one in ids
        ]
        course = {"name": "Furosemide", "kind": MedicineClass.LOOP_DIURETIC, "dose": "40", "unit": "mg"}
        course |= {"times_a_day": "1", "route": Route.ORAL, "from_date": NOW.date() - timedelta(days=20)}
        connection.execute(insert(MedicineRow), [one | course for one in whose])
        for back in range(4):
            result = {"kind": ResultKind.CREATININE, "value": str(90 + back), "unit": "umol/L", "source": Source.FILE}
            taken = result | {"taken_at": NOW - timedelta(days=60 + 7 * back)}
            connection.execute(insert(ResultRow), [one | taken for one in whose])
        planned = {"due_on": NOW.date(), "way": ContactWay.CALL, "role": Role.NURSE, "agreed": True}
        connection.execute(insert(NextContact), [one | planned for one in whose])


def _growth(engine: Engine, small: uuid.UUID, large: uuid.UUID) -> None:
    one, other = alternate(lambda: _panel(engine, large), lambda: _panel(engine, small))
    ratios = [a / 3000 / (b / 300) for a, b in zip(one, other, strict=True)]
    say("review_growth", ratios, f"{1e6 * statistics.median(other) / 300:.0f} µs a patient at 300")


def _naive(engine: Engine, clinic_id: uuid.UUID) -> None:
    one, other = alternate(lambda: _set_based(engine, clinic_id), lambda: _panel(engine, clinic_id))
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    say("review_vs_naive", ratios, f"≥ 1.5; {1e6 * statistics.median(one) / 300:.0f} µs a patient the plain way")


def _page(engine: Engine, clinic_id: uuid.UUID) -> None:
    page, static = _pages(engine, clinic_id)
    one, other = alternate(page, static)
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    say("review_page_vs_static", ratios, f"{1e3 * statistics.median(one):.0f} ms of CPU for 300 patients")


def _panel(engine: Engine, clinic_id: uuid.UUID) -> None:
    with read_session(engine) as session:
        built = panel.build_panel(session, clinic_id, NOW)
    assert built.entries


def _set_based(engine: Engine, clinic_id: uuid.UUID) -> list[tuple[Any, ...]]:
    """The plain way: all readings, check-ins and windows of the days, joined by patient, and sorted."""
    since = (NOW - timedelta(days=DAYS)).date()
    with read_session(engine) as session:
        names = session.execute(
            select(Patient.id, Patient.name).where(Patient.clinic_id == clinic_id, Patient.state == PatientState.ACTIVE)
        ).all()
        found: list[dict[uuid.UUID, list[Any]]] = []
        for query in (
            select(Reading.patient_id, Reading.local_date, Reading.pa_diastolic).where(
                Reading.clinic_id == clinic_id, Reading.local_date >= since, Reading.superseded_at.is_(None)
            ),
            select(Checkin.patient_id, Checkin.local_date, Checkin.weight_kg, Checkin.breathlessness).where(
                Checkin.clinic_id == clinic_id, Checkin.local_date >= since, Checkin.superseded_at.is_(None)
            ),
            select(Window.patient_id, Window.local_date, Window.state).where(
                Window.clinic_id == clinic_id, Window.local_date >= since
            ),
        ):
            by_patient: dict[uuid.UUID, list[Any]] = {}
            for row in session.execute(query):
                by_patient.setdefault(row[0], []).append(row)
            found.append(by_patient)
    readings, diaries, windows = found
    rows = [_plain_row(name, readings.get(one, []), diaries.get(one, []), windows.get(one, [])) for one, name in names]
    return sorted(rows, key=lambda row: (-row[1], row[0]))


def _plain_row(name: str, readings: list[Any], diaries: list[Any], windows: list[Any]) -> tuple[Any, ...]:
    pressures = {day: value for _, day, value in readings}
    days = sorted(pressures)
    reference = statistics.fmean(pressures[day] for day in days[:14]) if days else 0.0
    week = statistics.median(pressures[day] for day in days[-7:]) if days else 0.0
    weights = {day: kilograms for _, day, kilograms, _ in diaries if kilograms is not None}
    last = max(weights, default=NOW.date())
    gain = weights.get(last, 0.0) - weights.get(last - timedelta(days=3), weights.get(last, 0.0))
    answered = sum(state is WindowState.ANSWERED for _, _, state in windows)
    strip = [pressures.get(NOW.date() - timedelta(days=back)) for back in range(29, -1, -1)]
    breath = statistics.median([answer for *_, answer in diaries if answer is not None] or [0])
    return name, week - reference, gain, answered, len(windows), strip, breath


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


def clinic(engine: Engine, patients: int, days: int = DAYS, now: datetime = NOW) -> uuid.UUID:
    """A clinic whose patients have so many days of readings, check-ins and windows, up to that of `now`."""
    noise = random.Random(patients)
    clinic_id = uuid.uuid4()
    today = now.date()
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
                asks=asking.START,
                silent_days=3,
                silent_again_days=3,
                asks_again_in_doubt=False,
                created_at=now,
            )
        )
        session.flush()
        ids = [new_id() for _ in range(patients)]  # rising, as the service gives them
        _fill(session, Patient, [_patient(clinic_id, one, number, now) for number, one in enumerate(ids)])
        _fill(session, Plan, [_plan(clinic_id, one, now) for one in ids])
        for back in range(days):
            day = today - timedelta(days=back)
            at = datetime.combine(day, wall(7, 30), UTC)
            came = [one for one in ids if noise.random() > 0.15]
            there = set(came)
            _fill(session, Window, [_window(clinic_id, one, day, at, one in there) for one in ids])
            _fill(session, Reading, [_reading(clinic_id, one, day, at, noise) for one in came])
            _fill(session, Checkin, [_checkin(clinic_id, one, day, at, noise) for one in came])
    return clinic_id


def _fill(session: Session, table: type[Base], rows: list[dict[str, Any]]) -> None:
    """Insert rows by the service's quick way, with what a row is given where nobody says: an id, and the like."""
    given = [(one.name, one.default) for one in table.__table__.columns if one.default and one.name not in rows[0]]
    insert_rows(session, table.__table__, [row | {name: _given(default) for name, default in given} for row in rows])


def _given(default: Any) -> Any:
    return default.arg(None) if default.is_callable else default.arg


def _patient(clinic_id: uuid.UUID, patient_id: uuid.UUID, number: int, now: datetime) -> dict[str, Any]:
    return {
        "id": patient_id,
        "clinic_id": clinic_id,
        "clinic_ref": f"B-{number}",
        "name": f"Patient {number}",
        "zone": "Europe/London",
        "language": "en",
        "usual_pillows": 2,
        "dry_weight_kg": None,
        "enrolled_at": now - timedelta(days=DAYS),
    }


def _plan(clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> dict[str, Any]:
    return {
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "weekdays": 127,
        "opens": wall(7),
        "due": wall(9),
        "closes": wall(12),
        "wants_reading": True,
        "wants_checkin": True,
        "next_date": now.date() + timedelta(days=1),
        "next_open_at": now + timedelta(days=1),
        "set_at": now,
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
            roles=[Role.NURSE],
            grants=[],
            password_hash="none",
            password_set_at=NOW - timedelta(days=1),
            created_at=NOW,
        )
        session.add(nurse)
        session.flush()
        nurse_id = nurse.id
    kept: list[str] = []
    with tempfile.TemporaryDirectory() as data:
        settings = Settings.from_env({"NEAPTIDE_DATA": data, "NEAPTIDE_SECRET_KEY": SECRET})
        app = create_app(settings, engine, FixedClock(NOW), {})
    app.add_url_rule("/bench/kept", endpoint="kept", view_func=lambda: Response(kept[0]))
    client = app.test_client()
    sign_in_as(client, nurse_id, NOW)
    kept.append(client.get("/clinic/review").get_data(as_text=True))
    assert kept[0].count("data-row") >= 300
    return (lambda: client.get("/clinic/review")), (lambda: client.get("/bench/kept"))


if __name__ == "__main__":
    main()
