"""What stands out in which records a colleague opened: facts for whoever answers for it, and no verdict.

Promises that each thing told is measured against the colleague's own past, so that whoever works nights or sees a
whole ward is not told every day, and that nothing is told of fewer than the clinic's `Floors`. Says nothing of why: a
record is opened for many good reasons that leave no trace. Knows no names. All numbers are our own, no source.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

SHOWN_DAYS = 14  # what is told of
PAST_DAYS = 42  # what each thing is measured against, before that
ONE_OCCASION = timedelta(minutes=15)  # what is opened again within this is the same look
MANY_TIMES = 1.5  # the busiest hour of the past
AGAIN_TIMES = 2  # the record opened next most


@dataclass(frozen=True)  # without slots: the defaults are read off the class
class Floors:
    """From how much on something can stand out; the numbers that a clinic begins with are our own."""

    nights: int = 6  # of the past with records opened: whoever has as many works at night
    records: int = 20  # in an hour: more than these
    occasions: int = 10  # on one record in seven days


class Striking(StrEnum):
    """What can stand out."""

    NIGHT = "night"  # in the clinic's quiet hours
    MANY = "many"  # different records in one hour
    AGAIN = "again"  # one record again and again
    APART = "apart"  # of people in whose care they have no part that is on record


@dataclass(frozen=True, slots=True)
class Visit:
    """A colleague opened a patient's record, or changed something in it."""

    staff_id: uuid.UUID
    patient_id: uuid.UUID
    at: datetime
    changed: bool = False


@dataclass(frozen=True, slots=True)
class Noticed:
    """One thing that stands out. `number` of records or occasions; `usual` is the colleague's own past, by the same."""

    what: Striking
    staff_id: uuid.UUID
    day: date  # of the clinic; the first of several, the evening of a night
    number: int
    usual: int
    patients: tuple[uuid.UUID, ...]
    hour: int | None = None
    changed: int = 0


def noticed(
    visits: Iterable[Visit],
    parts: Collection[tuple[uuid.UUID, uuid.UUID]],
    takes_part: Collection[uuid.UUID],
    quiet: tuple[time, time],
    zone: ZoneInfo,
    today: date,
    floors: Floors,
) -> list[Noticed]:
    """What stands out in the `SHOWN_DAYS` up to `today`, the newest first.

    `visits` go back `PAST_DAYS` further. `parts` are the pairs of colleague and patient that some work of theirs
    joins; `takes_part` are the colleagues whose role lets them do such work: a reader has none to show.
    """
    first, by_staff = today - timedelta(days=SHOWN_DAYS - 1), defaultdict(list)
    for visit in sorted(visits, key=lambda one: one.at):
        by_staff[visit.staff_id].append((visit, visit.at.astimezone(zone)))
    found: list[Noticed] = []
    for staff_id, seen in by_staff.items():
        found += _at_night(staff_id, seen, quiet, first, floors.nights)
        found += _many(staff_id, seen, first, floors.records)
        found += _again(staff_id, seen, first, today, floors.occasions)
        if staff_id in takes_part:
            found += _apart(staff_id, seen, parts, first)
    return sorted(found, key=lambda one: (one.day, one.number), reverse=True)


Seen = Sequence[tuple[Visit, datetime]]  # with the clinic's wall time


def _at_night(staff_id: uuid.UUID, seen: Seen, quiet: tuple[time, time], first: date, known: int) -> list[Noticed]:
    begins, ends = quiet
    nights: dict[date, set[uuid.UUID]] = defaultdict(set)
    for visit, local in seen:
        at = local.time()
        is_late = at >= begins if begins > ends else begins <= at < ends
        if is_late or (begins > ends and at < ends):
            nights[local.date() if is_late else local.date() - timedelta(days=1)].add(visit.patient_id)
    found = []
    for night, patients in nights.items():
        before = sum(night - timedelta(days=PAST_DAYS) <= one < night for one in nights)
        if night >= first - timedelta(days=1) and before < known:
            found.append(Noticed(Striking.NIGHT, staff_id, night, len(patients), before, _sorted(patients)))
    return found


def _many(staff_id: uuid.UUID, seen: Seen, first: date, floor: int) -> list[Noticed]:
    hours: dict[tuple[date, int], set[uuid.UUID]] = defaultdict(set)
    for visit, local in seen:
        hours[local.date(), local.hour].add(visit.patient_id)
    busiest: dict[date, tuple[int, int]] = {}
    for (day, hour), patients in hours.items():
        busiest[day] = max(busiest.get(day, (0, 0)), (len(patients), hour))
    found = []
    for day, (number, hour) in busiest.items():
        past = [most for other, (most, _) in busiest.items() if day - timedelta(days=PAST_DAYS) <= other < day]
        usual = max(past, default=0)
        if day >= first and number > max(floor, MANY_TIMES * usual):
            found.append(Noticed(Striking.MANY, staff_id, day, number, usual, _sorted(hours[day, hour]), hour))
    return found


def _again(staff_id: uuid.UUID, seen: Seen, first: date, today: date, floor: int) -> list[Noticed]:
    found = []
    for begins in (today - timedelta(days=6), today - timedelta(days=13)):
        week = [(visit, local) for visit, local in seen if begins <= local.date() <= begins + timedelta(days=6)]
        looks: Counter[uuid.UUID] = Counter()
        changes: Counter[uuid.UUID] = Counter()
        last: dict[uuid.UUID, datetime] = {}
        for visit, _ in week:
            if visit.patient_id not in last or visit.at - last[visit.patient_id] > ONE_OCCASION:
                looks[visit.patient_id] += 1
            last[visit.patient_id] = visit.at
            changes[visit.patient_id] += visit.changed
        (patient, number), (_, usual) = [*looks.most_common(2), (uuid.UUID(int=0), 0), (uuid.UUID(int=0), 0)][:2]
        if begins >= first and number >= floor and number > AGAIN_TIMES * usual:
            of, changed = (patient,), changes[patient]
            found.append(Noticed(Striking.AGAIN, staff_id, begins, number, usual, of, changed=changed))
    return found


def _apart(
    staff_id: uuid.UUID, seen: Seen, parts: Collection[tuple[uuid.UUID, uuid.UUID]], first: date
) -> list[Noticed]:
    lately = [(visit, local) for visit, local in seen if local.date() >= first]
    apart = {visit.patient_id for visit, _ in lately if (staff_id, visit.patient_id) not in parts}
    if not apart:
        return []
    day = min(local.date() for visit, local in lately if visit.patient_id in apart)
    joined = len({visit.patient_id for visit, _ in lately} - apart)
    return [Noticed(Striking.APART, staff_id, day, len(apart), joined, _sorted(apart))]


def _sorted(patients: Iterable[uuid.UUID]) -> tuple[uuid.UUID, ...]:
    return tuple(sorted(patients))
