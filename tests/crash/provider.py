"""A provider with moods that looks at every message it is handed, and notes what should not have come.

It takes a message once however often it is handed over, as providers that honour the
key do, and counts how often that was. Its lists of receipts and replies only grow.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from enum import StrEnum

from sqlalchemy import Engine

from service.clock import FixedClock
from service.domain.vocabulary import MessageKind
from service.store.session import read_session
from service.store.tables import Message, Task, Window
from service.transports.base import OutgoingText, PermanentFailure, Receipt, TemporaryFailure, TextReply

Heard = Callable[[str, str], None]
Judge = Callable[[Message, Window | None, Task | None], list[str]]


class Mood(StrEnum):
    """What the provider does with a message."""

    WELL = "well"
    BUSY = "busy"  # refuses for now
    UNKNOWN = "unknown"  # refuses for good
    TIME_OUT = "time_out"  # takes it, and does not say so in time
    LATE = "late"  # takes it, and answers when the lease is over
    SHARED = "shared"  # another worker passes by while it answers late
    TWICE = "twice"
    LOST = "lost"  # takes it; says later that it did not arrive
    CONTRADICTS = "contradicts"
    SILENT = "silent"
    LATE_RECEIPT = "late_receipt"


RECEIPTS: dict[Mood, tuple[str, ...]] = {
    Mood.TWICE: ("delivered", "delivered"),
    Mood.LOST: ("failed", "failed"),
    Mood.CONTRADICTS: ("failed", "delivered", "failed"),
    Mood.SILENT: (),
    Mood.LATE_RECEIPT: (),
}


@dataclass
class Provider:
    """See the module. `judge` says what is wrong with a message's coming now; `heard` is told what is passed on."""

    engine: Engine
    clock: FixedClock
    judge: Judge
    heard: Heard
    another_passes: Callable[[], None]
    moods: list[Mood] = field(default_factory=list)  # for the next messages; then it is well
    taken: Counter[uuid.UUID] = field(default_factory=Counter)
    unanswered: Counter[uuid.UUID] = field(default_factory=Counter)
    occurrences: dict[tuple[object, ...], set[uuid.UUID]] = field(default_factory=lambda: defaultdict(set))
    wrong: list[str] = field(default_factory=list)
    said: list[TextReply] = field(default_factory=list)
    _receipts: list[Receipt] = field(default_factory=list)
    _late: list[uuid.UUID] = field(default_factory=list)
    _is_shared: bool = False

    def send(self, text: OutgoingText) -> str:
        with read_session(self.engine) as session:
            message = session.get_one(Message, text.message_id)
            window = session.get(Window, message.window_id) if message.window_id else None
            task = session.get(Task, message.task_id) if message.task_id else None
        self.wrong += self.judge(message, window, task)
        mood = self.moods.pop(0) if self.moods else Mood.WELL
        if mood is Mood.BUSY:
            raise TemporaryFailure("busy")
        if mood is Mood.UNKNOWN:
            raise PermanentFailure("nobody there")
        self._take(message, text.to, mood)
        if mood in {Mood.LATE, Mood.SHARED}:
            self.clock.advance(timedelta(minutes=3))
        if mood is Mood.SHARED and not self._is_shared:
            self._is_shared = True
            self.another_passes()
            self._is_shared = False
        if mood is Mood.TIME_OUT:
            self.unanswered[message.id] += 1
            raise TemporaryFailure("no answer in time")
        return f"ref-{message.id}"

    def _take(self, message: Message, to: str, mood: Mood) -> None:
        self.taken[message.id] += 1
        # What a person would call the same message, whatever key it carries.
        if message.step_id is not None:
            same: tuple[object, ...] = (message.kind, message.step_id, to)
            self.occurrences[same].add(message.id)
        if message.kind in {MessageKind.PROMPT, MessageKind.REMINDER}:
            self.occurrences[message.kind, message.window_id, to].add(message.id)
        if self.taken[message.id] == 1:
            outcomes = RECEIPTS.get(mood, ("delivered",))
            self._receipts += [Receipt(message.id, outcome, self.clock.now()) for outcome in outcomes]
            if mood is Mood.LATE_RECEIPT:
                self._late.append(message.id)

    def lets_late_receipts_come(self) -> None:
        """In another order than the messages went."""
        self._receipts += [Receipt(one, "delivered", self.clock.now()) for one in reversed(self._late)]
        self._late.clear()

    def repeats_receipts(self) -> None:
        """All of them again, the newest first."""
        self._receipts += list(reversed(self._receipts[-20:]))

    def text(self, sender: str, body: str) -> None:
        self.said.append(TextReply(f"in-{len(self.said)}", sender, body, self.clock.now()))

    def receipts(self, after: int, most: int = 500) -> list[tuple[int, Receipt]]:
        return list(enumerate(self._receipts, 1))[after : after + most]

    def inbound(self, after: int, most: int = 500) -> list[tuple[int, TextReply]]:
        passed_on = list(enumerate(self.said, 1))[after : after + most]
        # What was passed on to a worker that lost power is passed on again, and counts from then.
        for _, text in passed_on:
            self.heard(text.sender, text.body)
        return passed_on
