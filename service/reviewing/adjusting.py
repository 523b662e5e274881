"""Record what was changed and what is to be looked at again; a correction is a new row.

The response to an adjustment is the trend's to tell, not staff's to type: a new
adjustment only marks the patient's panel row stale.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.domain.validation import Refused, is_storable
from service.domain.vocabulary import ActorKind, AdjustmentKind
from service.reviewing.acting import Acting
from service.reviewing.placing import local_date
from service.store import panel
from service.store.audit import Act, Actor
from service.store.tables import Adjustment, Patient

LONGEST = 2000
FURTHEST = timedelta(days=366)


@dataclass(frozen=True, slots=True)
class NewAdjustment:
    """What changed (free text, including any dose), when, and what is to be looked at again."""

    kind: AdjustmentKind
    what: str
    made_on: date
    follow_up_on: date | None = None
    follow_up_what: str = ""


def record_adjustment(
    session: Session,
    clinic_id: uuid.UUID,
    patient_id: uuid.UUID,
    new: NewAdjustment,
    staff: Acting,
    now: datetime,
    *,
    corrects: uuid.UUID | None = None,
) -> Adjustment:
    """Write one adjustment, its audit line, and what follows from it.

    `corrects` names a current adjustment of the same patient that this one
    supersedes. Raises Refused (field, value, accepted) or LookupError, and writes
    nothing then.
    """
    patient = session.get(Patient, patient_id)
    if patient is None or patient.clinic_id != clinic_id or staff.clinic_id != clinic_id:
        raise LookupError(f"no patient {patient_id}")
    _check(new, local_date(now, patient.zone))
    if corrects is not None:
        _supersede(session, clinic_id, patient_id, corrects, now)
    made = Adjustment(
        id=uuid.uuid4(),
        clinic_id=clinic_id,
        patient_id=patient_id,
        kind=new.kind,
        what=new.what.strip(),
        made_on=new.made_on,
        made_by=staff.id,
        recorded_at=now,
        follow_up_on=new.follow_up_on,
        follow_up_what=new.follow_up_what.strip(),
        supersedes_id=corrects,
    )
    session.add(made)
    session.flush()
    panel.mark_stale(session, [patient_id], now)
    act = Act(session, Actor(ActorKind.STAFF, staff.id), clinic_id, now)
    action = "adjustment.correct" if corrects else "adjustment.record"
    act.note(action, made, patient=patient_id, kind=new.kind, supersedes=corrects)
    return made


def follow_up_done(
    session: Session, clinic_id: uuid.UUID, adjustment_id: uuid.UUID, staff: Acting, now: datetime
) -> bool:
    """Note that the follow-up was done. False when it had been noted before: the first note stands.

    Raises LookupError for an adjustment that is not this clinic's, has no
    follow-up, or was superseded.
    """
    made = session.get(Adjustment, adjustment_id)
    if made is None or made.clinic_id != clinic_id or made.superseded_at is not None or made.follow_up_on is None:
        raise LookupError(f"no follow-up of {adjustment_id}")
    done = session.execute(
        update(Adjustment)
        .where(Adjustment.id == adjustment_id, Adjustment.followed_up_at.is_(None))
        .values(followed_up_at=now, followed_up_by=staff.id)
        .returning(Adjustment.id)
        .execution_options(synchronize_session=False)
    ).first()
    if done is None:
        return False
    act = Act(session, Actor(ActorKind.STAFF, staff.id), clinic_id, now)
    act.note("adjustment.follow_up", made, patient=made.patient_id)
    return True


def _supersede(
    session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, adjustment_id: uuid.UUID, now: datetime
) -> None:
    # Compare-and-set: of two corrections of one adjustment at once, the second finds nothing to correct.
    found = session.execute(
        update(Adjustment)
        .where(
            Adjustment.id == adjustment_id,
            Adjustment.clinic_id == clinic_id,
            Adjustment.patient_id == patient_id,
            Adjustment.superseded_at.is_(None),
        )
        .values(superseded_at=now)
        .returning(Adjustment.id)
        .execution_options(synchronize_session=False)
    ).first()
    if found is None:
        exists = session.scalar(
            select(Adjustment.id).where(Adjustment.id == adjustment_id, Adjustment.clinic_id == clinic_id)
        )
        raise LookupError(f"no {'current ' if exists else ''}adjustment {adjustment_id}")


def _check(new: NewAdjustment, today: date) -> None:
    if not new.what.strip():
        raise Refused("what", new.what, "what was changed, in words")
    for name, text in (("what", new.what), ("follow_up_what", new.follow_up_what)):
        if len(text) > LONGEST:
            raise Refused(name, f"{len(text)} characters", f"at most {LONGEST} characters")
        if not is_storable(text):
            raise Refused(name, "a character that cannot be kept", "text")
    if not today - FURTHEST <= new.made_on <= today:
        raise Refused("made_on", new.made_on.isoformat(), "today or a day of the last year")
    if new.follow_up_on is not None and not new.made_on <= new.follow_up_on <= today + FURTHEST:
        raise Refused("follow_up_on", new.follow_up_on.isoformat(), "a day from the change to a year ahead")
    if new.follow_up_what.strip() and new.follow_up_on is None:
        raise Refused("follow_up_on", "", "the day on which to look at it again")
