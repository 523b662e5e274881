"""Signs of an emergency in a check-in: the task that calls staff, in words.

Not an emergency service: the person is told at once, by whoever asked them, to
call the clinic's emergency number. This is for staff, afterwards.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy.orm import Session

from service.care.tasks import raise_task
from service.domain import spoken
from service.domain.vocabulary import SafetySign, Source, TaskKind

SIGNS: Mapping[SafetySign, str] = {
    SafetySign.BREATHLESS_AT_REST: "breathless at rest",
    SafetySign.CHEST_PAIN: "chest pain or pressure",
    SafetySign.FAINTING: "fainting",
    SafetySign.PINK_SPUTUM: "pink or foamy sputum",
    SafetySign.NEW_CONFUSION: "new confusion",
}
ANSWERED_BY_US = (Source.PAGE, Source.TEXT)  # the person themselves saw our answer
COPIED = (Source.API, Source.FILE)  # may tell of days long past
NEWS = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class Said:
    """A check-in with signs that the day's earlier one did not have."""

    checkin_id: uuid.UUID
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    day: date
    source: Source
    signs: tuple[SafetySign, ...]


def raise_task_for(session: Session, said: Said, emergency_number: str, now: datetime) -> None:
    """Raise the task. A sign copied from an old notebook is for the review, not for somebody's evening."""
    if said.source in COPIED and said.day < now.date() - NEWS:
        return
    told = spoken.listed([SIGNS[sign] for sign in SafetySign if sign in said.signs])
    sentence = f"Check-in of {spoken.day(said.day)}: {told}."
    if said.source in ANSWERED_BY_US:
        sentence += f" They were told at once to call {emergency_number}."
    raise_task(
        session,
        said.clinic_id,
        said.patient_id,
        TaskKind.SAFETY_ANSWER,
        f"{sentence} Call them.",
        {
            "checkin": str(said.checkin_id),
            "signs": [sign.value for sign in said.signs],
            "local_date": said.day.isoformat(),
        },
        f"safety:{said.checkin_id}",
        now,
    )
