"""What delivery asks of a provider, and the two ways it may say no."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol, runtime_checkable


class TemporaryFailure(Exception):
    """Not now: time-out, overload, no line. The message is tried again later."""


class PermanentFailure(Exception):
    """Never to this address: unknown number, full opt-out at the carrier. Nothing is tried again there."""


@dataclass(frozen=True)
class OutgoingText:
    """A message ready to hand over. `message_id` is the idempotency key at the provider."""

    message_id: uuid.UUID
    to: str
    body: str
    subject: str = ""
    secret: Mapping[str, Any] = field(default_factory=dict)  # a push subscription's keys


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
class InboundText:
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


@runtime_checkable
class Listens(Protocol):
    """A transport that is asked for receipts and replies, rather than called back."""

    def receipts(self, after: int, most: int = 500) -> tuple[int, Sequence[Receipt]]:
        """Receipts noted after a position, and the position to ask from next time."""
        ...

    def inbound(self, after: int, most: int = 500) -> tuple[int, Sequence[InboundText]]:
        """Replies noted after a position, and the position to ask from next time."""
        ...
