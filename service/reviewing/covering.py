"""Who was looked after here in which week, and who of them was reviewed.

Promises that a past week keeps everybody who was looked after here in it, whatever has become of them: whoever care
has ended for, and whoever another clinic has taken over since, under the name and number they went with; the running
week goes by the same rule. Whom this clinic took over counts from that day on: in the weeks, and in every measure.
"""

from __future__ import annotations

import uuid
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, case, false, func, or_, select
from sqlalchemy.orm import Session

from service.domain.localtime import local_date
from service.domain.measures import Span
from service.domain.vocabulary import PatientState, TransferState
from service.reviewing.panel import clinic_of
from service.reviewing.placing import current_week
from service.store import signatures
from service.store.tables import Clinic, Patient, SignOff, Transfer, Window

SIX = timedelta(days=6)


@dataclass(frozen=True, slots=True)
class LookedAfter(Span):
    """From when and until when this clinic looked after a patient; somebody who came back has two."""

    who: uuid.UUID
    name: str
    clinic_ref: str
    came: bool = False  # from another clinic, which brought along what it had recorded


def looked_after(session: Session, clinic: Clinic) -> list[LookedAfter]:
    """Everybody, by name. Of whom care has ended, to the last date that anything was planned for. Two queries."""
    last = select(func.max(Window.local_date)).where(Window.patient_id == Patient.id).scalar_subquery()
    until = case((Patient.state == PatientState.ENDED, last))
    found = []
    here = select(
        Patient.id, Patient.name, Patient.clinic_ref, Transfer.here_since(), Patient.enrolled_at, Patient.state, until
    )
    for who, name, ref, at, enrolled_at, state, end in session.execute(here.where(Patient.clinic_id == clinic.id)):
        first = local_date(at, clinic.zone)
        left = end or first if state is PatientState.ENDED else None
        found.append(LookedAfter(who, first, left, name, ref, came=at != enrolled_at))
    gone = select(Transfer.patient_id, Transfer.since, Transfer.settled_at, Transfer.name, Transfer.clinic_ref).where(
        Transfer.clinic_id == clinic.id, Transfer.state == TransferState.ACCEPTED
    )
    for who, since, at, name, ref in session.execute(gone):
        if at is not None:  # as of every transfer that was answered
            found.append(LookedAfter(who, local_date(since, clinic.zone), local_date(at, clinic.zone), name, ref))
    return sorted(found, key=lambda one: (one.name, one.clinic_ref))


def in_week(everybody: Iterable[LookedAfter], start: date) -> list[LookedAfter]:
    """Whoever was looked after on any day of the week that begins on `start`, each once."""
    there = [one for one in everybody if one.first <= start + SIX and (one.last is None or one.last >= start)]
    return list({one.who: one for one in there}.values())


class Here:
    """Which days of what was recorded are this clinic's: of whom it took over, not those at another."""

    def __init__(self, everybody: Iterable[LookedAfter]) -> None:
        spans: dict[Hashable, list[LookedAfter]] = {}
        for one in everybody:
            spans.setdefault(one.who, []).append(one)
        self._of: Mapping[Hashable, list[LookedAfter]] = {
            who: sorted(theirs, key=lambda one: one.first)
            for who, theirs in spans.items()
            if any(one.came for one in theirs)
        }

    def part(self, span: Span) -> list[Span]:
        """Of days of one patient, those that are the clinic's."""
        if span.who not in self._of:
            return [span]
        found = []
        for one in self._of[span.who]:
            first = max(one.first, span.first)
            last = min((day for day in (one.last, span.last) if day is not None), default=None)
            if last is None or first <= last:
                found.append(Span(span.who, first, last))
        return found

    def on(self, who: uuid.UUID, day: date) -> bool:
        """Whether this day of this patient is."""
        return who not in self._of or bool(self.part(Span(who, day, day)))

    def windows(self, first: date) -> ColumnElement[bool]:
        """The same of windows, for those since `first`."""
        away: dict[tuple[date, date], list[Hashable]] = {}  # both days are the clinic's, those between are not
        for who, theirs in self._of.items():
            left = date.min
            for one in theirs:
                if one.first > first:
                    away.setdefault((left, one.first), []).append(who)
                left = one.last or date.max
        return ~or_(
            false(),
            *(
                Window.patient_id.in_(whose) & (Window.local_date > after) & (Window.local_date < before)
                for (after, before), whose in away.items()
            ),
        )


@dataclass(frozen=True, slots=True)
class Covered:
    """One review week: how many of those looked after then were signed, and the names of those who were not.

    Of these, `left_unsigned` were looked after here no more when the week was over.
    """

    first: date
    signed: int
    enrolled: int
    stayed: tuple[str, ...]
    left_unsigned: tuple[str, ...]

    @property
    def unsigned(self) -> tuple[str, ...]:
        """All who were not signed, those who left last."""
        return self.stayed + self.left_unsigned


def coverage(session: Session, clinic_id: uuid.UUID, now: datetime, weeks: int) -> list[Covered]:
    """The newest `weeks` review weeks, the present one first. Raises LookupError for no such clinic."""
    clinic = clinic_of(session, clinic_id)
    newest = current_week(clinic, now)
    starts = [newest - timedelta(weeks=back) for back in range(weeks)]
    everybody = looked_after(session, clinic)
    of_weeks = select(SignOff.patient_id, SignOff.week).where(
        SignOff.clinic_id == clinic_id, signatures.COUNTS, SignOff.week >= starts[-1]
    )
    signed = {(who, week) for who, week in session.execute(of_weeks)}
    covered = []
    for start in starts:
        here = in_week(everybody, start)
        stayed = {one.who for one in everybody if one.first <= start + SIX < (one.last or date.max)}
        unsigned = [one for one in here if (one.who, start) not in signed]
        covered.append(
            Covered(
                start,
                signed=len(here) - len(unsigned),
                enrolled=len(here),
                stayed=tuple(one.name for one in unsigned if one.who in stayed),
                left_unsigned=tuple(one.name for one in unsigned if one.who not in stayed),
            )
        )
    return covered
