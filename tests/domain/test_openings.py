"""What stands out in who opened what: each measured against the colleague's own past. All numbers are our own, no source."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.domain.openings import Floors, Noticed, Striking, Visit, noticed

ZONE = ZoneInfo("America/New_York")
TODAY = date(2026, 11, 25)
ANN, BO = uuid.UUID(int=1), uuid.UUID(int=2)
QUIET = (time(21), time(8))


def at(ago: int, hour: int, minute: int = 0) -> datetime:
    return datetime.combine(TODAY - timedelta(days=ago), time(hour, minute), ZONE).astimezone(UTC)


def seen(who: uuid.UUID, patients: Iterable[int], ago: int, hour: int, *, changed: bool = False) -> list[Visit]:
    return [Visit(who, uuid.UUID(int=100 + one), at(ago, hour, one % 60), changed) for one in patients]


def told(
    visits: list[Visit], parts: set[tuple[uuid.UUID, uuid.UUID]] | None = None, floors: Floors = Floors()
) -> list[Noticed]:
    known = {(one.staff_id, one.patient_id) for one in visits} if parts is None else parts
    return noticed(visits, known, {ANN, BO}, QUIET, ZONE, TODAY, floors)


def test_a_night_is_told_of_who_does_not_work_at_night() -> None:
    """23:30 and 02:00 are one night, that of the evening; the clinic's clock counts, not UTC."""
    (one,) = told(seen(ANN, [1], 3, 23) + seen(ANN, [1, 2], 2, 2) + seen(ANN, [9], 1, 12))
    assert (one.what, one.day, one.number, one.usual) == (Striking.NIGHT, TODAY - timedelta(days=3), 2, 0)
    nights = [visit for ago in range(0, 40, 4) for visit in seen(ANN, [1], ago, 22)]
    assert {one.day for one in told(nights)} <= {TODAY - timedelta(days=ago) for ago in range(15)}
    regular = [visit for ago in range(0, 50, 2) for visit in seen(BO, [1], ago, 22)]
    assert told(regular) == [], "whoever works nights is not told every night"


def test_many_in_an_hour_beyond_the_own_past() -> None:
    ward = seen(ANN, range(Floors.records + 5), 1, 14)
    (one,) = told(ward)
    assert (one.what, one.number, one.usual, one.hour) == (Striking.MANY, Floors.records + 5, 0, 14)
    assert told(ward + seen(ANN, range(Floors.records + 1), 20, 10)) == [], "she has seen as many before"
    assert told(seen(ANN, range(Floors.records), 1, 14)) == []
    few = seen(ANN, range(4), 1, 14)
    assert [one.number for one in told(few, floors=Floors(records=3))] == [4], "a clinic's own number"
    assert told(few, floors=Floors(records=4)) == []


def test_one_record_again_and_again() -> None:
    looks = [visit for ago in range(7) for hour in (9, 15) for visit in seen(ANN, [1], ago, hour, changed=ago == 0)]
    (one,) = told(looks + seen(ANN, [2], 1, 12))
    assert (one.what, one.number, one.usual, one.changed) == (Striking.AGAIN, 14, 1, 2)
    others = [visit for ago in range(7) for visit in seen(ANN, [2], ago, 12)]
    assert told(looks + others) == [], "not twice as often as another"
    reload = [Visit(ANN, uuid.UUID(int=101), at(1, 9, minute)) for minute in range(0, 60, 4)]
    assert told(reload) == [], "a page that is opened again within minutes is one occasion"


def test_a_record_of_somebody_with_whom_no_work_joins_them() -> None:
    part = {(ANN, uuid.UUID(int=101))}
    (one,) = told(seen(ANN, [1, 2], 1, 12), part)
    assert (one.what, one.number, one.usual, one.patients) == (Striking.APART, 1, 1, (uuid.UUID(int=102),))
    assert told(seen(ANN, [2], 20, 12), part) == [], "that is no news"
    reader = uuid.UUID(int=3)
    assert told(seen(reader, [2], 1, 12), part) == [], "a reader has no work to show"
