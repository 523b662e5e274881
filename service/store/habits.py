"""How readings are asked for and answered, in numbers: for the page on why readings stop, and the clinic's measures.

Promises a constant number of queries for a clinic and counts only: no row leaves
the database that a count would do for.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session, aliased

from service.domain.vocabulary import (
    AdjustmentKind,
    Outcome,
    PatientState,
    PauseCause,
    SignalKind,
    SilenceCause,
    StepKind,
    StepState,
    WindowState,
)
from service.store.tables import Adjustment, Patient, Pause, Reading, Signal, SignOff, Silence, Step, Window

EXPECTED = (WindowState.ANSWERED, WindowState.MISSED)


@dataclass(frozen=True, slots=True)
class PastSilence:
    patient_id: uuid.UUID
    patient: str
    first_day: date
    last_day: date
    missed: int
    cause: SilenceCause
    ended: bool


def silences_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[PastSilence]:
    """Silences that touch `first` or later, the longest first."""
    query = (
        select(
            Silence.patient_id,
            Patient.name,
            Silence.first_date,
            Silence.last_date,
            Silence.missed,
            Silence.cause,
            Silence.ended_at.is_not(None),
        )
        .join(Patient, Patient.id == Silence.patient_id)
        .where(Silence.clinic_id == clinic_id, Silence.last_date >= first)
        .order_by(Silence.ended_at.is_not(None), Silence.missed.desc(), Patient.name)
    )
    return [PastSilence(*row) for row in session.execute(query)]


def answered_after(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> dict[StepKind | None, int]:
    """How many expected readings came after which step: keyed by the last step done before it came.

    None counts the readings that came before anything was sent. Windows still
    without a reading are not here: see `asked`.
    """
    before = aliased(Step)
    rank = case({kind.value: place for place, kind in enumerate(StepKind)}, value=before.kind)
    query = (
        select(Window.id, func.max(rank))
        .outerjoin(
            before,
            (before.window_id == Window.id)
            & (before.state == StepState.DONE)
            & (before.settled_at <= Window.reading_at),
        )
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
            Window.reading_at.is_not(None),
        )
        .group_by(Window.id)
        .subquery()
    )
    counts = select(query.c[1], func.count()).group_by(query.c[1])
    kinds: Sequence[StepKind] = list(StepKind)
    found: dict[StepKind | None, int] = {None: 0}
    for place, number in session.execute(counts):
        found[None if place is None else kinds[place]] = number
    return found


def steps_done(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> dict[StepKind, int]:
    """How many expected windows had each step done."""
    query = (
        select(Step.kind, func.count(func.distinct(Step.window_id)))
        .join(Window, Window.id == Step.window_id)
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
            Step.state == StepState.DONE,
        )
        .group_by(Step.kind)
    )
    return {row[0]: row[1] for row in session.execute(query)}


def expected(session: Session, clinic_id: uuid.UUID, first: date, last: date) -> list[tuple[date, int, int]]:
    """(local date, received, expected) for each date with anything expected; excused days are in neither."""
    query = (
        select(Window.local_date, func.count(Window.reading_at), func.count())
        .where(
            Window.clinic_id == clinic_id,
            Window.local_date.between(first, last),
            Window.wants_reading,
            Window.state.in_(EXPECTED),
        )
        .group_by(Window.local_date)
        .order_by(Window.local_date)
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def taken_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[tuple[uuid.UUID, datetime]]:
    """(patient, instant) of every current reading since `first`, for the hour of day they are usually taken."""
    query = select(Reading.patient_id, Reading.taken_at).where(
        Reading.clinic_id == clinic_id, Reading.superseded_at.is_(None), Reading.local_date >= first
    )
    return [(row[0], row[1]) for row in session.execute(query)]


# --- for the clinic's measures --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Enrolled:
    patient_id: uuid.UUID
    enrolled_at: datetime
    active: bool


def enrolled(session: Session, clinic_id: uuid.UUID) -> list[Enrolled]:
    query = select(Patient.id, Patient.enrolled_at, Patient.state == PatientState.ACTIVE).where(
        Patient.clinic_id == clinic_id
    )
    return [Enrolled(*row) for row in session.execute(query)]


def signals_since(
    session: Session, clinic_id: uuid.UUID, first: date
) -> list[tuple[uuid.UUID, SignalKind, date, date | None]]:
    """(patient, kind, raised on, ended on) of every signal raised since `first`."""
    query = (
        select(Signal.patient_id, Signal.kind, Signal.raised_on, Signal.ended_on)
        .where(Signal.clinic_id == clinic_id, Signal.raised_on >= first)
        .order_by(Signal.raised_on)
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def adjusted_since(session: Session, clinic_id: uuid.UUID, first: date) -> list[tuple[uuid.UUID, date, AdjustmentKind]]:
    """(patient, day, kind) of every current adjustment since `first`, calls and visits among them."""
    query = (
        select(Adjustment.patient_id, Adjustment.made_on, Adjustment.kind)
        .where(Adjustment.clinic_id == clinic_id, Adjustment.superseded_at.is_(None), Adjustment.made_on >= first)
        .order_by(Adjustment.made_on)
    )
    return [(row[0], row[1], row[2]) for row in session.execute(query)]


def signed_since(
    session: Session, clinic_id: uuid.UUID, first: date
) -> list[tuple[uuid.UUID, date, datetime, Outcome]]:
    """(patient, week, instant, outcome) of every signature for weeks since `first`."""
    query = select(SignOff.patient_id, SignOff.week, SignOff.signed_at, SignOff.outcome).where(
        SignOff.clinic_id == clinic_id, SignOff.week >= first
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def stays_since(session: Session, clinic_id: uuid.UUID, first: date) -> Iterable[tuple[uuid.UUID, date, date | None]]:
    """(patient, from, to) of every pause in hospital that touches `first` or later."""
    query = select(Pause.patient_id, Pause.from_date, Pause.to_date).where(
        Pause.clinic_id == clinic_id,
        Pause.cause == PauseCause.IN_HOSPITAL,
        Pause.cancelled_at.is_(None),
        (Pause.to_date.is_(None)) | (Pause.to_date >= first),
    )
    rows: Sequence[Any] = session.execute(query).all()
    return [(row[0], row[1], row[2]) for row in rows]
