"""What it costs to note who opened what, as ratios taken in one run.

`access_trail_page`: a patient's page with its line in the trail ÷ the same page from an application without the hook.
`access_trail_api`: the same of the shortest read of the API, one patient's particulars, with a machine's key.
What the writer spends is in it: with the trail, all that waits is written after each round's reads, in this process
and on this processor's time. Both sides alternate, process CPU time, median with least and most.
"""

from __future__ import annotations

import gc
import tempfile
import uuid
from collections.abc import Callable
from pathlib import Path

from flask import Flask
from sqlalchemy import Engine, select

from service.accounts import keys
from service.app import create_app
from service.clock import FixedClock
from service.config import Settings
from service.domain import steps
from service.domain.vocabulary import Role, Scope
from service.reviewing import refreshing
from service.store import migrate
from service.store.audit import OPERATOR, Act
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Clinic, Patient, Staff
from tests.bench.bench_review import NOW, alternate, clinic, say
from tests.servers import SECRET, VAULT
from tests.signed_in import sign_in_as

PATIENTS = CALLS = 300  # reads of the API a round, each of another patient: no two are one line
PAGES = 20


def main() -> None:
    """Print both ratios."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_engine(f"sqlite:///{Path(folder) / 'bench.sqlite3'}", vault=VAULT)
        migrate.upgrade(engine)
        clinic_id = clinic(engine, PATIENTS)
        refreshing.rebuild(engine, NOW, portion=500)
        nurse_id, secret = _callers(engine, clinic_id)
        with read_session(engine) as session:
            people = list(session.scalars(select(Patient.id).where(Patient.clinic_id == clinic_id)))
        noted, bare = _app(engine, folder), _app(engine, folder)
        without = [one for one in bare.after_request_funcs[None] if one.__module__ != "service.web.trail"]
        assert len(without) == len(bare.after_request_funcs[None]) - 1
        bare.after_request_funcs[None] = without
        gc.collect()
        gc.freeze()
        gc.disable()
        for name, reads in (
            ("access_trail_page", lambda app: _pages(app, nurse_id, people)),
            ("access_trail_api", lambda app: _calls(app, secret, people)),
        ):
            one, other = alternate(reads(noted), reads(bare))
            say(name, [a / b for a, b in zip(one, other, strict=True)], "reads with the trail ÷ without")
        engine.dispose()


def _app(engine: Engine, folder: str) -> Flask:
    settings = Settings.from_env({"NEAPTIDE_DATA": folder, "NEAPTIDE_SECRET_KEY": SECRET})
    return create_app(settings, engine, FixedClock(NOW), {})


def _callers(engine: Engine, clinic_id: uuid.UUID) -> tuple[uuid.UUID, str]:
    with write_session(engine) as session:
        act = Act(session, OPERATOR, clinic_id, NOW)
        session.get_one(Clinic, clinic_id).steps = steps.as_json(steps.DEFAULT)  # the page tells who would be asked
        nurse = Staff(email="nurse@bench.example", name="Nurse", roles=[Role.NURSE], grants=[], created_at=NOW)
        act.add(nurse)
        _, secret = keys.issue_key(act, "bench", [Scope.REVIEW, Scope.ENROL])
        return nurse.id, secret


def _pages(app: Flask, nurse_id: uuid.UUID, people: list[uuid.UUID]) -> Callable[[], object]:
    client = app.test_client()
    sign_in_as(client, nurse_id, NOW)

    def read() -> None:
        for one in people[:PAGES]:
            assert client.get(f"/clinic/patients/{one}").status_code == 200
        app.extensions["neaptide"].trail.write_waiting()

    return read


def _calls(app: Flask, secret: str, people: list[uuid.UUID]) -> Callable[[], object]:
    client, headers = app.test_client(), {"Authorization": f"Bearer {secret}"}

    def read() -> None:
        for number in range(CALLS):
            one = people[number]
            assert client.get(f"/api/v1/patients/{one}", headers=headers).status_code == 200
        app.extensions["neaptide"].trail.write_waiting()

    return read


if __name__ == "__main__":
    main()
