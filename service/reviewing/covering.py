"""Who was looked after here in which week, and who of them was reviewed.

Promises that a past week keeps everybody who was looked after here in it, whatever has become of them: whoever care
has ended for, and whoever another clinic has taken over since, under the name and number they went with. Whom this
clinic took over counts from that day on.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from service.domain.localtime import local_date
from service.domain.measures import Span
from service.domain.vocabulary import PatientState, TransferState
from service.reviewing.panel import clinic_of
from service.reviewing.placing import current_week
from service.store import signatures
from service.store.tables import Clinic, Patient, SignOff, Transfer, Window

SIX = timedelta(days=6)


@dataclass(frozen=True, slots=True)
class LookedAfter(Span):
    """From when and until when this clinic looked after a patient; somebody who came back has two."""

    who: uuid.UUID
    name: str
    clinic_ref: str


def looked_after(session: Session, clinic: Clinic) -> list[LookedAfter]:
    """Everybody, by name. Of whom care has ended, to the last date that anything was planned for. Two queries."""
    last = select(func.max(Window.local_date)).where(Window.patient_id == Patient.id).scalar_subquery()
    until = case((Patient.state == PatientState.ENDED, last))
    found = []
    for who, name, ref, at, state, end in session.execute(
        select(Patient.id, Patient.name, Patient.clinic_ref, Transfer.here_since(), Patient.state, until).where(
            Patient.clinic_id == clinic.id
        )
    ):
        first = local_date(at, clinic.zone)
        found.append(LookedAfter(who, first, end or first if state is PatientState.ENDED else None, name, ref))
    gone = select(Transfer.patient_id, Transfer.since, Transfer.settled_at, Transfer.name, Transfer.clinic_ref).where(
        Transfer.clinic_id == clinic.id, Transfer.state == TransferState.ACCEPTED
    )
    for who, since, at, name, ref in session.execute(gone):
        if at is not None:  # as of every transfer that was answered
            found.append(LookedAfter(who, local_date(since, clinic.zone), local_date(at, clinic.zone), name, ref))
    return sorted(found, key=lambda one: (one.name, one.clinic_ref))


def in_week(everybody: Iterable[LookedAfter], start: date) -> list[LookedAfter]:
    """Whoever was looked after on any day of the week that begins on `start`, each once."""
    there = [one for one in everybody if one.first <= start + SIX and (one.last is None or one.last >= start)]
    return list({one.who: one for one in there}.values())


@dataclass(frozen=True, slots=True)
class Covered:
    """One review week: how many of those looked after then were signed, and the names of those who were not."""

    first: date
    signed: int
    enrolled: int
    unsigned: tuple[str, ...]


def coverage(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int) -> list[Covered]:
    """The newest `weeks` review weeks, the present one first: that is of those who are looked after still.

    Raises LookupError for no such clinic.
    """
    clinic = clinic_of(session, clinic_id)
    newest = current_week(clinic, now)
    starts = [newest - timedelta(weeks=back) for back in range(weeks)]
    everybody = looked_after(session, clinic)
    of_weeks = select(SignOff.patient_id, SignOff.week).where(
        SignOff.clinic_id == clinic_id, signatures.COUNTS, SignOff.week >= starts[-1]
    )
    signed = {(who, week) for who, week in session.execute(of_weeks)}
    covered = []
    for start in starts:
        here = in_week([one for one in everybody if one.last is None] if start == newest else everybody, start)
        unsigned = tuple(one.name for one in here if (one.who, start) not in signed)
        covered.append(Covered(start, len(here) - len(unsigned), len(here), unsigned))
    return covered
