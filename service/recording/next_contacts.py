"""Who is in touch with a patient next, how and by when: agreed, handed to a colleague or a role, done.

Promises that the end of a stay plans the contacts that the clinic set for the weeks after it, once, each an entry
like any other; that what was planned after a stay that was put right, or over which another began, is taken back;
and that what had taken place since it ended is not planned again.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, or_, select
from sqlalchemy.orm import Session

from service.care import dues, entries, plans
from service.domain import localtime
from service.domain.record import rules
from service.domain.rights import Right, rights_of
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, ContactWay, EventKind, PatientState, Role
from service.store.audit import Act
from service.store.session import columns_of
from service.store.tables import Clinic, EventRow, NextContact, Patient, Staff


@dataclass(frozen=True, slots=True)
class ContactToMake:
    """A contact that somebody is to make, or was. `role`: it is of whoever has that role."""

    id: uuid.UUID
    patient_id: uuid.UUID
    name: str  # the patient's
    due_on: date
    way: ContactWay
    staff_id: uuid.UUID | None
    role: Role | None
    agreed: bool
    note: str
    done_on: date | None = None
    superseded_at: datetime | None = None
    withdrawn: bool = False


FARTHEST_AHEAD = timedelta(days=366)
PROMISED_ANEW = "another call was promised in its place"
STAY_CHANGED = "the stay it followed is no longer the newest as it was recorded"


def plan_contact(
    act: Act,
    patient: Patient,
    *,
    due_on: date,
    way: ContactWay,
    staff_id: uuid.UUID | None = None,
    role: Role | None = None,
    agreed: bool = False,
    note: str = "",
    corrects: NextContact | None = None,
) -> NextContact:
    """Write down the next contact, due on a local date, for a colleague by name or for a role. Raises Refused."""
    entries.still_to_plan(patient, "due_on", due_on)
    today = localtime.local_date(act.now, patient.zone)
    if not today <= due_on <= today + FARTHEST_AHEAD:
        raise Refused("due_on", due_on.isoformat(), "today or a date within a year")
    if (staff_id is None) is (role is None):
        raise Refused("staff_id", staff_id and str(staff_id), "a colleague, or else a role: one of the two")
    if role is not None and role not in CLINICAL_STAFF:
        raise Refused("role", role.value, "one of %(words)s", words=tuple(CLINICAL_STAFF))
    if staff_id is not None:
        colleague = act.session.get(Staff, staff_id)
        if colleague is None or colleague.clinic_id != patient.clinic_id or not _can_be_handed(colleague):
            raise Refused("staff_id", str(staff_id), "a colleague with an open account who looks after patients")
    row = NextContact(
        due_on=due_on, way=way, staff_id=staff_id, role=role, agreed=agreed, note=note,
        discharged_on=None if corrects is None else corrects.discharged_on,
    )  # fmt: skip
    return entries.enter(act, patient, row, corrects=corrects)


def promise_call(
    act: Act, patient: Patient, due_on: date, *, staff_id: uuid.UUID | None = None, role: Role | None = None
) -> tuple[NextContact, NextContact | None]:
    """Plan a call that was agreed with the patient, in place of those that are due or overdue, which stay on record.

    Returns it, and the one of these that was due first, if there was any. Raises Refused.
    """
    today = localtime.local_date(act.now, patient.zone)
    open_calls = [
        row
        for row in entries.counting(act.session, NextContact, patient.id, NextContact.due_on)
        if row.done_on is None and row.way is ContactWay.CALL and row.due_on <= today
    ]
    first = open_calls[0] if open_calls else None
    how: dict[str, Any] = {"way": ContactWay.CALL, "staff_id": staff_id, "role": role, "agreed": True}
    made = plan_contact(act, patient, due_on=due_on, corrects=first, **how)
    for row in open_calls[1:]:
        entries.withdraw(act, patient, row, PROMISED_ANEW)
    return made, first


def colleagues(session: Session, clinic_id: uuid.UUID) -> list[Staff]:
    """To whom of the staff a contact can be handed, by name. One query."""
    active = session.scalars(select(Staff).where(Staff.clinic_id == clinic_id, Staff.active).order_by(Staff.name))
    return [one for one in active if _can_be_handed(one)]


def _can_be_handed(colleague: Staff) -> bool:
    """Whether they would find a contact that is handed to them: what nobody can open, nobody makes."""
    return colleague.active and Right.CARE in rights_of(colleague.roles, colleague.grants)


def first_to_come(session: Session, patient_id: uuid.UUID) -> NextContact | None:
    """The contact that is due first of those still to come with a patient."""
    rows = entries.counting(session, NextContact, patient_id, NextContact.due_on)
    return next((row for row in rows if row.done_on is None), None)


def handed_to(
    clinic_id: uuid.UUID, staff_id: uuid.UUID | None = None, roles: Collection[str] = ()
) -> tuple[ColumnElement[bool], ...]:
    """Which contacts are the clinic's; where a colleague or roles are given, theirs."""
    theirs = or_(NextContact.staff_id == staff_id, NextContact.role.in_([Role(role) for role in roles]))
    return (NextContact.clinic_id == clinic_id, *((theirs,) if staff_id is not None or roles else ()))


def to_make(
    session: Session, whose: Sequence[ColumnElement[bool]], only: Sequence[uuid.UUID] | None = None
) -> list[ContactToMake]:
    """The contacts `handed_to` somebody that are still to come, the earliest first; or those named, come or not.

    One query.
    """
    to_come = (
        NextContact.done_on.is_(None), NextContact.superseded_at.is_(None), NextContact.withdrawn.is_(False),
        Patient.state == PatientState.ACTIVE,
    )  # fmt: skip
    query = (
        select(*columns_of(ContactToMake, NextContact, name=Patient.name))
        .join(Patient, Patient.id == NextContact.patient_id)
        .where(*whose, *(to_come if only is None else (NextContact.id.in_(only),)))
        .order_by(NextContact.due_on, Patient.name)
    )
    return [ContactToMake(*row) for row in session.execute(query)]


def contact_done(act: Act, patient: Patient, planned: NextContact, done_on: date, note: str = "") -> NextContact:
    """It took place. Raises Refused for one that did already."""
    if planned.done_on is not None:
        raise Refused("id", str(planned.id), "a contact that is still to come")
    row = NextContact(
        due_on=planned.due_on,
        way=planned.way,
        staff_id=planned.staff_id,
        role=planned.role,
        agreed=planned.agreed,
        discharged_on=planned.discharged_on,
        done_on=entries.past_date("done_on", done_on, patient, act.now),
        note=note,
    )
    return entries.enter(act, patient, row, corrects=planned)


def plan_after_stay(act: Act, patient: Patient) -> None:
    """Bring what is planned after a stay in line with the newest one on record: contacts, and days asked every day.

    A visit whose last day is over already is not planned; a call is due today at the latest.
    """
    _in_line(act, patient)
    dues.settle(act.session, [patient.id], act.now)


def _in_line(act: Act, patient: Patient) -> None:
    stays = [row for row in entries.counting(act.session, EventRow, patient.id) if row.kind is EventKind.ADMISSION]
    newest = max(stays, key=lambda row: row.from_date, default=None)
    out = None if newest is None else newest.to_date
    done: Counter[ContactWay] = Counter()
    for row in entries.counting(act.session, NextContact, patient.id):
        if row.discharged_on in {None, out}:
            continue
        if row.done_on is None:
            entries.withdraw(act, patient, row, STAY_CHANGED, settles=False)
        elif out is not None and row.done_on >= out:
            done[row.way] += 1
    planned = select(NextContact.id).where(
        NextContact.patient_id == patient.id,
        NextContact.discharged_on == out,
        NextContact.superseded_at.is_(None),
        # What staff took back is not planned again; what this did is.
        or_(NextContact.withdrawn.is_(False), NextContact.note != STAY_CHANGED),
    )
    aftercare = rules.from_json(act.session.get_one(Clinic, patient.clinic_id).record_rules).aftercare
    today = localtime.local_date(act.now, patient.zone)
    daily = timedelta(days=aftercare.daily_days)
    plans.ask_daily(act, patient, (out, out + daily) if out and daily and out + daily >= today else None)
    if out is None or aftercare.day(out, today) is None or act.session.scalar(planned.limit(1)) is not None:
        return
    for way, due_on in aftercare.contacts(out):
        if done[way]:
            done[way] -= 1
            continue
        if due_on < today and way is not ContactWay.CALL:
            continue
        row = NextContact(
            due_on=max(due_on, today), way=way, role=aftercare.contact_role, agreed=False, discharged_on=out
        )
        entries.enter(act, patient, row, settles=False)
