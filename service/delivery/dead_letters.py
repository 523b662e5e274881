"""Dead letters: what came back and could not be taken in, kept as it came until an operator releases it.

Promises that it is then taken in once, as what was said when it was said, and that a
person's words are kept here no longer than until then. Whatever fails again goes back
into quarantine, under the same id.

What is released replaces nothing newer: an old START undoes no later STOP, an old STOP stops.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from datetime import datetime

from sqlalchemy import Engine, delete, select
from sqlalchemy.orm import Session

from service.store.guarded import Tally, guarded_each, quarantine_each
from service.store.quarantine import is_quarantined, quarantine
from service.store.session import read_session
from service.store.tables import DeadLetter
from service.store.upsert import insert_new
from service.transports.base import Receipt, TextReply

KIND = "dead_letter"  # as `neaptide quarantine` names it
AT_ONCE = 100
Heard = TextReply | Receipt


def keep(session: Session, source: str, which: str, item: Heard, error: Exception, now: datetime) -> None:
    """Set an item aside. `source` and `which` name it: the provider's list and its place there, or its reference."""
    subject = uuid.uuid5(uuid.NAMESPACE_OID, f"{source}:{which}")
    insert_new(
        session, DeadLetter.__table__, [{"id": subject, "source": source, "said": _written(item), "at": now}], ["id"]
    )
    quarantine(session, (KIND, subject), error, now)


def take_again(engine: Engine, take: Callable[[Session, Heard], bool], now: Callable[[], datetime]) -> Tally:
    """Take in what was released, each in a transaction of its own. `take` says False for what is not its own."""

    def take_one(session: Session, subject: uuid.UUID) -> Tally:
        row = session.scalars(
            select(DeadLetter)
            .where(DeadLetter.id == subject, ~is_quarantined(KIND, DeadLetter.id))
            .with_for_update(skip_locked=True)
        ).first()
        if row is None or not take(session, _read(row.said)):
            return Tally()  # another worker's, or nobody's here
        session.execute(delete(DeadLetter).where(DeadLetter.id == subject))
        return Tally(done=1)

    outcome = guarded_each(engine, _released(engine), take_one)
    quarantine_each(engine, KIND, outcome.failed, now())
    return sum(outcome.done, Tally(quarantined=len(outcome.failed)))


def _released(engine: Engine) -> list[uuid.UUID]:
    with read_session(engine) as session:
        due = select(DeadLetter.id).where(~is_quarantined(KIND, DeadLetter.id)).order_by(DeadLetter.at).limit(AT_ONCE)
        return list(session.scalars(due))


def _written(item: Heard) -> str:
    """In plain ASCII: what could not be kept elsewhere can be kept here, whatever characters it is made of."""
    if isinstance(item, TextReply):
        said = {"ref": item.gateway_ref, "from": item.sender, "body": item.body, "at": item.at.isoformat()}
    else:
        message, at = str(item.message_id), item.at.isoformat()
        said = {"message": message, "outcome": item.outcome, "detail": item.detail, "at": at}
    return json.dumps(said, ensure_ascii=True)


def _read(said: str) -> Heard:
    kept = json.loads(said)
    at = datetime.fromisoformat(kept["at"])
    if "message" in kept:
        return Receipt(uuid.UUID(kept["message"]), kept["outcome"], at, kept["detail"])
    return TextReply(kept["ref"], kept["from"], kept["body"], at)
