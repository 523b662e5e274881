"""Whose data it is: patients found by id or by the clinic's own reference, inside one clinic."""

from __future__ import annotations

import contextlib
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from typing import NoReturn

from sqlalchemy import Row, Select, or_, select
from sqlalchemy.orm import Session

from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import PatientState
from service.store.session import Where, rows
from service.store.slices import slices
from service.store.tables import Patient

PatientName = uuid.UUID | str


@dataclass(frozen=True, slots=True)
class FoundPatient:
    """A patient whose data may be taken in."""

    id: uuid.UUID
    zone: str


def find_patient(where: Where, clinic_id: uuid.UUID, patient: PatientName) -> FoundPatient:
    """The patient of that name in this clinic. Raises Refused("patient", …)."""
    if not _is_sound(patient):
        refuse_patient(patient)
    known = id_of(patient)
    is_it = Patient.clinic_ref == patient if known is None else Patient.id == known
    row = rows(where).execute(_patients(clinic_id).where(is_it)).first()
    if row is None:
        refuse_patient(patient)
    return FoundPatient(row.id, row.zone)


def find_patients(
    session: Session, clinic_id: uuid.UUID, patients: Collection[PatientName]
) -> dict[PatientName, FoundPatient]:
    """Those of these patients that can be found, by the name they were asked for."""
    ids = {name: known for name in patients if (known := id_of(name)) is not None}
    names = [name for name in patients if _is_sound(name)]
    found_rows: list[Row[uuid.UUID, str, str]] = []
    for some in slices(names):
        found_rows += session.execute(
            _patients(clinic_id).where(
                or_(
                    Patient.id.in_([ids[name] for name in some if name in ids]),
                    Patient.clinic_ref.in_([name for name in some if name not in ids]),
                )
            )
        ).all()
    by_id = {row.id: FoundPatient(row.id, row.zone) for row in found_rows}
    by_ref = {row.clinic_ref: by_id[row.id] for row in found_rows}
    found: dict[PatientName, FoundPatient] = {}
    for name in names:
        patient = by_id.get(ids[name]) if name in ids else by_ref.get(str(name))
        if patient is not None:
            found[name] = patient
    return found


def refuse_patient(patient: PatientName) -> NoReturn:
    """Say that there is nobody of that name here; whether there is elsewhere is nobody's business."""
    raise Refused("patient", str(patient), "the id or the clinic's reference of a patient who is being monitored")


def id_of(patient: PatientName) -> uuid.UUID | None:
    """The id, when that is how the patient was named."""
    if isinstance(patient, uuid.UUID):
        return patient
    if len(patient) == 36:
        with contextlib.suppress(ValueError):
            return uuid.UUID(patient)
    return None


def _is_sound(patient: PatientName) -> bool:
    # No database has such text, and PostgreSQL cannot even look for it.
    return isinstance(patient, uuid.UUID) or is_storable(patient)


def _patients(clinic_id: uuid.UUID) -> Select[uuid.UUID, str, str]:
    return select(Patient.id, Patient.clinic_ref, Patient.zone).where(
        Patient.clinic_id == clinic_id, Patient.state == PatientState.ACTIVE
    )
