"""A patient who moves from one clinic of this service to another, with everything that is recorded of them.

Promises that the clinic that asks has the duty until the other accepts, and the other from that instant on; that
windows, steps and messages which wait go over as they are, so that nothing is asked twice or not at all; and that
every row of the patient goes over in one transaction. What stays is what the first clinic answers for: its
signatures, which the other may read, its audit trail, and the notices its own staff were sent.

Nothing is judged anew here: limits, goals and reference count on, as who set them, and a task says to look at them.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Engine, Table, exists, or_, select, text, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import close_tasks, raise_task
from service.domain import validation
from service.domain.localtime import local_date
from service.domain.tasks import TakenOver, TransferAnswered, TransferAsked, first_told_at
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ConsentKind,
    MessageKind,
    MessageState,
    PatientState,
    Role,
    StepState,
    TaskSettled,
    TaskState,
    TransferState,
    WindowState,
)
from service.enrolling.enrolment import Alike, alike
from service.enrolling.people import ref_is_taken
from service.store import outbox, panel, seals
from service.store.audit import SYSTEM, Act
from service.store.guarded import Tally
from service.store.session import connect, write_session
from service.store.tables import (
    Acceptance,
    AccessLine,
    AuditLine,
    Base,
    Caregiver,
    Clinic,
    Consent,
    Contact,
    GoalRow,
    Limits,
    Message,
    MessageEvent,
    NextContact,
    Patient,
    PersonRow,
    Plan,
    Reference,
    ResultLimitRow,
    ReviewAddition,
    SignOff,
    SignOffWithdrawal,
    Step,
    Task,
    Transfer,
    Window,
)

LONGEST_REASON = 400
BEGUN_BEFORE = timedelta(hours=1)  # far longer than any transaction or hand-over lasts
ACCEPTED = text("transfers.state = 'accepted'")  # literal, for the partial index
MOVED = "moved_to_another_clinic"
# What stays: what was signed, who changed and who opened what, and the transfers, which tell of both.
STAYS = frozenset(
    one.__table__ for one in (SignOff, SignOffWithdrawal, ReviewAddition, AuditLine, AccessLine, Transfer)
)
# The worker holds one of these rows while it writes what follows from it.
HELD_BY_WORKER = (
    (Plan, Plan.active),
    (Window, Window.state == WindowState.OPEN),
    (Step, Step.state == StepState.PENDING),
    (Message, Message.state.in_((MessageState.QUEUED, MessageState.CLAIMED, MessageState.HANDING_OVER))),
)
DECIDED = (Reference, Limits, GoalRow, ResultLimitRow, Acceptance)


@dataclass(frozen=True)
class TransferShown:
    """One transfer as either clinic reads it: from which to which."""

    transfer: Transfer
    from_clinic: str
    to_clinic: str


def destinations(session: Session, clinic_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None) -> Sequence[Clinic]:
    """The other clinics of this service, by name; all, or those named."""
    others = select(Clinic).where(Clinic.id != clinic_id, *([] if only is None else [Clinic.id.in_(only)]))
    return session.scalars(others.order_by(Clinic.name, Clinic.id)).all()


def either_way(clinic_id: uuid.UUID) -> ColumnElement[bool]:
    """Transfers from this clinic, and to it."""
    return or_(Transfer.clinic_id == clinic_id, Transfer.to_clinic_id == clinic_id)


def of_clinic(session: Session, clinic_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None) -> list[TransferShown]:
    """Transfers from this clinic and to it, the newest first; all, or those named."""
    there = select(Clinic.id, Clinic.name).subquery()
    query = (
        select(Transfer, Clinic.name, there.c.name)
        .join(Clinic, Clinic.id == Transfer.clinic_id)
        .join(there, there.c.id == Transfer.to_clinic_id)
        .where(either_way(clinic_id), *([] if only is None else [Transfer.id.in_(only)]))
        .order_by(Transfer.asked_at.desc(), Transfer.id)
    )
    return [TransferShown(*row) for row in session.execute(query)]


@dataclass(frozen=True)
class Offered:
    """Of whom a transfer is, for the clinic that is asked; no more than it needs to say yes or no."""

    born_on: date | None
    language: str
    zone: str
    agreed: Consent | None  # to the transfer; None where they do not, or no longer
    known: list[Alike]  # of the clinic that is asked: the same person, perhaps


def offered(session: Session, transfer: Transfer) -> Offered:
    """What the clinic that is asked may know before it answers."""
    patient = session.get_one(Patient, transfer.patient_id)
    person = session.scalar(
        select(PersonRow).where(PersonRow.patient_id == patient.id, PersonRow.superseded_at.is_(None))
    )
    born_on = None if person is None or person.withdrawn else person.born_on
    agreed = contacts.newest_consent(session, patient.id, ConsentKind.TRANSFER)
    here = Patient(id=patient.id, clinic_id=transfer.to_clinic_id, name=patient.name)
    return Offered(
        born_on,
        patient.language,
        patient.zone,
        agreed if agreed is not None and agreed.given and seals.stands(session, agreed) else None,
        alike(session, here, born_on, None),
    )


def waiting(session: Session, patient_id: uuid.UUID) -> TransferShown | None:
    """The transfer of this patient that was asked for and is not answered."""
    found = session.scalar(
        select(Transfer).where(Transfer.patient_id == patient_id, Transfer.state == TransferState.ASKED)
    )
    return None if found is None else of_clinic(session, found.clinic_id, [found.id])[0]


def left(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID) -> TransferShown | None:
    """The last transfer by which this patient went from this clinic to another; None for anybody else."""
    query = select(Transfer.id).where(
        Transfer.patient_id == patient_id, Transfer.clinic_id == clinic_id, Transfer.state == TransferState.ACCEPTED
    )
    found = session.scalar(query.order_by(Transfer.settled_at.desc()).limit(1))
    return None if found is None else of_clinic(session, clinic_id, [found])[0]


def ask(act: Act, patient: Patient, to_clinic_id: uuid.UUID, how: str, on: date | None = None) -> Transfer:
    """Ask another clinic to take a patient over, who has agreed to it: how, and when if it was not today.

    Nothing moves before the other accepts; its staff have a task of it. Raises Refused.
    """
    session = act.session
    session.refresh(patient, with_for_update={"key_share": True})
    here, there = session.get_one(Clinic, act.clinic_id), session.get(Clinic, to_clinic_id)
    if there is None or there.id == act.clinic_id:
        raise Refused("to_clinic_id", str(to_clinic_id), "another clinic of this service")
    if patient.state is not PatientState.ACTIVE:
        raise Refused("patient", str(patient.id), "somebody who is looked after here")
    if waiting(session, patient.id) is not None:
        raise Refused("patient", str(patient.id), "one transfer at a time: call the other back first")
    contacts.record_consent(act, patient, ConsentKind.TRANSFER, True, how, on=on)
    transfer = Transfer(
        to_clinic_id=there.id,
        patient_id=patient.id,
        name=patient.name,
        clinic_ref=patient.clinic_ref,
        since=session.scalars(select(Transfer.here_since()).where(Patient.id == patient.id)).one(),
        asked_by=str(act.actor),
        asked_at=act.now,
    )
    act.add(transfer)
    raise_task(session, there.id, None, TransferAsked(transfer.id, here.name), _key(transfer), act.now)
    act.note("transfer.ask", transfer, patient=patient.id, to_clinic=there.id)
    return transfer


def call_back(act: Act, transfer_id: uuid.UUID) -> Transfer:
    """The clinic that asked asks no longer. Raises LookupError and Refused."""
    transfer = _held(act, transfer_id, Transfer.clinic_id)
    _settle(act, transfer, TransferState.CALLED_BACK)
    act.note("transfer.call_back", transfer, patient=transfer.patient_id)
    return transfer


def decline(act: Act, transfer_id: uuid.UUID, reason: str) -> Transfer:
    """The clinic that was asked does not take the patient over; the other is told why. Raises LookupError, Refused."""
    transfer = _held(act, transfer_id, Transfer.to_clinic_id)
    transfer.reason = validation.text("reason", reason.strip(), longest=LONGEST_REASON)
    _settle(act, transfer, TransferState.DECLINED)
    _tell(act, transfer)
    act.note("transfer.decline", transfer)
    return transfer


def accept(act: Act, transfer_id: uuid.UUID, clinic_ref: str) -> Patient:
    """Take the patient over, with everything, under this clinic's own number for them.

    From here on the other clinic reads nothing new of them. Raises LookupError, and Refused: where the patient no
    longer agrees or is no longer looked after there, and for a number that somebody else has.
    """
    session = act.session
    transfer = _held(act, transfer_id, Transfer.to_clinic_id)
    patient = session.get_one(Patient, transfer.patient_id)
    _hold(session, patient)
    if patient.clinic_id != transfer.clinic_id or patient.state is not PatientState.ACTIVE:
        raise Refused("patient", str(patient.id), "somebody who is looked after there")
    if not contacts.has_consent(session, patient.id, ConsentKind.TRANSFER):
        raise Refused("patient", str(patient.id), "somebody who agrees to the transfer still")
    ref = validation.text("clinic_ref", clinic_ref.strip(), longest=40)
    if session.scalar(select(exists().where(Patient.clinic_id == act.clinic_id, Patient.clinic_ref == ref))):
        raise ref_is_taken(ref)
    _settle(act, transfer, TransferState.ACCEPTED)
    rows = _move(session, patient, act.clinic_id)
    patient.clinic_id, patient.clinic_ref, patient.dues_at = act.clinic_id, ref, act.now
    session.flush()
    _hand_over_work(session, act.clinic_id, patient.id, act.now)
    there = session.get_one(Clinic, transfer.clinic_id)
    told = TakenOver(transfer.id, there.name, local_date(act.now, patient.zone), _was_decided(session, patient.id))
    raise_task(session, act.clinic_id, patient.id, told, f"{_key(transfer)}:taken_over", act.now)
    _tell(act, transfer)
    panel.mark_stale(session, [patient.id], act.now)
    act.note("transfer.accept", transfer, patient=patient.id, from_clinic=transfer.clinic_id, rows=rows)
    left = replace(act, clinic_id=transfer.clinic_id, actor=SYSTEM)  # who works here is no business of theirs
    left.note("transfer.leave", transfer, patient=patient.id, to_clinic=act.clinic_id)
    return patient


def gather(engine: Engine, now: datetime) -> Tally:
    """Move what was written of a patient under the first clinic by somebody who had begun before the other accepted."""
    lately = select(Transfer.patient_id).where(ACCEPTED, Transfer.settled_at > now - BEGUN_BEFORE)
    with connect(engine) as connection:
        if connection.scalar(lately.limit(1)) is None:
            return Tally()
    with write_session(engine) as session:
        patients = session.scalars(select(Patient).where(Patient.id.in_(lately)).order_by(Patient.id)).all()
        moved = {patient.id: rows for patient in patients if (rows := _move(session, patient, patient.clinic_id))}
        panel.mark_stale(session, moved, now)
    return Tally(done=sum(moved.values()))


def tables_that_move() -> list[Table]:
    """Every table whose rows are of one patient and say of which clinic, but what stays."""
    of_one = {one.name for one in Base.metadata.sorted_tables if {"clinic_id", "patient_id"} <= set(one.columns.keys())}
    theirs = of_one | {MessageEvent.__tablename__}  # by its message
    return [one for one in Base.metadata.sorted_tables if one.name in theirs and one not in STAYS]


def _hold(session: Session, patient: Patient) -> None:
    """Nobody writes of the patient until this transaction ends, and what was written before is seen.

    The worker's rows are waited for before the patient's own is locked against those that refer to it: a worker that
    has one of them writes such rows, and each would wait for the other.
    """
    session.refresh(patient, with_for_update={"key_share": True})
    for table, waits in HELD_BY_WORKER:
        whose: Any = table
        theirs = _of(whose.__table__, patient.id)
        session.execute(select(whose.id).where(theirs, waits).order_by(whose.id).with_for_update())
    session.refresh(patient, with_for_update=True)


def _move(session: Session, patient: Patient, to_clinic_id: uuid.UUID) -> int:
    """Let every row of the patient and their caregivers be the other clinic's. How many."""
    caregivers = list(session.scalars(select(Caregiver.id).where(Caregiver.patient_id == patient.id)))
    connection, count = session.connection(), 0
    for table in tables_that_move():
        whose = _of(table, patient.id)
        values: dict[str, Any] = {"clinic_id": to_clinic_id}
        if table is Contact.__table__:  # a caregiver's names no patient
            whose |= table.c.caregiver_id.in_(caregivers)
            values["introduced_by"] = None  # another writes to them now, and says so
        elsewhere = table.c.clinic_id != to_clinic_id
        count += connection.execute(update(table).where(whose, elsewhere).values(values)).rowcount
    return count


def _of(table: Any, patient_id: uuid.UUID) -> ColumnElement[bool]:
    """A patient's rows of this table. Steps, which are many, are found by their windows; what told staff stays."""
    if table is Step.__table__:
        return table.c.window_id.in_(select(Window.id).where(Window.patient_id == patient_id))
    if table is MessageEvent.__table__:
        return table.c.message_id.in_(select(Message.id).where(_of(Message.__table__, patient_id)))
    whose: ColumnElement[bool] = table.c.patient_id == patient_id
    if table is Message.__table__:
        whose |= table.c.caregiver_id.in_(select(Caregiver.id).where(Caregiver.patient_id == patient_id))
        whose &= table.c.staff_id.is_(None)
    return whose


def _hand_over_work(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> None:
    """What somebody at the first clinic had taken, or was to do, waits for anybody here, and is told from anew."""
    still = (Task.patient_id == patient_id, Task.state != TaskState.CLOSED)
    tasks = session.scalars(select(Task).where(*still).order_by(Task.id)).all()
    for task in tasks:
        task.state, task.taken_by, task.taken_at, task.staff_id = TaskState.OPEN, None, None, None
        task.escalates_at, task.retold_at = first_told_at(task.kind, now), now
    session.flush()
    notices = Message.task_id.in_([task.id for task in tasks]) & Message.staff_id.is_not(None)
    # Somebody there wrote it, and it would leave in this clinic's name.
    contacts.tell_unsent(session, clinic_id, patient_id, now)
    by_hand = (Message.patient_id == patient_id) & (Message.kind == MessageKind.FROM_CLINIC)
    outbox.cancel(session, notices | by_hand, MOVED, now)
    promised = (NextContact.patient_id == patient_id, NextContact.staff_id.is_not(None))
    session.execute(
        update(NextContact)
        .where(*promised, NextContact.superseded_at.is_(None), NextContact.done_on.is_(None))
        .values(staff_id=None, role=Role.NURSE)
    )


def _was_decided(session: Session, patient_id: uuid.UUID) -> bool:
    return any(session.scalar(select(exists().where(table.patient_id == patient_id))) for table in DECIDED)


def _held(act: Act, transfer_id: uuid.UUID, whose: Any) -> Transfer:
    """The transfer that waits for an answer, locked. Raises LookupError, and Refused where it was answered."""
    found = act.session.scalar(
        select(Transfer).where(Transfer.id == transfer_id, whose == act.clinic_id).with_for_update()
    )
    if found is None:
        raise LookupError(f"no transfer {transfer_id}")
    if found.state is not TransferState.ASKED:
        raise Refused("transfer", found.state.value, "one that waits for an answer")
    return found


def _settle(act: Act, transfer: Transfer, state: TransferState) -> None:
    transfer.state, transfer.settled_by, transfer.settled_at = state, str(act.actor), act.now
    act.session.flush()
    asked = Task.dedupe_key == _key(transfer)
    close_tasks(act.session, asked, TaskSettled.TRANSFER_SETTLED, act.now, also_taken=True)


def _tell(act: Act, transfer: Transfer) -> None:
    """The clinic that asked is told what became of it."""
    accepted = transfer.state is TransferState.ACCEPTED
    there = act.session.get_one(Clinic, transfer.to_clinic_id)
    facts = TransferAnswered(transfer.id, there.name, transfer.name, accepted, transfer.reason)
    whose = None if accepted else transfer.patient_id
    raise_task(act.session, transfer.clinic_id, whose, facts, f"{_key(transfer)}:answered", act.now)


def _key(transfer: Transfer) -> str:
    return f"transfer:{transfer.id}"
