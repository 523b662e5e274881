"""Sign one patient's weekly review, with what was on the page frozen inside it.

1. Build the patient's entry and joined days as of `now`, in the signing transaction.
2. Freeze them as canonical JSON and keep its SHA-256 beside it.
3. One signature per patient and week: the database's unique constraint decides
   which of two at once is first; the other is told who was (`AlreadySigned`).
A signed review is never changed. What arrives later is told as an amendment.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.domain import days, review, summary
from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import ActorKind, Outcome
from service.reviewing.acting import Acting
from service.reviewing.panel import PanelEntry
from service.reviewing.patient import PatientReview, build_patient
from service.reviewing.placing import local_date
from service.store.audit import Act, Actor
from service.store.tables import Clinic, Signal, SignOff, Staff
from service.words.language import Language, load_language
from service.words.sentences import review as words
from service.words.sentences import signals, tasks

LONGEST_NOTE = 4000
FURTHEST_LOOK = timedelta(days=366)


class AlreadySigned(Exception):
    """Somebody signed this patient's review of this week before."""

    def __init__(self, by: str, at: datetime) -> None:
        self.by = by
        self.at = at
        super().__init__(f"already signed by {by} at {at.isoformat()}")


def sign(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID,
    staff: Acting,
    outcome: Outcome,
    note: str,
    next_look: date | None,
    now: datetime,
    say: Language | None = None,
) -> SignOff:
    """Sign off this patient for the clinic's present review week, as read in the language `say` (None: the clinic's).

    Raises Refused for a note or a date that cannot be taken, LookupError for a
    patient or a signer that is not this clinic's, and AlreadySigned when another
    signature was first; the caller's transaction is still good then.
    """
    if staff.clinic_id != clinic_id:
        raise LookupError(f"no staff {staff.id} in this clinic")
    clinic = session.get_one(Clinic, clinic_id)
    today = local_date(now, clinic.zone)
    _check(note, next_look, today)
    seen = build_patient(session, clinic_id, patient_id, now, days=summary.STRIP_DAYS)
    frozen = freeze(seen, say or load_language(clinic.language))
    signed = SignOff(
        id=uuid.uuid4(),
        clinic_id=clinic_id,
        patient_id=patient_id,
        week=review.week_of(today, clinic.review_weekday),
        signed_by=staff.id,
        signed_at=now,
        outcome=outcome,
        note=note.strip(),
        next_look=next_look,
        as_of=now,
        frozen=frozen,
        frozen_hash=fingerprint(frozen),
    )
    _write_first(session, signed)
    session.execute(
        update(Signal)
        .where(Signal.patient_id == patient_id, Signal.clinic_id == clinic_id, Signal.seen_at.is_(None))
        .values(seen_at=now, seen_by=staff.id)
        .execution_options(synchronize_session=False)
    )
    act = Act(session, Actor(ActorKind.STAFF, staff.id), clinic_id, now)
    act.note("review.sign", signed, patient=patient_id, week=signed.week, outcome=outcome)
    return signed


def _write_first(session: Session, signed: SignOff) -> None:
    """Of two at once the database decides which is first. Raises AlreadySigned, with who was."""
    try:
        with session.begin_nested():
            session.add(signed)
            session.flush()
    except IntegrityError as error:
        first = session.execute(
            select(Staff.name, SignOff.signed_at)
            .join(Staff, Staff.id == SignOff.signed_by)
            .where(SignOff.patient_id == signed.patient_id, SignOff.week == signed.week)
        ).first()
        if first is None:
            raise
        raise AlreadySigned(first.name, first.signed_at) from error


def freeze(seen: PatientReview, say: Language) -> dict[str, Any]:
    """What was on the page, as plain JSON: the sentences as they read, and the data they were made from."""
    entry: PanelEntry = seen.entry
    sentences = words.reasons(say, entry.reasons)
    response = entry.adjustment.response if entry.adjustment else None
    return {
        "layout": 2,
        "language": say.code,
        "as_of": seen.as_of.isoformat(),
        "name": entry.name,
        "clinic_ref": entry.clinic_ref,
        "lane": entry.lane.value,
        "why": sentences[0],
        "also": sentences[1:],
        "summary": summary.as_json(entry.summary),
        "days": [days.as_json(day) for day in seen.days],
        "adjustments": [
            {
                "id": str(made.id),
                "kind": made.kind.value,
                "what": made.what,
                "made_on": made.made_on.isoformat(),
                "by": made.by,
                "follow_up_on": made.follow_up_on.isoformat() if made.follow_up_on else None,
                "follow_up_what": made.follow_up_what,
                "followed_up": made.followed_up_at is not None,
            }
            for made in seen.adjustments
        ],
        "response": signals.response(say, response) if response else "",
        "tasks": [tasks.task(say, task.facts) for task in entry.tasks],
        "replies": [
            {"at": reply.at.isoformat(), "name": reply.name, "answer": reply.answer.value, "note": reply.note}
            for reply in seen.replies
        ],
    }


def canonical(facts: Any) -> bytes:
    """One spelling for equal facts: sorted keys, no spaces, UTF-8."""
    return json.dumps(facts, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def fingerprint(facts: Any) -> str:
    """SHA-256 of the canonical JSON, hexadecimal."""
    return hashlib.sha256(canonical(facts)).hexdigest()


def _check(note: str, next_look: date | None, today: date) -> None:
    if len(note) > LONGEST_NOTE:
        raise Refused("note", f"{len(note)} characters", f"at most {LONGEST_NOTE} characters")
    if not is_storable(note):
        raise Refused("note", "a character that cannot be kept", "text")
    if next_look is not None and not today < next_look <= today + FURTHEST_LOOK:
        raise Refused("next_look", next_look.isoformat(), "a date after today, at most a year ahead")
