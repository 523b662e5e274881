"""Take the follow-up steps that are due: load what is known, decide each, write what it causes.

Promises that each step is taken once, however many workers run and however long none
did, and that one that cannot be handled never holds up the others. Loads what the
decisions need in a fixed number of queries, whatever the number of steps; decides each
by `domain.steps`; writes messages and tasks. Does not send: it fills the outbox.

An empty step (nobody to reach) moves up at once and tells staff: waiting for a contact that does
not exist is how a silent patient goes unseen. Somebody who has not agreed to messages is a
different matter: nothing is hurried, nobody is alarmed.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import Engine, Select, and_, bindparam, exists, func, not_, select, update
from sqlalchemy.orm import Session, aliased

from service.care import contacts, silences, tasks, windows
from service.care.silences import Running
from service.care.tasks import NewTask
from service.domain import steps
from service.domain.plan import WindowFacts, missing
from service.domain.steps import Decision, Reach, StepAction, StepFacts, StepReason
from service.domain.tasks import LongSilence, NobodyToReach, Whose
from service.domain.vocabulary import (
    Channel,
    MessageKind,
    PatientState,
    StepKind,
    StepState,
    WindowState,
)
from service.store import outbox
from service.store.due import OPEN_WINDOWS, PENDING_STEPS, made_since
from service.store.guarded import Due, Tally, Work, Written, work_off
from service.store.identity import none_made_before
from service.store.outbox import NewMessage
from service.store.quarantine import is_quarantined
from service.store.tables import (
    Caregiver,
    CaregiverReply,
    Clinic,
    Contact,
    Patient,
    Plan,
    Step,
    Window,
)

TO_PATIENT = (StepKind.PROMPT, StepKind.REMINDER)


@dataclass(frozen=True)
class DueStep:
    """One step whose time has come, with what is known of its window, patient and clinic."""

    id: uuid.UUID
    kind: StepKind
    position: int
    due_at: datetime
    clinic_id: uuid.UUID
    patient_id: uuid.UUID
    window_id: uuid.UUID
    local_date: date
    closes_at: datetime
    window: WindowFacts
    later_is_due: bool
    silent_days: int
    again: timedelta  # how long after its last nudge a caregiver may be asked once more
    quiet: timedelta  # how long the clinic's quiet hours last


def take_steps(engine: Engine, now: datetime, limit: int = 1000, since: uuid.UUID | None = None) -> Tally:
    """Take every follow-up step due at `now` (UTC) and made `since` (`due.Lately`), `limit` to a transaction.

    1. Choose pending steps that are due, locked against other workers. A window
       that should have closed by now is closed first, because what
       follows depends on whether it was missed: its steps wait.
    2. Decide each from facts, with a named reason.
    3. Write messages, tasks and the steps' ends in the same transaction. After an
       empty step the next one is due at once, and is taken in the next batch.
    """
    due = _due(now).where(made_since(Step, since))
    work = Work("step", due, lambda s, due: _load(s, due, now, since), lambda s, rows: _take(s, rows, now), limit)
    return work_off(engine, work, now)


def pass_lost(session: Session, now: datetime) -> None:
    """Pass what was to be asked after a backup and before `now`: it may have been asked from the data that is lost.

    The clinic's own steps stay: a silence must be told however late we are.
    """
    due = (PENDING_STEPS, Step.due_at <= now, Step.kind != StepKind.TASK)
    lost = {"state": StepState.PASSED, "reason": StepReason.LOST.value, "settled_at": now}
    session.execute(update(Step).where(*due).values(lost))


def settled(decision: Decision) -> StepState:
    """The state in which a decided step ends."""
    return StepState.PASSED if decision.action is StepAction.PASS else StepState.DONE


# --- what is due -----------------------------------------------------------------------------


def _due(now: datetime) -> Due:
    closing_first = and_(OPEN_WINDOWS, Window.closes_at <= now)
    return (
        select(Step.id)
        .join(Window, Window.id == Step.window_id)
        .where(PENDING_STEPS, Step.due_at <= now, not_(closing_first), not_(is_quarantined("step", Step.id)))
    )


def _load(session: Session, due: Due, now: datetime, since: uuid.UUID | None) -> list[DueStep]:
    later = aliased(Step)
    date_of = Window.patient_id, Window.local_date
    later_is_due = exists().where(
        later.window_id == Step.window_id,
        made_since(later, since),  # all of a window are made in one moment
        later.position > Step.position,
        later.state == StepState.PENDING,
        later.due_at <= now,
        Step.kind.in_(TO_PATIENT) == later.kind.in_(TO_PATIENT),
        later.kind != StepKind.TASK,
    )
    query: Select[*tuple[Any, ...]] = (
        due.outerjoin(Plan, Plan.patient_id == Step.patient_id)
        .join(Clinic, Clinic.id == Step.clinic_id)
        .join(Patient, Patient.id == Step.patient_id)
        .with_only_columns(
            Step.id,
            Step.kind,
            Step.position,
            Step.due_at,
            Step.clinic_id,
            Step.patient_id,
            Step.window_id,
            Window.local_date,
            Window.closes_at,
            Window.wants_reading,
            Window.wants_checkin,
            Window.pace,
            Window.state.label("window_state"),
            Patient.state.label("patient_state"),
            func.coalesce(Window.reading_at, windows.first_reading(*date_of)).label("reading_at"),
            func.coalesce(Window.checkin_at, windows.first_checkin(*date_of)).label("checkin_at"),
            later_is_due.label("later_is_due"),
            Clinic.silent_days.label("clinics_silent_days"),
            Clinic.silent_again_days,
            Plan.silent_days.label("own_silent_days"),
            Clinic.quiet_from,
            Clinic.quiet_until,
        )
        .order_by(Step.due_at, Step.window_id, Step.position)
        .with_for_update(of=Step, skip_locked=True, key_share=True)
    )
    return [_due_step(row) for row in session.execute(query)]


def _due_step(row: Any) -> DueStep:
    # Nothing more is asked of, or about, a patient whose care here has ended.
    nothing_expected = row.window_state is WindowState.EXCUSED or row.patient_state is PatientState.ENDED
    return DueStep(
        id=row.id,
        kind=row.kind,
        position=row.position,
        due_at=row.due_at,
        clinic_id=row.clinic_id,
        patient_id=row.patient_id,
        window_id=row.window_id,
        local_date=row.local_date,
        closes_at=row.closes_at,
        window=WindowFacts(
            row.wants_reading, row.wants_checkin, row.reading_at, row.checkin_at, paused=nothing_expected
        ),
        later_is_due=row.later_is_due,
        # Set for one patient, it is the last word.
        silent_days=row.own_silent_days or steps.silent_days(row.clinics_silent_days, row.pace),
        again=timedelta(days=row.silent_again_days),
        quiet=quiet_length(row.quiet_from, row.quiet_until),
    )


def quiet_length(quiet_from: time, quiet_until: time) -> timedelta:
    """How long quiet hours last from one wall time to the other; they may span midnight."""
    minutes = (quiet_until.hour - quiet_from.hour) * 60 + quiet_until.minute - quiet_from.minute
    return timedelta(minutes=minutes % (24 * 60))


# --- decide, then write ----------------------------------------------------------------------


@dataclass
class DecidedSteps:
    """Decided and not yet written: each step with its decision, the messages to enqueue, the silences they are in."""

    decided: list[tuple[DueStep, Decision]] = field(default_factory=list)
    messages: list[NewMessage] = field(default_factory=list)
    silences: dict[uuid.UUID, Running] = field(default_factory=dict)
    failed: list[tuple[uuid.UUID, Exception]] = field(default_factory=list)


@dataclass(frozen=True)
class _Known:
    patients: dict[uuid.UUID, Reachability]
    caregivers: dict[uuid.UUID, Reachability]
    silences: dict[uuid.UUID, Running]
    acknowledged: frozenset[uuid.UUID]


def decide_all(session: Session, due: Sequence[DueStep], now: datetime) -> DecidedSteps:
    """Decide every step in `due` at `now`. Reads only; one guard per step."""
    known = _known(session, due)
    outcome = DecidedSteps(silences=known.silences)
    told: set[uuid.UUID] = set()  # patients whose silence is told by this batch
    for step in due:
        try:
            decision = steps.decide(_step_facts(step, known, told), now)
            if decision.action is StepAction.RAISE_TASK:
                told.add(step.patient_id)
            if decision.action is StepAction.SEND:
                outcome.messages.append(_message(step, known, now))
        except Exception as error:
            outcome.failed.append((step.id, error))
        else:
            outcome.decided.append((step, decision))
    return outcome


def carry_out(session: Session, outcome: DecidedSteps, now: datetime) -> None:
    """Write the messages and tasks that were decided; the windows and steps they point at exist by now."""
    outbox.enqueue_many(session, outcome.messages, now)
    new = [
        silence_task(step, outcome.silences[step.patient_id])
        for step, d in outcome.decided
        if d.action is StepAction.RAISE_TASK
    ]
    new += [no_contact_task(step) for step, decision in outcome.decided if decision.tells_staff]
    tasks.raise_tasks(session, new, now)


def _known(session: Session, due: Sequence[DueStep]) -> _Known:
    to_patients = {step.patient_id for step in due if step.kind in TO_PATIENT}
    nudged = {step.patient_id for step in due if step.kind is StepKind.NUDGE}
    late = {step.patient_id for step in due if step.kind not in TO_PATIENT}
    return _Known(
        reach_patients(session, to_patients),
        reach_caregivers(session, nudged),
        silences.running(session, late),
        _acknowledged(session, {step.window_id for step in due if step.kind is StepKind.NUDGE}),
    )


def _acknowledged(session: Session, window_ids: set[uuid.UUID]) -> frozenset[uuid.UUID]:
    if not window_ids:
        return frozenset()
    return frozenset(
        session.scalars(select(CaregiverReply.window_id).where(CaregiverReply.window_id.in_(window_ids)).distinct())
    )


def _step_facts(step: DueStep, known: _Known, told: Collection[uuid.UUID]) -> StepFacts:
    if step.kind is StepKind.TASK:
        reach = Reach.YES
    else:
        reach = (known.patients if step.kind in TO_PATIENT else known.caregivers)[step.patient_id].reach
    silence = known.silences.get(step.patient_id)
    return StepFacts(
        kind=step.kind,
        due_at=step.due_at,
        closes_at=step.closes_at,
        window=step.window,
        reach=reach,
        later_is_due=step.later_is_due,
        acknowledged=step.window_id in known.acknowledged,
        nudges=silence.nudges if silence else 0,
        nudged_at=silence.nudged_at if silence else None,
        missed=silence.missed if silence else 0,
        told=step.patient_id in told or (silence is not None and silence.told),
        silent_days=step.silent_days,
        again=step.again,
    )


def _message(step: DueStep, known: _Known, now: datetime) -> NewMessage:
    silence = known.silences.get(step.patient_id)
    if step.kind in TO_PATIENT:
        address = known.patients[step.patient_id].addresses[0]
        key = f"{step.kind.value}:{step.window_id}:{address.channel.value}"
    else:
        # The next caregiver in order is asked each time: asking the same one again tells nobody new.
        asked = silence.nudges if silence else 0
        addresses = known.caregivers[step.patient_id].addresses
        address = addresses[asked % len(addresses)]
        key = f"nudge:{step.window_id}:{step.id}:{address.person_id}"
    return NewMessage(
        clinic_id=step.clinic_id,
        contact_id=address.contact_id,
        kind=MessageKind(step.kind.value),
        channel=address.channel,
        dedupe_key=key,
        due_at=min(step.due_at, now),
        expires_at=steps.expires_at(step.kind, step.due_at, step.closes_at, step.quiet),
        patient_id=step.patient_id,
        caregiver_id=None if step.kind in TO_PATIENT else address.person_id,
        window_id=step.window_id,
        step_id=step.id,
        params={"asks": list(missing(step.window))},
    )


# --- the steps' own ends ---------------------------------------------------------------------

SETTLE = (
    update(Step.__table__)  # type: ignore[arg-type]
    .where(Step.id == bindparam("step"))
    .values(state=bindparam("new_state"), reason=bindparam("why"), settled_at=bindparam("at"))
)


def _take(session: Session, due: Sequence[DueStep], now: datetime) -> Written:
    outcome = decide_all(session, due, now)
    carry_out(session, outcome, now)
    if outcome.decided:
        session.connection().execute(
            SETTLE,
            [
                {"step": step.id, "new_state": settled(decision), "why": decision.reason.value, "at": now}
                for step, decision in outcome.decided
            ],
        )
    for step, decision in outcome.decided:
        if decision.moves_up_next:
            _move_up_next(session, step, now)
    passed = sum(decision.action is StepAction.PASS for _, decision in outcome.decided)
    return Written(len(outcome.decided) - passed, passed, outcome.failed)


def _move_up_next(session: Session, step: DueStep, now: datetime) -> None:
    following = session.execute(
        select(Step.id, Step.kind, Step.due_at)
        .where(Step.window_id == step.window_id, Step.id >= none_made_before([step.window_id]))
        .where(Step.position > step.position, Step.state == StepState.PENDING)
        .order_by(Step.position)
        .limit(1)
    ).first()
    if following is None:
        return
    due_at = steps.moved_up_to(following.kind, step.closes_at, now)
    if due_at < following.due_at:
        session.execute(update(Step).where(Step.id == following.id).values(due_at=due_at))


# --- whom a step can speak to ----------------------------------------------------------------


@dataclass(frozen=True)
class Address:
    """The first working contact of one person, patient or caregiver."""

    contact_id: uuid.UUID
    channel: Channel
    person_id: uuid.UUID


@dataclass(frozen=True)
class Reachability:
    """Whether anybody can be reached, and who, in the order to ask them."""

    reach: Reach
    addresses: tuple[Address, ...] = ()


def reach_patients(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Reachability]:
    """How each patient can be reached. Two queries."""
    if not patient_ids:
        return {}
    agreed = contacts.patients_who_agreed(session, patient_ids)
    # A no that is not as it was written is no choice of theirs: the last look before sending tells staff.
    agreed |= contacts.in_doubt(session, set(patient_ids) - agreed).keys()
    first = contacts.first_working(session, Contact.patient_id, patient_ids)
    return {one: _reached([one], agreed, first) for one in patient_ids}


def reach_caregivers(session: Session, patient_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, Reachability]:
    """The caregivers of each patient who may be told and can be, in the clinic's order. Four queries."""
    if not patient_ids:
        return {}
    of_patient: dict[uuid.UUID, list[uuid.UUID]] = defaultdict(list)
    for patient_id, caregiver_id in session.execute(
        select(Caregiver.patient_id, Caregiver.id)
        .where(Caregiver.patient_id.in_(patient_ids), Caregiver.active)
        .order_by(Caregiver.position, Caregiver.created_at, Caregiver.id)
    ):
        of_patient[patient_id].append(caregiver_id)
    agreed = contacts.caregivers_who_agreed(session, patient_ids) or set(contacts.in_doubt(session, patient_ids))
    first = contacts.first_working(session, Contact.caregiver_id, [one for some in of_patient.values() for one in some])
    return {one: _reached(of_patient[one], agreed, first) for one in patient_ids}


def _reached(
    some: Collection[uuid.UUID], agreed: Collection[uuid.UUID], first: dict[uuid.UUID, tuple[uuid.UUID, Channel]]
) -> Reachability:
    if not some:
        return Reachability(Reach.NOBODY)
    allowed = [one for one in some if one in agreed]
    if not allowed:
        return Reachability(Reach.NO_CONSENT)
    addresses = tuple(Address(*first[one], one) for one in allowed if one in first)
    return Reachability(Reach.YES if addresses else Reach.NO_CONTACT, addresses)


# --- what staff are told: one task each, once per occurrence ---------------------------------


def silence_task(step: DueStep, silence: Running) -> NewTask:
    """A silence has lasted as long as the clinic is willing to wait: once for each run of missed days."""
    return NewTask(
        step.clinic_id,
        step.patient_id,
        LongSilence(silence.missed, silence.cause, silence.first),
        f"silent:{step.patient_id}:{silence.first}",
    )


def no_contact_task(step: DueStep) -> NewTask:
    """Somebody who should be asked cannot be reached at all.

    At most once a week: the same broken telephone every morning would bury the rest of the inbox.
    """
    year, week, _ = step.local_date.isocalendar()
    whose = Whose.PATIENT if step.kind in TO_PATIENT else Whose.CAREGIVER
    return NewTask(
        step.clinic_id,
        step.patient_id,
        NobodyToReach(whose, step.kind, step.window_id),
        f"no_contact:{step.patient_id}:{whose.value}:{year}-{week:02}",
    )
