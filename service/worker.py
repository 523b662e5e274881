"""The one long-running process: looks for what is due, does it, and sleeps.

Promises that a tick does everything that is due, in the order people would expect
it; that one part failing does not stop the others; that a provider which hangs holds
up messages only, not windows and steps; and that a stop signal lets the tick in hand
and the calls in flight finish. What is due is in the database: APScheduler is only
the metronome, so any number of workers may run, and none remembers anything that counts.

Why no job store: one job per patient cost more than a second for every thousand due, lost
prompts to its misfire grace, and sent everything twice when two processes shared a store.
"""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from queue import SimpleQueue
from typing import Any

import structlog
from apscheduler.executors import pool
from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service import config
from service.accounts import emergency
from service.clock import Clock
from service.config import Settings
from service.delivery import receiving, sending
from service.delivery.facts import MessageFacts
from service.delivery.rechecking import LinkMaker
from service.delivery.settling import close_set_up
from service.domain.sending import INVITATION
from service.domain.vocabulary import Channel, LinkPurpose
from service.enrolling import enrolment, inviting, transfers
from service.filing import imports
from service.health import checks, heads, invariants
from service.intake.texts.clinics import forget_meant, forget_unplaced
from service.intake.texts.receiving import take_text
from service.intake.texts.strangers import forget as forget_strangers
from service.keeping import retention
from service.links import Leads, Links, forget_over
from service.reviewing import drafts, refreshing, staff_notices
from service.scheduling import closing, falling_due, opening, repeating, steps
from service.store import access, chain, counting, heartbeats, holds, months, outbox, repeats, resealing
from service.store.audit import SYSTEM
from service.store.due import Lately
from service.store.guarded import Tally
from service.store.identity import new_id
from service.store.quarantine import describe_error
from service.store.session import gather_statistics, read_session, write_session
from service.store.tables import Invitation
from service.transports.base import OutgoingText, PermanentFailure, TemporaryFailure, Transport

log = structlog.get_logger(__name__)

MAINTAIN_SECONDS = PING_SECONDS = 60
CHECKIN_LINK_LASTS = timedelta(days=1)
CAREGIVER_LINK_LASTS = timedelta(days=7)


class Worker:
    """Ticks. `links` makes the link that belongs in a message."""

    def __init__(
        self,
        engine: Engine,
        clock: Clock,
        transports: Mapping[Channel, Transport],
        links: LinkMaker,
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
        self._begins = True
        self._done: dict[str, Tally] = {}  # what each part came to when it was last done
        self._failed: dict[str, str] = {}  # parts that failed when they were last tried
        self._since_start: dict[str, Tally] = {}
        self._batch_begun: float | None = None  # of the machine's seconds: the clock may be moved meanwhile
        self._lock = threading.Lock()  # two threads note what they did
        self._is_to_stop = False
        self._is_held = True  # until it is known that it is not
        self._resealed_on: date | None = None
        self._steps_wait, self._messages_wait = Lately(engine), Lately(engine)
        self._sender = ThreadPoolExecutor(1, thread_name_prefix="deliver")
        self._sending: Future[None] | None = None

    def tick(self) -> dict[str, Tally]:
        """One pass over everything that is due, one part after the other.

        1. Take in receipts and replies, so that a STOP or an answer is known before anything is sent;
           let go of texts of which nobody has said whom they were for; end emergency accesses whose time has passed.
        2. Open windows; the prompts due with them are enqueued in the same transaction.
        3. Close windows, so that the steps that follow know what was missed.
        4. Take the follow-up steps; raise what the record makes due; tell again of silences that last.
        5. Tell staff what is open.
        6. Deliver what is queued.
        7. Record a heartbeat, with what the parts came to.
        A part that fails is reported there and in the log; the rest go on. While what was restored is held
        (`store.holds`), nothing is opened, closed, asked, told or sent.
        """
        self._do_what_is_due()
        self._deliver()
        self._record_heartbeat()
        return {name: tally for name, tally in self._done.items() if name not in self._failed}

    def tick_without_waiting(self) -> None:
        """A tick that does not wait for providers: they are called beside it, one pass at a time."""
        self._do_what_is_due()
        if self._sending is None or self._sending.done():
            self._sending = self._sender.submit(self._deliver)
        self._record_heartbeat()

    def ping(self) -> None:
        """Tell the watcher outside that all went well; silence is the alarm."""
        if not self._failed and self._batch_seconds() <= checks.HANDED_OVER_WITHIN.total_seconds():
            checks.ping(self._settings.ping_url, self._settings.proxy)

    def maintain(self) -> None:
        """What need not be done every few seconds: seals of the trail, strays of who changed clinics, what is over."""
        self._do("seal", lambda: chain.seal_new(self._engine, self._clock.now()))
        self._do("occurrences", lambda: outbox.forget_over(self._engine, self._clock.now()))
        self._do("gather", lambda: transfers.gather(self._engine, self._clock.now()))
        self._do("forget", self._forget)

    def make_rows(self) -> None:
        """Make the review's rows that wait, until none does: pages show them as they were known before."""
        self._do("refresh", self._make_rows)

    def check_nightly(self) -> None:
        """Once a night: what must hold, worked out anew from what was recorded."""
        self._do("held", self._look_whether_held)
        if self._is_held:  # what is still to be opened and closed would all be found wrong
            return
        now = self._clock.now()
        if self._resealed_on != now.date():
            self._do("months", lambda: months.make_ahead(self._engine) + months.gather_statistics(self._engine))
            self._do("reseal", self._reseal)
        self._do("check", lambda: self._check(now))
        self._do("heads", lambda: self._take_heads(now))

    def _check(self, now: datetime) -> Tally | None:
        """The check, where it is due; and then, once a night as it is, what is over goes."""
        checked = invariants.check_nightly(self._engine, now, self._prepare_check, self._settings.data_dir)
        if checked is not None and self._settings.keep:
            self._do("retain", lambda: retention.apply(self._engine, self._settings.keep, SYSTEM, now))
        return checked

    def _reseal(self) -> Tally:
        """Bring what a previous secret key encrypted to the present one: at the start, and once a day."""
        found = resealing.reseal(self._engine)
        self._resealed_on = self._clock.now().date()
        return Tally(done=found.resealed)

    def _take_heads(self, now: datetime) -> Tally:
        config.ready_folder(self._settings.data_dir)
        taken = heads.take(self._engine, self._settings.data_dir, now)
        for head in taken:
            log.info("audit head", chain=str(head.chain), last=head.last, seal=head.seal)
        mail = self._transports.get(Channel.EMAIL)
        if taken and mail is not None and self._settings.heads_to:
            body = "\n".join(heads.as_lines(taken, now))
            try:
                mail.send(OutgoingText(new_id(), self._settings.heads_to, body, f"audit heads {now:%Y-%m-%d}"))
            except (TemporaryFailure, PermanentFailure) as failure:
                # Tomorrow's say all that today's do: a later head stands on the earlier ones.
                log.warning("audit heads not mailed", error=str(failure))
        return Tally(done=len(taken))

    def _prepare_check(self) -> None:
        self._make_rows()
        gather_statistics(self._engine)

    def _make_rows(self) -> Tally:
        return refreshing.catch_up(self._engine, self._clock.now, lambda: self._is_to_stop)

    def run(self) -> None:
        """Tick until SIGTERM or SIGINT, then finish what is in hand and return."""
        asked = SimpleQueue[int]()  # an event's lock may be held by the very thread that a second signal breaks into

        def stop(number: int, _frame: object) -> None:
            self._is_to_stop = True
            asked.put(number)

        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, stop)
        scheduler = self._metronome()
        log.info("worker started", worker=self.name)
        self.tick_without_waiting()
        scheduler.start()
        asked.get()
        scheduler.shutdown(wait=True)
        self.finish()
        log.info("worker stopped", worker=self.name)

    def finish(self) -> None:
        """Wait for the calls in flight, and record a last heartbeat."""
        self._sender.shutdown(wait=True)
        self._record_heartbeat()

    def _do_what_is_due(self) -> None:
        now = self._clock.now
        if self._begins:  # settings are read once
            self._do("set_up", lambda: close_set_up(self._engine, self._transports, now()))
            self._begins = "set_up" in self._failed  # then it is for the next tick, as every other part is
        self._do("held", self._look_whether_held)
        self._do("listen", lambda: receiving.listen(self._engine, self._transports, self._clock, take_text))
        self._do("unplaced", lambda: forget_unplaced(self._engine, now()))
        self._do("emergency", lambda: emergency.end_those_over(self._engine, now()))
        if self._is_held:
            return
        self._do("open", lambda: opening.open_windows(self._engine, now()))
        self._do("close", lambda: closing.close_windows(self._engine, now()))
        self._do("step", lambda: steps.take_steps(self._engine, now(), since=self._steps_wait.since()))
        self._do("due", lambda: falling_due.raise_due(self._engine, now()))
        self._do("again", lambda: repeating.tell_again(self._engine, now()))
        self._do("tell", lambda: staff_notices.tell_staff(self._engine, now()))

    def _look_whether_held(self) -> None:
        with read_session(self._engine) as session:
            self._is_held = holds.is_held(session)

    def _deliver(self) -> None:
        if self._is_held:
            return
        try:
            self._do(
                "deliver",
                lambda: sending.deliver(
                    self._engine,
                    self._transports,
                    self._links,
                    self._clock,
                    at_once=self._settings.sends_at_once,
                    at=self._note_batch,
                    stopping=lambda: self._is_to_stop,
                    since=self._messages_wait.since(),
                ),
            )
        finally:
            self._batch_begun = None

    def _note_batch(self, boundary: sending.Boundary) -> None:
        if boundary is sending.Boundary.CLAIMED:
            self._batch_begun = time.monotonic()
        elif boundary is sending.Boundary.BEFORE_CLAIM:
            self._batch_begun = None

    def _batch_seconds(self) -> float:
        """For how long the batch in hand has been with its providers."""
        begun = self._batch_begun
        return 0.0 if begun is None else time.monotonic() - begun

    def _forget(self) -> None:
        with write_session(self._engine) as session:
            heartbeats.forget_old(session, self._clock.now())
            forget_over(session, self._clock.now())
            forget_meant(session, self._clock.now())
            forget_strangers(session, self._clock.now())
            access.forget_old(session, self._clock.now(), self._settings.trail_months)
            inviting.close_over(session, self._clock.now())
            imports.forget_files(session, self._clock.now())
            enrolment.forget_drafts(session, self._clock.now())
            drafts.forget(session, self._clock.now())
            repeats.forget(session, self._clock.now())

    def _do(self, name: str, part: Callable[[], Tally | None]) -> None:
        try:
            tally = part()
        except Exception as error:
            with self._lock:
                self._failed[name] = describe_error(error)
            log.exception("part failed", part=name, error=describe_error(error), exc_info=False)
            return
        with self._lock:
            self._failed.pop(name, None)
            if tally is not None:
                self._done[name] = tally
                self._since_start[name] = self._since_start.get(name, Tally()) + tally
        if tally is not None and tally.seen:
            log.info("done", part=name, **tally.as_dict())

    def _record_heartbeat(self) -> None:
        with self._lock:
            parts: dict[str, Any] = {name: tally.as_dict() for name, tally in self._done.items()}
            parts |= {
                "failed": {name: error for name, error in self._failed.items() if name != "heartbeat"},
                "since_start": {name: tally.as_dict() for name, tally in self._since_start.items()},
                "counted": counting.since_start(),
                "batch_seconds": round(self._batch_seconds(), 3),
            }

        def write() -> None:
            with write_session(self._engine) as session:
                heartbeats.record(session, self.name, self._started_at, parts, self._clock.now())

        self._do("heartbeat", write)

    def _metronome(self) -> BackgroundScheduler:
        # One instance of each, missed ticks folded into one: a tick that takes long is followed by one, not by many.
        scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": pool.ThreadPoolExecutor(4)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        scheduler.add_job(self.tick_without_waiting, "interval", seconds=self._settings.tick_seconds, id="tick")
        scheduler.add_job(self.make_rows, "interval", seconds=self._settings.tick_seconds, id="rows")
        scheduler.add_job(self.maintain, "interval", seconds=MAINTAIN_SECONDS, id="maintain")
        scheduler.add_job(self.check_nightly, "interval", seconds=MAINTAIN_SECONDS, id="check")
        if self._settings.ping_url:
            scheduler.add_job(self.ping, "interval", seconds=PING_SECONDS, id="ping")
        return scheduler


def links_for(links: Links) -> LinkMaker:
    """What makes the link of a message: the patient's diary page, the caregiver's page, the clinic's inbox.

    A link outlives the message that carries it: a diary filled in that evening and a
    caregiver's answer some days later are still worth having. A message that is tried
    again carries the same link.
    """

    def link(session: Session, message: MessageFacts, now: datetime) -> str:
        if INVITATION in message.params:
            invitation = session.get_one(Invitation, uuid.UUID(message.params[INVITATION]))
            leads = Leads(LinkPurpose.INVITATION, message.clinic_id, invitation_id=invitation.id)
            return links.make_for(
                message.id, session, leads, now, invitation.until, worded_before=message.worded_before
            )
        if message.window_id is None or message.patient_id is None or message.staff_id is not None:
            return links.inbox
        is_nudge = message.caregiver_id is not None
        leads = Leads(
            LinkPurpose.CAREGIVER if is_nudge else LinkPurpose.CHECKIN,
            message.clinic_id,
            message.patient_id,
            message.caregiver_id,
            message.window_id,
        )
        lasts = CAREGIVER_LINK_LASTS if is_nudge else CHECKIN_LINK_LASTS
        until = message.expires_at + lasts
        return links.make_for(message.id, session, leads, now, until, worded_before=message.worded_before)

    return link
