"""The signals that were raised, one row an episode, kept in step with what the engine says.

Promises that saying the same again changes nothing, and that an episode that ended
keeps its row until somebody has seen it. Never un-raises: what a correction takes
back ends. Raises no task: a reading beyond a limit raises its own when it is taken in.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from service.domain import factjson
from service.domain.signals.facts import Episode
from service.domain.vocabulary import SignalKind
from service.store.counting import Counted, count
from service.store.identity import new_id
from service.store.ids import among
from service.store.session import rows
from service.store.tables import Signal
from service.store.upsert import insert_new

_Known = dict[tuple[uuid.UUID, SignalKind, date], Any]  # the rows, by patient, kind and the date they were raised
MOVES = timedelta(days=10)
CARRIED = timedelta(days=7)  # an episode that ended within the last review week is carried until seen


def sync(
    session: Session,
    clinic_id: uuid.UUID,
    told: Mapping[uuid.UUID, Sequence[Episode]],
    todays: Mapping[uuid.UUID, date],
    now: datetime,
) -> int:
    """Write what is new, end what has ended. Returns how many were raised.

    `told` are the episodes that are going on and those raised or ended since the days
    that were worked out anew; of what ended before, the rows are left as they are.
    """
    known: _Known = {}
    earliest = min((one.raised_on for episodes in told.values() for one in episodes), default=date.max)
    query = select(Signal.patient_id, Signal.kind, Signal.raised_on, Signal.id, Signal.ended_on).where(
        among(Signal.patient_id, told), or_(Signal.ended_on.is_(None), Signal.raised_on >= earliest)
    )
    for there in rows(session).execute(query):
        known[there.patient_id, there.kind, there.raised_on] = there
    new: list[dict[str, Any]] = []
    for patient_id, episodes in told.items():
        for episode in episodes:
            row = _take(known, patient_id, episode)
            if row is None:
                new.append(_row(clinic_id, patient_id, episode, todays[patient_id], now))
            elif row.ended_on != episode.ended_on:
                _end(session, row.id, episode.ended_on)
    for left in known.values():
        if left.ended_on is None:  # a correction took its reason away
            _end(session, left.id, todays[left.patient_id])
    if new:
        insert_new(session, Signal.__table__, new, ["patient_id", "kind", "raised_on"])
        count(rows(session), Counted.SIGNALS, (row["kind"].value for row in new))
    return len(new)


def _take(known: _Known, patient_id: uuid.UUID, episode: Episode) -> Any:
    """The row of this episode, taken out of `known`.

    A late reading may move the day an episode is raised by a few days; it is the
    same episode then, told once.
    """
    exact = known.pop((patient_id, episode.kind, episode.raised_on), None)
    if exact is not None or episode.ended_on is not None:
        return exact
    for key, row in known.items():
        same = row.patient_id == patient_id and row.kind is episode.kind
        if same and row.ended_on is None and abs(row.raised_on - episode.raised_on) <= MOVES:
            return known.pop(key)
    return None


def _row(clinic_id: uuid.UUID, patient_id: uuid.UUID, episode: Episode, today: date, now: datetime) -> dict[str, Any]:
    past = episode.ended_on is not None and today - episode.ended_on > CARRIED
    return {
        "id": new_id(),
        "clinic_id": clinic_id,
        "patient_id": patient_id,
        "kind": episode.kind,
        "raised_on": episode.raised_on,
        "raised_at": now,
        "began_on": episode.began_on,
        "facts": factjson.pack(episode.facts),
        "ended_on": episode.ended_on,
        # What ended long before it was known (a year's readings read from a file) is nobody's to look at today.
        "seen_at": now if past else None,
    }


def _end(session: Session, row_id: uuid.UUID, ended_on: date | None) -> None:
    session.execute(update(Signal).where(Signal.id == row_id).values(ended_on=ended_on))
