"""The carried-forward row of each patient on the weekly review.

Promises that whoever changes what a row is made from can mark it stale inside
the same transaction, for the price of one statement; that a patient without a
row is found just like one with; and that the row can always be made again from
the rows it summarises. Does not compute what is in it.
"""

from __future__ import annotations

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Select, and_, bindparam, case, func, select, text, update
from sqlalchemy.orm import Session

from service.domain.vocabulary import PatientState
from service.store.due import lapsed
from service.store.identity import new_id
from service.store.ids import among, among_those
from service.store.prepared import Prepared
from service.store.quarantine import is_quarantined
from service.store.session import Where, columns_of, rows
from service.store.tables import CarriedStateRow, PanelRow, Patient, Transfer
from service.store.upsert import insert_new, upsert

CLAIM_LASTS = timedelta(minutes=5)  # a batch whose whole histories are worked out takes minutes


@dataclass(frozen=True, slots=True)
class PatientPanelRow:
    """One active patient with the row carried for them, if there is one."""

    patient_id: uuid.UUID
    name: str
    clinic_ref: str
    zone: str
    enrolled_at: datetime
    as_of: date | None
    facts: dict[str, Any] | None
    stale_since: datetime | None
    updated_at: datetime | None


def begin(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> None:
    """Give a new patient a row that has still to be made; part of the caller's transaction."""
    blank = {"as_of": now.date(), "facts": {}, "rank": "", "planned_changed": False}
    row = {"id": new_id(), "clinic_id": clinic_id, "patient_id": patient_id, "stale_since": now, "touched": 0}
    row |= blank | {"updated_at": now, "outdated_at": now}
    insert_new(session, PanelRow.__table__, [row], ["patient_id"])


def mark_stale(
    where: Where, patient_ids: Collection[uuid.UUID], now: datetime, changed_from: date | None = None
) -> None:
    """Say that these patients' rows no longer tell the newest; part of the caller's transaction.

    `changed_from` is the first local date of which anything changed: a reading or a
    check-in came, was corrected or was taken back, or a window closed. What is carried
    of later evenings is no longer true. None: of readings and check-ins nothing changed,
    but what was planned or excused may have, of any day. Every mark counts, so that a
    refresh that began before it does not clear it.
    """
    if not patient_ids:
        return
    marks: dict[str, Any] = {"at": now} if changed_from is None else {"at": now, "day": changed_from}
    if len(patient_ids) == 1:  # nearly always, and then a list in the statement costs more than the rest
        one = _MARK_ONE if changed_from is None else _MARK_ONE_FROM
        one.changes(where, marks | {"patient": next(iter(patient_ids))})
    else:
        _lock(where, patient_ids)
        rows(where).execute(_MARK if changed_from is None else _MARK_FROM, marks | {"patients": list(patient_ids)})


def judge_again(where: Where, patient_ids: Collection[uuid.UUID], now: datetime) -> None:
    """Say that what these patients are judged or placed by changed (a task, a signature), and no day of theirs."""
    if patient_ids:
        _lock(where, patient_ids)
        rows(where).execute(_JUDGE, {"at": now, "patients": list(patient_ids)})


def judge_clinic_again(where: Where, clinic_id: uuid.UUID, now: datetime) -> None:
    """Say that what all patients of a clinic are judged or placed by changed, and no day of theirs. One statement."""
    rows(where).execute(_JUDGE_CLINIC, {"at": now, "clinic": clinic_id})


def mark_days(where: Where, days: Mapping[uuid.UUID, Collection[date]], now: datetime) -> None:
    """Mark many patients' rows stale, each from the earliest of their own days."""
    _lock(where, days)
    since: dict[date, list[uuid.UUID]] = {}
    for patient_id, some in days.items():
        since.setdefault(min(some), []).append(patient_id)
    for first, patient_ids in sorted(since.items()):
        mark_stale(where, patient_ids, now, first)


def _lock(where: Where, patient_ids: Collection[uuid.UUID]) -> None:
    """Take the rows in the order of their patients' ids, as everybody does who writes several in one transaction.

    Two who took the same rows in different orders would each wait for the other.
    On SQLite one transaction writes at a time.
    """
    if rows(where).dialect.name == "postgresql":
        rows(where).execute(_IN_ORDER, {"patients": list(patient_ids)})


# By the clinic too, which is the patient's: so PostgreSQL reads a clinic's rows together, not each by itself.
OF_PATIENT = and_(PanelRow.patient_id == Patient.id, PanelRow.clinic_id == Patient.clinic_id)


def carried(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID | None = None) -> list[PatientPanelRow]:
    """Every active patient of the clinic, or the one named, with their row. One query."""
    carried = {"as_of": PanelRow.as_of, "facts": PanelRow.facts, "stale_since": PanelRow.stale_since}
    carried |= {"updated_at": PanelRow.updated_at}
    query = (
        select(*columns_of(PatientPanelRow, Patient, patient_id=Patient.id, **carried))
        .outerjoin(PanelRow, OF_PATIENT)
        .where(Patient.clinic_id == clinic_id)
        .order_by(Patient.name, Patient.id)
    )
    # Whoever is looked up by id is found, also after their monitoring has ended: the record stays.
    only = Patient.state == PatientState.ACTIVE if patient_id is None else Patient.id == patient_id
    query = query.where(only)
    return [PatientPanelRow(**row) for row in session.execute(query).mappings()]


_STALE = update(PanelRow.__table__).values(  # type: ignore[arg-type]
    stale_since=func.coalesce(PanelRow.stale_since, bindparam("at", type_=PanelRow.stale_since.type)),
    touched=PanelRow.touched + 1,
)
_DAY = bindparam("day", type_=PanelRow.changed_from.type)
_STALE_PLANNED = _STALE.values(planned_changed=True)
_STALE_FROM = _STALE.values(
    changed_from=case((PanelRow.changed_from < _DAY, PanelRow.changed_from), else_=_DAY)  # null is not less
)
_ONE, _MANY = (
    PanelRow.patient_id == bindparam("patient"),
    among_those(PanelRow.patient_id, "patients"),
)
_MARK_ONE, _MARK_ONE_FROM = Prepared(_STALE_PLANNED.where(_ONE)), Prepared(_STALE_FROM.where(_ONE))
_IN_ORDER = select(PanelRow.patient_id).where(_MANY).order_by(PanelRow.patient_id).with_for_update()
_MARK, _MARK_FROM = _STALE_PLANNED.where(_MANY), _STALE_FROM.where(_MANY)
_THESE = update(PanelRow.__table__).where(_MANY)  # type: ignore[arg-type]
_CLAIM = _THESE.values(claimed_until=bindparam("until", type_=PanelRow.claimed_until.type))
_LET_GO = _THESE.where(PanelRow.claimed_until.is_not(None)).values(claimed_until=None)
_JUDGE, _JUDGE_CLINIC = _STALE.where(_MANY), _STALE.where(PanelRow.clinic_id == bindparam("clinic"))


class StoredState(NamedTuple):
    """What is carried of one patient from day to day."""

    trend: bytes  # the engine's state
    recent: list[Any]  # the days that the row shows
    changed_from: date | None  # the first date from which both are no longer true
    planned_changed: bool  # what was planned or excused changed: `recent` may be true of no day


def carried_states(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, StoredState]:
    """What is carried of each of these patients for whom anything is."""
    columns = (CarriedStateRow.patient_id, CarriedStateRow.trend, CarriedStateRow.recent)
    marks = (PanelRow.changed_from, PanelRow.planned_changed)
    query = select(*columns, *marks).join(PanelRow, PanelRow.patient_id == CarriedStateRow.patient_id)
    return {
        row.patient_id: StoredState(row.trend, row.recent, row.changed_from, row.planned_changed)
        for row in rows(session).execute(query.where(among(CarriedStateRow.patient_id, patient_ids))).all()
    }


def keep_states(session: Session, states: Sequence[dict[str, Any]]) -> None:
    """Write states over those carried for the same patients, which have rows; never an older one over a newer."""
    upsert(
        session,
        CarriedStateRow.__table__,
        [{"id": new_id(), **state} for state in states],
        ["patient_id"],
        only_if="carried_states.touched <= excluded.touched",
    )


class StaleRow(NamedTuple):
    """A row to be made again, and the mark it carried when it was found."""

    patient_id: uuid.UUID
    clinic_id: uuid.UUID
    zone: str
    active: bool
    touched: int


_ACTIVE = (Patient.state == PatientState.ACTIVE).label("active")


def waits(session: Session, now: datetime) -> bool:
    """Whether any row is to be made again that nobody has claimed."""
    return any(session.execute(query.limit(1)).first() for query in _to_make(now))


def claim(session: Session, now: datetime, limit: int) -> list[StaleRow]:
    """Take rows to be made again: the longest stale first, then those whose patient's next day has begun.

    Nobody else takes them until they are written or let go, or the claim is over.
    """
    found: list[StaleRow] = []
    for query in _to_make(now):
        if len(found) < limit:
            taken = query.limit(limit - len(found)).with_for_update(of=PanelRow, skip_locked=True)
            found += [StaleRow(*row) for row in rows(session).execute(taken)]
    if found:
        rows(session).execute(_CLAIM, {"until": now + CLAIM_LASTS, "patients": [row.patient_id for row in found]})
    return found


def let_go(session: Session, patient_ids: Collection[uuid.UUID]) -> None:
    """Give back those of these rows that are still claimed: they were marked again, or cannot be made."""
    if patient_ids:
        _lock(session, patient_ids)
        rows(session).execute(_LET_GO, {"patients": list(patient_ids)})


_ToMake = Select[uuid.UUID, uuid.UUID, str, bool, int]


def _to_make(now: datetime) -> tuple[_ToMake, _ToMake]:
    columns = (
        select(
            PanelRow.patient_id,
            PanelRow.clinic_id,
            Patient.zone,
            _ACTIVE,
            PanelRow.touched,
        )
        .join(Patient, Patient.id == PanelRow.patient_id)
        .where(~is_quarantined("panel", PanelRow.patient_id))
        .where(PanelRow.claimed_until.is_(None) | lapsed(PanelRow.claimed_until, now, lease=CLAIM_LASTS))
    )
    # Two queries, each along its own index: an idle pass costs the same for any number of patients.
    stale = columns.where(PanelRow.stale_since.is_not(None)).order_by(PanelRow.stale_since, PanelRow.clinic_id)
    outdated = columns.where(PanelRow.outdated_at <= now, PanelRow.stale_since.is_(None))
    return stale, outdated.order_by(PanelRow.outdated_at, PanelRow.clinic_id)


def without_row(session: Session, limit: int) -> list[StaleRow]:
    """Active patients without any row: what a rebuild looks for, since it reads every patient."""
    query = (
        select(Patient.id.label("patient_id"), Patient.clinic_id, Patient.zone, _ACTIVE)
        .outerjoin(PanelRow, PanelRow.patient_id == Patient.id)
        .where(Patient.state == PatientState.ACTIVE, PanelRow.id.is_(None))
        .order_by(Patient.id)
        .limit(limit)
    )
    return [StaleRow(**row, touched=0) for row in session.execute(query).mappings()]


def gone(session: Session, clinic_id: uuid.UUID, since: datetime) -> set[uuid.UUID]:
    """Patients whom another clinic has taken over since then: what is in hand of them is not this clinic's any more."""
    left = (
        select(Transfer.patient_id)
        .join(Patient, Patient.id == Transfer.patient_id)
        .where(text("transfers.state = 'accepted'"), Transfer.settled_at >= since)
        .where(Transfer.clinic_id == clinic_id, Patient.clinic_id != clinic_id)
    )
    return set(rows(session).scalars(left))


_FRESH = {"stale_since": None, "changed_from": None, "planned_changed": False, "claimed_until": None}


def keep(session: Session, rows: Sequence[dict[str, Any]]) -> None:
    """Write rows over those carried for the same patients, unless they were marked again in the meantime.

    Each row says in `touched` which mark it was made under.
    """
    upsert(
        session,
        PanelRow.__table__,
        [
            {"id": new_id(), **_FRESH, **row}
            for row in sorted(rows, key=lambda row: row["patient_id"].int)  # taken in order, see `_lock`
        ],
        ["patient_id"],
        only_if="panel_rows.touched = excluded.touched",
    )
