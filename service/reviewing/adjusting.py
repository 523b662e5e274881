"""Record what was changed and what is to be looked at again; a correction is a new row.

The response to an adjustment is the trend's to tell, not staff's to type: a new
adjustment only marks the patient's panel row stale.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace
from datetime import date, timedelta

from sqlalchemy import select

from service.care import entries
from service.domain import validation
from service.domain.localtime import local_date
from service.domain.validation import Refused
from service.domain.vocabulary import AdjustmentKind
from service.store import panel, seals
from service.store.audit import Act
from service.store.tables import Adjustment, MedicineRow, Patient, PersonRow

LONGEST = 2000
FURTHEST = timedelta(days=366)
OF_PERSON = frozenset({AdjustmentKind.DIET, AdjustmentKind.DIALYSIS, AdjustmentKind.DEVICE})


@dataclass(frozen=True, slots=True)
class NewAdjustment:
    """What changed (free text, including any dose), when, and what is to be looked at again."""

    kind: AdjustmentKind
    what: str
    made_on: date | None  # None: today, where the patient lives
    follow_up_on: date | None = None
    follow_up_what: str = ""
    medicine_id: uuid.UUID | None = None  # the course of the record that it began, of a change of medicine


def record_adjustment(
    act: Act, patient_id: uuid.UUID, new: NewAdjustment, *, corrects: uuid.UUID | None = None
) -> Adjustment:
    """Write one adjustment, its audit line, and what follows from it.

    `corrects` names a current adjustment of the same patient that this one
    supersedes. Raises Refused (field, value, accepted) or LookupError, and writes
    nothing then.
    """
    patient = act.session.get(Patient, patient_id)
    if patient is None or patient.clinic_id != act.clinic_id:
        raise LookupError(f"no patient {patient_id}")
    today = local_date(act.now, patient.zone)
    made_on = new.made_on or today
    new = _checked(new, made_on, today)
    entries.in_lifetime(act.session, patient, made_on=made_on, follow_up_on=new.follow_up_on)
    _points_at(act, patient_id, new)
    if corrects is not None:
        _supersede(act, patient_id, corrects)
    made = Adjustment(
        patient_id=patient_id,
        kind=new.kind,
        what=new.what,
        made_on=made_on,
        made_by=act.actor.id,
        recorded_at=act.now,
        follow_up_on=new.follow_up_on,
        follow_up_what=new.follow_up_what,
        medicine_id=new.medicine_id,
        person_id=_person_of(act, patient_id) if new.kind in OF_PERSON else None,
        supersedes_id=corrects,
    )
    act.add(seals.sealed(act, made))
    panel.mark_stale(act.session, [patient_id], act.now)
    action = "adjustment.correct" if corrects else "adjustment.record"
    act.note(action, made, patient=patient_id, kind=new.kind, supersedes=corrects)
    return made


def follow_up_done(act: Act, adjustment_id: uuid.UUID) -> bool:
    """Note that the follow-up was done. False when it had been noted before: the first note stands.

    Raises LookupError for an adjustment that is not this clinic's, has no
    follow-up, or was superseded.
    """
    made = _held(act, adjustment_id)
    if made is None or made.superseded_at is not None or made.follow_up_on is None:
        raise LookupError(f"no follow-up of {adjustment_id}")
    if made.followed_up_at is not None:
        return False
    seals.change(act, made, {"followed_up_at": act.now, "followed_up_by": act.actor.id})
    panel.judge_again(act.session, [made.patient_id], act.now)
    act.note("adjustment.follow_up", made, patient=made.patient_id)
    return True


def _points_at(act: Act, patient_id: uuid.UUID, new: NewAdjustment) -> None:
    """Raises Refused for a medicine that is not this patient's, or beside another kind of change."""
    if new.medicine_id is None:
        return
    row = act.session.get(MedicineRow, new.medicine_id)
    fits = new.kind is AdjustmentKind.MEDICINE and row is not None and row.patient_id == patient_id
    if row is None or not fits or entries.newest(act.session, row).withdrawn:
        raise Refused("medicine_id", str(new.medicine_id), "a medicine of this patient, for a change of medicine")


def _person_of(act: Act, patient_id: uuid.UUID) -> uuid.UUID | None:
    """What is known of the person now, where a change of diet, dialysis or device finds its setting."""
    query = select(PersonRow.id).where(PersonRow.patient_id == patient_id, PersonRow.superseded_at.is_(None))
    return act.session.scalar(query.limit(1))


def _supersede(act: Act, patient_id: uuid.UUID, adjustment_id: uuid.UUID) -> None:
    made = _held(act, adjustment_id)
    if made is None or made.patient_id != patient_id or made.superseded_at is not None:
        raise LookupError(f"no {'current ' if made else ''}adjustment {adjustment_id}")
    seals.change(act, made, {"superseded_at": act.now})


def _held(act: Act, adjustment_id: uuid.UUID) -> Adjustment | None:
    """This clinic's adjustment as it is now, which nobody else notes anything in before this transaction ends."""
    its = select(Adjustment).where(Adjustment.id == adjustment_id, Adjustment.clinic_id == act.clinic_id)
    return act.session.scalar(its.with_for_update().execution_options(populate_existing=True))


def _checked(new: NewAdjustment, made_on: date, today: date) -> NewAdjustment:
    """`new` as it will be kept. Raises Refused."""
    what, again = (validation.prose(name, getattr(new, name), longest=LONGEST) for name in ("what", "follow_up_what"))
    if not what:
        raise Refused("what", new.what, "what was changed, in words")
    if not today - FURTHEST <= made_on <= today:
        raise Refused("made_on", made_on.isoformat(), "today or a day of the last year")
    if new.follow_up_on is not None and not made_on <= new.follow_up_on <= today + FURTHEST:
        raise Refused("follow_up_on", new.follow_up_on.isoformat(), "a day from the change to a year ahead")
    if again and new.follow_up_on is None:
        raise Refused("follow_up_on", "", "the day on which to look at it again")
    return replace(new, what=what, follow_up_what=again)
