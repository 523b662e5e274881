"""A simulated week at the outbox: seeded mishaps, and a witness who writes down every hand-over.

Power cuts at any boundary, a gateway that fails, times out, contradicts itself; clocks
that jump; consent withdrawn and given; a second worker in the middle of the first
one's pass. `check` says what must hold afterwards. More runs than a test has time for:
`python -m tests.crash.simulation 2000`.
"""

from __future__ import annotations

import random
import sys
import tempfile
import threading
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, select, text

from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, MessageState
from service.store import migrate
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Base, Message
from service.transports.base import OutgoingText, PermanentFailure, Receipt, TemporaryFailure
from tests.post import CAREGIVER_PHONE, PATIENT_PHONE, SECOND_PHONE, Post

LONDON = ZoneInfo("Europe/London")
OUTSIDE_TRANSACTIONS = [Boundary.BEFORE_CLAIM, Boundary.CLAIMED, Boundary.STAMPED, Boundary.HANDED_OVER]
FINAL = set(MessageState) - {MessageState.QUEUED, MessageState.CLAIMED, MessageState.HANDING_OVER}
TRIED_ONCE_MORE = {MessageKind.NUDGE, MessageKind.STAFF_TASK, MessageKind.DIGEST}


class PowerCut(BaseException):
    """Nothing catches this: the process is gone."""


@dataclass
class Witness:
    """A gateway that writes down what it was given, when, and whether consent stood."""

    chance: random.Random
    now: Callable[[], datetime]
    agreed: dict[str, bool]
    taken: Counter[uuid.UUID] = field(default_factory=Counter)
    timed_out: Counter[uuid.UUID] = field(default_factory=Counter)
    handed_over: list[tuple[uuid.UUID, str, datetime, bool]] = field(default_factory=list)
    waiting: list[Receipt] = field(default_factory=list)
    given: list[tuple[int, Receipt]] = field(default_factory=list)
    trouble: float = 0.3
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def send(self, text: OutgoingText) -> str:
        with self._lock:
            self.handed_over.append((text.message_id, text.to, self.now(), self.agreed[text.to]))
            dice = self.chance.random()
            if dice < self.trouble / 3:
                raise TemporaryFailure("busy")
            if dice < self.trouble / 2 and text.to == PATIENT_PHONE:
                raise PermanentFailure("unknown")
            self.taken[text.message_id] += 1
            for outcome in self.chance.choice([("delivered",), ("delivered",) * 2, (), ("failed", "delivered")]):
                self.waiting.append(Receipt(text.message_id, outcome, self.now()))
            if dice < self.trouble:
                self.timed_out[text.message_id] += 1
                raise TemporaryFailure("time-out")
        return f"ref-{text.message_id}"

    def receipts(self, after: int, most: int = 500) -> list[tuple[int, Receipt]]:
        self.chance.shuffle(self.waiting)
        while self.waiting and self.chance.random() < 0.7:
            self.given.append((len(self.given) + 1, self.waiting.pop()))
        return [one for one in self.given if one[0] > after][:most]

    def inbound(self, after: int, most: int = 500) -> list[tuple[int, object]]:
        return []


@dataclass
class Run:
    """What was written, and what the witness saw."""

    post: Post
    witness: Witness
    written: set[uuid.UUID]
    cuts: int


def run(engine: Engine, path: Path, seed: int) -> Run:
    """One seeded run, drained at the end until nothing is due any more."""
    chance = random.Random(seed)
    post = Post(engine, path)
    agreed = {PATIENT_PHONE: True, SECOND_PHONE: True, CAREGIVER_PHONE: True}
    witness = Witness(random.Random(seed + 1), post.clock.now, agreed)
    post.transports = {Channel.TEXT: witness}
    told = Run(post, witness, set(), 0)
    for _ in range(14):
        _mishap(told, chance)
        told.cuts += _pass(told, chance)
        if chance.random() < 0.4:
            post.listen()
    witness.trouble = 0.0
    for _ in range(8):
        post.clock.advance(timedelta(hours=6))
        post.deliver()
        post.listen()
    return told


def _mishap(told: Run, chance: random.Random) -> None:
    post, witness = told.post, told.witness
    for _ in range(chance.randrange(3)):
        kind = chance.choice([MessageKind.PROMPT, MessageKind.REMINDER, MessageKind.NUDGE])
        to = CAREGIVER_PHONE if kind is MessageKind.NUDGE else PATIENT_PHONE
        told.written.add(post.write(kind, to=to, lasts=timedelta(minutes=chance.choice([4, 30, 200, 1200]))))
    match chance.randrange(8):
        case 0:
            post.clock.advance(chance.choice([timedelta(hours=1), -timedelta(hours=1), -timedelta(minutes=7)]))
        case 1:
            given = chance.random() < 0.5
            with write_session(post.engine) as session:
                post.consent(session, ConsentKind.MESSAGES, given)
            witness.agreed[PATIENT_PHONE] = witness.agreed[SECOND_PHONE] = given
        case 2:
            given = chance.random() < 0.5
            with write_session(post.engine) as session:
                post.consent(session, ConsentKind.CAREGIVER, given, post.caregiver)
            witness.agreed[CAREGIVER_PHONE] = given
        case 3:
            post.clock.advance(timedelta(hours=chance.choice([2, 5, 9])))
        case _:
            post.clock.advance(timedelta(seconds=chance.randrange(1, 200)))


def _pass(told: Run, chance: random.Random) -> int:
    """A worker's pass: cut off somewhere, joined by a second worker somewhere, or neither."""
    cut_at = chance.choice(list(Boundary)) if chance.random() < 0.5 else None
    joined_at = chance.choice(OUTSIDE_TRANSACTIONS) if chance.random() < 0.3 else None
    seen: set[Boundary] = set()

    def at(boundary: Boundary) -> None:
        if boundary is joined_at and boundary not in seen:
            seen.add(boundary)
            told.post.clock.advance(timedelta(seconds=chance.choice([0, 5, 130])))
            told.post.deliver(at_once=1)
        if boundary is cut_at:
            raise PowerCut

    try:
        told.post.deliver(at=at, at_once=chance.choice([1, 4]))
    except PowerCut:
        return 1
    return 0


def check(told: Run) -> None:
    """What must hold, whatever happened."""
    post, witness = told.post, told.witness
    with read_session(post.engine) as session:
        messages = {
            one.id: one for one in session.scalars(select(Message).where(Message.patient_id == post.patient.id))
        }
    assert told.written <= messages.keys()
    for one in messages.values():
        assert one.state in FINAL, f"lost: {one.kind} is {one.state}"
        assert one.reason or one.state in {MessageState.SENT, MessageState.DELIVERED}, "an end without a reason"
        if one.state in {MessageState.SENT, MessageState.DELIVERED}:
            assert witness.taken[one.id], "said to be sent, and never was"
    for message_id, to, at, agreed in witness.handed_over:
        one = messages[message_id]
        assert at < one.expires_at, "handed over after its expiry"
        assert agreed, "handed over after consent was withdrawn"
        if one.kind is MessageKind.NUDGE:
            # The clinic's quiet hours as enrolled: 21:00 to 08:00.
            assert 8 <= at.astimezone(LONDON).hour < 21, f"a nudge to {to} in quiet hours"
    for message_id, times in witness.taken.items():
        # A provider that did not answer in time is asked again; a crash is followed by one more try of some kinds.
        allowed = 1 + witness.timed_out[message_id] + (messages[message_id].kind in TRIED_ONCE_MORE)
        assert times <= allowed, f"{messages[message_id].kind} handed over {times} times"
    occurrences = Counter((one.dedupe_key.split(">")[0], one.contact_id) for one in messages.values())
    assert set(occurrences.values()) <= {1}, "one occurrence under two keys at one address"


def main(runs: int) -> None:
    """So many runs, each in the same database, and what they came to."""
    cuts = messages = hand_overs = 0
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        engine = open_engine(f"sqlite:///{folder}/simulation.sqlite3")
        migrate.upgrade(engine)
        for seed in range(runs):
            told = run(engine, Path(folder) / "unused.sqlite3", seed)
            check(told)
            cuts += told.cuts
            messages += len(told.written)
            hand_overs += len(told.witness.handed_over)
            _forget(engine)
        engine.dispose()
    print(f"{runs} runs, {messages} messages, {hand_overs} hand-overs, {cuts} power cuts: all held")


def _forget(engine: Engine) -> None:
    with write_session(engine) as session:
        if engine.dialect.name == "sqlite":
            session.execute(text("PRAGMA defer_foreign_keys=ON"))
        for table in reversed(Base.metadata.sorted_tables):
            session.execute(table.delete())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
