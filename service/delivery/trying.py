"""A test message to a number or an address that an operator types, by the way that every message goes.

Promises that it leaves as one to a patient would, under a key of its own; that what is heard of
it is noted; that its words may be read on any locked screen; and that what was typed is kept
nowhere. Nobody's consent is asked, because whoever types an address says that it is their own: so
only `MOST` leave in an hour, and each has its audit line, with the system user who typed it.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import timedelta

from sqlalchemy import Engine, delete, select, update

from service.clock import Clock
from service.domain.sending import after_receipt
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageState
from service.store.audit import OPERATOR, note_outside_clinics
from service.store.identity import new_id
from service.store.session import Where, read_session, rows, write_session
from service.store.tables import Trial
from service.transports.base import OutgoingText, PermanentFailure, Receipt, TemporaryFailure, Transport

SENDER = "Neaptide"
BODY = f"{SENDER}: this is a test message. Nothing needs to be done."
MOST, WITHIN = 5, timedelta(hours=1)
LASTS = timedelta(minutes=10)
KEPT = timedelta(days=30)


def send(engine: Engine, transport: Transport, channel: Channel, to: str, clock: Clock, *, line: str = "") -> uuid.UUID:
    """Send one, and note how it went. Raises Refused for one too many.

    `to` is an address as it was checked; `line` is what it is sent from, where a clinic has a line of its own.
    """
    now = clock.now()
    trial = Trial(id=new_id(), channel=channel, at=now, state=MessageState.HANDING_OVER, detail="")
    with write_session(engine) as session:
        session.execute(delete(Trial).where(Trial.at < now - KEPT))
        latest = session.scalars(select(Trial.at).where(Trial.at > now - WITHIN).order_by(Trial.at)).all()
        if len(latest) >= MOST:
            again = latest[-MOST] + WITHIN
            raise Refused("send-test", "(one more)", f"{MOST} test messages an hour; the next from {again:%H:%M} UTC")
        session.add(trial)
        session.flush()
        note_outside_clinics(session, OPERATOR, "message.test", ("trial", trial.id), now)
    text = OutgoingText(trial.id, to, BODY, SENDER, lasts_until=now + LASTS, line=line)
    state, reference, detail = MessageState.SENT, None, ""
    try:
        reference = transport.send(text)
    except PermanentFailure as failure:
        state, detail = MessageState.FAILED, str(failure)
    except TemporaryFailure as failure:  # it may have been taken all the same
        state, detail = MessageState.UNCERTAIN, str(failure)
    with write_session(engine) as session:
        # Only where no receipt was quicker than the answer.
        session.execute(
            update(Trial)
            .where(Trial.id == trial.id, Trial.state == MessageState.HANDING_OVER)
            .values(state=state, detail=detail[:200])
        )
        session.execute(update(Trial).where(Trial.id == trial.id).values(provider_ref=reference))
    return trial.id


def take_receipts(where: Where, receipts: Sequence[Receipt]) -> None:
    """Note what providers say of test messages; what is of none is passed over."""
    known = select(Trial.id, Trial.state).where(Trial.id.in_({receipt.message_id for receipt in receipts}))
    states = {row.id: row.state for row in rows(where).execute(known.with_for_update())}
    for receipt in receipts:
        state = states.get(receipt.message_id)
        if state is not None and (moved := after_receipt(state, True, receipt.outcome)) is not None:
            states[receipt.message_id] = moved
            rows(where).execute(
                update(Trial).where(Trial.id == receipt.message_id).values(state=moved, detail=receipt.detail[:200])
            )


def heard(engine: Engine, trial_id: uuid.UUID) -> tuple[MessageState, str]:
    """What is known of one now: its state, and a provider's own words."""
    with read_session(engine) as session:
        trial = session.get_one(Trial, trial_id)
        return trial.state, trial.detail
