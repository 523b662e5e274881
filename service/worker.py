"""The one long-running process: looks for what is due, does it, and sleeps.

Promises that a tick does everything that is due, in the order people would expect
it; that one part failing does not stop the others; and that a stop signal lets the
tick in hand finish. What is due is in the database: APScheduler is only the
metronome, so any number of workers may run, and none remembers anything.
"""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, timedelta
from typing import Any

import structlog
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy import Engine

from service import delivery, prompting, reviewing, selfcheck, watching
from service.clock import Clock
from service.config import Settings
from service.delivery import MessageFacts
from service.domain.tally import Tally
from service.domain.words import Channel
from service.intake.texts import take_text
from service.store import heartbeats
from service.store.parking import place
from service.store.session import writing
from service.transports.base import Transport
from service.web.tokens import Links

log = structlog.get_logger(__name__)

TIDY_SECONDS = PING_SECONDS = 60
CHECKIN_LINK_LASTS = timedelta(days=1)
CAREGIVER_LINK_LASTS = timedelta(days=7)


class Worker:
    """Ticks. `links` makes the signed link that belongs in a message."""

    def __init__(
        self,
        engine: Engine,
        clock: Clock,
        transports: Mapping[Channel, Transport],
        links: Callable[[MessageFacts], str],
        settings: Settings,
        name: str | None = None,
    ) -> None:
        self._engine = engine
        self._clock = clock
        self._transports = transports
        self._links = links
        self._settings = settings
        self.name = name or f"{socket.gethostname()}:{os.getpid()}"[-80:]
        self._started_at = clock.now()
        self._since_start: dict[str, Tally] = {}
        self._went_well = False
        self._stop = threading.Event()

    def tick(self) -> dict[str, Tally]:
        """One pass over everything that is due.

        1. Take in receipts and replies, so that a STOP or an answer is known before anything is sent.
        2. Open windows; the prompts due with them are enqueued in the same transaction.
        3. Close windows, so that the steps that follow know what was missed.
        4. Take the follow-up steps.
        5. Tell staff what is open.
        6. Deliver what is queued.
        7. Leave a sign of life, with what the parts came to.
        A part that fails is reported there and in the log; the rest go on.
        """
        done: dict[str, Tally] = {}
        failed: dict[str, str] = {}
        parts: tuple[tuple[str, Callable[[], Tally]], ...] = (
            ("listen", lambda: delivery.listen(self._engine, self._transports, self._clock, take_text)),
            ("open", lambda: prompting.open_windows(self._engine, self._clock.now())),
            ("close", lambda: watching.close_windows(self._engine, self._clock.now())),
            ("step", lambda: prompting.take_steps(self._engine, self._clock.now())),
            ("tell", lambda: reviewing.tell_staff(self._engine, self._clock.now())),
            ("deliver", self._deliver),
        )
        for name, part in parts:
            with _guarded(name, failed):
                done[name] = part()
        if any(tally.seen for tally in done.values()):
            log.info("tick", **{name: tally.as_dict() for name, tally in done.items() if tally.seen})
        for name, tally in done.items():
            self._since_start[name] = self._since_start.get(name, Tally()) + tally
        with _guarded("heartbeat", failed), writing(self._engine) as session:
            told: dict[str, Any] = {name: tally.as_dict() for name, tally in done.items()}
            told |= {"failed": failed, "since_start": {n: tally.as_dict() for n, tally in self._since_start.items()}}
            heartbeats.beat(session, self.name, self._started_at, told, self._clock.now())
        self._went_well = not failed
        return done

    def _deliver(self) -> Tally:
        return delivery.deliver(
            self._engine,
            self._transports,
            self._links,
            self._clock,
            at_once=self._settings.sends_at_once,
            stopping=self._stop.is_set,
        )

    def ping(self) -> None:
        """Tell the watcher outside that the last tick went well; silence is the alarm."""
        if self._went_well:
            selfcheck.ping(self._settings.ping_url)

    def tidy(self) -> None:
        """What need not be done every few seconds: the review's rows of a new day, workers long gone."""
        failed: dict[str, str] = {}
        with _guarded("refresh", failed):
            reviewing.refresh(self._engine, self._clock.now())
        with _guarded("forget", failed), writing(self._engine) as session:
            heartbeats.forget_old(session, self._clock.now())

    def run(self) -> None:
        """Tick until SIGTERM or SIGINT, then finish the tick in hand and return."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._stop.set())
        scheduler = self._metronome()
        log.info("worker started", worker=self.name)
        self.tick()
        scheduler.start()
        self._stop.wait()
        scheduler.shutdown(wait=True)
        log.info("worker stopped", worker=self.name)

    def _metronome(self) -> BackgroundScheduler:
        # One instance of each, missed beats folded into one: a tick that takes long is followed by one, not by many.
        scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(2)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        scheduler.add_job(self.tick, "interval", seconds=self._settings.tick_seconds, id="tick")
        scheduler.add_job(self.tidy, "interval", seconds=TIDY_SECONDS, id="tidy")
        if self._settings.ping_url:
            scheduler.add_job(self.ping, "interval", seconds=PING_SECONDS, id="ping")
        return scheduler


def links_for(links: Links, base_url: str) -> Callable[[MessageFacts], str]:
    """What makes the link of a message: the patient's diary page, the caregiver's page, the clinic's inbox.

    A link outlives the message that carries it: a diary filled in that evening and a
    caregiver's answer some days later are still worth having.
    """

    def link(message: MessageFacts) -> str:
        if message.window_id is None or message.staff_id is not None:
            return f"{base_url}/clinic/inbox"
        if message.caregiver_id is not None:
            return links.caregiver(message.window_id, message.caregiver_id, message.expires_at + CAREGIVER_LINK_LASTS)
        return links.checkin(message.window_id, message.expires_at + CHECKIN_LINK_LASTS)

    return link


@contextmanager
def _guarded(part: str, failed: dict[str, Any]) -> Iterator[None]:
    try:
        yield
    except Exception as error:
        failed[part] = place(error)
        log.exception("part failed", part=part, error=failed[part], exc_info=False)
