"""What the review's page shows beside each entry, and the counts in the bar of every page of the clinic.

Promises a constant number of queries for a clinic, whatever the size of its panel. Reads only.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.domain.vocabulary import Channel, ContactState, PatientState, TaskState
from service.reviewing.inbox import URGENT
from service.reviewing.panel import signed_and_done
from service.reviewing.placing import current_week
from service.store import panel
from service.store.adjustments import COUNTS
from service.store.session import rows
from service.store.tables import Adjustment, Clinic, Contact, PanelRow, Patient, PersonRow, SignOff, Task


@dataclass(frozen=True, slots=True)
class AtHand:
    """Whom one speaks of and how to reach them, and when the treatment was changed in the strip's days."""

    number: str | None = None  # to call, E.164
    born_on: date | None = None
    adjusted_on: tuple[date, ...] = ()


def beside(session: Session, clinic_id: uuid.UUID, first: date) -> dict[uuid.UUID, AtHand]:
    """Of every patient of the clinic that has any of it. Adjustments since `first`. Three queries."""
    numbers: dict[uuid.UUID | None, str] = {}
    works = case((Contact.state == ContactState.OK, 0), else_=1)
    reached = select(Contact.patient_id, Contact.address).where(
        Contact.clinic_id == clinic_id, Contact.patient_id.is_not(None), Contact.channel == Channel.TEXT
    )
    for owner, address in rows(session).execute(reached.order_by(works, Contact.position, Contact.created_at)):
        numbers.setdefault(owner, address)
    born = select(PersonRow.patient_id, PersonRow.born_on).where(
        PersonRow.clinic_id == clinic_id, PersonRow.superseded_at.is_(None), PersonRow.withdrawn.is_(False)
    )
    dates = dict(rows(session).execute(born).all())
    adjusted: defaultdict[uuid.UUID, list[date]] = defaultdict(list)
    made = select(Adjustment.patient_id, Adjustment.made_on).where(
        Adjustment.clinic_id == clinic_id, COUNTS, Adjustment.made_on >= first
    )
    for owner, on in rows(session).execute(made.order_by(Adjustment.made_on)):
        adjusted[owner].append(on)
    everyone = {owner for owner in (*numbers, *dates, *adjusted) if owner is not None}
    return {one: AtHand(numbers.get(one), dates.get(one), tuple(adjusted.get(one, ()))) for one in everyone}


@dataclass(frozen=True, slots=True)
class Counts:
    """What waits: patients of this week's review, open tasks, and how many of those are urgent."""

    to_do: int
    tasks: int
    urgent: int


def counts(session: Session, clinic: Clinic, now: datetime) -> Counts:
    """What waits for the clinic, by the rows as they are carried. Two queries."""
    week = current_week(clinic, now)
    signed, done = signed_and_done(week)
    to_do = (
        select(func.count())
        .select_from(Patient)
        .outerjoin(PanelRow, panel.OF_PATIENT)
        .outerjoin(SignOff, signed)
        .where(Patient.clinic_id == clinic.id, Patient.state == PatientState.ACTIVE, ~done)
    )
    urgent = func.sum(case((Task.kind.in_(URGENT), 1), else_=0))
    waiting = select(func.count(), urgent).where(Task.clinic_id == clinic.id, Task.state != TaskState.CLOSED)
    tasks, pressing = session.execute(waiting).one()
    return Counts(session.scalar(to_do) or 0, tasks, pressing or 0)
