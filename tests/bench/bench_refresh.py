"""What it costs to make patients' rows again, on a database, by the worker's own way: ratios taken in one run.

`refresh_growth`: one stale row to the written row with five years of history ÷ with
thirty days.
`refresh_batch`: a patient in a batch of 1,000, stale row to written row, ÷ the same
patients' bare vectorised evening (their states and the day's values already in arrays).
Both sides alternate, seven rounds, process CPU time, median with least and most.
"""

from __future__ import annotations

import gc
import statistics
import tempfile
import uuid
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sqlalchemy import Engine, select

from service.domain.signals import engine as signal_engine
from service.domain.signals.diary import QUESTIONS
from service.domain.signals.settings import DEFAULT
from service.domain.signals.state import DayInputs, from_bytes, from_records
from service.reviewing import refreshing
from service.store import migrate, panel
from service.store.session import open_engine, read_session, write_session
from service.store.tables import PanelRow
from tests.bench.bench_review import NOW, alternate, clinic, say
from tests.servers import VAULT

FEW = 5
MANY = 1000
FIVE_YEARS = 5 * 365


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'bench.sqlite3'}", vault=VAULT)
        migrate.upgrade(engine)
        short, long, many = clinic(engine, FEW, 30), clinic(engine, FEW, FIVE_YEARS), clinic(engine, MANY, 90)
        refreshing.rebuild(engine, NOW, portion=MANY)
        while refreshing.refresh(engine, NOW, limit=MANY).done:  # a long history is worked out in several passes
            pass
        gc.collect()
        gc.freeze()
        gc.disable()
        _growth(engine, short, long)
        _batch(engine, many)
        engine.dispose()


def _growth(engine: Engine, short: uuid.UUID, long: uuid.UUID) -> None:
    one, other = alternate(_each_alone(engine, long), _each_alone(engine, short))
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    say("refresh_growth", ratios, f"≤ 1.5; {1e3 * statistics.median(other) / FEW:.1f} ms a patient alone at 30 days")


def _each_alone(engine: Engine, clinic_id: uuid.UUID) -> Callable[[], None]:
    patients = _patients(engine, clinic_id)

    def act() -> None:
        for patient_id in patients:
            _refresh(engine, [patient_id])

    return act


def _batch(engine: Engine, clinic_id: uuid.UUID) -> None:
    patients = _patients(engine, clinic_id)
    one, other = alternate(lambda: _refresh(engine, patients), _evening(engine, patients))
    ratios = [a / b for a, b in zip(one, other, strict=True)]
    beside = f"{1e6 * statistics.median(one) / MANY:.0f} µs ÷ {1e6 * statistics.median(other) / MANY:.1f} µs a patient"
    say("refresh_batch", ratios, f"≤ 60; {beside}")


def _refresh(engine: Engine, patients: list[uuid.UUID]) -> None:
    with write_session(engine) as session:
        panel.mark_stale(session, patients, NOW, NOW.date())
    assert refreshing.refresh(engine, NOW, limit=MANY).done == len(patients)


def _evening(engine: Engine, patients: list[uuid.UUID]) -> Callable[[], None]:
    """One step of the engine for everybody, and nothing beside it."""
    with read_session(engine) as session:
        stored = panel.carried_states(session, patients)
    records = [from_bytes(one.trend, DEFAULT).states[-1].record for one in stored.values()]
    day = NOW.date().toordinal()
    state = from_records(np.frombuffer(b"".join(records), dtype=np.uint8).reshape(len(records), -1), day - 1)
    noise = np.random.default_rng(1)
    answers = np.full((len(QUESTIONS), MANY), np.nan)
    answers[0], answers[6] = noise.integers(0, 4, MANY), noise.normal(80, 0.4, MANY)
    low = np.round(noise.normal(18, 1.3, MANY), 1)
    inputs = DayInputs(np.stack([low, low + 6, low + 18]), np.ones(MANY), answers, np.zeros(MANY, dtype=np.bool_))

    def act() -> None:
        signal_engine.step(state, day, inputs, DEFAULT)

    return act


def _patients(engine: Engine, clinic_id: uuid.UUID) -> list[uuid.UUID]:
    with read_session(engine) as session:
        return list(session.scalars(select(PanelRow.patient_id).where(PanelRow.clinic_id == clinic_id)))


if __name__ == "__main__":
    main()
