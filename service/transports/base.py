"""What delivery asks of a provider, and the two ways it may say no."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Protocol, runtime_checkable

# No call may take longer: a claim's lease is reckoned by it.
LONGEST_CALL = timedelta(seconds=30)


class TemporaryFailure(Exception):
    """Not now: time-out, overload, no line. The message is tried again later, after `wait` where one was asked for."""

    def __init__(self, why: str, wait: timedelta | None = None) -> None:
        self.wait = wait
        super().__init__(why)


class PermanentFailure(Exception):
    """Never to this address: unknown number, full opt-out at the carrier. Nothing is tried again there."""


class Gone(PermanentFailure):
    """The recipient's own side ended it, as a browser ends a push subscription: there is nothing to mend."""


@dataclass(frozen=True)
class OutgoingText:
    """A message ready to hand over. `message_id` is the idempotency key at the provider."""

    message_id: uuid.UUID
    to: str
    body: str
    subject: str = ""
    secret: Mapping[str, Any] = field(default_factory=dict)  # a push subscription's keys
    lasts_until: datetime | None = None  # after this it would mislead: a provider that can is told to drop it
    link: str = ""  # what a notice opens when it is tapped; in a text it stands in the body


@dataclass(frozen=True)
class Receipt:
    """What a provider says later about a message: `delivered` or `failed`. May come late, twice, out of order.

    `message_id` is our own key, given back: a receipt can overtake the answer to the
    hand-over, when the provider's reference is not yet known here.
    """

    message_id: uuid.UUID
    outcome: str
    at: datetime
    detail: str = ""


@dataclass(frozen=True)
class TextReply:
    """A text message from a person, as the provider names it."""

    gateway_ref: str
    sender: str
    body: str
    at: datetime


class Transport(Protocol):
    """Hands a message to a provider and returns the provider's own reference for it.

    Raises TemporaryFailure or PermanentFailure. Must come back within its time-out,
    and must let the same message id through once only, as far as the provider can.
    """

    def send(self, text: OutgoingText) -> str: ...


def hears_replies(transport: Transport) -> bool:
    """Whether what people write back reaches us: fetched by us, or called in by the provider (`is_called_back`)."""
    return isinstance(transport, Listens) or bool(getattr(transport, "is_called_back", False))


@runtime_checkable
class Listens(Protocol):
    """A transport that is asked for receipts and replies, rather than called back."""

    def receipts(self, after: int, most: int = 500) -> Sequence[tuple[int, Receipt]]:
        """(place, receipt) for those noted after a place, in the order of their places."""
        ...

    def inbound(self, after: int, most: int = 500) -> Sequence[tuple[int, TextReply]]:
        """(place, reply) for those noted after a place, in the order of their places."""
        ...
