"""A clinic served in process: its application, a machine's key, and staff who can sign in."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from service.accounts import keys
from service.accounts.hashing import hashed
from service.accounts.staff import add_staff
from service.clock import FixedClock
from service.config import Settings
from service.domain.vocabulary import Channel, Role, Scope
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.transports.mock import MockGateway
from tests.builder import building, carriable
from tests.copies import made_once
from tests.served import serve
from tests.signed_in import sign_in_as

MORNING = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PASSWORD = "four quiet minutes a day"


@dataclass
class House:
    """One clinic behind the application, with ids to reach its first patient and caregiver."""

    app: Flask
    engine: Engine
    clock: FixedClock
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    caregiver_id: uuid.UUID
    secret: str

    @property
    def machine(self) -> Machine:
        return Machine(self.app.test_client(), self.secret)

    def staff(self, role: Role = Role.NURSE) -> FlaskClient:
        """A browser with somebody of this role signed in."""
        client = self.app.test_client()
        sign_in_as(client, self.staff_id(role), self.clock.now())
        return client

    def staff_id(self, role: Role) -> uuid.UUID:
        """Somebody of this role, added when first asked for."""
        if role not in self._staff:
            with write_session(self.engine) as session:
                act = Act(session, OPERATOR, self.clinic_id, self.clock.now())
                email = f"{role.value}-{uuid.uuid4().hex[:8]}@fernmoor.example"
                self._staff[role] = add_staff(
                    act, email, role.value, [role], grants=carriable(role), password_hash=hashed(PASSWORD, ())
                ).id
        return self._staff[role]

    _staff: dict[Role, uuid.UUID] = field(default_factory=dict)


@dataclass
class Machine:
    """A program with a bearer key."""

    client: FlaskClient
    secret: str

    def __call__(self, method: str, path: str, body: Any = None, **headers: str) -> TestResponse:
        sent = {"Authorization": f"Bearer {self.secret}", **{n.replace("_", "-"): v for n, v in headers.items()}}
        return self.client.open(f"/api/v1{path}", method=method, json=body, headers=sent)

    def get(self, path: str) -> TestResponse:
        return self("GET", path)

    def post(self, path: str, body: Any, **headers: str) -> TestResponse:
        return self("POST", path, body, **headers)


@pytest.fixture
def build(engine: Engine, tmp_path: Path) -> Callable[..., House]:
    """Make a clinic behind one application; a second call makes a second clinic behind the same one."""
    clock = FixedClock(MORNING)
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_BASE_URL": "http://localhost"})
    gateway = MockGateway(tmp_path / "gateway.sqlite3", clock.now)
    app = serve(settings, engine, clock, {Channel.TEXT: gateway})

    def make(
        name: str = "Fernmoor Clinic",
        scopes: tuple[Scope, ...] = tuple(Scope),
        *,
        number: str = "+447700900001",
        alone: bool = False,
    ) -> House:
        def enrol() -> tuple[uuid.UUID, uuid.UUID, uuid.UUID, str]:
            now = clock.now()
            with building(engine, now) as build:
                clinic = build.clinic(name)
                plan = {"due": time(9), "closes": time(11)}
                patient = build.patient(clinic, ref="F-1", phones=(number,), plan=plan)
                caregiver = build.caregiver(patient, allowed=None, agreed=None)
                _, secret = keys.issue_key(Act(build.session, OPERATOR, clinic.id, now), "machine", scopes)
            return clinic.id, patient.id, caregiver.id, secret

        return House(app, engine, clock, *(made_once(engine, "a house alone", enrol) if alone else enrol()))

    return make


@pytest.fixture
def house(build: Callable[..., House]) -> House:
    return build(alone=True)
