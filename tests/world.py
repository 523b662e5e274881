"""A small world to tell stories in: a clinic, people with telephones, a clock that is moved by hand.

Everything is real but the gateway and the clock: enrolling, intake, the worker,
the outbox. The worker ticks at every instant at which something falls due, unless
the story has stopped it. A message that nobody expected fails the story.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

import pytest
from sqlalchemy import Engine, select

from service.care import contacts, pauses
from service.clock import FixedClock
from service.config import Settings
from service.domain import localtime
from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.review import Lane
from service.domain.vocabulary import (
    CaregiverAnswer,
    Channel,
    ConsentKind,
    LinkPurpose,
    MessageKind,
    PauseCause,
    Role,
    TaskKind,
    WindowState,
)
from service.enrolling import people
from service.intake.caregivers import record_caregiver_reply
from service.intake.checkins import RecordedCheckin, record_checkin
from service.intake.readings import record_reading
from service.links import Leads, Links, is_over, read_link
from service.reviewing.patient import build_patient
from service.store.audit import OPERATOR, Act, Actor, ActorKind
from service.store.due import next_due
from service.store.migrations.roles import WORKER
from service.store.session import read_session, write_session
from service.store.tables import (
    Caregiver,
    Clinic,
    LinkKey,
    Message,
    Patient,
    Pause,
    Silence,
    Staff,
    Step,
    Task,
    Window,
)
from service.transports.mock import Kept
from service.worker import Worker, links_for
from tests.builder import AUCKLAND, Builder, building
from tests.copies import made_once
from tests.faulty import FaultyGateway
from tests.servers import SECRET, as_role

T = TypeVar("T")
Person = Patient | Caregiver

LINK = re.compile(r"https?://\S+/([cg])/(\S+)")
ANSWERS = {
    "spoke to them": CaregiverAnswer.SPOKE,
    "in hospital": CaregiverAnswer.IN_HOSPITAL,
    "away": CaregiverAnswer.AWAY,
    "equipment trouble": CaregiverAnswer.EQUIPMENT,
}


@dataclass(frozen=True)
class Expected:
    """A message a story expects: its kind, and what it asks for where that matters."""

    kind: MessageKind
    asks: tuple[str, ...] | None = None


def prompt(*asks: str) -> Expected:
    return Expected(MessageKind.PROMPT, asks or None)


def reminder() -> Expected:
    return Expected(MessageKind.REMINDER)


def nudge() -> Expected:
    return Expected(MessageKind.NUDGE)


def notice() -> Expected:
    """Staff are told that a task is open."""
    return Expected(MessageKind.STAFF_TASK)


def digest() -> Expected:
    return Expected(MessageKind.DIGEST)


class World:
    """See the module. `begins` sets the clock before anybody is enrolled."""

    def __init__(self, engine: Engine, folder: Path) -> None:
        self.engine = engine
        self.clock = FixedClock(datetime(2026, 3, 1, 0, tzinfo=UTC))
        self._messages = folder / "gateway.sqlite3"
        self.gateway = FaultyGateway(self._messages, self.clock.now, hang_seconds=0.01)
        settings = Settings.from_env(
            {"NEAPTIDE_DATA": str(folder), "NEAPTIDE_SECRET_KEY": SECRET, "NEAPTIDE_BASE_URL": "http://127.0.0.1:8000"}
        )
        self.links = Links(settings.base_url)
        self.worker = Worker(
            as_role(engine, WORKER),
            self.clock,
            {Channel.TEXT: self.gateway},
            links_for(self.links),
            settings,
            name="story",
        )
        self.working = True
        self._enrolled = 100
        self._phones: dict[uuid.UUID, Phone] = {}
        self._clinic: Clinic | None = None

    def begins_with(self, which: str, live: Callable[[World], T]) -> T:
        """What `live` makes of this world while it is empty: lived through once in a process, and gone on from."""

        def lived() -> tuple[T, tuple[Any, ...], dict[uuid.UUID, tuple[Any, ...]], bytes]:
            given = live(self)
            phones = {id_: (one._person, one.number, one._looked_at, one._last) for id_, one in self._phones.items()}
            return given, (self.now, self._clinic, self._enrolled), phones, self._messages.read_bytes()

        given, (now, self._clinic, self._enrolled), phones, messages = made_once(self.engine, which, lived)
        self.clock.set(now)
        for id_, (person, number, looked_at, last) in phones.items():
            phone = self._phones[id_] = Phone(self, person, number)
            phone._looked_at, phone._last = looked_at, last
        self._messages.write_bytes(messages)
        return given

    # --- people ------------------------------------------------------------------

    def begins(self, at: str, zone: str = "UTC") -> None:
        """Set the clock, to a wall time in a zone."""
        wall = datetime.fromisoformat(at)
        self.clock.set(localtime.first_instant(wall.date(), wall.time(), localtime.zone(zone)))

    def opens_clinic(self, zone: str = "Pacific/Auckland", **settings: Any) -> Clinic:
        """The clinic, with other settings than the usual ones."""
        with building(self.engine, self.now) as build:
            self._clinic = build.clinic(**{**AUCKLAND, "quiet_until": time(6), "zone": zone, **settings})
        return self._clinic

    def patient(
        self,
        name: str,
        *,
        zone: str = "Pacific/Auckland",
        window: tuple[str, str] = ("07:00", "10:00"),
        due: str = "08:30",
        consent: bool = True,
        phone: bool = True,
        enrolled: timedelta = timedelta(days=60),
        **plan: Any,
    ) -> Patient:
        """Somebody who has been looked after for a while, unless `enrolled` (ago) says otherwise."""
        clinic = self._clinic or self.opens_clinic(zone)
        opens, closes = (time.fromisoformat(wall) for wall in window)
        with building(self.engine, self.now) as build:
            patient = build.patient(
                clinic, name, ref=f"F-{self._number()}", zone=zone, consent=None, enrolled_ago=enrolled
            )
            if phone:
                self._hand_phone_to(build, patient)
            build.consent(patient, ConsentKind.MESSAGES, consent)
            build.plan(patient, opens=opens, due=time.fromisoformat(due), closes=closes, **plan)
        return patient

    def caregiver(self, patient: Patient, name: str, *, consent: bool = True, allowed: bool = True) -> Caregiver:
        """`consent` is the caregiver's own agreement; `allowed` is the patient's."""
        with building(self.engine, self.now) as build:
            caregiver = build.caregiver(patient, name, allowed=allowed, agreed=consent)
            self._hand_phone_to(build, caregiver)
        return caregiver

    def staff_without_phone(self, name: str) -> Staff:
        """Somebody who is told nothing, and works at the clinic's pages."""
        clinic = self._clinic or self.opens_clinic()
        with building(self.engine, self.now) as build:
            return build.staff(clinic, name)

    def staff(self, name: str, role: Role = Role.NURSE) -> Staff:
        """Somebody on call, told in the order they were hired."""
        clinic = self._clinic or self.opens_clinic()
        with building(self.engine, self.now) as build:
            member = build.staff(clinic, name, role)
            member.created_at += timedelta(seconds=len(self._phones))
            self._hand_phone_to(build, member)
        return member

    def stranger(self) -> Phone:
        """A telephone of somebody whom nobody here knows."""
        nobody = Staff(id=uuid.uuid4(), name="Wren Invented")
        self._phones[nobody.id] = Phone(self, nobody, f"+64999900{self._number()}")
        return self._phones[nobody.id]

    def _hand_phone_to(self, build: Builder, person: Person | Staff) -> None:
        number = f"+64999900{self._number()}"
        build.contact(person, number)
        self._phones[person.id] = Phone(self, person, number)

    def _number(self) -> int:
        self._enrolled += 1
        return self._enrolled

    def phone(self, person: Person | Staff) -> Phone:
        return self._phones[person.id]

    @property
    def clinic(self) -> ClinicView:
        assert self._clinic is not None
        return ClinicView(self, self._clinic)

    # --- links ---------------------------------------------------------------------

    def link(self, key: str, purpose: LinkPurpose) -> LinkKey:
        """What a link opens."""
        with read_session(self.engine) as session:
            return read_link(session, key, purpose)

    def push_link(self, person: Person, lasts: timedelta = timedelta(days=7)) -> str:
        """The path of a new link for notices."""
        patient_id, caregiver_id = (person.id, None) if isinstance(person, Patient) else (person.patient_id, person.id)
        leads = Leads(LinkPurpose.PUSH, person.clinic_id, patient_id, caregiver_id)
        with write_session(self.engine) as session:
            return urlsplit(self.links.make(session, leads, self.now, self.now + lasts)).path

    # --- time ----------------------------------------------------------------------

    @property
    def now(self) -> datetime:
        return self.clock.now()

    def at(self, person: Person, wall: str) -> None:
        """Live on until this person's clock shows `wall` ("07:00") next."""
        zone = localtime.zone(person.zone)
        day = localtime.local_date(self.now, zone)
        target = localtime.first_instant(day, time.fromisoformat(wall), zone)
        while target <= self.now:
            day += timedelta(days=1)
            target = localtime.first_instant(day, time.fromisoformat(wall), zone)
        self.until(target)

    def advance(self, **by: float) -> None:
        """Live on for so many `hours`, `minutes`, `days`."""
        self.until(self.now + timedelta(**by))

    def until(self, target: datetime) -> None:
        """Live on until `target`, the worker ticking whenever something falls due."""
        while self.working:
            with read_session(self.engine) as session:
                due = next_due(session, after=self.now)
            if due is None or due.at >= target:
                break
            self.clock.set(due.at)
            self.tick()
        self.clock.set(target)
        self.tick()

    def tick(self) -> None:
        if self.working:
            self.worker.tick()

    def worker_stops(self) -> None:
        self.working = False

    def worker_starts(self) -> None:
        self.working = True
        self.tick()

    # --- what people and machines send ----------------------------------------------

    def reading(self, patient: Patient, diastolic: float = 18.0, taken_at: datetime | None = None) -> None:
        """The sensor's machine sends a reading, taken a minute ago unless said otherwise."""
        new = NewReading(patient.id, taken_at or self.now - timedelta(minutes=1), diastolic + 18, diastolic)
        with write_session(self.engine) as session:
            record_reading(Act(session, Actor(ActorKind.KEY), patient.clinic_id, self.now), new)

    def checks_in(self, patient: Patient, *, local_date: date | None = None, **answers: Any) -> RecordedCheckin:
        new = NewCheckin(patient.id, Answers(**({"breathlessness": 2, "safety_signs": ()} | answers)), local_date)
        with write_session(self.engine) as session:
            return record_checkin(Act(session, Actor(ActorKind.PATIENT, patient.id), patient.clinic_id, self.now), new)

    def pauses(self, patient: Patient, first: date, last: date | None, cause: PauseCause = PauseCause.AWAY) -> Pause:
        with write_session(self.engine) as session:
            return pauses.add_pause(
                Act(session, OPERATOR, patient.clinic_id, self.now), patient, cause, first, last, ""
            )

    def withdraws_consent(self, patient: Patient) -> None:
        with write_session(self.engine) as session:
            contacts.record_consent(
                Act(session, OPERATOR, patient.clinic_id, self.now),
                patient,
                ConsentKind.MESSAGES,
                False,
                "by telephone",
            )

    def moves(self, patient: Patient, zone: str) -> Patient:
        with write_session(self.engine) as session:
            held = session.get_one(Patient, patient.id)
            people.change_patient(Act(session, OPERATOR, held.clinic_id, self.now), held, {"zone": zone})
            return held

    # --- the end ----------------------------------------------------------------------

    def unexpected(self) -> list[str]:
        """Messages that lie on a telephone and were not expected, and such as went nowhere we know."""
        known = {phone.number for phone in self._phones.values()}
        left = [f"{kept.body!r} to {phone}" for phone in self._phones.values() for kept in phone.unread()]
        return left + [f"{kept.body!r} to {kept.to}" for kept in self.gateway.messages() if kept.to not in known]


class Phone:
    """One person's telephone: what lies on it, and what has been looked at."""

    def __init__(self, world: World, person: Person | Staff, number: str) -> None:
        self._world = world
        self._person = person
        self.number = number
        self._looked_at = 0
        self._last: Kept | None = None

    def __str__(self) -> str:
        return f"{self._person.name}'s telephone"

    def unread(self) -> list[Kept]:
        return self._world.gateway.messages_to(self.number)[self._looked_at :]

    def expects(self, *wanted: Expected) -> Phone:
        """Exactly these messages have come since it was last looked at, in this order."""
        unread = self.unread()
        kinds = [self._kind(kept) for kept in unread]
        assert [one.kind for one in wanted] == [kind for kind, _ in kinds], (
            f"{self} at {self._world.now}: expected {[one.kind.value for one in wanted]}, "
            f"got {[(kind.value, kept.body) for kept, (kind, _) in zip(unread, kinds, strict=True)]}"
        )
        for one, (_, asks) in zip(wanted, kinds, strict=True):
            assert one.asks is None or list(one.asks) == asks
        for kept in unread:
            assert self._person.name not in kept.body  # safe to read over a shoulder
            assert kept.times == 1
        self._looked_at += len(unread)
        self._last = unread[-1] if unread else None
        return self

    def expects_nothing(self) -> None:
        self.expects()

    def texts(self, body: str) -> Phone:
        """Send a text message to the clinic; the worker takes it in with its next tick."""
        self._world.gateway.reply(self.number, body)
        self._world.tick()
        return self

    def follows_link(self) -> Page:
        """Open the link of the message that was looked at last."""
        assert self._last is not None, f"{self} has no message to follow a link from"
        link = LINK.search(self._last.body)
        assert link is not None, f"no link in {self._last.body!r}"
        return Page(self._world, *link.groups())

    def _kind(self, kept: Kept) -> tuple[MessageKind, list[str] | None]:
        with read_session(self._world.engine) as session:
            message = session.get_one(Message, kept.message_id)
            return message.kind, message.params.get("asks")


class Page:
    """The page behind a link, as what it lets its reader do."""

    def __init__(self, world: World, letter: str, token: str) -> None:
        self._world = world
        self.opened = world.link(token, {"c": LinkPurpose.CHECKIN, "g": LinkPurpose.CAREGIVER}[letter])
        assert not is_over(self.opened, world.now)

    def answers(self, words: str, until: date | None = None) -> None:
        """A caregiver's answer to a nudge."""
        with write_session(self._world.engine) as session:
            window_id, caregiver_id = self.opened.window_id, self.opened.caregiver_id
            assert window_id is not None
            assert caregiver_id is not None
            record_caregiver_reply(
                Act(session, Actor(ActorKind.CAREGIVER, caregiver_id), self.opened.clinic_id, self._world.now),
                caregiver_id,
                window_id,
                ANSWERS[words],
                until,
                "",
            )

    def checks_in(self, **answers: Any) -> RecordedCheckin:
        """A patient's diary for the day of the window."""
        with read_session(self._world.engine) as session:
            patient = session.get_one(Patient, self.opened.patient_id)
        return self._world.checks_in(patient, **answers)


class ClinicView:
    """What staff see."""

    def __init__(self, world: World, clinic: Clinic) -> None:
        self._world = world
        self._clinic = clinic

    def sees(self, patient: Patient) -> Seen:
        with read_session(self._world.engine) as session:
            review = build_patient(session, self._clinic.id, patient.id, self._world.now)
            windows = session.scalars(select(Window).where(Window.patient_id == patient.id).order_by(Window.local_date))
            silences = session.scalars(
                select(Silence).where(Silence.patient_id == patient.id, Silence.missed > 0).order_by(Silence.first_date)
            )
            tasks = session.scalars(select(Task).where(Task.patient_id == patient.id).order_by(Task.raised_at))
            steps = session.scalars(
                select(Step)
                .join(Window, Window.id == Step.window_id)
                .where(Step.patient_id == patient.id)
                .order_by(Window.local_date, Step.position)
            )
            adherence = review.entry.summary.adherence
            return Seen(
                lane=review.entry.lane,
                received=adherence.received,
                expected=adherence.expected,
                windows=[(window.local_date, window.state) for window in windows],
                silences=list(silences),
                tasks=[task.kind for task in tasks],
                reasons=[(step.kind.value, step.reason) for step in steps],
            )


@dataclass(frozen=True)
class Seen:
    """One patient as staff see them; `reasons` says of each step why it was taken or not."""

    lane: Lane
    received: int
    expected: int
    windows: list[tuple[date, WindowState]]
    silences: list[Silence]
    tasks: list[TaskKind]
    reasons: list[tuple[str, str | None]]

    @property
    def silence(self) -> Silence | None:
        """The one that has not ended."""
        return next((silence for silence in self.silences if silence.ended_at is None), None)

    @property
    def adherence(self) -> tuple[int, int]:
        return self.received, self.expected


@pytest.fixture
def world(engine: Engine, tmp_path: Path) -> Iterator[World]:
    told = World(engine, tmp_path)
    yield told
    left = told.unexpected()
    assert not left, f"nobody expected {left}"
