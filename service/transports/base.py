"""What delivery asks of a provider, and the two ways it may say no."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Protocol, runtime_checkable

from service.domain.vocabulary import Channel

# No call may take longer: a claim's lease is reckoned by it.
LONGEST_CALL = timedelta(seconds=30)
# Outside the demo nothing is pretended: no provider, no channel, and this said wherever somebody looks.
NOT_SET_UP = {
    Channel.TEXT: "no text gateway is set up",
    Channel.EMAIL: "no mail server is set up",
    Channel.WEBPUSH: "no key for notices on phones is set up",
}


class TemporaryFailure(Exception):
    """Not now: time-out, overload, no line. The message is tried again later, after `wait` where one was asked for."""

    def __init__(self, why: str, wait: timedelta | None = None) -> None:
        self.wait = wait
        super().__init__(why)


class Unclear(TemporaryFailure):
    """The provider may have taken it, and would take it a second time: another try could be a second message."""


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
    line: str = ""  # what it is to be sent from, where the clinic has a number of its own or a name for one


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
class ReferredReceipt:
    """A receipt of a provider that names a message by its own reference alone."""

    reference: str
    outcome: str
    at: datetime
    detail: str = ""


@dataclass(frozen=True)
class TextReply:
    """A text message from a person, as the provider names it. `line` is what was written to, where that is told."""

    gateway_ref: str
    sender: str
    body: str
    at: datetime
    line: str = ""


class Transport(Protocol):
    """Hands a message to a provider and returns the provider's own reference for it.

    Raises TemporaryFailure or PermanentFailure. Must come back within its time-out,
    and must let the same message id through once only, as far as the provider can.
    """

    def send(self, text: OutgoingText) -> str: ...


def hears_replies(transport: Transport) -> bool:
    """Whether what people write back reaches us: fetched by us, or called in by the provider (`is_called_back`)."""
    return isinstance(transport, Listens) or bool(getattr(transport, "is_called_back", False))


def hears_receipts(transport: Transport) -> bool:
    """Whether a provider says later what became of a message."""
    return isinstance(transport, Listens) or bool(getattr(transport, "tells_receipts", False))


@runtime_checkable
class Listens(Protocol):
    """A transport that is asked for receipts and replies, rather than called back."""

    def receipts(self, after: int, most: int = 500) -> Sequence[tuple[int, Receipt]]:
        """(place, receipt) for those noted after a place, in the order of their places."""
        ...

    def inbound(self, after: int, most: int = 500) -> Sequence[tuple[int, TextReply]]:
        """(place, reply) for those noted after a place, in the order of their places."""
        ...


@runtime_checkable
class Remembers(Protocol):
    """A transport that keeps on this machine what it handed over."""

    def forget(self, addresses: Collection[str]) -> None:
        """Let go of all that was sent to these addresses or came from them."""
        ...


def forget(transports: Mapping[Channel, Transport], addresses: Collection[str]) -> None:
    """Have whoever keeps anything of these addresses here let go of it."""
    for transport in transports.values():
        if isinstance(transport, Remembers):
            transport.forget(addresses)
