"""Whose data it is: patients found by id or by the clinic's own reference, inside one clinic."""

from __future__ import annotations

import contextlib
import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, NoReturn
from zoneinfo import ZoneInfo

from sqlalchemy import bindparam, exists, select

from service.care import ending
from service.domain import localtime
from service.domain.moves import Lived, OpenHours
from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import PatientState
from service.store.ids import among_those, slices
from service.store.prepared import Prepared
from service.store.session import Where, rows
from service.store.tables import Patient, PatientMove, Window

AROUND_A_MOVE = timedelta(days=2)  # a window lies within a date, and zones are at most 26 hours apart
PatientName = uuid.UUID | str


@dataclass(frozen=True, slots=True)
class FoundPatient:
    """A patient whose data may be taken in."""

    id: uuid.UUID
    zone: str
    lived: Lived
    last_day: date | None = None  # of their care here, where that has ended

    def date_of(self, instant: datetime) -> date:
        """The local date to which something taken at that instant belongs, whenever it arrives."""
        return self.lived.date_of(instant)


def find_patient(where: Where, clinic_id: uuid.UUID, patient: PatientName) -> FoundPatient:
    """The patient of that name in this clinic. Raises Refused("patient", …)."""
    found = find_patients(where, clinic_id, [patient])
    if not found:
        refuse_patient(patient)
    return found[patient]


def find_patients(
    where: Where, clinic_id: uuid.UUID, patients: Collection[PatientName], *, also_ended: bool = False
) -> dict[PatientName, FoundPatient]:
    """Those of these patients that can be found, by the name they were asked for.

    `also_ended`: also whose care here has ended, each with its last day.
    """
    ids = {name: its_id for name in patients if (its_id := id_of(name)) is not None}
    # No database has text that cannot be stored, and PostgreSQL cannot even look for it.
    names = [name for name in patients if name in ids or is_storable(str(name))]
    known: dict[PatientName, FoundPatient] = {}  # by id, and by the clinic's reference
    for some in slices(names):
        here = _here(where, clinic_id, some, ids, also_ended=also_ended)
        moved = _moved(where, {patient_id: zone for patient_id, _, zone, has, _ in here if has})
        ended = ending.last_days(where, [patient_id for patient_id, *_, state in here if state is PatientState.ENDED])
        for patient_id, clinic_ref, zone, _, state in here:
            if state is PatientState.ENDED and patient_id not in ended:
                continue
            lived = moved.get(patient_id) or Lived(localtime.zone(zone))
            known[patient_id] = known[clinic_ref] = FoundPatient(patient_id, zone, lived, ended.get(patient_id))
    return {name: known[found] for name in names if (found := ids.get(name, name)) in known}


def _here(
    where: Where,
    clinic_id: uuid.UUID,
    names: Sequence[PatientName],
    ids: Mapping[PatientName, uuid.UUID],
    *,
    also_ended: bool,
) -> list[Any]:
    by_id, refs = [ids[name] for name in names if name in ids], [one for one in names if one not in ids]
    found = []
    if by_id:
        query = _KNOWN_BY_ID if also_ended else _MONITORED_BY_ID
        found += query.all(where, {"clinic": clinic_id, "ids": by_id})
    if refs:
        by_ref = _KNOWN if also_ended else _MONITORED
        by_ref = by_ref.where(Patient.clinic_ref.in_(bindparam("refs", expanding=True)))
        found += rows(where).execute(by_ref, {"clinic": clinic_id, "refs": refs})
    return found


_HAS_MOVED = exists().where(PatientMove.patient_id == Patient.id).label("has_moved")
_KNOWN = select(Patient.id, Patient.clinic_ref, Patient.zone, _HAS_MOVED, Patient.state).where(
    Patient.clinic_id == bindparam("clinic"), Patient.erased_at.is_(None)
)
_MONITORED = _KNOWN.where(Patient.state == PatientState.ACTIVE)
_KNOWN_BY_ID, _MONITORED_BY_ID = (Prepared(one.where(among_those(Patient.id, "ids"))) for one in (_KNOWN, _MONITORED))


def _moved(where: Where, zones: Mapping[uuid.UUID, str]) -> dict[uuid.UUID, Lived]:
    """Where these patients, who have moved, lived until when; and their windows around the moves. Two queries."""
    if not zones:
        return {}
    before: dict[uuid.UUID, list[tuple[datetime, ZoneInfo]]] = defaultdict(list)
    moves = (
        select(PatientMove.patient_id, PatientMove.at, PatientMove.from_zone)
        .where(PatientMove.patient_id.in_(zones))
        .order_by(PatientMove.at)
    )
    for patient_id, at, zone in rows(where).execute(moves):
        before[patient_id].append((at, localtime.zone(zone)))
    windows: dict[uuid.UUID, list[OpenHours]] = defaultdict(list)
    instants = [at for some in before.values() for at, _ in some]
    for patient_id, opens_at, closes_at, day in rows(where).execute(
        select(Window.patient_id, Window.opens_at, Window.closes_at, Window.local_date)
        .where(
            Window.patient_id.in_(zones),
            Window.opens_at.between(min(instants) - AROUND_A_MOVE, max(instants) + AROUND_A_MOVE),
        )
        .order_by(Window.opens_at)
    ):
        if any(abs(opens_at - at) <= AROUND_A_MOVE for at, _ in before[patient_id]):
            windows[patient_id].append(OpenHours(opens_at, closes_at, day))
    return {one: Lived(localtime.zone(zone), before[one], windows[one]) for one, zone in zones.items()}


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
