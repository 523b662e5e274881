"""Staff close an episode of the diary: worse symptoms or a weight that moved, with a reason.

An episode is closed by answers, else by staff, never by silence. What is closed is what
the answers so far have told; a later answer that is still worse raises it anew. The usual
that answers are held against never rises by itself: staff may say that the answers of the
last week are this patient's usual from now on.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import validation
from service.domain.localtime import local_date
from service.domain.signals.facts import OF_DIARY
from service.domain.validation import Refused
from service.domain.vocabulary import SignalKind
from service.reviewing import placing, refreshing
from service.store import panel
from service.store.audit import Act
from service.store.names import staff_name
from service.store.session import columns_of
from service.store.tables import EpisodeClosing, Patient

LONGEST_REASON = 400


class NotOpen(Exception):
    """There is no such episode of this patient now."""


@dataclass(frozen=True, slots=True)
class ClosedEpisode:
    """One episode that staff closed."""

    id: uuid.UUID
    kind: SignalKind
    closed_on: date
    known_to: date  # the last date whose diary was known then
    reason: str
    by: str
    new_usual: bool  # the answers of the week before are this patient's usual from then on


def close_episode(
    act: Act, patient: Patient, kind: SignalKind, reason: str, *, new_usual: bool = False
) -> ClosedEpisode:
    """Close the open episode of that kind, with its audit line, and the call today that rested on it alone.

    Raises Refused, or NotOpen where none is open.
    """
    if kind not in OF_DIARY:
        raise Refused("kind", kind.value, "one of %(words)s", words=tuple(one.value for one in OF_DIARY))
    why = validation.prose("reason", reason, longest=LONGEST_REASON)
    if not why:
        raise Refused("reason", reason, "why it is closed, in words")
    today = local_date(act.now, patient.zone)
    known = refreshing.summaries(act.session, act.clinic_id, {patient.id: today})[patient.id]
    if all(signal.kind is not kind for signal in known.trend.signals):
        raise NotOpen(kind.value)
    closing = EpisodeClosing(
        patient_id=patient.id,
        kind=kind,
        closed_on=today,
        known_to=known.last_diary_on or today,
        reason=why,
        new_usual=new_usual,
        closed_by=act.actor.id,
        closed_at=act.now,
    )
    act.add(closing)
    panel.mark_stale(act.session, [patient.id], act.now, today)
    left = refreshing.summaries(act.session, act.clinic_id, {patient.id: today})[patient.id]
    placing.settle_calls(act.session, patient.id, left, act.now)
    act.note("episode.close", closing, patient=patient.id, kind=kind, new_usual=new_usual)
    return next(one for one in closed_episodes(act.session, patient.id) if one.kind is kind)


def closed_episodes(
    session: Session, patient_id: uuid.UUID, only: Sequence[uuid.UUID] | None = None
) -> Sequence[ClosedEpisode]:
    """The episodes of a patient that staff closed, newest first; all, or those named."""
    query = (
        select(*columns_of(ClosedEpisode, EpisodeClosing, by=staff_name(EpisodeClosing.closed_by)))
        .where(EpisodeClosing.patient_id == patient_id, *([] if only is None else [EpisodeClosing.id.in_(only)]))
        .order_by(EpisodeClosing.closed_at.desc())
    )
    return [ClosedEpisode(*row) for row in session.execute(query)]
