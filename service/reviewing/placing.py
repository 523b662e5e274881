"""Where a patient stands on the panel: what the rules of the review are given, and what the row carries of it.

The rank is a text that sorts as the panel does (lane, then the order of attention), so
that the database finds a patient's neighbours without building anybody's entry. It is as
new as the row it stands in; who has signed is not in it, and is always read live. Beside it
the row says which signature or addition is overtaken by what came since, and where the patient stood.

Whoever has come to stand in *Call today* since the row was made before is called for: one open task a
patient and date of the clinic. What comes for another reason while it is open is told by it beside what it
told, and it is open again if somebody had taken it; once it was closed, another reason is a task of its own, and
what was told that day is none, unless staff had ended it and it came back. What an open urgent task of another
kind tells of is not told twice, see `domain.since.calls_today`.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from typing import Any, Protocol

import structlog
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import tasks
from service.domain import factjson, localtime, review, since
from service.domain.frozen import dataclass
from service.domain.review import LANES, PatientFacts, Placement
from service.domain.signals.facts import Episode, PictureFacts
from service.domain.signals.picture import lane_of, name_of
from service.domain.summary import Summary
from service.domain.tasks import EnteredCallToday, from_json
from service.domain.vocabulary import Lane, TaskKind, TaskSettled, TaskState
from service.store import panel, staffwork
from service.store.ids import among
from service.store.quarantine import describe_error
from service.store.session import rows as connection_of
from service.store.staffwork import SignedRow
from service.store.tables import Clinic, PanelRow, Patient, Task
from service.store.types import begins

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Placed:
    """What a row carries of where its patient stands."""

    rank: str = ""  # stands at the top
    standing: dict[str, Any] | None = None
    overtaken: uuid.UUID | None = None  # the newest signature or addition of this week, where something came since
    calls: tuple[PictureFacts | Episode, ...] = ()  # what to call staff for


NOWHERE = Placed()


def place_all(
    session: Session, clinic_id: uuid.UUID, known: Mapping[uuid.UUID, Summary], now: datetime
) -> dict[uuid.UUID, Placed]:
    """Where each patient stands whose summary is given. Eight queries."""
    clinic = session.get_one(Clinic, clinic_id)
    week = current_week(clinic, now)
    found: dict[uuid.UUID, Placed] = {}
    work = staffwork.of_clinic(session, clinic_id, week, local_zone=clinic.zone, patient_ids=known)
    who = select(
        Patient.id.label("patient_id"), Patient.name, Patient.zone, Patient.enrolled_at, PanelRow.standing
    ).outerjoin(PanelRow, panel.OF_PATIENT)
    for row in connection_of(session).execute(who.where(Patient.clinic_id == clinic_id, among(Patient.id, known))):
        try:
            facts = review_facts(row, known[row.patient_id], work, clinic)
            found[row.patient_id] = _placed(facts, row.standing, work.signed.get(row.patient_id))
        except Exception as error:
            # One who cannot be placed stands at the top, and keeps nobody else's row from being made.
            log.error("patient could not be placed", id=str(row.patient_id), error=describe_error(error))
            found[row.patient_id] = NOWHERE
    return found


def _placed(facts: PatientFacts, before: Mapping[str, Any] | None, signed: SignedRow | None) -> Placed:
    placed = review.place(facts)
    news = since.since_signed(signed.stood, facts, placed) if signed else ()
    calls: tuple[PictureFacts | Episode, ...] = ()
    if placed.lane is Lane.CALL_TODAY:
        calls = since.calls_today(facts, placed, factjson.unpack(since.Standing, before) if before else None)
    standing = factjson.pack(since.standing_of(facts, placed))
    return Placed(rank_of(placed), standing, signed.newest if signed and news else None, calls)


def call_for(session: Session, clinic_id: uuid.UUID, placed: Mapping[uuid.UUID, Placed], now: datetime) -> None:
    """Raise the tasks of those who have entered *Call today*."""
    called = {patient_id: one.calls for patient_id, one in placed.items() if one.calls}
    if not called:
        return
    day = localtime.local_date(now, session.get_one(Clinic, clinic_id).zone)
    for patient_id, because in called.items():
        _call(session, clinic_id, patient_id, EnteredCallToday(day, because), now)


def _call(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, new: EnteredCallToday, now: datetime) -> None:
    key = f"call_today:{patient_id}:{new.day.isoformat()}:"
    of_day = session.execute(
        select(Task.id, Task.state, Task.close_reason, Task.facts).where(
            Task.patient_id == patient_id, begins(Task.dedupe_key, key)
        )
    ).all()
    told: set[str] = set()
    for task_id, state, why, stored in of_day:
        earlier = from_json(stored)
        before = {name_of(one): one for one in earlier.because} if isinstance(earlier, EnteredCallToday) else {}
        if state is not TaskState.CLOSED:
            because = before | {name_of(one): one for one in new.because}
            tasks.tell_instead(session, Task.id == task_id, replace(new, because=tuple(because.values())), now)
            return
        if why != TaskSettled.EPISODE_CLOSED:  # what staff ended, and has come back since, is told anew
            told |= before.keys()
    if not told.issuperset(map(name_of, new.because)):
        tasks.raise_task(session, clinic_id, patient_id, new, f"{key}{len(of_day)}", now)


def settle_calls(session: Session, patient_id: uuid.UUID, known: Summary, now: datetime) -> None:
    """Close the patient's open calls of which no reason holds any more, because of what staff have just done."""
    holding = {name_of(signal) for signal in known.trend.signals}
    if known.trend.picture is not None and lane_of(known.trend.picture) is Lane.CALL_TODAY:
        holding.add(name_of(known.trend.picture))
    theirs = (Task.patient_id == patient_id, Task.kind == TaskKind.CALL_TODAY, Task.state != TaskState.CLOSED)
    for task_id, facts in session.execute(select(Task.id, Task.facts).where(*theirs)).all():
        if holding.isdisjoint(review.called_for(from_json(facts))):
            tasks.close_tasks(session, Task.id == task_id, TaskSettled.EPISODE_CLOSED, now, also_taken=True)


def rank_of(placement: Placement) -> str:
    """`0` for the first lane and so on, then each number of the order as sixteen hexadecimal digits that sort alike."""
    # IEEE 754: as whole numbers, doubles of one sign sort by size; negative ones the other way round.
    many = len(placement.order)
    every = struct.unpack(f">{many}Q", struct.pack(f">{many}d", *[number + 0.0 for number in placement.order]))
    sortable = [f"{bits ^ (0xFFFFFFFFFFFFFFFF if bits >> 63 else 1 << 63):016x}" for bits in every]
    return f"{LANES.index(placement.lane)}{''.join(sortable)}"


def current_week(clinic: Clinic, now: datetime) -> date:
    """The first day of the clinic's present review week."""
    return review.week_of(localtime.local_date(now, clinic.zone), clinic.review_weekday)


def _look_on(signed: SignedRow | None, clinic: Clinic) -> date | None:
    if signed is None or signed.next_look is None:
        return None
    return signed.next_look if localtime.local_date(signed.instants[-1], clinic.zone) < signed.next_look else None


class Enrolled(Protocol):
    """Of a patient's row, what the review looks at."""

    @property
    def patient_id(self) -> uuid.UUID: ...

    @property
    def name(self) -> str: ...

    @property
    def zone(self) -> str: ...

    @property
    def enrolled_at(self) -> datetime: ...


def review_facts(row: Enrolled, known: Summary, work: staffwork.StaffWork, clinic: Clinic) -> PatientFacts:
    """What the rules of the review are given for one patient."""
    patient_id = row.patient_id
    adjustments = work.adjustments.get(patient_id, ())
    response = known.trend.response
    newest = adjustments[0] if adjustments and adjustments[0].stands else None
    if newest is not None and response is not None and response.adjustment.made_on == newest.made_on:
        adjustments = (replace(newest, response=response), *adjustments[1:])
    holding = {signal.kind for signal in known.trend.signals}
    return PatientFacts(
        patient_id=patient_id,
        enrolled_on=localtime.local_date(row.enrolled_at, row.zone),
        known=known,
        silent_days=known.silent_days or clinic.silent_days,
        unseen=tuple(signal for signal in work.unseen.get(patient_id, ()) if signal.kind not in holding),
        tasks=work.tasks.get(patient_id, ()),
        adjustments=adjustments,
        last_review=work.earlier.get(patient_id),
        look_on=_look_on(work.signed.get(patient_id), clinic),
        accepted=work.accepted.get(patient_id),
    )
