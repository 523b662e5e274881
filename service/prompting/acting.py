"""Decide what the due steps of many windows come to, and write what they cause.

Loads what the decisions need in a fixed number of queries, whatever the number
of steps; decides each by `domain.steps`; writes messages and tasks. The steps'
own rows are the caller's to write.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain import steps
from service.domain.steps import Act, Decision, Reach, StepFacts
from service.domain.vocabulary import MessageKind, MessageState, StepKind
from service.domain.windows import missing
from service.prompting import reaching, telling
from service.prompting.facts import TO_PATIENT, DueStep, OpenSilence
from service.prompting.reaching import Reached
from service.store import outbox
from service.store.outbox import NewMessage
from service.store.tables import CaregiverReply, Message, Silence


@dataclass
class Outcome:
    """Decided and not yet written: each step with its decision, the messages to enqueue, the silences to tell."""

    decided: list[tuple[DueStep, Decision]] = field(default_factory=list)
    messages: list[NewMessage] = field(default_factory=list)
    silences: dict[uuid.UUID, OpenSilence] = field(default_factory=dict)
    failed: list[tuple[uuid.UUID, Exception]] = field(default_factory=list)


@dataclass(frozen=True)
class _Known:
    patients: dict[uuid.UUID, Reached]
    caregivers: dict[uuid.UUID, Reached]
    silences: dict[uuid.UUID, OpenSilence]
    acknowledged: frozenset[uuid.UUID]


def decide_all(session: Session, due: Sequence[DueStep], now: datetime) -> Outcome:
    """Decide every step in `due` at `now`. Reads only; one guard per step."""
    known = _load(session, due)
    outcome = Outcome(silences=known.silences)
    for step in due:
        try:
            decision = steps.decide(_facts(step, known), now)
            if decision.act is Act.SEND:
                outcome.messages.append(_message(step, known, now))
        except Exception as error:
            outcome.failed.append((step.id, error))
        else:
            outcome.decided.append((step, decision))
    return outcome


def carry_out(session: Session, outcome: Outcome, now: datetime) -> None:
    """Write the messages and tasks that were decided; the windows and steps they point at exist by now."""
    outbox.enqueue_many(session, outcome.messages, now)
    silences = outcome.silences
    told = [telling.silent(step, silences[step.patient_id]) for step, d in outcome.decided if d.act is Act.RAISE_TASK]
    told += [telling.no_contact(step) for step, decision in outcome.decided if decision.tells_staff]
    telling.tell_staff(session, told, now)


def _load(session: Session, due: Sequence[DueStep]) -> _Known:
    to_patients = {step.patient_id for step in due if step.kind in TO_PATIENT}
    nudged = {step.patient_id for step in due if step.kind is StepKind.NUDGE}
    late = {step.patient_id for step in due if step.kind not in TO_PATIENT}
    return _Known(
        reaching.patients(session, to_patients),
        reaching.caregivers(session, nudged),
        _open_silences(session, late),
        _acknowledged(session, {step.window_id for step in due if step.kind is StepKind.NUDGE}),
    )


def _open_silences(session: Session, patient_ids: set[uuid.UUID]) -> dict[uuid.UUID, OpenSilence]:
    if not patient_ids:
        return {}
    last_answer = select(func.max(CaregiverReply.at)).where(CaregiverReply.silence_id == Silence.id).scalar_subquery()
    nudges = (
        # One step is one nudge, on however many channels it had to be tried.
        select(func.count(func.distinct(Message.step_id)))
        .where(
            Message.silence_id == Silence.id,
            Message.kind == MessageKind.NUDGE,
            Message.state != MessageState.CANCELLED,
            func.coalesce(Message.created_at > last_answer, True),
        )
        .scalar_subquery()
    )
    rows = session.execute(
        select(Silence.patient_id, Silence.id, Silence.missed, Silence.cause, nudges).where(
            Silence.patient_id.in_(patient_ids), Silence.ended_at.is_(None)
        )
    )
    return {row[0]: OpenSilence(*row[1:]) for row in rows}


def _acknowledged(session: Session, window_ids: set[uuid.UUID]) -> frozenset[uuid.UUID]:
    if not window_ids:
        return frozenset()
    return frozenset(
        session.scalars(select(CaregiverReply.window_id).where(CaregiverReply.window_id.in_(window_ids)).distinct())
    )


def _facts(step: DueStep, known: _Known) -> StepFacts:
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
        missed=silence.missed if silence else 0,
        silent_days=step.silent_days,
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
        key = f"nudge:{silence.id if silence else step.window_id}:{step.id}:{address.caregiver_id}"
    return NewMessage(
        clinic_id=step.clinic_id,
        contact_id=address.contact_id,
        kind=MessageKind(step.kind.value),
        channel=address.channel,
        dedupe_key=key,
        due_at=min(step.due_at, now),
        expires_at=steps.expires_at(step.kind, step.due_at, step.closes_at, step.quiet),
        patient_id=step.patient_id,
        caregiver_id=address.caregiver_id,
        window_id=step.window_id,
        step_id=step.id,
        silence_id=silence.id if silence else None,
        params={"asks": list(missing(step.window))},
    )
