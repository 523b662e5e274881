"""A clinic with two patients, a caregiver and a nurse, behind one worker that can lose power; and the picture of them.

The picture is changed beside every call, never read from the database. `judge` says
what is wrong with a message that a provider is handed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event, text

from service.clock import FixedClock
from service.config import Settings
from service.delivery import sending
from service.delivery.rechecking import LinkMaker
from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, MessageKind, TaskKind
from service.store.session import write_session
from service.store.tables import Base, Clinic, Message, Patient, Task, Window
from service.worker import Worker
from tests.builder import Builder
from tests.crash.picture import Person, Plan, is_quiet, local, shows
from tests.crash.provider import Provider
from tests.statements import each_statement

QUIET = (time(21), time(8))
BEN_ZONE, CLINIC_ZONE = "America/New_York", "Europe/London"
ASHA_PHONES, CATO_PHONE, BEN_PHONE, NURSE_PHONE = (
    ("+447700900001", "+447700900002"),
    "+447700900003",
    "+447700900004",
    "+447700900005",
)
TO_STAFF = {MessageKind.STAFF_TASK, MessageKind.DIGEST}
ASKING = {MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE}
UNASKED = TO_STAFF | {MessageKind.NUDGE}  # what nobody has agreed an hour for: not at night
WITHOUT_CONSENT = {MessageKind.SAFETY, MessageKind.STOPPED, MessageKind.HELP}
WRITES = ("INSERT", "UPDATE", "DELETE")


class PowerCut(BaseException):
    """Nothing catches this: the process is gone."""


class CutWorker(Worker):
    """A worker whose power can go at a boundary of the delivery steps."""

    at: Callable[[Boundary], None] = staticmethod(lambda _: None)

    def _deliver(self) -> None:
        chance = random.Random(1)
        given = self._engine, self._transports, self._links, self._clock
        self._do("deliver", lambda: sending.deliver(*given, at=self.at, at_once=1, chance=chance))


class Household:
    """See the module."""

    def __init__(self, engine: Engine, begins: datetime, zone: str, plan: Plan) -> None:
        self.engine = engine
        self.clock = FixedClock(begins)
        self.latest = begins  # the clock may be set back; what has ended stays ended
        self.ben_agreed = self.ben_allowed = True
        self.provider = Provider(engine, self.clock, self.judge, self.hear, self._another_passes)
        self.settings = Settings.from_env(
            {"NEAPTIDE_DATA": str(Path("/nowhere")), "NEAPTIDE_SECRET_KEY": "nobody guesses this one of the tests"}
        )
        self.worker = self._worker("first")
        with write_session(engine) as session:
            self._enrol(session, zone, plan)

    @property
    def now(self) -> datetime:
        return self.clock.now()

    def tick(self) -> None:
        """A whole pass of the worker. What it ought to have done by its beginning is checked against `self.ticked`."""
        began = self.now
        self.worker.tick()
        for person in self.people:
            person.lets_days_begin(began)
        self.latest = max(self.latest, self.now)

    def tick_cut_at(self, boundary: Boundary) -> bool:
        """A pass that loses power when it first comes to `boundary`. False when it never does."""

        def at(here: Boundary) -> None:
            if here is boundary:
                raise PowerCut

        self.worker.at = at  # type: ignore[method-assign]
        return self._cut()

    def tick_meanwhile(self, boundary: Boundary, happens: Callable[[], None]) -> None:
        """A pass in which something `happens` when it first comes to `boundary`."""
        left = [happens]

        def at(here: Boundary) -> None:
            if here is boundary and left:
                left.pop()()

        self.worker.at = at  # type: ignore[method-assign]
        self.tick()
        self.worker.at = lambda _: None  # type: ignore[method-assign]

    def tick_cut_while_writing(self, statement: int) -> bool:
        """A pass that loses power before its n-th write or commit, whatever part it is in. False when it has fewer."""
        with _power_goes_at(self.engine, statement):
            return self._cut()

    def _cut(self) -> bool:
        try:
            self.tick()
        except PowerCut:
            self.engine.dispose()  # a dead process leaves no connection behind
            self.latest = max(self.latest, self.now)
            self.worker = self._worker("next")
            return True
        self.worker.at = lambda _: None  # type: ignore[method-assign]
        return False

    def _worker(self, name: str) -> CutWorker:
        links: LinkMaker = lambda session, facts, now: f"https://calls.example/{facts.id}"  # noqa: E731
        return CutWorker(self.engine, self.clock, {Channel.TEXT: self.provider}, links, self.settings, name=name)

    def _another_passes(self) -> None:
        self._worker("second").tick()

    # --- the picture ---------------------------------------------------------------

    def hear(self, sender: str, body: str) -> None:
        """A text message was passed on: STOP and START change what its sender agrees to."""
        if body not in {"STOP", "START"}:
            return
        agrees = body == "START"
        if sender == BEN_PHONE:
            self.ben_agreed = agrees
        for person in self.people:
            if sender in person.phones:
                person.agreed = agrees

    def judge(self, message: Message, window: Window | None, task: Task | None) -> list[str]:
        """What is wrong with handing this over now."""
        kind, now = message.kind, self.now
        wrong = []
        if message.expires_at <= now:
            wrong.append("after its expiry")
        person = next((one for one in self.people if one.id == message.patient_id), None)
        to_ben = message.caregiver_id is not None
        agreed = (self.ben_agreed and self.ben_allowed) if to_ben else person is not None and person.agreed
        if kind not in TO_STAFF | WITHOUT_CONSENT and not agreed:
            wrong.append("after consent was withdrawn")
        zone = CLINIC_ZONE if kind in TO_STAFF else BEN_ZONE
        is_urgent = task is not None and task.kind is TaskKind.SAFETY_ANSWER
        if kind in UNASKED and not is_urgent and is_quiet(now, zone, QUIET):
            wrong.append("in quiet hours")
        if person is not None and window is not None and kind in ASKING:
            if kind is not MessageKind.NUDGE and window.closes_at <= now:
                wrong.append("after its window has closed")
            if person.is_paused(window.local_date):
                wrong.append("for a day that is excused")
            if self._has_come(person, window, kind):
                wrong.append("for what has come already")
            if kind is MessageKind.NUDGE and person.replies.get(window.id):
                wrong.append("when the caregiver has answered")
        return [f"{kind.value} handed over {one}" for one in wrong]

    @staticmethod
    def _has_come(person: Person, window: Window, kind: MessageKind) -> bool:
        day = window.local_date
        decides = person.has_reading(day) if window.wants_reading else day in person.checkins
        if kind is MessageKind.PROMPT and window.wants_checkin:
            return decides and day in person.checkins
        return decides

    # --- enrolling ------------------------------------------------------------------

    def _enrol(self, session: Any, zone: str, plan: Plan) -> None:
        build = Builder(session, self.now)
        clinic = build.clinic(quiet_from=QUIET[0], quiet_until=QUIET[1])
        self.people = [
            self._patient(build, clinic, "Asha Invented", zone, plan, ASHA_PHONES),
            self._patient(build, clinic, "Cato Invented", CLINIC_ZONE, plan, (CATO_PHONE,)),
        ]
        asha = session.get_one(Patient, self.people[0].id)
        self.people[0].caregiver_id = build.caregiver(asha, zone=BEN_ZONE, phones=(BEN_PHONE,)).id
        build.staff(clinic, phone=NURSE_PHONE)

    def _patient(
        self, build: Builder, clinic: Clinic, name: str, zone: str, plan: Plan, phones: tuple[str, ...]
    ) -> Person:
        now, ago = build.now, timedelta(days=60)
        patient = build.patient(clinic, name, ref=name, zone=zone, phones=phones, plan=vars(plan), enrolled_ago=ago)
        person = Person(patient.id, clinic.id, zone, plan, phones, local(now, zone).date())
        while shows(person.next_day, plan.opens, zone) <= now:
            person.next_day += timedelta(days=1)
        return person


def forget(engine: Engine) -> None:
    """Empty every table."""
    with write_session(engine) as session:
        if engine.dialect.name == "sqlite":
            session.execute(text("PRAGMA defer_foreign_keys=ON"))
        for table in reversed(Base.metadata.sorted_tables):
            session.execute(table.delete())


@contextmanager
def _power_goes_at(engine: Engine, statement: int) -> Iterator[None]:
    left = [statement]

    def count() -> None:
        left[0] -= 1
        if left[0] == 0:
            raise PowerCut

    def before(sql: str, _parameters: Any) -> None:
        if sql.lstrip().startswith(WRITES):
            count()

    def committing(_connection: Any) -> None:
        count()

    event.listen(engine, "commit", committing)
    try:
        with each_statement(engine, before):
            yield
    finally:
        event.remove(engine, "commit", committing)
