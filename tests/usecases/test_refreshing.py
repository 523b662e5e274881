"""A patient's row is made from what is carried and the new days alone, and says what all the rows say."""

from __future__ import annotations

import random
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from typing import Any
from unittest.mock import patch
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, event, select

from service.domain.readings import NewReading
from service.domain.vocabulary import AdjustmentKind, Posture, SignalKind
from service.intake.readings import record_reading
from service.reviewing import refreshing
from service.store import audit, panel, signal_rows
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.store.tables import (
    Adjustment,
    CarriedStateRow,
    Limits,
    PanelRow,
    Patient,
    Reading,
    Reference,
    Signal,
    Staff,
)
from tests.copies import made_once
from tests.ward import NOW, Ward, open_ward

pytestmark = pytest.mark.databases("sqlite")  # one_path goes the same way evening by evening, on both

LONDON = ZoneInfo("Europe/London")


def refreshed(engine: Engine, now: datetime) -> None:
    while refreshing.refresh(engine, now).seen:
        pass


def made(engine: Engine, pressures: list[float], **given: Any) -> tuple[uuid.UUID, uuid.UUID]:
    """One patient with a row that is made, as of NOW: the clinic's id and theirs."""

    def make() -> tuple[uuid.UUID, uuid.UUID]:
        with write_session(engine) as session:
            ward = open_ward(session)
            patient_id = ward.patient("Asha", pressures=pressures, **given).id
            clinic_id = ward.clinic.id
        refreshing.rebuild(engine, NOW)
        refreshed(engine, NOW)
        return clinic_id, patient_id

    with read_session(engine) as session:
        is_empty = session.scalar(select(Patient.id).limit(1)) is None
    return made_once(engine, ("a row made", repr(pressures), repr(given)), make) if is_empty else make()


def row_of(engine: Engine, patient_id: uuid.UUID) -> PanelRow:
    with read_session(engine) as session:
        return session.scalars(select(PanelRow).where(PanelRow.patient_id == patient_id)).one()


def state_of(engine: Engine, patient_id: uuid.UUID) -> bytes:
    with read_session(engine) as session:
        return session.scalars(select(CarriedStateRow.trend).where(CarriedStateRow.patient_id == patient_id)).one()


def assert_as_the_rows_say(engine: Engine, clinic_id: uuid.UUID, now: datetime) -> None:
    """Row and state are what everything says from the first day on; so are the signals that hold."""
    afresh: dict[uuid.UUID, refreshing.Made] = {}
    work_out = refreshing.work_out

    def kept(*of: Any, **how: Any) -> Any:
        made = work_out(*of, **how)
        afresh.update(made)
        return made

    with read_session(engine) as session:
        with patch.object(refreshing, "work_out", kept):  # all from the first day on: once is enough
            assert refreshing.differing(session, clinic_id, now) == []
        rows = session.scalars(select(PanelRow)).all()
        assert {row.patient_id for row in rows} == afresh.keys()
        for row in rows:
            worked = afresh[row.patient_id].worked
            assert worked is not None
            holding = select(Signal.kind, Signal.raised_on).where(
                Signal.patient_id == row.patient_id, Signal.ended_on.is_(None)
            )
            there = dict(tuple(one) for one in session.execute(holding))
            found = {one.kind: one.raised_on for one in worked.assessment.signals if one.ended_on is None}
            assert there.keys() == found.keys()
            # A late reading may move the day by a little: the row that staff have seen stays as it was.
            assert all(abs(there[kind] - found[kind]) <= signal_rows.MOVES for kind in found)


def take(engine: Engine, patient_id: uuid.UUID, day: date, diastolic: float, now: datetime, **given: Any) -> uuid.UUID:
    """One reading by the clinic's own intake, at half past seven of that day unless a time is given."""
    at = datetime.combine(day, given.pop("at", time(7, 30)), LONDON)
    new = NewReading(patient_id, at, diastolic + 18, diastolic, **given)
    with write_session(engine) as session:
        clinic_id = session.get_one(Patient, patient_id).clinic_id
        return record_reading(Act(session, audit.SYSTEM, clinic_id, now), new).id


# --- what is carried -------------------------------------------------------------------------


@pytest.mark.databases("both")
def test_a_row_carries_its_state_and_the_next_day_goes_on_from_it(engine: Engine):
    clinic_id, patient_id = made(engine, [18.0, 18.5, 17.5] * 30)
    assert state_of(engine, patient_id)
    tomorrow = NOW + timedelta(days=1)
    take(engine, patient_id, tomorrow.date(), 18.4, tomorrow)
    refreshed(engine, tomorrow)
    row = row_of(engine, patient_id)
    assert (row.as_of, row.stale_since, row.changed_from) == (tomorrow.date(), None, None)
    assert_as_the_rows_say(engine, clinic_id, tomorrow)


def test_a_state_of_another_version_or_damaged_is_worked_out_from_the_rows(engine: Engine):
    clinic_id, patient_id = made(engine, [18.0, 18.5, 17.5] * 30)
    right = state_of(engine, patient_id)
    with write_session(engine) as session:
        session.scalars(select(CarriedStateRow)).one().trend = b"something else"
        panel.mark_stale(session, [patient_id], NOW)
    refreshed(engine, NOW)
    assert state_of(engine, patient_id) == right
    assert_as_the_rows_say(engine, clinic_id, NOW)


@pytest.mark.databases("both")
def test_the_audit_finds_a_state_that_is_not_what_the_rows_say(engine: Engine):
    clinic_id, patient_id = made(engine, [18.0, 18.5, 17.5] * 30)
    with write_session(engine) as session:
        row = session.scalars(select(CarriedStateRow)).one()
        row.trend = row.trend[:200] + b"\x01" + row.trend[201:]
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic_id, NOW) == [patient_id]


@pytest.mark.parametrize("late", [0, 1, 10, 40, 70])
def test_a_late_reading_is_counted_on_its_own_day(engine: Engine, late: int):
    pressures: list[float | None] = [18.0, 18.5, 17.5] * 30
    day = NOW.date() - timedelta(days=late)
    pressures[-1 - late] = None
    clinic_id, patient_id = made(engine, pressures)  # type: ignore[arg-type]
    before = state_of(engine, patient_id)
    take(engine, patient_id, day, 23.0, NOW)
    assert row_of(engine, patient_id).changed_from == day
    refreshed(engine, NOW)
    assert_as_the_rows_say(engine, clinic_id, NOW)
    assert (state_of(engine, patient_id) != before) is (late > 0)  # today is not carried yet


@pytest.mark.databases("both")
def test_a_corrected_reading_that_moves_to_another_day_changes_both(engine: Engine):
    clinic_id, patient_id = made(engine, [18.0, 18.5, 17.5] * 30)
    with read_session(engine) as session:
        wrong = session.scalars(select(Reading).order_by(Reading.local_date.desc()).offset(12)).first()
        assert wrong is not None
    moved = wrong.local_date - timedelta(days=3)
    take(engine, patient_id, moved, 24.0, NOW, at=time(8, 15), supersedes=wrong.id)
    assert row_of(engine, patient_id).changed_from == moved
    refreshed(engine, NOW)
    assert_as_the_rows_say(engine, clinic_id, NOW)


def test_the_earliest_of_several_changes_counts(engine: Engine):
    _, patient_id = made(engine, [18.0] * 30)
    days = [NOW.date() - timedelta(days=ago) for ago in (5, 20, 3)]
    with write_session(engine) as session:
        for day in days:
            panel.mark_stale(session, [patient_id], NOW, day)
        panel.mark_stale(session, [patient_id], NOW)
    assert row_of(engine, patient_id).changed_from == days[1]


@pytest.mark.parametrize("what", ["limits", "reference", "dry weight", "adjustment", "adjustment taken back", "zone"])
def test_what_people_set_anew_counts_for_all_the_days_it_is_meant_for(engine: Engine, what: str):
    pressures = [18.0 + 0.1 * max(day - 50, 0) for day in range(90)]
    clinic_id, patient_id = made(engine, pressures, weights=[80.0 + 0.03 * day for day in range(90)])
    with write_session(engine) as session:
        patient = session.get_one(Patient, patient_id)
        common: dict[str, Any] = {"clinic_id": clinic_id, "patient_id": patient_id}
        match what:
            case "limits":
                session.add(Limits(**common, upper=20.0, lower=10.0, set_by="test", set_at=NOW))
            case "reference":
                span = {"from_date": NOW.date() - timedelta(days=80), "to_date": NOW.date() - timedelta(days=67)}
                session.add(Reference(**common, **span, pa_diastolic=17.0, set_by="test", set_at=NOW))
            case "dry weight":
                patient.dry_weight_kg = 78.0
            case "zone":
                patient.zone = "Asia/Tokyo"
            case _:
                staff_id = session.scalars(select(Staff.id)).first()
                for ago in (30, 4):
                    session.add(
                        Adjustment(
                            **common,
                            kind=AdjustmentKind.MEDICINE,
                            what="water tablet",
                            made_on=NOW.date() - timedelta(days=ago),
                            made_by=staff_id,
                            recorded_at=NOW,
                            superseded_at=NOW if what == "adjustment taken back" and ago == 4 else None,
                        )
                    )
        panel.mark_stale(session, [patient_id], NOW)
    refreshed(engine, NOW)
    assert_as_the_rows_say(engine, clinic_id, NOW)


def test_an_episode_that_lasts_for_more_than_half_a_year_stays_open_and_the_same(engine: Engine):
    """A reference set by staff used to cut what was looked at to half a year, and an open episode got lost on the way."""
    pressures = [18.0, 17.5, 18.5] * 20 + [25.0, 24.5, 25.5] * 80
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=pressures, reference=18.0)
        patient_id, clinic_id = patient.id, ward.clinic.id
    refreshing.rebuild(engine, NOW)
    refreshed(engine, NOW)
    for days in range(1, 30):
        refreshed(engine, NOW + timedelta(days=days))
    now = NOW + timedelta(days=29)
    assert_as_the_rows_say(engine, clinic_id, now)
    with read_session(engine) as session:
        rising = select(Signal).where(Signal.patient_id == patient_id, Signal.kind == SignalKind.RISING)
        open_ones = [signal for signal in session.scalars(rising) if signal.ended_on is None]
        assert len(open_ones) == 1
        began = open_ones[0].began_on
    assert (now.date() - began).days > 240


@pytest.mark.slow
def test_many_evenings_of_messy_patients_are_what_the_rows_say(engine: Engine):
    """Late, second, corrected and sitting readings, gaps, limits and references, over forty evenings."""
    chance = random.Random(9)
    first = NOW - timedelta(days=41)
    with write_session(engine) as session:
        ward = open_ward(session, now=first)
        names = ["Asha", "Ben", "Cara"]
        patients = [ward.patient(name, pressures=[18.0] * 20, enrolled_days_ago=30).id for name in names]
        clinic_id = ward.clinic.id
    refreshing.rebuild(engine, first)
    refreshed(engine, first)
    known: dict[uuid.UUID, list[tuple[date, uuid.UUID]]] = {patient_id: [] for patient_id in patients}
    for evening in range(1, 41):
        now = first + timedelta(days=evening)
        for place, patient_id in enumerate(patients):
            level = 18.0 + 6.0 * max(0.0, min(1.0, (evening - 8 - 6 * place) / 16))
            _messy_day(engine, chance, patient_id, known[patient_id], now, level)
        refreshed(engine, now)
        if evening % 20 == 0:
            assert_as_the_rows_say(engine, clinic_id, now)


def _messy_day(
    engine: Engine,
    chance: random.Random,
    patient_id: uuid.UUID,
    known: list[tuple[date, uuid.UUID]],
    now: datetime,
    level: float,
) -> None:
    def some() -> dict[str, Any]:
        posture = Posture.SITTING if chance.random() < 0.15 else Posture.LYING
        return {"at": time(chance.choice([6, 7, 7, 7, 8, 13]), chance.randrange(60), 1), "posture": posture}

    if chance.random() < 0.8:
        known.append((now.date(), take(engine, patient_id, now.date(), _near(chance, level), now, **some())))
    if chance.random() < 0.1:
        late = now.date() - timedelta(days=chance.randrange(1, 70))
        take(engine, patient_id, late, _near(chance, level), now, at=time(5, chance.randrange(60), evening_second(now)))
    if known and chance.random() < 0.05:
        day, wrong = known.pop(chance.randrange(len(known)))
        take(engine, patient_id, day, _near(chance, 19.0), now, supersedes=wrong, at=time(9, 0, evening_second(now)))
    with write_session(engine) as session:
        clinic_id = session.get_one(Patient, patient_id).clinic_id
        common: dict[str, Any] = {"clinic_id": clinic_id, "patient_id": patient_id, "set_by": "test", "set_at": now}
        if chance.random() < 0.01:
            session.add(Limits(**common, upper=float(chance.randrange(20, 27)), lower=None))
        elif chance.random() < 0.01:
            to_day = now.date() - timedelta(days=chance.randrange(30))
            session.add(Reference(**common, pa_diastolic=18.0, from_date=to_day - timedelta(days=13), to_date=to_day))
        else:
            return
        panel.mark_stale(session, [patient_id], now)


def evening_second(now: datetime) -> int:
    """So that no two readings of a patient are of one instant."""
    return 2 + now.toordinal() % 50


def _near(chance: random.Random, level: float) -> float:
    return round(level + chance.gauss(0, 1.2), 1)


# --- what is read ----------------------------------------------------------------------------


@contextmanager
def rows_read(engine: Engine) -> Iterator[list[int]]:
    """How many rows each query brought; filled in at the end."""
    asked: list[tuple[str, Any]] = []
    counts: list[int] = []

    def executed(_connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if statement.lstrip().upper().startswith(("SELECT", "WITH")):
            asked.append((statement, parameters))

    event.listen(engine, "after_cursor_execute", executed)
    try:
        yield counts
    finally:
        event.remove(engine, "after_cursor_execute", executed)
    with engine.connect() as connection:
        for statement, parameters in asked:
            counted = connection.exec_driver_sql(f"SELECT count(*) FROM ({statement}) AS asked", parameters)
            counts.append(int(counted.scalar_one()))


def test_a_refresh_of_a_patient_of_two_years_reads_what_one_of_three_months_does(engine: Engine):
    reads: dict[int, list[int]] = {}
    for days in (90, 2 * 365):
        pressures = [18.0, 18.5, 17.5] * (days // 3)
        # With a reference that staff set: one that only stands in is asked about after a year.
        _, patient_id = made(engine, pressures, weights=[80.0] * len(pressures), reference=18.0)
        later = NOW + timedelta(days=1)
        take(engine, patient_id, later.date(), 18.2, later)
        with rows_read(engine) as counts:
            assert refreshing.refresh(engine, later, limit=1).done == 1
        reads[days] = counts
        refreshed(engine, later)
    short, long = reads[90], reads[2 * 365]
    assert len(long) == len(short)
    assert sum(long) <= sum(short) + 5
    assert sum(long) < 250  # three tables of at most some 44 days, and a handful of settings


@pytest.mark.databases("both")
def test_what_a_patient_asks_for_again_is_the_same_number_of_queries_for_one_and_for_many(engine: Engine):
    numbers = []
    for count in (1, 30):
        with write_session(engine) as session:
            ward: Ward = open_ward(session)
            for number in range(count):
                ward.patient(f"P{number}", pressures=[18.0, 18.5] * 40)
        refreshing.rebuild(engine, NOW)
        refreshed(engine, NOW)
        with write_session(engine) as session:
            everyone = list(session.scalars(select(PanelRow.patient_id).where(PanelRow.clinic_id == ward.clinic.id)))
            panel.mark_stale(session, everyone, NOW)
        with rows_read(engine) as counts:
            refreshing.refresh(engine, NOW)
        numbers.append(len(counts))
    assert numbers[0] == numbers[1]


def test_one_patients_days_are_found_along_the_patient_and_not_the_clinic(engine: Engine):
    _, patient_id = made(engine, [18.0, 18.5] * 40)
    with write_session(engine) as session:
        panel.mark_stale(session, [patient_id], NOW)
    asked: list[tuple[str, Any]] = []

    def executed(_connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if any(f"FROM {table}" in statement for table in ("readings", "checkins", "windows")):
            asked.append((statement, parameters))

    event.listen(engine, "after_cursor_execute", executed)
    refreshing.refresh(engine, NOW)
    event.remove(engine, "after_cursor_execute", executed)
    assert len(asked) >= 3
    if engine.dialect.name == "sqlite":  # PostgreSQL plans by what is in the tables, and here that is next to nothing
        with engine.connect() as connection:
            for statement, parameters in asked:
                plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
                assert "patient_id=?" in str(plan), statement
