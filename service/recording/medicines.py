"""Courses of medicines: begun, changed by a new course, ended by a last date.

Promises that two courses of one medicine and route are told as taken at the same time only where somebody said so:
whoever enters a second says whether it ends the earlier one or is taken beside it, by page and API alike.
"""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy.orm import Session

from service.care import entries
from service.domain import validation
from service.domain.record import results
from service.domain.validation import Refused
from service.domain.vocabulary import EarlierCourse, MedicineClass, Route
from service.store.audit import Act
from service.store.tables import MedicineRow, Patient

LONGEST_DAYS = 36525
MOST_TIMES = Decimal(24)
LATEST_CHEMISTRY = timedelta(days=366)


def record_medicine(
    act: Act,
    patient: Patient,
    *,
    name: str,
    kind: MedicineClass,
    dose: str,
    unit: str,
    times_a_day: str,
    route: Route,
    from_date: date,
    to_date: date | None = None,
    chemistry_on: date | None = None,
    note: str = "",
    earlier: EarlierCourse | None = None,
    corrects: MedicineRow | None = None,
) -> MedicineRow:
    """Keep a course; with `corrects` the newer row of one, as where it ends or was typed wrongly. Raises Refused.

    `earlier` is what becomes of other courses of the medicine and route on the same days, and is asked for where there
    are such. A correction is asked only for those that the row it corrects was not taken beside.
    """
    entries.past_date("from_date", from_date, patient, act.now)
    validation.date_span("to_date", from_date, to_date, longest_days=LONGEST_DAYS)
    entries.in_lifetime(act.session, patient, from_date=from_date, to_date=to_date, chemistry_on=chemistry_on)
    if chemistry_on is not None and not from_date < chemistry_on <= from_date + LATEST_CHEMISTRY:
        raise Refused("chemistry_on", chemistry_on.isoformat(), "a date within a year after the first day")
    times = results.decimal("times_a_day", times_a_day)
    if not 0 < times <= MOST_TIMES:
        raise Refused(
            "times_a_day", times_a_day, "a number above 0, at most %(most)s; 0.5 is every other day", most=MOST_TIMES
        )
    row = MedicineRow(
        name=validation.text("name", name, longest=80),
        kind=kind,
        dose=str(results.decimal("dose", dose)),
        unit=validation.text("unit", unit, longest=16),
        times_a_day=str(times),
        route=route,
        from_date=from_date,
        to_date=to_date,
        chemistry_on=chemistry_on,
        note=note,
    )
    _settle_earlier(act, patient, row, earlier, corrects)
    return entries.enter(act, patient, row, corrects=corrects)


def change_dose(
    act: Act, patient: Patient, taken: MedicineRow, *, dose: str, times_a_day: str, from_date: date
) -> MedicineRow:
    """End a course the day before and begin the next, of another dose, from `from_date` on. Raises Refused."""
    same: dict[str, Any] = {name: getattr(taken, name) for name in ("name", "kind", "unit", "route")}
    _end_before(act, patient, taken, from_date)
    now: dict[str, Any] = {"dose": dose, "times_a_day": times_a_day, "from_date": from_date}
    return record_medicine(act, patient, **same, **now, earlier=EarlierCourse.BESIDE)  # what else is taken, stays


def _settle_earlier(
    act: Act, patient: Patient, row: MedicineRow, earlier: EarlierCourse | None, corrects: MedicineRow | None
) -> None:
    """End the other courses of this medicine the day before it, or leave them beside it. Raises Refused if not said."""
    known = set() if corrects is None else {one.id for one in _beside(act.session, patient, corrects, corrects)}
    others = _beside(act.session, patient, row, corrects)
    if earlier is None and any(one.id not in known for one in others):
        raise Refused(
            "earlier",
            None,
            "one of the two, as a course of it is taken on the same days: ended, the day before, or beside it",
        )
    if earlier is EarlierCourse.ENDED:
        for one in others:
            _end_before(act, patient, one, row.from_date)


def _beside(session: Session, patient: Patient, of: MedicineRow, corrects: MedicineRow | None) -> list[MedicineRow]:
    """The courses of the same name and route, but the one that is corrected, that share a day with `of`."""
    return [
        row
        for row in entries.counting(session, MedicineRow, patient.id, MedicineRow.from_date)
        if (corrects is None or row.id != corrects.id)
        and (row.name.casefold(), row.route) == (of.name.casefold(), of.route)
        and row.from_date <= (of.to_date or date.max)
        and (row.to_date or date.max) >= of.from_date
    ]


def _end_before(act: Act, patient: Patient, taken: MedicineRow, day: date) -> None:
    """Give a course the day before `day` as its last. Raises Refused."""
    if day <= taken.from_date:
        raise Refused("from_date", day.isoformat(), "a date after the course began, %(day)s", day=taken.from_date)
    same = ("name", "kind", "unit", "route", "dose", "times_a_day", "from_date", "chemistry_on", "note")
    kept: dict[str, Any] = {name: getattr(taken, name) for name in same}
    last = day - timedelta(days=1)
    record_medicine(act, patient, **kept, to_date=last, earlier=EarlierCourse.BESIDE, corrects=taken)
