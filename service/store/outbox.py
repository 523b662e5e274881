"""The outbox: what is to be sent, written in the transaction that made it necessary.

Promises that one occurrence is one message, however often it is enqueued: the
dedupe key is the occurrence (`prompt:{window}:{channel}`). Does not send, and
does not decide whether a message is still wanted: delivery rechecks that.

What is unique is a small table of its own, of what could still come again (`Occurrence`): so messages, of which there
are years, need no index that spans all of them, and lie by month (`store.months`). A message is written where its
occurrence was, in one transaction; the occurrence goes `RECURS_WITHIN` after the message would have been too late.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Engine, Update, and_, bindparam, delete, or_, select, update
from sqlalchemy.orm import Session

from service.domain.sending import NEEDS_NO_CONSENT
from service.domain.validation import storable
from service.domain.vocabulary import Channel, MessageKind, MessageState
from service.store.counting import Counted, count
from service.store.guarded import Tally
from service.store.identity import new_id, none_made_after, none_made_before
from service.store.prepared import Prepared
from service.store.session import Where, rows, write_session
from service.store.tables import Message, MessageEvent, Occurrence
from service.store.types import begins
from service.store.upsert import insert_new, insert_rows

REASON_LENGTH, DETAIL_LENGTH = 60, 200  # as the columns can hold what a provider said
OCCURRENCES = uuid.UUID("0f3b7c52-5d0e-5b1c-9a5e-6f1d2c8e4a70")  # drawn once: the name space of RFC 9562, section 5.5
# Nothing is enqueued again that is over: a window closes, a task's next notice and a day's digest have other keys.
RECURS_WITHIN = timedelta(days=7)
AT_ONCE = 2000


@dataclass(frozen=True)
class NewMessage:
    """A message to write. `params` never holds a name or a clinical value."""

    clinic_id: uuid.UUID
    contact_id: uuid.UUID
    kind: MessageKind
    channel: Channel
    dedupe_key: str
    due_at: datetime
    expires_at: datetime
    patient_id: uuid.UUID | None = None
    caregiver_id: uuid.UUID | None = None
    staff_id: uuid.UUID | None = None
    window_id: uuid.UUID | None = None
    step_id: uuid.UUID | None = None
    task_id: uuid.UUID | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


class HistoryLine(NamedTuple):
    """One line of a message's delivery history."""

    clinic_id: uuid.UUID
    message_id: uuid.UUID
    event: str
    detail: str = ""


def enqueue(session: Session, new: NewMessage, now: datetime) -> uuid.UUID | None:
    """Write one message. Returns its id, or None when that occurrence is already written."""
    message = _row(new, now)
    return message["id"] if _write(session, [message]) else None


def enqueue_many(session: Session, new: Iterable[NewMessage], now: datetime) -> int:
    """Write many messages at once, passing over those already written. Returns how many were offered."""
    messages = [_row(message, now) for message in new]
    _write(session, messages)
    return len(messages)


def _write(session: Session, messages: Sequence[dict[str, Any]]) -> int:
    """Write those whose occurrence is new. Of two that write the same, the second waits for the first to end."""
    # In one order, so that of two who write several of the same neither waits for the other.
    occurrences = sorted(map(_occurrence, messages), key=lambda one: one["id"].int)
    written = insert_new(session, Occurrence.__table__, occurrences, ["id"])
    if written < len(messages):  # some were there: which became ours, their rows tell
        its = Occurrence.id.in_([one["id"] for one in occurrences])
        ours = set(rows(session).scalars(select(Occurrence.message_id).where(its)))
        messages = [message for message in messages if message["id"] in ours]
    return insert_rows(session, Message.__table__, messages)


def _occurrence(message: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "id": uuid.uuid5(OCCURRENCES, message["dedupe_key"]),
        "clinic_id": message["clinic_id"],
        "message_id": message["id"],
        "until": (message["expires_at"] + RECURS_WITHIN).astimezone(UTC).date(),
    }


def forget_over(engine: Engine, now: datetime) -> Tally:
    """Let go of occurrences that cannot come again, a portion to a transaction."""
    over = select(Occurrence.id).where(Occurrence.until < now.astimezone(UTC).date()).limit(AT_ONCE)
    gone = AT_ONCE
    done = Tally()
    while gone == AT_ONCE:
        with write_session(engine) as session:
            gone = rows(session).execute(delete(Occurrence).where(Occurrence.id.in_(over))).rowcount
        done += Tally(done=gone)
    return done


def keyed(start: str) -> ColumnElement[bool]:
    """The condition that a message which belongs to no window has a dedupe key that begins so."""
    return begins(Message.dedupe_key, start) & Message.window_id.is_(None)


def digest(to: str, line: str, subject: str, body: str, link: str = "") -> str:
    """What is kept of what was handed over (`Message.said`): enough to know it again, and to read nothing from."""
    return hashlib.sha256(json.dumps([to, line, subject, body, link]).encode("utf-8", "replace")).hexdigest()


def cancel_for_person(
    session: Session,
    reason: str,
    now: datetime,
    *,
    patient_id: uuid.UUID | None = None,
    caregiver_id: uuid.UUID | None = None,
) -> int:
    """Cancel everything to one person that has not begun to leave, but what needs no consent. Returns how many.

    For a patient this is what goes to the patient; messages to a caregiver about
    the patient belong to the caregiver.
    """
    if caregiver_id is not None:
        to_them = Message.caregiver_id == caregiver_id
    else:
        to_them = (Message.patient_id == patient_id) & Message.caregiver_id.is_(None) & Message.staff_id.is_(None)
    # Whom to call, where somebody has just written of an emergency, is told all the same.
    return cancel(session, to_them & Message.kind.not_in(NEEDS_NO_CONSENT), reason, now)


def cancel(
    where: Where,
    which: ColumnElement[bool] | Prepared,
    reason: str,
    now: datetime,
    given: Mapping[str, Any] | None = None,
) -> int:
    """Cancel the messages that match and have not begun to leave, with a named reason in their history.

    What a worker has claimed too: it was rechecked when its batch began, which may be a minute
    ago, and is stamped only if it is still claimed. Where this is done often, `which` is what
    `cancelling` made of the condition, once, and `given` its parameters. Returns how many.
    """
    statement = which if isinstance(which, Prepared) else _cancelling(which)
    turned = _turned(where, statement, reason, {"at": now, **(given or {})})
    note_events(where, [HistoryLine(*which, MessageState.CANCELLED.value, reason) for which in turned], now)
    return len(turned)


def cancelling(which: ColumnElement[bool]) -> Prepared:
    """The statement of `cancel`."""
    return Prepared(_cancelling(which))


def _cancelling(which: ColumnElement[bool]) -> Update:
    waiting = which & or_(Message.state == MessageState.QUEUED, Message.state == MessageState.CLAIMED)
    # Locked in one order, as its worker does.
    ids = select(Message.id).where(waiting).order_by(Message.id).with_for_update()
    at = bindparam("at", type_=Message.settled_at.type)
    return _turning(waiting & Message.id.in_(ids), MessageState.CANCELLED, settled_at=at)


def queue_again(session: Session, which: ColumnElement[bool], reason: str, now: datetime) -> Sequence[uuid.UUID]:
    """Queue the messages that match for now, whatever became of them. Returns their ids."""
    return end_turn(session, which, MessageState.QUEUED, reason, now, next_try_at=now, settled_at=None)


def end_turn(
    session: Session,
    which: ColumnElement[bool],
    state: MessageState,
    reason: str,
    now: datetime,
    *,
    detail: str = "",
    **values: Any,
) -> Sequence[uuid.UUID]:
    """Give the messages that match another state, in which nobody holds them, with a line in the history of each.

    `values` are what else changes; `detail` is told in place of `reason`. Returns their ids.
    """
    turned = _turned(session, _turning(which, state, **values), reason, {})
    event = "queued_again" if state is MessageState.QUEUED else state.value
    note_events(session, [HistoryLine(*which, event, detail or reason) for which in turned], now)
    return [message_id for _, message_id in turned]


def _turning(which: ColumnElement[bool], state: MessageState, **values: Any) -> Update:
    turned = {"state": state, "reason": bindparam("why"), "claim_token": None, "lease_until": None, **values}
    return update(Message.__table__).where(which).values(turned).returning(Message.clinic_id, Message.id)  # type: ignore[arg-type]


def _turned(
    where: Where, statement: Update | Prepared, reason: str, given: Mapping[str, Any]
) -> list[tuple[uuid.UUID, uuid.UUID]]:
    """Of those that it changed, clinic and id."""
    given = {"why": storable(reason)[:REASON_LENGTH], **given}
    if isinstance(statement, Prepared):
        return statement.all(where, given)
    return [(clinic_id, message_id) for clinic_id, message_id in rows(where).execute(statement, given)]


def histories(messages: Collection[Message]) -> ColumnElement[bool]:
    """The condition that the delivery histories of these messages have.

    A line is written when its message is changed, so none later than its message was settled: of what is settled, no
    month since then is looked into. The service's clock goes no slower than the machines', by which ids are made.
    """
    ids = [message.id for message in messages]
    theirs = and_(MessageEvent.message_id.in_(ids), MessageEvent.id >= none_made_before(ids))
    lasted = [message.settled_at - message.created_at for message in messages if message.settled_at is not None]
    if len(lasted) < len(messages):
        return theirs
    return theirs & (MessageEvent.id <= none_made_after(ids, max(lasted, default=timedelta(0))))


def note_events(where: Where, events: Iterable[HistoryLine], now: datetime) -> None:
    """Add to the delivery histories."""
    lines = [
        {
            "id": new_id(),
            "clinic_id": one.clinic_id,
            "message_id": one.message_id,
            "at": now,
            "event": one.event,
            "detail": storable(one.detail)[:DETAIL_LENGTH],
        }
        for one in events
    ]
    insert_rows(where, MessageEvent.__table__, lines)
    count(rows(where), Counted.MESSAGES, (str(line["event"]) for line in lines))


def _row(new: NewMessage, now: datetime) -> dict[str, Any]:
    row = {name: value for name, value in vars(new).items() if name != "due_at"}
    return row | {
        "id": new_id(),
        "params": dict(new.params),
        "created_at": now,
        "next_try_at": new.due_at,
        "state": MessageState.QUEUED,
        "attempts": 0,
        "turns": 0,
    }
