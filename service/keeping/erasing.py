"""What tells who a patient was, taken out for good; what the record must answer for stays, under a name of no meaning.

Promises that of every text column of every table with rows of a patient it is said here what becomes of it (`FATES`; a
test walks over them): it goes, or it holds words of the service's own vocabularies alone. What was typed as text goes,
whoever typed it; what was measured, counted or chosen from a list stays. Names, numbers, dates of birth, addresses,
links, invitations, drafts, files that wait and answers kept for repeats go. A signature is told as erased, never as
altered (`store.seals`). One transaction, one audit line; audit trail and trail of who opened what stay, by ids.

Only for a patient whose care ended and of whom nothing is open. It cannot be undone, and reaches no backup, no paper
and nothing that another clinic of this service signed.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from sqlalchemy import delete, func, or_, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.ending import last_days
from service.domain import factjson, review, tasks
from service.domain.days import Day
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ContactState,
    EraseWhy,
    MessageState,
    PatientState,
    TaskSettled,
    TaskState,
)
from service.keeping import belonging
from service.keeping.belonging import TABLES, Belonging
from service.store import repeats, seals
from service.store.audit import Act
from service.store.session import may_take_away, rows
from service.store.tables import (
    Adjustment,
    Consent,
    Contact,
    DeadLetter,
    EnrolmentDraft,
    FormDraft,
    ImportFile,
    MeantClinic,
    Message,
    Patient,
    QuarantinedRow,
    ReviewAddition,
    SignOff,
    StrangerText,
    Task,
    UnplacedText,
)

ERASED = "erased"
Forget = Callable[[Collection[str]], None]


@dataclass(frozen=True)
class Fate:
    """What becomes of a table's rows: they go, or stay with `blank` in place of these columns.

    `coded` are the text columns that stay: they hold ids, units, zones and words of the service's own.
    """

    goes: bool = False
    blank: Mapping[str, Any] = field(default_factory=dict)
    coded: str = ""


ENTRY = "entered_by"
FATES: Mapping[str, Fate] = {
    "link_keys": Fate(goes=True),
    "conversations": Fate(goes=True),
    "inbound_texts": Fate(goes=True),
    "invitations": Fate(goes=True),
    "carried_states": Fate(goes=True),  # both are made of the rows that stay
    "panel_rows": Fate(goes=True),
    "patients": Fate(coded="name clinic_ref zone language weight_unit"),  # the first two by `_rename`
    "moves": Fate(coded="from_zone to_zone without_window"),
    "transfers": Fate(blank={"name": "", "clinic_ref": "", "reason": ""}, coded="asked_by settled_by"),
    "caregivers": Fate(blank={"name": "", "relation": "", "active": False}, coded="zone language"),
    "contacts": Fate(blank={"address": "", "secret": None, "state": ContactState.BROKEN, "broken_reason": ERASED}),
    "consents": Fate(blank={"how": ""}, coded="recorded_by seal"),
    "plans": Fate(coded="phases steps"),
    "pauses": Fate(blank={"note": ""}, coded="recorded_by"),
    "patient_references": Fate(coded="set_by"),
    "patient_limits": Fate(coded="origin set_by"),
    "goals": Fate(blank={"why": ""}, coded="set_by"),
    "context_tags": Fate(blank={"note": ""}, coded="recorded_by"),
    "windows": Fate(coded="zone"),
    "steps": Fate(coded="reason"),
    "silences": Fate(coded="ended_because"),
    "caregiver_replies": Fate(blank={"note": ""}),
    "tasks": Fate(coded="facts dedupe_key close_reason"),  # the first and the last by `_blank_tasks`
    "readings": Fate(blank={"source_ref": None}, coded="unit_given remarks"),
    "checkins": Fate(blank={"note": ""}, coded="weight_unit safety_signs"),
    "messages": Fate(blank={"params": {}, "said": None, "provider_ref": None, "reason": None}, coded="dedupe_key"),
    "message_events": Fate(blank={"detail": ""}, coded="event"),
    "signals": Fate(coded="facts"),
    "adjustments": Fate(blank={"what": "", "follow_up_what": ""}, coded="seal"),  # both by `_blank_sealed` first
    "episode_closings": Fate(blank={"reason": ""}),
    "acceptances": Fate(blank={"reason": ""}),
    "sign_offs": Fate(coded="frozen frozen_hash note seal standing"),  # by `_erase_signed`
    "review_additions": Fate(coded="frozen frozen_hash note seal seen standing"),
    "sign_off_withdrawals": Fate(coded="seal"),
    "events": Fate(blank={"note": ""}, coded=f"{ENTRY} before"),
    "medicines": Fate(blank={"note": "", "name": ""}, coded=f"{ENTRY} dose unit times_a_day"),
    "results": Fate(blank={"note": ""}, coded=f"{ENTRY} value unit"),
    "result_limits": Fate(blank={"note": ""}, coded=f"{ENTRY} lower upper unit"),
    "no_results": Fate(blank={"note": ""}, coded=ENTRY),
    "persons": Fate(blank={"note": "", "born_on": None}, coded=ENTRY),
    "next_contacts": Fate(blank={"note": ""}, coded=ENTRY),
    "access_lines": Fate(coded="address route"),  # the address is that of whoever opened it
    "audit_lines": Fate(coded="action subject_kind detail code"),
}
# An address of a patient may be this; a shorter one would be found in anything.
SHORTEST_ADDRESS = 6


@dataclass(frozen=True)
class WhatGoes:
    """Of whom it is, by the clinic's own number, and how much there is."""

    patient_id: uuid.UUID
    clinic_ref: str
    enrolled_at: datetime
    goes: Mapping[str, int]  # rows by table
    stays: Mapping[str, int]


def look(session: Session, patient: Patient) -> WhatGoes:
    """What erasing would come to. Raises Refused where it cannot be done."""
    _check(session, patient)
    belongs = belonging.of_patient(session, patient.id)
    counts = {name: _count(session, belongs, name, patient.clinic_id) for name in FATES}
    return WhatGoes(
        patient.id,
        patient.clinic_ref,
        patient.enrolled_at,
        {name: number for name, number in counts.items() if number and FATES[name].goes},
        {name: number for name, number in counts.items() if number and not FATES[name].goes},
    )


def erase(act: Act, patient: Patient, why: EraseWhy, confirmed: str, forget: Forget) -> str:
    """Take out what tells who this was. `confirmed` is the clinic's number for them, typed again.

    `forget` lets go of addresses that something outside the database keeps (the demo's gateway). Returns what the
    patient is called from now on. Raises Refused.
    """
    session = act.session
    session.refresh(patient, with_for_update=True)
    _check(session, patient)
    if confirmed.strip() != patient.clinic_ref:
        raise Refused("confirm", confirmed, "the clinic’s number for this patient, typed once more")
    belongs = belonging.of_patient(session, patient.id)
    addresses = _addresses(session, belongs)
    _erase_loose(act, patient, addresses)
    _erase_signed(act, patient)
    _blank_sealed(act, patient)
    _blank_tasks(act, belongs)
    gone = {}
    for name, fate in FATES.items():
        if fate.blank:
            rows(session).execute(update(TABLES[name]).where(belongs.of[name]).values(fate.blank))
    # What others refer to goes last.
    for table in (one for one in reversed(Patient.metadata.sorted_tables) if one.name in FATES):
        if FATES[table.name].goes:
            gone[table.name] = rows(session).execute(delete(table).where(belongs.of[table.name])).rowcount
    called = _rename(act, patient)
    forget(addresses)
    act.note("patient.erase", patient, why=why, rows={name: number for name, number in gone.items() if number})
    session.flush()
    session.expire_all()
    return called


def _check(session: Session, patient: Patient) -> None:
    """Raises Refused for a patient who is looked after, of whom something is open, or who was erased before."""
    if not may_take_away(session, "consents"):
        raise Refused("patient", str(patient.id), "the operator’s `neaptide patient erase`, as the database’s owner")
    if patient.erased_at is not None:
        raise Refused("patient", str(patient.id), "one who is not erased yet")
    if patient.state is not PatientState.ENDED:
        raise Refused("patient", str(patient.id), "a patient whose care here has ended")
    open_tasks = select(func.count(Task.id)).where(Task.patient_id == patient.id, Task.state != TaskState.CLOSED)
    if session.scalar(open_tasks):
        raise Refused("patient", str(patient.id), "one of whom no task is open: close them first")
    under_way = (MessageState.QUEUED, MessageState.CLAIMED, MessageState.HANDING_OVER)
    messages = select(func.count(Message.id)).where(Message.patient_id == patient.id, Message.state.in_(under_way))
    if session.scalar(messages):
        raise Refused("patient", str(patient.id), "one to whom no message is on its way: try again in a minute")


def _count(session: Session, belongs: Belonging, name: str, clinic_id: uuid.UUID) -> int:
    return rows(session).scalar(select(func.count()).select_from(belongs.rows_of(name, clinic_id).subquery())) or 0


def _addresses(session: Session, belongs: Belonging) -> list[str]:
    """Every address of theirs and of their caregivers, as it was written to, that nobody else has.

    One that somebody else is reached by as well, at whichever clinic, is theirs on: so are words that wait from there.
    """
    found = {*session.scalars(select(Contact.address).where(belongs.of["contacts"]))}
    somebodys = or_(*(owner.is_not(None) for owner in (Contact.patient_id, Contact.caregiver_id, Contact.staff_id)))
    others = (somebodys, ~belongs.of["contacts"], Contact.address.in_(found))
    shared = {*session.scalars(select(Contact.address).where(*others))}
    return sorted(address for address in found - shared if len(address) >= SHORTEST_ADDRESS)


def _rename(act: Act, patient: Patient) -> str:
    """A name without meaning, also in place of the clinic's number, which somebody else may have from now on."""
    called = f"–{patient.id.hex[-8:]}"
    patient.name = patient.clinic_ref = called
    patient.erased_at = act.now
    return called


def _erase_signed(act: Act, patient: Patient) -> None:
    """What this clinic signed of them: outcome, lane and figures stay, under a seal that says it was erased."""
    signed = select(SignOff).where(SignOff.patient_id == patient.id, SignOff.clinic_id == act.clinic_id)
    added = select(ReviewAddition).where(
        ReviewAddition.patient_id == patient.id, ReviewAddition.clinic_id == act.clinic_id
    )
    both = (*act.session.scalars(signed.order_by(SignOff.id)), *act.session.scalars(added.order_by(ReviewAddition.id)))
    for row in both:
        seals.erase(act, row, _frozen(row.frozen), "")
    act.session.flush()


def _blank_sealed(act: Act, patient: Patient) -> None:
    """Of consents and adjustments the words go, under a seal over what is left: who it was of, their row tells."""
    tables: tuple[Any, ...] = (Consent, Adjustment)
    for table in tables:
        for row in act.session.scalars(select(table).where(table.patient_id == patient.id).order_by(table.id)):
            seals.change(act, row, FATES[table.__tablename__].blank)


def _frozen(frozen: Mapping[str, Any]) -> dict[str, Any]:
    """The page as it was signed, without its sentences and whatever was typed."""
    left = {name: [] if isinstance(value, list) else "" for name, value in frozen.items()}
    kept = {name: frozen[name] for name in ("layout", "language", "as_of", "lane", "by") if name in frozen}
    made: dict[str, Any] = {"born_on": None, "facts": {}, "days": []}
    with suppress(*seals.UNREADABLE):
        made["facts"] = review.as_json(factjson.without_text(review.from_json(frozen["facts"])))
    with suppress(*seals.UNREADABLE):
        made["days"] = [factjson.pack(factjson.without_text(factjson.unpack(Day, day))) for day in frozen["days"]]
    return left | kept | made


def _blank_tasks(act: Act, belongs: Belonging) -> None:
    """What a task told of stays, without names, numbers and words; so does why the service closed it."""
    own = {reason.value for reason in TaskSettled}
    for task in act.session.scalars(select(Task).where(belongs.of["tasks"]).order_by(Task.id)):
        try:
            task.facts = tasks.as_json(factjson.without_text(tasks.from_json(task.facts)))
        except (KeyError, TypeError, ValueError):
            task.facts = {}
        if task.close_reason not in own:
            task.close_reason = None
    act.session.flush()


def _erase_loose(act: Act, patient: Patient, addresses: Collection[str]) -> None:
    """What may hold their words without saying that they are theirs."""
    session = act.session
    repeats.erase_answers(session, act.clinic_id)
    session.execute(delete(ImportFile).where(ImportFile.clinic_id == act.clinic_id))
    # What is encrypted is looked through here: there are few of either, and for days alone.
    drafts = session.execute(select(FormDraft.id, FormDraft.form, FormDraft.typed))
    its = [row_id for row_id, form, typed in drafts if str(patient.id) in f"{form} {json.dumps(typed)}"]
    session.execute(delete(FormDraft).where(FormDraft.id.in_(its)))
    known = {patient.name, patient.clinic_ref, *addresses}
    for draft in session.scalars(select(EnrolmentDraft).where(EnrolmentDraft.clinic_id == act.clinic_id)):
        if known & {str(value) for value in draft.typed.values()}:
            session.delete(draft)
    for table in (UnplacedText, StrangerText, MeantClinic):
        session.execute(delete(table).where(table.address.in_(addresses)))
    theirs = (contacts.OF_NOBODY, Contact.clinic_id == act.clinic_id, Contact.address.in_(addresses))
    session.execute(update(Contact).where(*theirs).values(FATES["contacts"].blank))
    written = [json.dumps(address)[1:-1] for address in addresses]
    heard = session.execute(select(DeadLetter.id, DeadLetter.said))
    letters = [row_id for row_id, said in heard if any(address in said for address in written)]
    session.execute(delete(DeadLetter).where(DeadLetter.id.in_(letters)))
    session.execute(delete(QuarantinedRow).where(QuarantinedRow.subject_id.in_(letters)))


def ended_on(session: Session, patient: Patient) -> date | None:
    """The last day of their care; None where it is not known."""
    return last_days(session, [patient.id]).get(patient.id)
