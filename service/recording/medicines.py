"""Courses of medicines: begun, changed by a new course, ended by a last date."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy.orm import Session

from service.care import entries
from service.domain import validation
from service.domain.record import results
from service.domain.validation import Refused
from service.domain.vocabulary import MedicineClass, Route
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
    corrects: MedicineRow | None = None,
) -> MedicineRow:
    """Keep a course; with `corrects` the newer row of one, as where it ends or was typed wrongly. Raises Refused."""
    entries.past_date("from_date", from_date, patient, act.now)
    validation.date_span("to_date", from_date, to_date, longest_days=LONGEST_DAYS)
    if chemistry_on is not None and not from_date < chemistry_on <= from_date + LATEST_CHEMISTRY:
        raise Refused("chemistry_on", chemistry_on.isoformat(), "a date within a year after the first day")
    times = results.decimal("times_a_day", times_a_day)
    if not 0 < times <= MOST_TIMES:
        raise Refused("times_a_day", times_a_day, f"a number above 0, at most {MOST_TIMES}; 0.5 is every other day")
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
    return entries.enter(act, patient, row, corrects=corrects)


def change_dose(
    act: Act, patient: Patient, taken: MedicineRow, *, dose: str, times_a_day: str, from_date: date
) -> MedicineRow:
    """End a course the day before and begin the next, of another dose, from `from_date` on. Raises Refused."""
    same: dict[str, Any] = {name: getattr(taken, name) for name in ("name", "kind", "unit", "route")}
    _end_before(act, patient, taken, from_date)
    return record_medicine(act, patient, **same, dose=dose, times_a_day=times_a_day, from_date=from_date)


def replace_others(act: Act, patient: Patient, began: MedicineRow) -> None:
    """End every other course of this medicine and route the day before `began`, which changes it. Raises Refused."""
    for taken in beside(act.session, began):
        _end_before(act, patient, taken, began.from_date)


def beside(session: Session, began: MedicineRow) -> list[MedicineRow]:
    """The other courses of the same name and route that are taken on the first day of `began`."""
    return [
        row
        for row in entries.counting(session, MedicineRow, began.patient_id, MedicineRow.from_date)
        if row.id != began.id
        and (row.name.casefold(), row.route) == (began.name.casefold(), began.route)
        and row.from_date <= began.from_date
        and (row.to_date is None or row.to_date >= began.from_date)
    ]


def _end_before(act: Act, patient: Patient, taken: MedicineRow, day: date) -> None:
    """Give a course the day before `day` as its last. Raises Refused."""
    if day <= taken.from_date:
        raise Refused("from_date", day.isoformat(), f"a date after the course began, {taken.from_date.isoformat()}")
    same = ("name", "kind", "unit", "route", "dose", "times_a_day", "from_date", "chemistry_on", "note")
    kept: dict[str, Any] = {name: getattr(taken, name) for name in same}
    record_medicine(act, patient, **kept, to_date=day - timedelta(days=1), corrects=taken)
