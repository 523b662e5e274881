"""What results say beside each other: the newest among the patient's own, pairs of posture, the catheter.

Promises no threshold: a newest result is held against this patient's own earlier ones alone, with how many; where
a published figure divides, it is named with its source and year. What there is too little of is not called usual.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.record.results import TimedResult
from service.domain.vocabulary import ArmPosture, EjectionClass, Knowledge, ResultKind

Series = Mapping[ResultKind, Sequence[TimedResult]]

FEWEST = 3  # earlier results, below which none is called usual; our own number, no source
EARLIER = timedelta(days=365)  # how far back they count; our own number, no source
TOGETHER = timedelta(minutes=15)  # within which lying and standing are one pair; our own number, no source
# Diastolic gradient at and above which the vessels of the lung have a part of their own in the pressure: 2015
# ESC/ERS guideline on pulmonary hypertension (Eur Heart J 2016;37:67–119), from memory.
RAISED_GRADIENT = Decimal(7)


@dataclass(frozen=True, slots=True)
class Among:
    """Where the newest result of a kind stands among this patient's own of the year before it."""

    kind: ResultKind
    knowledge: Knowledge  # changed: outside all of them
    earlier: int
    least: TimedResult | None
    most: TimedResult | None
    since: date | None
    above: bool = False  # of one that is outside: above all of them, or below


@dataclass(frozen=True, slots=True)
class ArmPressure:
    """A pressure of the arm, with the diastolic that was taken with it."""

    on: date
    systolic: TimedResult
    diastolic: TimedResult | None


@dataclass(frozen=True, slots=True)
class PosturePair:
    """The newest pressures of the arm that were taken lying and standing, one soon after the other."""

    lying: ArmPressure
    standing: ArmPressure

    @property
    def drop(self) -> tuple[Decimal, Decimal | None]:
        """How far it is lower on standing, mmHg: systolic, diastolic. Negative is a rise."""
        below = self.lying.systolic.result.compared - self.standing.systolic.result.compared
        if self.lying.diastolic is None or self.standing.diastolic is None:
            return below, None
        return below, self.lying.diastolic.result.compared - self.standing.diastolic.result.compared


@dataclass(frozen=True, slots=True)
class Catheter:
    """PA diastolic and wedge pressure of one day's right-heart catheter, mmHg."""

    on: date
    diastolic: TimedResult
    wedge: TimedResult
    at_implant: bool

    @property
    def gradient(self) -> Decimal:
        """PA diastolic − wedge: by so much the diastolic read above the filling pressure of the left heart."""
        return self.diastolic.result.compared - self.wedge.result.compared

    @property
    def is_raised(self) -> bool:
        return self.gradient >= RAISED_GRADIENT


def among(kind: ResultKind, series: Sequence[TimedResult], where: ZoneInfo) -> Among:
    """How the newest of a series, oldest first, stands among the others; pressures of the arm by posture."""
    newest = series[-1]
    own = [
        one
        for one in series[:-1]
        if one.posture is newest.posture and timedelta(0) < newest.at - one.at <= EARLIER
    ]  # fmt: skip
    if not own:
        return Among(kind, Knowledge.NOTHING, 0, None, None, None)
    least, most = (pick(own, key=lambda one: one.result.compared) for pick in (min, max))
    above, below = (newest.result.compared > most.result.compared, newest.result.compared < least.result.compared)
    known = Knowledge.CHANGED if above or below else Knowledge.UNCHANGED
    if len(own) < FEWEST:
        known = Knowledge.TOO_LITTLE
    return Among(kind, known, len(own), least, most, local_date(own[0].at, where), above)


def arm_pressure(results: Series, where: ZoneInfo) -> ArmPressure | None:
    """The newest pressure of the arm, in whatever posture."""
    systolic = results.get(ResultKind.SYSTOLIC, ())
    return _arm(systolic[-1], results, where) if systolic else None


def posture_pair(results: Series, where: ZoneInfo) -> PosturePair | None:
    """The newest pair of lying and standing; None where there is none."""
    systolic = results.get(ResultKind.SYSTOLIC, ())
    lying = [one for one in systolic if one.posture is ArmPosture.LYING]
    for standing in reversed([one for one in systolic if one.posture is ArmPosture.STANDING]):
        near = [one for one in lying if abs(standing.at - one.at) <= TOGETHER]
        if near:
            nearest = min(near, key=lambda one: abs(standing.at - one.at))
            return PosturePair(_arm(nearest, results, where), _arm(standing, results, where))
    return None


def _arm(systolic: TimedResult, results: Series, where: ZoneInfo) -> ArmPressure:
    with_it = (
        one
        for one in results.get(ResultKind.DIASTOLIC, ())
        if one.at == systolic.at and one.posture is systolic.posture
    )
    return ArmPressure(local_date(systolic.at, where), systolic, next(with_it, None))


def catheter(results: Series, implanted_on: date | None, where: ZoneInfo) -> Catheter | None:
    """The catheter of the implant where that day is known and has both pressures, else the newest that has."""
    wedges = _by_day(results.get(ResultKind.WEDGE, ()), where)
    days = {
        day: (diastolic, wedges[day])
        for day, diastolic in _by_day(results.get(ResultKind.CATHETER_DIASTOLIC, ()), where).items()
        if day in wedges
    }
    if not days:
        return None
    day = max(days) if implanted_on is None or implanted_on not in days else implanted_on
    return Catheter(day, *days[day], at_implant=day == implanted_on)


def _by_day(series: Iterable[TimedResult], where: ZoneInfo) -> dict[date, TimedResult]:
    return {local_date(one.at, where): one for one in series}


def ejection_class(percent: Decimal) -> EjectionClass:
    """Reduced to 40 %, mildly reduced to 49 %, preserved from 50 %.

    Source: 2021 ESC guideline on heart failure; the name of the source from memory.
    """
    if percent <= 40:
        return EjectionClass.REDUCED
    return EjectionClass.MILDLY_REDUCED if percent < 50 else EjectionClass.PRESERVED


def gfr_stage(egfr: float) -> str:
    """`G3a`: the category of a GFR in mL/min/1.73 m², as it is told, in whole numbers.

    Source: KDIGO 2012 guideline on chronic kidney disease, from memory. A category is of chronic disease only where it
    has lasted for three months.
    """
    told = Decimal(egfr).quantize(Decimal(1), ROUND_HALF_UP)
    for least, stage in ((90, "G1"), (60, "G2"), (45, "G3a"), (30, "G3b"), (15, "G4")):
        if told >= least:
            return stage
    return "G5"
