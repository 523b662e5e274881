"""The trail of who opened what: kept beside the requests, never instead of them.

Promises that no request waits for its line and that none is dropped without a word. Lines wait in a queue
of this process, which a thread writes a second at a time; what does not fit, or fails by itself, is counted, and
the count is a line of its own, an error in the log and a number in `neaptide doctor` and the metrics. While the
database is away they wait. A stop signal writes what is left. A process that is killed outright loses the last
second, and of what it gathers the minute.

A flood fills no table: what was turned away, what a machine's key writes and what a link opens is a line when it
begins and one after each minute that says how often it came again; beyond so many addresses in one minute the rest
are one.

Lines are only added, and taken away when their time is over. They hold ids: no name, no value, no browser.

They are not chained as audit lines are: every process writes its own without asking the others, a place in a chain
would be a second write for each page that somebody opens, and a seal on each line alone would not tell that one was
taken out. Where the database keeps the roles apart, nobody but its owner changes one, or takes a younger one away.
"""

from __future__ import annotations

import threading
import uuid
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import structlog
from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session

from service.domain.frozen import dataclass
from service.domain.vocabulary import ActorKind, Answered, Opened
from service.store.audit import SYSTEM, Actor
from service.store.guarded import guarded
from service.store.identity import new_id
from service.store.session import Where, is_away, write_connection
from service.store.tables import AccessLine, Clinic
from service.store.troubles import told, trouble_of
from service.store.upsert import insert_rows
from service.store.wall import Gate, through

log = structlog.get_logger(__name__)

MOST_WAITING = 10_000  # lines: some minutes of a large hospital; a few megabytes
MOST_PLACES = 100  # addresses and routes that turn-aways of one minute are told apart by
PORTION = 1000
EVERY_SECONDS = 1.0
STOPS_WITHIN = 10.0
MONTH = timedelta(days=30.44)
LETTING_IN = {Answered.SHOWN, Answered.CHANGED}
BY_LINK = {ActorKind.PATIENT, ActorKind.CAREGIVER}


@dataclass(frozen=True, slots=True)
class Access:
    """One request, as the trail tells it. `actor` is None for nobody that is known."""

    at: datetime
    opened: Opened
    answered: Answered
    route: str = ""
    address: str = ""
    clinic_id: uuid.UUID | None = None
    actor: Actor | None = None
    session_id: uuid.UUID | None = None
    patient_id: uuid.UUID | None = None
    patients: int = 0

    @property
    def is_gathered(self) -> bool:
        """Whether more of its kind within the minute are counted rather than told one by one."""
        if self.answered not in LETTING_IN:
            return True
        kind = self.actor.kind if self.actor else None
        return kind in BY_LINK or (kind is ActorKind.KEY and self.answered is Answered.CHANGED)

    @property
    def of_run(self) -> Access:
        """The line that stands for those that came again: but for a link, not told apart by patients."""
        kind = self.actor.kind if self.actor else None
        tells_of_nobody = self.patient_id is None and not self.patients
        return self if kind in BY_LINK or tells_of_nobody else replace(self, patient_id=None, patients=0)

    def like(self) -> tuple[Any, ...]:
        """All but the moment: what makes two the same line."""
        who = (self.clinic_id, self.actor, self.session_id, self.address)
        return (*who, self.opened, self.answered, self.route, self.patient_id, self.patients)


Line = tuple[Access, int]  # and how often


class Trail:
    """The queue of one process. Nothing is written by itself before `start`."""

    def __init__(self, engine: Engine, now: Callable[[], datetime]) -> None:
        self._engine = engine
        self._now = now
        self._lock = threading.Lock()
        self._waiting: deque[Line] = deque()
        # Of this minute: the first of a kind, and how often since; of who is known, and of strangers.
        self._again: dict[tuple[Any, ...], Line] = {}
        self._strangers: dict[tuple[Any, ...], Line] = {}
        self._lost: Counter[uuid.UUID | None] = Counter()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def note(self, access: Access) -> None:
        """Keep a line for the writer; takes no time and raises nothing."""
        with self._lock:
            if access.is_gathered:
                first = self._first_of_minute(access)
                if first is None:
                    return
                access = first
            self._wait([(access, 1)])

    def write_at_once(self, access: Access) -> None:
        """For what leaves the house: the line before the answer. Raises what a writer meets."""
        with through(Gate.TRAIL), write_connection(self._engine) as connection:
            _write(connection, [(access, 1)])

    def start(self) -> None:
        """Begin to write; in the process that serves, after any fork."""
        self._thread = threading.Thread(target=self._run, name="access trail", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Write what is left, and no more after that."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(STOPS_WITHIN)
        self.write_waiting(whole=True)
        left = len(self._waiting) + self._lost.total()
        if left:
            log.error("lines of the access trail were never written", lines=left)

    def write_waiting(self, *, whole: bool = False) -> None:
        """Write what waits; with `whole`, also what of this minute is still being gathered. Raises nothing."""
        lines = self._take(whole)
        for first in range(0, len(lines), PORTION):
            try:
                self._write_portion(lines[first : first + PORTION])
            except Exception as error:
                self._keep(lines[first:], error)
                return

    def _run(self) -> None:
        while not self._stop.wait(EVERY_SECONDS):
            self.write_waiting()

    def _write_portion(self, lines: Sequence[Line]) -> None:
        with through(Gate.TRAIL):
            written = guarded(
                self._engine,
                lines,
                kind="access line",
                whole=lambda session: _write(session, lines),
                alone=lambda session, line: _write(session, [line]),
            )
        if written.failed:
            with self._lock:
                self._lose([line for line, _ in written.failed])

    def _keep(self, lines: Sequence[Line], error: Exception) -> None:
        """Put back what could not be written, until the database is there again."""
        log.error("the access trail waits", lines=len(lines), error=told(error) or type(error).__name__)
        with self._lock:
            if is_away(error) or trouble_of(error):
                self._waiting.extendleft(reversed(lines))
            else:
                self._lose(lines)

    def _wait(self, lines: Sequence[Line]) -> None:
        if len(self._waiting) + len(lines) > MOST_WAITING:
            self._lose(lines)
        else:
            self._waiting.extend(lines)

    def _lose(self, lines: Iterable[Line]) -> None:
        if not self._lost:
            log.error("lines of the access trail are being lost; how many is written when it can be")
        for access, times in lines:
            self._lost[access.clinic_id] += times

    def _first_of_minute(self, access: Access) -> Access | None:
        """The line that begins a run of such requests, or None where there is one."""
        minute = access.at.replace(second=0, microsecond=0)
        if access.answered is Answered.CHANGED:
            access = access.of_run  # whose record it was stands in the audit trail
        kind = (minute, *access.of_run.like())
        runs = self._strangers if access.actor is None else self._again
        if runs is self._strangers and kind not in runs and len(runs) >= MOST_PLACES:
            access = replace(access, address="", route="", patient_id=None)
            kind = (minute, *access.like())
        if kind in runs:
            first, times = runs[kind]
            runs[kind] = (first, times + 1)
            return None
        runs[kind] = (access, 0)
        return access

    def _take(self, whole: bool) -> list[Line]:
        now = self._now()
        minute = now.replace(second=0, microsecond=0)
        with self._lock:
            for runs in (self._again, self._strangers):
                for kind in [one for one in runs if whole or one[0] != minute]:
                    first, times = runs.pop(kind)
                    if times:
                        self._wait([(first.of_run, times)])
            for clinic_id, number in self._lost.items():
                gone = Access(now, Opened.LOST, Answered.UNKNOWN, actor=SYSTEM, clinic_id=clinic_id)
                self._waiting.append((gone, number))
            self._lost.clear()
            lines = list(self._waiting)
            self._waiting.clear()
        return _folded(lines)


def _folded(lines: Iterable[Line]) -> list[Line]:
    """The same thing asked for several times within one writing is one line."""
    found: dict[tuple[Any, ...], Line] = {}
    for access, times in lines:
        like = access.like()
        first, before = found.get(like, (access, 0))
        found[like] = (first, before + times)
    return list(found.values())


def _write(where: Where, lines: Sequence[Line]) -> None:
    insert_rows(where, AccessLine.__table__, list(_rows(lines)))


def _rows(lines: Iterable[Line]) -> Iterator[dict[str, Any]]:
    for access, times in lines:
        yield {
            "id": new_id(),
            "clinic_id": access.clinic_id,
            "at": access.at,
            "actor_kind": access.actor.kind if access.actor else None,
            "actor_id": access.actor.id if access.actor else None,
            "session_id": access.session_id,
            "address": access.address[:60],
            "route": access.route[:80],
            "opened": access.opened,
            "answered": access.answered,
            "patient_id": access.patient_id,
            "patients": access.patients,
            "times": times,
        }


def write_now(where: Where, access: Access) -> None:
    """Write a line within a transaction that somebody else began."""
    _write(where, [(access, 1)])


def lost_since(session: Session, since: datetime) -> int:
    """How many lines could not be kept."""
    lost = select(func.coalesce(func.sum(AccessLine.times), 0))
    return session.scalar(lost.where(AccessLine.opened == Opened.LOST, AccessLine.at >= since)) or 0


def forget_old(session: Session, now: datetime, months: int) -> None:
    """Take away some thousand lines that are older than so many months; whoever calls comes again."""
    before = now - months * MONTH
    for clinic_id in [*session.scalars(select(Clinic.id)), None]:
        its = (AccessLine.clinic_id == clinic_id) & (AccessLine.at < before)
        old = select(AccessLine.id).where(its).order_by(AccessLine.at).limit(PORTION)
        session.execute(delete(AccessLine).where(AccessLine.id.in_(old)))
