"""What is known of the person: each item optional, the newest row counting whole."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy.orm import Session

from service.care import entries
from service.domain.plan import weekday_bits
from service.domain.validation import Refused
from service.domain.vocabulary import Device, Sex, Side
from service.store.audit import Act
from service.store.tables import Patient, PersonRow

LEAST_HEIGHT, MOST_HEIGHT = 50.0, 260.0  # cm; common practice, no source
LEAST_FLUID, MOST_FLUID = 200, 10_000  # mL a day; common practice, no source
LEAST_SODIUM, MOST_SODIUM = 200, 10_000  # mg a day; common practice, no source
LOWEST, HIGHEST = -430, 5500  # m, where people live all the year


def set_person(
    act: Act,
    patient: Patient,
    *,
    born_on: date | None = None,
    sex: Sex | None = None,
    height_cm: float | None = None,
    implanted_on: date | None = None,
    implant_side: Side | None = None,
    altitude_m: int | None = None,
    device: Device | None = None,
    dialysis_days: Sequence[int] | None = None,
    fluid_ml: int | None = None,
    sodium_mg: int | None = None,
    note: str = "",
) -> PersonRow:
    """Keep what is known now, whole: what is left out is not known. Raises Refused.

    `dialysis_days` from Monday = 0; `fluid_ml` and `sodium_mg` are what a day may hold, as agreed with the patient.
    """
    for field, day in (("born_on", born_on), ("implanted_on", implanted_on)):
        if day is not None:
            entries.past_date(field, day, patient, act.now)
    if born_on is not None and implanted_on is not None and implanted_on < born_on:
        raise Refused(
            "implanted_on", implanted_on.isoformat(), "a date from %(born_on)s, the date of birth", born_on=born_on
        )
    row = PersonRow(
        born_on=born_on,
        sex=sex,
        height_cm=height_cm,
        implanted_on=implanted_on,
        implant_side=implant_side,
        altitude_m=altitude_m,
        device=device,
        dialysis_days=None if dialysis_days is None else weekday_bits(dialysis_days),
        fluid_ml=fluid_ml,
        sodium_mg=sodium_mg,
        note=note,
    )
    return entries.enter(act, patient, row, corrects=person(act.session, patient.id))


def person(session: Session, patient_id: Any) -> PersonRow | None:
    """What is known of the person now; None where nothing was ever entered."""
    return next(iter(entries.counting(session, PersonRow, patient_id)), None)
