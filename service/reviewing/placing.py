"""Where a patient stands on the panel: what the rules of the review are given, and the rank carried in the row.

The rank is a text that sorts as the panel does (lane, then the order of attention), so
that the database finds a patient's neighbours without building anybody's entry. It is as
new as the row it stands in; who has signed is not in it, and is always read live.
"""

from __future__ import annotations

import struct
import uuid
from collections.abc import Mapping
from datetime import date, datetime

import structlog
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import localtime, review
from service.domain.review import LANES, LastAdjustment, PatientFacts, Placement
from service.domain.summary import Summary
from service.store import panel, staffwork
from service.store.quarantine import describe_error
from service.store.slices import slices
from service.store.tables import Clinic, Patient

log = structlog.get_logger(__name__)
RESPONSE_DAYS = 28  # common practice, no source: later, other things have happened


def ranks(
    session: Session, clinic_id: uuid.UUID, known: Mapping[uuid.UUID, Summary], now: datetime
) -> dict[uuid.UUID, str]:
    """The rank of each patient whose summary is given. Six queries for up to 500 of them."""
    clinic = session.get_one(Clinic, clinic_id)
    week = review.week_of(local_date(now, clinic.zone), clinic.review_weekday)
    found: dict[uuid.UUID, str] = {}
    for ids in slices(list(known)):
        work = staffwork.of_clinic(session, clinic_id, week, local_zone=clinic.zone, patient_ids=ids)
        who = select(Patient.id, Patient.name, Patient.clinic_ref, Patient.zone, Patient.enrolled_at)
        for row in session.execute(who.where(Patient.id.in_(ids))):
            patient = panel.PatientPanelRow(*row, as_of=None, facts=None, stale_since=None)
            try:
                facts = review_facts(patient, known[patient.patient_id], work, clinic)
                found[patient.patient_id] = rank_of(review.place(facts))
            except Exception as error:
                # One who cannot be placed stands at the top, and keeps nobody else's row from being made.
                log.error("patient could not be placed", id=str(patient.patient_id), error=describe_error(error))
                found[patient.patient_id] = ""
    return found


def rank_of(placement: Placement) -> str:
    """`0` for the first lane and so on, then each number of the order as sixteen hexadecimal digits that sort alike."""
    return "".join((str(LANES.index(placement.lane)), *map(_sortable, placement.order)))


def _sortable(number: float) -> str:
    # IEEE 754: as whole numbers, doubles of one sign sort by size; negative ones the other way round.
    (bits,) = struct.unpack(">Q", struct.pack(">d", number + 0.0))
    return f"{bits ^ (0xFFFFFFFFFFFFFFFF if bits >> 63 else 1 << 63):016x}"


def local_date(now: datetime, zone: str) -> date:
    """The date that a calendar on the wall in `zone` shows at `now`."""
    return localtime.local_date(now, localtime.zone(zone))


def review_facts(row: panel.PatientPanelRow, known: Summary, work: staffwork.StaffWork, clinic: Clinic) -> PatientFacts:
    """What the rules of the review are given for one patient."""
    patient_id = row.patient_id
    adjustments = work.adjustments.get(patient_id, ())
    if adjustments and known.trend.response is not None and _recent(adjustments[0], known.today):
        newest = adjustments[0]
        adjustments = (
            LastAdjustment(
                newest.made_on,
                newest.what,
                known.trend.response,
                newest.follow_up_on,
                newest.follow_up_what,
            ),
            *adjustments[1:],
        )
    holding = {signal.kind for signal in known.trend.signals}
    unseen = tuple(signal for signal in work.unseen.get(patient_id, ()) if signal.kind not in holding)
    return PatientFacts(
        patient_id=patient_id,
        name=row.name,
        today=known.today,
        enrolled_on=local_date(row.enrolled_at, row.zone),
        has_plan=known.has_plan,
        silent_days=known.silent_days or clinic.silent_days,
        signals=(*known.trend.signals, *unseen),
        tasks=work.tasks.get(patient_id, ()),
        adherence=known.adherence,
        silence=known.silence,
        pause=known.pause,
        last_reading_on=known.last_reading_on,
        last_diary_on=known.last_diary_on,
        picture=known.trend.picture,
        picture_lane=known.trend.lane,
        days_to_limit=known.trend.days_to_limit,
        adjustments=adjustments,
        last_review=work.earlier.get(patient_id),
        trouble=known.trouble,
    )


def _recent(made: LastAdjustment, today: date) -> bool:
    """Whether what the pressures do now can still be an answer to it."""
    return (today - made.made_on).days <= RESPONSE_DAYS
