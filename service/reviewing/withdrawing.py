"""Take a signature back: within minutes, by whoever gave it, while nothing was added to it.

Promises that the signature stays on record as it was frozen, with a row that says who took it back and when, and
that what was done in the same act is undone with it: tasks closed by it are open again, the call promised
with it is withdrawn, calls that it took the place of are to be made again, and the signals it marked as seen are
unseen. After the minutes, or once another has added to it, it stands: what is wrong in it is then said by an
addition.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import case, exists, select, update
from sqlalchemy.orm import Session

from service.care import entries
from service.domain.tasks import FIRST
from service.domain.vocabulary import EventKind, TaskState
from service.store import panel, seals
from service.store.audit import Act
from service.store.tables import (
    EventRow,
    NextContact,
    Patient,
    ReviewAddition,
    Signal,
    SignOff,
    SignOffWithdrawal,
    Task,
)

WITHIN = timedelta(minutes=10)


class Stands(StrEnum):
    """Why a signature cannot be taken back."""

    ANOTHERS = "anothers"
    TOO_LATE = "too_late"
    ADDED_TO = "added_to"
    MOVED_ON = "moved_on"  # another clinic looks after them now


class StillStands(Exception):
    """The signature cannot be taken back, for the named reason."""

    def __init__(self, why: Stands) -> None:
        self.why = why
        super().__init__(f"the signature stands: {why.value}")


def may_take_back(
    by: uuid.UUID | None, at: datetime, added: bool, who: uuid.UUID | None, now: datetime
) -> Stands | None:
    """Why the signature that `by` gave at that instant stands; None where `who` may take it back."""
    if by != who:
        return Stands.ANOTHERS
    if added:
        return Stands.ADDED_TO
    return None if timedelta(0) <= now - at <= WITHIN else Stands.TOO_LATE


def take_back(act: Act, sign_off_id: uuid.UUID) -> SignOffWithdrawal:
    """Take it back, and what was done in the same act. One that was taken back before is returned as it is.

    Raises LookupError for a signature that is not the clinic's, and StillStands.
    """
    session = act.session
    signed = session.get(SignOff, sign_off_id)
    if signed is None or signed.clinic_id != act.clinic_id:
        raise LookupError(f"no signature {sign_off_id}")
    # Locked, so that of two at once the second finds the first's row.
    session.execute(select(SignOff.id).where(SignOff.id == sign_off_id).with_for_update())
    if earlier := session.scalar(select(SignOffWithdrawal).where(SignOffWithdrawal.sign_off_id == sign_off_id)):
        return earlier
    added = session.scalar(select(exists().where(ReviewAddition.sign_off_id == sign_off_id)))
    if why := may_take_back(signed.signed_by, signed.signed_at, bool(added), act.actor.id, act.now):
        raise StillStands(why)
    if session.get_one(Patient, signed.patient_id).clinic_id != act.clinic_id:
        raise StillStands(Stands.MOVED_ON)
    row = SignOffWithdrawal(
        patient_id=signed.patient_id, sign_off_id=sign_off_id, withdrawn_by=act.actor.id, withdrawn_at=act.now
    )
    act.add(seals.sealed(act, row))
    _undo(act, signed)
    panel.judge_again(session, [signed.patient_id], act.now)
    act.note("review.take_back", signed, patient=signed.patient_id, week=signed.week)
    return row


def _undo(act: Act, signed: SignOff) -> None:
    """What the act of signing did beside the signature bears its very instant, patient and signer."""
    if not any(row.kind is EventKind.DEATH for row in entries.counting(act.session, EventRow, signed.patient_id)):
        _open_again(act.session, signed, act.now)  # a death closes every task, of those who signed before it too
    act.session.execute(
        update(Signal)
        .where(
            Signal.patient_id == signed.patient_id,
            Signal.seen_at == signed.signed_at,
            Signal.seen_by == signed.signed_by,
        )
        .values(seen_at=None, seen_by=None)
    )
    _unpromise(act, signed)


def _unpromise(act: Act, signed: SignOff) -> None:
    """The call promised with it is withdrawn; calls that it took the place of are as they were before."""
    patient = act.session.get_one(Patient, signed.patient_id)
    made = act.session.scalars(
        select(NextContact).where(
            NextContact.patient_id == signed.patient_id,
            NextContact.entered_at == signed.signed_at,
            NextContact.entered_by == str(act.actor),
            NextContact.superseded_at.is_(None),
        )
    ).all()
    for row in made:
        if row.supersedes_id is not None:
            entries.bring_back(act, patient, row)
        else:
            entries.withdraw(act, patient, row, "The signature it was promised with was taken back.")


def _open_again(session: Session, signed: SignOff, now: datetime) -> None:
    """Tasks closed with it are as they were before; staff are told anew of those that nobody had taken."""
    untaken = Task.taken_by.is_(None)
    told = {kind.value: now + wait for kind, wait in FIRST.items() if wait is not None}
    session.execute(
        update(Task)
        .where(
            Task.patient_id == signed.patient_id,
            Task.state == TaskState.CLOSED,
            Task.closed_at == signed.signed_at,
            Task.closed_by == signed.signed_by,
        )
        .values(
            state=case((untaken, TaskState.OPEN), else_=TaskState.TAKEN),
            closed_by=None,
            closed_at=None,
            close_reason=None,
            again_at=None,
            retold_at=now,
            escalates_at=case((untaken, case(told, value=Task.kind, else_=None)), else_=None),
        )
    )
