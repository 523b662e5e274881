"""Whether a message may leave now, and what becomes of it when it may not.

The recheck at the last moment, quiet hours, several messages to one person at once, what
a receipt says, and how long to wait after a failure.

Promises that a message which is no longer wanted, agreed to or true is stopped with a
named reason; that nobody is disturbed in their quiet hours by something that can wait
(a notice to staff of a possible emergency cannot); and that what is left out because
another message says it too is always carried by one that is sent. Does not send.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.domain.localtime import first_instant, local_date
from service.domain.plan import WindowFacts, is_answered, missing
from service.domain.vocabulary import MessageKind, MessageState

# Told to a person who has just written to us: an answer, not a disturbance.
ANSWERS = frozenset(
    {
        MessageKind.SAFETY,
        MessageKind.CALL_CLINIC,
        MessageKind.REPLY,
        MessageKind.STOPPED,
        MessageKind.STARTED,
        MessageKind.HELP,
        MessageKind.STRANGER,
    }
)
# Staff have just asked for it, with the person beside them.
AT_ONCE = frozenset({MessageKind.TEST})
# The one message that confirms a withdrawal, and what a person in danger or in doubt has asked for.
NEEDS_NO_CONSENT = frozenset(
    {
        MessageKind.SAFETY,
        MessageKind.CALL_CLINIC,
        MessageKind.STOPPED,
        MessageKind.HELP,
        MessageKind.STRANGER,
    }
)
# Asked at the hour the patient agreed with the clinic: their own plan's window, even where it begins
# at seven and quiet hours end at eight. Quiet hours are for everything that nobody has asked for, and
# for a window of the place the patient has moved away from: its seven may be five where they are now.
AT_AGREED_HOURS = frozenset({MessageKind.PROMPT, MessageKind.REMINDER})
TO_STAFF = frozenset({MessageKind.STAFF_TASK, MessageKind.DIGEST})
INVITATION = "invitation"  # among the params of what goes to somebody who is only invited: the invitation's id
CANNOT_WAIT = "cannot_wait"  # among a notice's params: somebody may be in danger
# They say whom to call, to somebody who has written of what may not wait: one that does not arrive is told.
TO_CALL = frozenset({MessageKind.SAFETY, MessageKind.CALL_CLINIC})
ALARMS = "alarms"  # among the params of an answer to a stranger: it is one of these too
# Worth one more try when nobody knows whether it left: told twice is better than not told.
TRY_AGAIN_WHEN_UNCERTAIN = frozenset({MessageKind.NUDGE, MessageKind.STAFF_TASK, MessageKind.DIGEST, *TO_CALL})

# Handed over, as far as is known, and not heard of since. A receipt can overtake its own hand-over's settling.
IN_FLIGHT = frozenset({MessageState.HANDING_OVER, MessageState.SENT, MessageState.UNCERTAIN})

FIRST_WAIT = timedelta(seconds=30)
LONGEST_WAIT = timedelta(minutes=15)


class SendAction(StrEnum):
    GO = "go"
    CANCEL = "cancel"
    EXPIRE = "expire"
    DEFER = "defer"
    REROUTE = "reroute"  # not by this contact: the next one takes over


class SendReason(StrEnum):
    """Why a message did not leave. Stored with it; staff read it."""

    WANTED = "wanted"
    EXPIRED = "expired"
    PATIENT_ENDED = "patient_ended"
    CONSENT_WITHDRAWN = "consent_withdrawn"
    CONSENT_IN_DOUBT = "consent_in_doubt"  # it is not found as it was written: whether they agree is not known
    CONTACT_BROKEN = "contact_broken"
    ANSWERED = "answered"
    EXCUSED = "excused"
    ACKNOWLEDGED = "acknowledged"
    QUIET_HOURS = "quiet_hours"
    ACCOUNT_CLOSED = "account_closed"
    TASK_TAKEN = "task_taken"
    CHANNEL_NOT_SET_UP = "channel_not_set_up"


@dataclass(frozen=True)
class LastLook:
    """What is true of a message the moment before it is handed over.

    `zone` is the recipient's; quiet hours are the clinic's wall times in it. `window_zone` is
    the one in which the window's hours were agreed; None where it is the recipient's.
    """

    kind: MessageKind
    expires_at: datetime
    zone: ZoneInfo
    quiet_from: time
    quiet_until: time
    is_looked_after: bool = True
    agreed: bool = True
    doubted: uuid.UUID | None = None  # the consent that counts, where that is not found as it was written
    contact_works: bool = True
    channel_is_set_up: bool = True
    account_open: bool = True
    task_is_open: bool = True
    cannot_wait: bool = False  # somebody may be in danger: whoever is on call is woken
    acknowledged: bool = False
    window: WindowFacts | None = None
    window_zone: ZoneInfo | None = None


@dataclass(frozen=True)
class Verdict:
    action: SendAction
    why: SendReason
    until: datetime | None = None


def recheck(facts: LastLook, now: datetime) -> Verdict:
    """Whether this message may leave at `now` (UTC), and if not, why not."""
    if facts.expires_at <= now:
        return Verdict(SendAction.EXPIRE, SendReason.EXPIRED)
    if facts.kind in TO_STAFF and not facts.account_open:
        return Verdict(SendAction.CANCEL, SendReason.ACCOUNT_CLOSED)
    if facts.kind is MessageKind.STAFF_TASK and not facts.task_is_open:
        return Verdict(SendAction.CANCEL, SendReason.TASK_TAKEN)
    if facts.kind not in TO_STAFF | ANSWERS and not facts.is_looked_after:
        return Verdict(SendAction.CANCEL, SendReason.PATIENT_ENDED)
    if facts.kind not in TO_STAFF | NEEDS_NO_CONSENT and facts.doubted is not None:
        return Verdict(SendAction.CANCEL, SendReason.CONSENT_IN_DOUBT)
    if facts.kind not in TO_STAFF | NEEDS_NO_CONSENT and not facts.agreed:
        return Verdict(SendAction.CANCEL, SendReason.CONSENT_WITHDRAWN)
    if no_longer := _no_longer_wanted(facts):
        return Verdict(SendAction.CANCEL, no_longer)
    if not facts.contact_works:
        return Verdict(SendAction.REROUTE, SendReason.CONTACT_BROKEN)
    if not facts.channel_is_set_up:
        return Verdict(SendAction.REROUTE, SendReason.CHANNEL_NOT_SET_UP)
    at_any_hour = facts.cannot_wait or facts.kind in ANSWERS | AT_ONCE or _is_at_agreed_hours(facts, now)
    quiet = None if at_any_hour else quiet_end(facts, now)
    if quiet is None:
        return Verdict(SendAction.GO, SendReason.WANTED)
    if quiet >= facts.expires_at:
        return Verdict(SendAction.EXPIRE, SendReason.EXPIRED)
    return Verdict(SendAction.DEFER, SendReason.QUIET_HOURS, quiet)


def _is_at_agreed_hours(facts: LastLook, now: datetime) -> bool:
    if facts.kind not in AT_AGREED_HOURS:
        return False
    agreed_in = facts.window_zone or facts.zone
    return now.astimezone(agreed_in).utcoffset() == now.astimezone(facts.zone).utcoffset()


def quiet_end(facts: LastLook, now: datetime) -> datetime | None:
    """When the recipient's quiet hours end, if `now` lies in them. They may span midnight."""
    start, end = facts.quiet_from, facts.quiet_until
    if start == end:
        return None
    wall = now.astimezone(facts.zone).time()
    is_quiet = start <= wall < end if start < end else wall >= start or wall < end
    if not is_quiet:
        return None
    today = local_date(now, facts.zone)
    ends = first_instant(today, end, facts.zone)
    return ends if ends > now else first_instant(today + timedelta(days=1), end, facts.zone)


def after_receipt(state: MessageState, handed_over: bool, outcome: str) -> MessageState | None:
    """Where a provider's word about a message moves it; None when nowhere, and so never backwards.

    That it arrived is the last word, even after a report that it had not, or when it
    had been given up here. That it did not arrive counts only while nothing else is known.
    """
    if outcome == "delivered":
        return MessageState.DELIVERED if handed_over and state is not MessageState.DELIVERED else None
    return MessageState.FAILED if state in IN_FLIGHT else None


def wait(attempts: int, jitter: float) -> timedelta:
    """How long to wait after the `attempts`-th failure: doubling, capped, spread by `jitter` (0–1) over ±50 %."""
    doubled: timedelta = FIRST_WAIT * 2 ** min(attempts - 1, 10)
    return min(doubled, LONGEST_WAIT) * (0.5 + jitter)


def _no_longer_wanted(facts: LastLook) -> SendReason | None:
    if facts.window is None:
        return None
    if facts.window.paused:
        return SendReason.EXCUSED
    if facts.kind is MessageKind.PROMPT and not missing(facts.window):
        return SendReason.ANSWERED
    if facts.kind in {MessageKind.REMINDER, MessageKind.NUDGE} and is_answered(facts.window):
        return SendReason.ANSWERED
    if facts.kind is MessageKind.NUDGE and facts.acknowledged:
        return SendReason.ACKNOWLEDGED
    return None


# The later in a row, the more it says: a reminder asks all that a prompt does, a digest counts every task.
ALIKE = (
    (MessageKind.PROMPT, MessageKind.REMINDER),
    (MessageKind.NUDGE,),
    (MessageKind.STAFF_TASK, MessageKind.DIGEST),
)
_PLACE: Mapping[MessageKind, tuple[int, int]] = {
    kind: (family, rank) for family, kinds in enumerate(ALIKE) for rank, kind in enumerate(kinds)
}


@dataclass(frozen=True)
class Ready:
    """A message that may leave now; `about` is the time of what it is about, such as a window's end."""

    id: uuid.UUID
    contact_id: uuid.UUID
    kind: MessageKind
    about: datetime


def bundle(ready: Iterable[Ready]) -> dict[uuid.UUID, uuid.UUID]:
    """Each message that need not be sent, with the one to the same contact that is sent in its place.

    The kind that says most is kept, and of one kind the one about the latest thing:
    its link leads to what can still be answered.
    """
    by_family: dict[tuple[uuid.UUID, int], list[Ready]] = {}
    for one in ready:
        if one.kind in _PLACE:
            by_family.setdefault((one.contact_id, _PLACE[one.kind][0]), []).append(one)
    carried: dict[uuid.UUID, uuid.UUID] = {}
    for alike in by_family.values():
        kept = max(alike, key=lambda one: (_PLACE[one.kind][1], one.about, one.id))
        carried |= {one.id: kept.id for one in alike if one.id != kept.id}
    return carried
