"""An invented clinic that is open for visitors: people with telephones, and the pages their links open.

Everything is real but the clock and the gateway. The links are taken from the
messages that lie on the telephones.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlsplit

from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine, select

from service.accounts.hashing import hashed
from service.accounts.staff import add_staff
from service.config import Settings
from service.domain.vocabulary import Channel, Role
from service.enrolling import people
from service.links import Links
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Base, Caregiver, Checkin, Clinic, Patient, Staff, Window
from service.transports.base import Transport
from service.worker import Worker, links_for
from tests.builder import carriable
from tests.served import serve
from tests.servers import SECRET
from tests.world import LINK, World

TOKEN = "of whoever runs the house, and 32 characters"
OPERATORS = {"Authorization": f"Bearer {TOKEN}"}

PASSWORD = "seven gentle waves"  # invented, like the people
NURSE = "nurse@fernmoor.example"


@dataclass
class House:
    """One clinic, a patient called Asha who was just prompted, and Ben who looks after her."""

    world: World
    app: Flask
    engine: Engine
    asha: Patient
    ben: Caregiver

    @property
    def client(self) -> FlaskClient:
        """A browser that has been nowhere."""
        return self.app.test_client()

    def link(self, person: Patient | Caregiver) -> str:
        """The path of the newest link on this person's telephone."""
        found = [LINK.search(kept.body) for kept in self.world.gateway.messages_to(self.world.phone(person).number)]
        assert found, f"{person.name} has no message"
        assert found[-1] is not None, "the newest message has no link"
        return urlsplit(found[-1][0]).path

    def nudged(self) -> str:
        """The path of Ben's link, once Asha's window has closed without a reading."""
        self.world.at(self.asha, "10:01")
        return self.link(self.ben)

    def change(self, person: Clinic | Patient | Caregiver, **values: object) -> None:
        with write_session(self.engine) as session:
            held = session.get_one(type(person), person.id)
            for name, value in values.items():
                setattr(held, name, value)

    def hire_nurse(self) -> Staff:
        """Somebody who can sign in."""
        with write_session(self.engine) as session:
            act = Act(session, OPERATOR, self.asha.clinic_id, self.world.now)
            return add_staff(
                act, NURSE, "Nora Quill", [Role.NURSE], grants=carriable(Role.NURSE), password_hash=hashed(PASSWORD, ())
            )

    def checkins(self) -> list[Checkin]:
        """Every check-in of Asha's, oldest first."""
        return [row for row in self.rows(Checkin) if row.patient_id == self.asha.id]

    def rows(self, table: type[Base]) -> list:  # type: ignore[type-arg]
        with read_session(self.engine) as session:
            order = getattr(table, "answered_at", None) or getattr(table, "at", None) or table.id
            return list(session.scalars(select(table).order_by(order)))

    def window(self) -> Window:
        with read_session(self.engine) as session:
            return session.scalars(
                select(Window).where(Window.patient_id == self.asha.id).order_by(Window.local_date.desc())
            ).one()


def open_house(
    engine: Engine,
    folder: Path,
    *,
    demo: bool = False,
    base_url: str = "http://127.0.0.1:8000",
    more: Mapping[Channel, Transport] | None = None,
    **settings_more: str,
) -> House:
    """Asha's window opened at seven in Auckland; it is half past. `more` are ways out besides the text gateway."""
    world = World(engine, folder)
    asha, ben = world.begins_with("asha brook was prompted", _just_prompted)
    settings = Settings.from_env(
        {
            "NEAPTIDE_DATA": str(folder),
            "NEAPTIDE_SECRET_KEY": SECRET,
            "NEAPTIDE_BASE_URL": base_url,
            "NEAPTIDE_DEMO": "yes" if demo else "no",
            "NEAPTIDE_METRICS_TOKEN": TOKEN,
            **settings_more,
        }
    )
    transports = {Channel.TEXT: world.gateway, **(more or {})}
    app = serve(settings, engine, world.clock, transports)
    if more:
        world.links = Links(base_url)
        world.worker = Worker(engine, world.clock, transports, links_for(world.links), settings, name="story")
    return House(world, app, engine, asha, ben)


def _just_prompted(world: World) -> tuple[Patient, Caregiver]:
    world.opens_clinic()
    asha = world.patient("Asha Brook")
    ben = world.caregiver(asha, "Ben Brook")
    with write_session(world.engine) as session:
        held = session.get_one(Patient, asha.id)
        people.change_patient(Act(session, OPERATOR, held.clinic_id, world.now), held, {"usual_pillows": 2})
    world.at(asha, "07:30")
    return asha, ben


def token_on(page: str) -> str:
    """The form token a page carries."""
    found = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert found is not None, "no form token on the page"
    return unescape(found[1])


def sign_in(client: FlaskClient, email: str = NURSE, password: str = PASSWORD, **more: str) -> object:
    page = client.get("/signin", query_string=more).get_data(as_text=True)
    return client.post("/signin", data={"csrf_token": token_on(page), "email": email, "password": password, **more})


class Words(HTMLParser):
    """The words of a page as somebody reads them, without its head and its scripts."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self._skip = 0
        self.text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag in {"head", "script", "template"}:
            self._skip += 1

    def handle_endtag(self, tag: str) -> None:
        if tag in {"head", "script", "template"}:
            self._skip -= 1

    def handle_data(self, data: str) -> None:
        if not self._skip:
            self.text.append(data)

    def __str__(self) -> str:
        return " ".join(" ".join(self.text).split())


def words(page: str) -> str:
    return str(Words(page))
