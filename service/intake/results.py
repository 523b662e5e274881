"""Laboratory results and vital signs as they come in: one by one or many, by staff, machine or file.

Promises that of each kind, moment and posture of a patient one result counts, also where two come at the same time: one
that is there already is passed over, and another value is refused, as a correction says which result it corrects. Which
value is there is told to people alone: a machine's key that enters results reads none. Where care
here has ended, what was taken up to its last day is taken in still: it is part of the record.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import groupby

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import IntegrityError

from service.care import dues, ending, entries
from service.domain import localtime, validation
from service.domain.record import results
from service.domain.record.results import NewResult
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, ArmPosture, IntakeOutcome, PatientState, ResultKind, Source
from service.intake.patients import find_patients, refuse_patient
from service.store import panel
from service.store.arrivals import values_of
from service.store.audit import OPERATOR, Act, Actor
from service.store.identity import new_id
from service.store.ids import among
from service.store.session import Where, connect, rows, write_connection
from service.store.tables import Patient, ResultRow
from service.store.upsert import insert_new

COUNT = (ResultRow.superseded_at.is_(None), ResultRow.withdrawn.is_(False))
OF_THE_ARM = frozenset({ResultKind.SYSTOLIC, ResultKind.DIASTOLIC})
Place = tuple[uuid.UUID, ResultKind, datetime, ArmPosture | None]  # what there is one result of


def record_result(
    act: Act,
    patient: Patient,
    *,
    taken_at: datetime,
    value: str,
    kind: ResultKind | None = None,
    code: str | None = None,
    unit: str | None = None,
    posture: ArmPosture | None = None,
    note: str = "",
    source: Source = Source.API,
    corrects: ResultRow | None = None,
) -> ResultRow:
    """Keep a result as it was given; the row that is there where it is on record already. Raises Refused."""
    row = _row(NewResult(patient.id, taken_at, value, kind, code, unit, posture, note), act.now, source)
    if patient.state is PatientState.ENDED:
        last_day = ending.last_days(act.session, [patient.id]).get(patient.id)
        ending.check_in_care(localtime.local_date(row.taken_at, patient.zone), last_day)
    there = None if corrects is not None else _counting(act, patient, row)
    if there is not None and (there.value, there.unit) == (row.value, row.unit):
        return there
    if there is not None:
        raise _other_than((there.value, there.unit), value, act.actor)
    try:
        with act.session.begin_nested():
            return entries.enter(act, patient, row, corrects=corrects)
    except IntegrityError:  # it came from somebody else in this very moment, or stands there beside what is corrected
        there = _counting(act, patient, row)
        raise _other_than((there.value, there.unit) if there else ("a result", ""), value, act.actor) from None


def _counting(act: Act, patient: Patient, row: ResultRow) -> ResultRow | None:
    """The result that counts in its place."""
    posture = ResultRow.posture.is_(None) if row.posture is None else ResultRow.posture == row.posture
    of_moment = (ResultRow.patient_id == patient.id, ResultRow.kind == row.kind, ResultRow.taken_at == row.taken_at)
    query = select(ResultRow).where(*of_moment, posture, *COUNT)
    return act.session.scalar(query)


def _other_than(there: tuple[str, str], given: str, actor: Actor) -> Refused:
    known, unit = ("another value", "") if actor.kind is ActorKind.KEY else there
    told = f"{known} {results.written(unit)}".rstrip()
    return Refused("value", given, "%(told)s, as is on record of that moment; correct that one", told=told)


def record_results(
    engine: Engine,
    clinic_id: uuid.UUID,
    new: Sequence[NewResult],
    actor: Actor,
    now: datetime,
    *,
    source: Source = Source.FILE,
    ids: Sequence[uuid.UUID] | None = None,
) -> list[IntakeOutcome | Refused]:
    """Take in a batch in one transaction, and say of each what became of it, in the order given.

    The audit trail gets one line for each patient in the batch. `ids` are what the rows will be called.
    """
    with write_connection(engine) as connection:
        taken, said = _sorted(connection, clinic_id, new, now, actor)
        for number, row in taken.items():
            row.id = ids[number] if ids else row.id
            row.entered_by, row.source = str(actor), source
        taken = _written(connection, taken, said, actor)
        heard = [row.patient_id for row in taken.values() if row.kind is ResultKind.RHYTHM]
        panel.mark_stale(connection, heard, now)  # it says whether heart rate counts
        dues.look_again(connection, {row.patient_id for row in taken.values()}, now)
        if taken:
            theirs = groupby(sorted(row.patient_id for row in taken.values()))
            Act(connection, actor, clinic_id, now).note_each(
                "results.import", [("patient", patient_id, {"results": len(list(some))}) for patient_id, some in theirs]
            )
    return said


def _written(
    connection: Connection, taken: dict[int, ResultRow], said: list[IntakeOutcome | Refused], actor: Actor
) -> dict[int, ResultRow]:
    """Those of `taken` that were written; `said` tells what another import has written in the same moment."""
    # In one order, so that of two imports of the same results none waits for the other and is waited for.
    ordered = sorted(taken.items(), key=lambda one: tuple(map(str, _place(one[1]))))
    values = [values_of(row) for _, row in ordered]
    if insert_new(connection, ResultRow.__table__, values) == len(ordered):
        return taken
    ids = [row.id for _, row in ordered]
    kept = set(connection.scalars(select(ResultRow.id).where(among(ResultRow.id, ids))))
    here = _there(connection, [row for _, row in ordered])
    for number, row in ordered:
        if row.id not in kept:
            value = here.get(_place(row), (row.value, row.unit))
            is_same = value == (row.value, row.unit)
            said[number] = IntakeOutcome.DUPLICATE if is_same else _other_than(value, row.value, actor)
    return {number: row for number, row in taken.items() if row.id in kept}


def try_results(
    engine: Engine, clinic_id: uuid.UUID, new: Sequence[NewResult], now: datetime
) -> list[IntakeOutcome | Refused]:
    """What `record_results` would answer, without writing anything."""
    with connect(engine) as connection:
        return _sorted(connection, clinic_id, new, now, OPERATOR)[1]


def _sorted(
    where: Where, clinic_id: uuid.UUID, new: Sequence[NewResult], now: datetime, actor: Actor
) -> tuple[dict[int, ResultRow], list[IntakeOutcome | Refused]]:
    """The rows to write, by their places in `new`, and what becomes of each of `new`."""
    found = find_patients(where, clinic_id, {one.patient for one in new}, also_ended=True)
    read: list[ResultRow | Refused] = []
    for one in new:
        try:
            if one.patient not in found:
                refuse_patient(one.patient)
            row = _row(one, now, Source.FILE)
            whose = found[one.patient]
            ending.check_in_care(whose.date_of(row.taken_at), whose.last_day)
            row.id, row.clinic_id, row.patient_id = new_id(), clinic_id, whose.id
            row.entered_at, row.withdrawn = now, False
            read.append(row)
        except Refused as refusal:
            read.append(refusal)
    here = _there(where, [row for row in read if isinstance(row, ResultRow)])
    taken: dict[int, ResultRow] = {}
    said: list[IntakeOutcome | Refused] = []
    for number, made in enumerate(read):
        if isinstance(made, Refused):
            said.append(made)
            continue
        row = made
        place, value = _place(row), (row.value, row.unit)
        if here.get(place, value) != value:
            said.append(_other_than(here[place], new[number].value, actor))
        elif place in here:
            said.append(IntakeOutcome.DUPLICATE)
        else:
            said.append(IntakeOutcome.RECORDED)
            here[place], taken[number] = value, row
    return taken, said


def _place(row: ResultRow) -> Place:
    return row.patient_id, row.kind, row.taken_at, row.posture


def _there(where: Where, some: Sequence[ResultRow]) -> dict[Place, tuple[str, str]]:
    """The value and unit of every result that counts of these patients, in the span of time of `some`."""
    if not some:
        return {}
    query = select(
        ResultRow.patient_id, ResultRow.kind, ResultRow.taken_at, ResultRow.posture, ResultRow.value, ResultRow.unit
    ).where(
        among(ResultRow.patient_id, list({row.patient_id for row in some})),
        ResultRow.taken_at.between(min(row.taken_at for row in some), max(row.taken_at for row in some)),
        *COUNT,
    )
    return {
        (patient_id, kind, taken_at, posture): (value, unit)
        for patient_id, kind, taken_at, posture, value, unit in rows(where).execute(query)
    }


def _row(new: NewResult, now: datetime, source: Source) -> ResultRow:
    """The row of a result that can be. Raises Refused."""
    kind, unit = new.kind, new.unit
    if new.code is not None and kind is None:
        kind, implied = results.kind_of(new.code)
        unit = unit or implied
    elif new.code is not None or kind is None:
        raise Refused("kind", kind, "a kind of result, or a LOINC code in `code`: one of the two")
    if new.taken_at.tzinfo is None or not now - entries.FARTHEST <= new.taken_at <= now + timedelta(minutes=5):
        raise Refused("taken_at", new.taken_at.isoformat(), "a moment that has come, with its offset")
    if new.posture is not None and kind not in OF_THE_ARM:
        raise Refused("posture", new.posture, "nothing, but for a pressure of the arm")
    if kind is ResultKind.RHYTHM:
        kept, unit = str(results.read_rhythm(new.value)), ""
    else:
        result = results.read_result(kind, new.value, unit)
        kept, unit = str(result.value), result.unit
    note = validation.prose("note", new.note, longest=entries.LONGEST_NOTE)
    return ResultRow(
        kind=kind, taken_at=new.taken_at, value=kept, unit=unit, posture=new.posture, source=source, note=note
    )
