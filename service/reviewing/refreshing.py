"""Make the panel's rows again from what they summarise.

`summaries` computes and writes nothing: it serves a page that finds rows stale.
`refresh` is the worker's: it writes what `summaries` says, a few hundred at a time.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain import joined, summary
from service.domain.joined import Day
from service.domain.summary import Summary
from service.reviewing import judging
from service.store import histories, panel
from service.store.histories import History
from service.store.session import reading, writing
from service.store.tables import Patient

HISTORY_DAYS = 120


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What one pass did."""

    rows: int


def refresh(engine: Engine, now: datetime, limit: int = 500) -> Refreshed:
    """Write the rows that are missing, stale or of an earlier day; at most `limit` in one pass.

    Nothing is read between computing and writing that a writer could change in
    the meantime: both are one transaction.
    """
    with reading(engine) as session:
        due = panel.to_refresh(session, now, limit)
    by_clinic: dict[uuid.UUID, list[uuid.UUID]] = {}
    for clinic_id, patient_id in due:
        by_clinic.setdefault(clinic_id, []).append(patient_id)
    for clinic_id, ids in by_clinic.items():
        with writing(engine) as session:
            write(session, clinic_id, ids, now)
    return Refreshed(len(due))


def write(session: Session, clinic_id: uuid.UUID, patient_ids: list[uuid.UUID], now: datetime) -> None:
    """Make these patients' rows again and keep them, inside the caller's transaction."""
    zones = session.execute(select(Patient.id, Patient.zone).where(Patient.id.in_(patient_ids))).all()
    todays = {patient_id: now.astimezone(ZoneInfo(zone)).date() for patient_id, zone in zones}
    made = summaries(session, clinic_id, todays)
    panel.keep(
        session,
        [
            {
                "clinic_id": clinic_id,
                "patient_id": patient_id,
                "as_of": known.today,
                "facts": summary.as_json(known),
                "trend": None,
                "updated_at": now,
            }
            for patient_id, known in made.items()
        ],
    )


def summaries(session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Summary]:
    """Each patient's summary as of their own date, from the rows themselves."""
    if not todays:
        return {}
    found = histories.load(session, clinic_id, todays, min(todays.values()) - timedelta(days=HISTORY_DAYS))
    cases = {patient_id: (history, _days(history, todays[patient_id])) for patient_id, history in found.items()}
    judged = judging.judge(cases)
    return {patient_id: _summary(history, days, judged[patient_id]) for patient_id, (history, days) in cases.items()}


def _days(history: History, today: date) -> tuple[Day, ...]:
    return joined.join(
        today - timedelta(days=summary.STRIP_DAYS - 1),
        today,
        readings=history.readings,
        diary=history.diary,
        windows=history.windows,
        pauses=history.pauses,
    )


def _summary(history: History, days: tuple[Day, ...], judged: summary.Judged) -> Summary:
    today = days[-1].day
    return summary.settled_in_json(
        Summary(
            today=today,
            strip=summary.strip(days),
            adherence=summary.adherence(days),
            judged=judged,
            upper=history.limits.upper if history.limits else None,
            lower=history.limits.lower if history.limits else None,
            last_reading_on=history.last_reading_on,
            last_diary_on=max((day.day for day in history.diary if day.day <= today), default=None),
            weight=summary.weight_change(days),
            symptoms=summary.symptom_change(days),
            silence=history.silence_now(),
            pause=history.pause_on(today),
            has_plan=history.has_plan,
            silent_days=history.silent_days,
        )
    )
