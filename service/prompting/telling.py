"""What staff are told by follow-up steps: one task each, once per occurrence."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import tasks
from service.domain.vocabulary import SilenceCause, TaskKind
from service.prompting.facts import TO_PATIENT, DueStep, OpenSilence
from service.store.tables import Task


@dataclass(frozen=True)
class Told:
    """A task to raise unless its occurrence has one already."""

    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    kind: TaskKind
    sentence: str
    facts: dict[str, Any]
    dedupe_key: str


def silent(step: DueStep, silence: OpenSilence) -> Told:
    """A silence has lasted as long as the clinic is willing to wait: once per silence."""
    return Told(
        step.clinic_id,
        step.patient_id,
        TaskKind.SILENT,
        f"No reading on {silence.missed} planned days in a row: {_CAUSES[silence.cause]}.",
        {"missed": silence.missed, "cause": silence.cause.value, "silence_id": str(silence.id)},
        f"silent:{silence.id}",
    )


def no_contact(step: DueStep) -> Told:
    """Somebody who should be asked cannot be reached at all.

    At most once a week: the same broken telephone every morning would bury the rest of the inbox.
    """
    year, week, _ = step.local_date.isocalendar()
    who = "patient" if step.kind in TO_PATIENT else "caregiver"
    return Told(
        step.clinic_id,
        step.patient_id,
        TaskKind.NO_CONTACT,
        f"There is no working way to reach {_WHO[who]}: the {step.kind.value} was not sent.",
        {"step": step.kind.value, "window_id": str(step.window_id)},
        f"no_contact:{step.patient_id}:{who}:{year}-{week:02}",
    )


def tell_staff(session: Session, told: Sequence[Told], now: datetime) -> None:
    """Raise what is not raised yet."""
    if not told:
        return
    keys = [one.dedupe_key for one in told]
    # A long silence asks for its one task again every day: all that are there already cost one query.
    raised = set(session.scalars(select(Task.dedupe_key).where(Task.dedupe_key.in_(keys))))
    for one in told:
        if one.dedupe_key not in raised:
            tasks.raise_task(
                session, one.clinic_id, one.patient_id, one.kind, one.sentence, one.facts, one.dedupe_key, now
            )


_WHO = {"patient": "the patient", "caregiver": "any caregiver"}
_CAUSES = {
    SilenceCause.NOT_ASKED: "we did not ask",
    SilenceCause.NOT_DELIVERED: "our messages did not arrive",
    SilenceCause.NO_REPLY: "asked, and no reply",
    SilenceCause.DIARY_ONLY: "the diary came, but no reading",
}
