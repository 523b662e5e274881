"""Sign one patient's weekly review, or add to it, with what was on the page frozen inside.

1. Build the patient's entry and joined days as of `now`, in the signing transaction.
2. Freeze them as canonical JSON, with the facts that the patient was placed by, and keep its SHA-256 beside it,
   under the seal of the whole row (`service.store.seals`).
3. One signature per patient and week: the database's unique constraint decides
   which of two at once is first; the other is told who was (`AlreadySigned`). One that was taken back
   (`service.reviewing.withdrawing`) leaves room for another.
4. What came since and would have changed the signature is answered by an addition, any number of them, each
   with the mark of what was on the page: who answers what is no longer so must look again (`LookAgain`),
   and the same answer sent twice is one addition.
5. What must not be signed unseen needs the mark of the row as it was read, and either an outcome other than
   "no change" or a note, whoever asks and by whatever way.
Neither a signature nor an addition is ever changed.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.domain import days, factjson, review, since, summary, validation
from service.domain.localtime import local_date
from service.domain.seals import HOLDS, Seal, fingerprint
from service.domain.validation import Refused
from service.domain.vocabulary import Outcome
from service.reviewing.panel import PanelEntry
from service.reviewing.patient import PatientReview, build_patient
from service.reviewing.placing import current_week
from service.store import panel, seals, signatures
from service.store.audit import Act
from service.store.names import staff_name
from service.store.tables import Clinic, ReviewAddition, Signal, SignOff, Staff
from service.words.language import Language, load_language
from service.words.sentences import brief, signals, tasks
from service.words.sentences import review as words

LONGEST_NOTE = 4000
FURTHEST_LOOK = timedelta(days=366)


class AlreadySigned(Exception):
    """Somebody signed this patient's review of this week before."""

    def __init__(self, by: str, at: datetime) -> None:
        self.by = by
        self.at = at
        super().__init__(f"already signed by {by} at {at.isoformat()}")


class LookAgain(Exception):
    """What is to be signed or added to is no longer what was on the page. `by` is who has added since, if anybody."""

    def __init__(self, by: str = "") -> None:
        self.by = by
        super().__init__(f"{by} added to this review first" if by else "something came while it was looked at")


class NotSigned(Exception):
    """There is no signature of this week to add to."""

    def __init__(self) -> None:
        super().__init__("this week's review is not signed yet")


def sign(
    act: Act,
    patient_id: uuid.UUID,
    outcome: Outcome,
    note: str,
    next_look: date | None,
    say: Language | None = None,
    seen: str | None = None,
) -> SignOff:
    """Sign off this patient for the clinic's present review week, as read in the language `say` (None: the clinic's).

    `seen` is the mark (`PanelEntry.seen`) of what was on the page; None where nobody looked at one.
    Raises Refused for a note or a date that cannot be taken, and for what must not be signed unseen, or without
    a word; LookupError for a patient that is not this clinic's, LookAgain where the mark is another now, and
    AlreadySigned when another signature was first; the caller's transaction is still good then.
    """
    clinic = act.session.get_one(Clinic, act.clinic_id)
    today = local_date(act.now, clinic.zone)
    note = validation.prose("note", note, longest=LONGEST_NOTE)
    if next_look is not None and not today < next_look <= today + FURTHEST_LOOK:
        raise Refused("next_look", next_look.isoformat(), "a date after today, at most a year ahead")
    page = build_patient(act.session, act.clinic_id, patient_id, act.now, days=summary.STRIP_DAYS)
    if page.entry.signed is None and seen not in {None, page.entry.seen}:
        raise LookAgain
    _check_looked(page.entry, outcome, note, seen)
    signed = SignOff(
        patient_id=patient_id,
        week=current_week(clinic, act.now),
        number=_taken_back(act, patient_id, current_week(clinic, act.now)) + 1,
        signed_by=act.actor.id,
        signed_at=act.now,
        outcome=outcome,
        note=note,
        next_look=next_look,
        as_of=act.now,
        **_frozen(act, page, say or load_language(clinic.language)),
    )
    _write_first(act, signed)
    _note_seen(act, patient_id)
    act.note("review.sign", signed, patient=patient_id, week=signed.week, outcome=outcome)
    return signed


def add(
    act: Act,
    patient_id: uuid.UUID,
    outcome: Outcome,
    note: str,
    seen: str,
    say: Language | None = None,
    to: uuid.UUID | None = None,
) -> ReviewAddition:
    """Add to this week's signature what came since, as `sign` does; `seen` is the mark of what was on the page.

    `to` is the signature that is meant, where that is known: one that was taken back is added to no more.

    The same person's addition to the same page is there already when it is sent twice: it is returned.
    Raises Refused for a note that cannot be taken, or that is missing beside "no change" where something
    has come; NotSigned, LookupError, and LookAgain.
    """
    clinic = act.session.get_one(Clinic, act.clinic_id)
    note = validation.prose("note", note, longest=LONGEST_NOTE)
    page = build_patient(act.session, act.clinic_id, patient_id, act.now, days=summary.STRIP_DAYS)
    signed = page.entry.signed
    if signed is None or to not in {None, signed.id} or not _stands(act.session, signed.id):
        raise NotSigned
    if seen != page.entry.seen:
        return _sent_before(act, signed.id, seen)
    if outcome is Outcome.NO_CHANGE and page.entry.since and not note.strip():
        raise Refused("note", "", "what was done or decided, in words: something came since the signature")
    added = ReviewAddition(
        patient_id=patient_id,
        sign_off_id=signed.id,
        number=len(signed.additions) + 1,
        seen=seen,
        added_by=act.actor.id,
        added_at=act.now,
        outcome=outcome,
        note=note,
        as_of=act.now,
        **_frozen(act, page, say or load_language(clinic.language)),
    )
    try:
        with act.session.begin_nested():
            act.add(seals.sealed(act, added))
    except IntegrityError:
        return _sent_before(act, signed.id, seen)
    _note_seen(act, patient_id)
    act.note("review.add", added, patient=patient_id, sign_off=signed.id, outcome=outcome)
    return added


def _check_looked(entry: PanelEntry, outcome: Outcome, note: str, seen: str | None) -> None:
    """Raises Refused for what must not be signed unseen, or not without a word."""
    if not entry.must_be_opened or entry.signed is not None:
        return
    if seen is None:
        raise Refused("seen", "", "the mark of the row as it was read: this one must not be signed unseen")
    if outcome is Outcome.NO_CHANGE and not note.strip():
        raise Refused("note", "", "what was seen or decided, in words, beside “no change”")


def _stands(session: Session, sign_off_id: uuid.UUID) -> bool:
    """Whether it was not taken back; locked, so that it is not while something is added to it."""
    session.execute(select(SignOff.id).where(SignOff.id == sign_off_id).with_for_update())
    return session.scalar(select(SignOff.id).where(SignOff.id == sign_off_id, signatures.COUNTS)) is not None


def _taken_back(act: Act, patient_id: uuid.UUID, week: date) -> int:
    """How many of the clinic's signatures of the week were taken back."""
    ours = (SignOff.clinic_id == act.clinic_id, SignOff.patient_id == patient_id)
    theirs = (*ours, SignOff.week == week, ~signatures.COUNTS)
    return act.session.scalar(select(func.count()).select_from(SignOff).where(*theirs)) or 0


def _frozen(act: Act, page: PatientReview, say: Language) -> dict[str, Any]:
    frozen = freeze(page, say, act.session.get_one(Staff, act.actor.id).name)
    return {"frozen": frozen, "frozen_hash": fingerprint(frozen), "standing": factjson.pack(page.entry.standing)}


def _note_seen(act: Act, patient_id: uuid.UUID) -> None:
    """Whoever signs or adds has seen the patient's signals; the row is placed anew."""
    unseen = (Signal.patient_id == patient_id, Signal.clinic_id == act.clinic_id, Signal.seen_at.is_(None))
    act.session.execute(update(Signal).where(*unseen).values(seen_at=act.now, seen_by=act.actor.id))
    panel.judge_again(act.session, [patient_id], act.now)


def _sent_before(act: Act, sign_off_id: uuid.UUID, seen: str) -> ReviewAddition:
    """What this person added to that very page. Raises LookAgain, with who has added since."""
    added = act.session.execute(
        select(ReviewAddition, staff_name(ReviewAddition.added_by))
        .where(ReviewAddition.sign_off_id == sign_off_id)
        .order_by(ReviewAddition.number.desc())
    ).all()
    for one, _name in added:
        if one.seen == seen and one.added_by == act.actor.id:
            return one
    others = [name for one, name in added if one.seen == seen]
    raise LookAgain(others[0] if others else "")


def _write_first(act: Act, signed: SignOff) -> None:
    """Of two at once the database decides which is first. Raises AlreadySigned, with who was."""
    try:
        with act.session.begin_nested():
            act.add(seals.sealed(act, signed))
    except IntegrityError as error:
        first = act.session.execute(
            select(Staff.name, SignOff.signed_at)
            .join(Staff, Staff.id == SignOff.signed_by)
            .where(SignOff.clinic_id == act.clinic_id, SignOff.patient_id == signed.patient_id)
            .where(SignOff.week == signed.week, signatures.COUNTS)
        ).first()
        if first is None:
            raise
        raise AlreadySigned(first.name, first.signed_at) from error


def freeze(seen: PatientReview, say: Language, by: str) -> dict[str, Any]:
    """What was on the page, as plain JSON: the sentences as they read, and the data they were made from.

    `by` is who signs, by the name that they have today.
    """
    entry: PanelEntry = seen.entry
    sentences = words.reasons(say, entry.reasons)
    response = entry.adjustment.response if entry.adjustment else None
    return {
        "layout": 5,
        "language": say.code,
        "by": by,
        "as_of": seen.as_of.isoformat(),
        "name": entry.name,
        "clinic_ref": entry.clinic_ref,
        "born_on": born.isoformat() if (born := seen.recorded.born_on) else None,
        "lane": entry.lane.value,
        "why": sentences[0],
        "also": sentences[1:],
        "brief": brief.reasons(say, entry.reasons)[0],
        "since": words.reasons(say, entry.since),
        "facts": review.as_json(entry.facts),
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


@dataclass(frozen=True, slots=True)
class Checked:
    """What a frozen record is found to be."""

    kind: str  # "sign_off" or "review_addition"
    id: uuid.UUID
    seal: Seal
    differs: bool  # its facts are placed otherwise by this version's rules, or are of an earlier layout

    @property
    def holds(self) -> bool:
        """Whether it is what was signed, as far as its seal tells."""
        return self.seal in HOLDS


def check_frozen(session: Session, clinic_id: uuid.UUID) -> Iterator[Checked]:
    """Every signature and addition of the clinic, checked against its seal, and placed again by its facts."""
    yield from _checked(session, "sign_off", seals.each(session, SignOff, clinic_id))
    yield from _checked(session, "review_addition", seals.each(session, ReviewAddition, clinic_id))


def _checked(
    session: Session, kind: str, found: Iterable[tuple[uuid.UUID, SignOff | ReviewAddition | None]]
) -> Iterator[Checked]:
    for row_id, one in found:
        if one is None:
            yield Checked(kind, row_id, Seal.ALTERED, differs=True)
        else:
            yield Checked(kind, row_id, seals.judge(session, one), _differs(one.frozen, one.standing))


def _differs(frozen: dict[str, Any], standing: dict[str, Any]) -> bool:
    try:
        facts = review.from_json(frozen["facts"])
    except seals.UNREADABLE:
        return True
    return factjson.pack(since.standing_of(facts, review.place(facts))) != standing
