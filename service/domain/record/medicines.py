"""Medicines as they are taken: courses, the day's sum of loop diuretic, and what each change makes due.

Promises no advice and no dose of its own: equivalents and days until chemistry are the clinic's settings.
The start values below are there so that a clinic has something to correct, each with its source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.domain.validation import Refused
from service.domain.vocabulary import MedicineClass, Route

# Furosemide by mouth = 1. 40 mg by mouth = 20 mg into a vein = bumetanide 1 mg = torasemide 10–20 mg (pharmacist
# review 2023); sources disagree about torasemide (a factor of 2 to 4) and about what 40 mg is counted from.
START_FACTORS: Mapping[str, str] = {
    "furosemide oral": "1",
    "furosemide iv": "2",
    "bumetanide oral": "40",
    "bumetanide iv": "40",
    "torasemide oral": "2",
}

# Days after a change on which chemistry is due. ACE inhibitor, ARB (ARNI alike, from memory): 1–2 weeks; MRA: 1 and 4
# weeks; loop diuretic: 1–2 weeks (NHS Specialist Pharmacy Service; Postgrad Med J tables). SGLT2 inhibitor: no fixed
# extra test. The end of each span is taken.
START_CHEMISTRY_DAYS: Mapping[MedicineClass, tuple[int, ...]] = {
    MedicineClass.ACE_INHIBITOR: (14,),
    MedicineClass.ARB: (14,),
    MedicineClass.ARNI: (14,),
    MedicineClass.MRA: (7, 28),
    MedicineClass.LOOP_DIURETIC: (14,),
}


@dataclass(frozen=True, slots=True)
class Course:
    """One medicine as it is taken, from a local date to a last one; None: until told."""

    name: str
    kind: MedicineClass
    dose: Decimal  # a single one
    unit: str  # UCUM, mostly mg
    times_a_day: Decimal  # 0.5 is every other day
    route: Route
    from_date: date
    to_date: date | None = None
    chemistry_on: date | None = None  # the clinician's own date; None: by the clinic's schedule

    def is_taken_on(self, day: date) -> bool:
        return self.from_date <= day and (self.to_date is None or day <= self.to_date)

    @property
    def a_day(self) -> Decimal:
        """What a day holds, in `unit`."""
        return self.dose * self.times_a_day


@dataclass(frozen=True, slots=True)
class LoopSum:
    """Loop diuretic of a day as furosemide by mouth, mg, with each factor used; what no factor is set for is named."""

    mg: Decimal
    factors: tuple[tuple[str, Decimal], ...]  # "torasemide oral" → 2
    unknown: tuple[str, ...]


def loop_sum(courses: Iterable[Course], day: date, factors: Mapping[str, Decimal]) -> LoopSum | None:
    """The day's loop diuretic; None where none is taken. A course without a factor is named, never counted as none."""
    mg, used, unknown = Decimal(0), {}, []
    for course in courses:
        if course.kind is not MedicineClass.LOOP_DIURETIC or not course.is_taken_on(day):
            continue
        which = f"{course.name.casefold()} {course.route}"
        factor = factors.get(which)
        if factor is None or course.unit != "mg":
            unknown.append(which)
            continue
        used[which] = factor
        mg += course.a_day * factor
    if not used and not unknown:
        return None
    return LoopSum(mg, tuple(sorted(used.items())), tuple(sorted(unknown)))


def chemistry_dates(course: Course, schedule: Mapping[MedicineClass, Sequence[int]]) -> list[date]:
    """The local dates on which chemistry is due after a course began: the clinician's own, else by the schedule.

    Nothing else names such a date: the form of an adjustment proposes these, and the task and the review tell them.
    """
    if course.chemistry_on is not None:
        return [course.chemistry_on]
    return [course.from_date + timedelta(days=after) for after in schedule.get(course.kind, ())]


def read_factors(given: Mapping[str, object]) -> dict[str, Decimal]:
    """A clinic's equivalents, `"torasemide oral": 2`. Raises Refused."""
    kept: dict[str, Decimal] = {}
    for which, factor in given.items():
        name, _, route = which.strip().casefold().rpartition(" ")
        if not name or route not in set(Route) or len(which) > 80:
            raise Refused("loop_factors", which, "a medicine and its route, such as 'torasemide oral'")
        try:
            value = Decimal(str(factor))
        except ArithmeticError:
            value = Decimal(0)
        if not value.is_finite() or not 0 < value <= 1000:
            raise Refused("loop_factors", factor, "for %(which)s: a number above 0, at most 1000", which=which)
        kept[f"{name} {route}"] = value
    return kept
