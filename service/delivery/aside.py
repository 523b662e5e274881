"""What came back and could not be taken in: kept as it came until an operator releases it, then taken in again.

Promises that it is taken in once, as what was said when it was said, and that a
person's words are kept here no longer than until then. Whatever fails again is set
aside again, under the same id.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from datetime import datetime

import structlog
from sqlalchemy import Engine, delete, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import InterfaceError, OperationalError
from sqlalchemy.orm import Session

from service.domain.tally import Tally
from service.store.quarantine import is_quarantined, place, quarantine
from service.store.session import read_session, write_session
from service.store.tables import HeardAside
from service.transports.base import InboundText, Receipt

log = structlog.get_logger(__name__)

KIND = "heard"  # as `neaptide parked` names it
AT_ONCE = 100
Heard = InboundText | Receipt


def keep(session: Session, source: str, which: str, item: Heard, error: Exception, now: datetime) -> None:
    """Set an item aside. `source` and `which` name it: the provider's list and its place there, or its reference."""
    subject = uuid.uuid5(uuid.NAMESPACE_OID, f"{source}:{which}")
    log.error("parked", kind=KIND, id=str(subject), source=source, error=place(error))
    dialect = sqlite if session.get_bind().dialect.name == "sqlite" else postgresql
    session.execute(
        dialect.insert(HeardAside)
        .values(id=subject, source=source, said=_written(item), at=now)
        .on_conflict_do_nothing(index_elements=["id"])
    )
    quarantine(session, (KIND, subject), error, now)


def take_again(engine: Engine, take: Callable[[Session, Heard], bool], now: Callable[[], datetime]) -> Tally:
    """Take in what was released, each in a transaction of its own. `take` says False for what is not its own."""
    tally = Tally()
    for subject in _released(engine):
        tally += _take_one(engine, subject, take, now)
    return tally


def _released(engine: Engine) -> list[uuid.UUID]:
    with read_session(engine) as session:
        due = select(HeardAside.id).where(~is_quarantined(KIND, HeardAside.id)).order_by(HeardAside.at).limit(AT_ONCE)
        return list(session.scalars(due))


def _take_one(
    engine: Engine, subject: uuid.UUID, take: Callable[[Session, Heard], bool], now: Callable[[], datetime]
) -> Tally:
    try:
        with write_session(engine) as session:
            row = session.scalars(
                select(HeardAside)
                .where(HeardAside.id == subject, ~is_quarantined(KIND, HeardAside.id))
                .with_for_update(skip_locked=True)
            ).first()
            if row is None or not take(session, _read(row.said)):
                return Tally()  # another worker's, or nobody's here
            session.execute(delete(HeardAside).where(HeardAside.id == subject))
        return Tally(done=1)
    except (OperationalError, InterfaceError):
        raise  # the database's trouble, not the item's
    except Exception as error:
        log.error("parked", kind=KIND, id=str(subject), error=place(error))
        with write_session(engine) as session:
            quarantine(session, (KIND, subject), error, now())
        return Tally(parked=1)


def _written(item: Heard) -> str:
    """In plain ASCII: what could not be kept elsewhere can be kept here, whatever characters it is made of."""
    if isinstance(item, InboundText):
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
    return InboundText(kept["ref"], kept["from"], kept["body"], at)
