"""A replay: past days of many patients through the engine that a clinic runs.

Promises that a signal of one day rests on that day and earlier ones only, that a
patient is followed from the first row to the last one of their own, and that
blocks of patients give what all at once would give.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date

from service.domain import days
from service.domain.days import Day
from service.domain.signals import engine
from service.domain.signals.episodes import KINDS, burden
from service.domain.signals.facts import Case, PressureLimits
from service.domain.vocabulary import SignalKind
from service.replaying.files import PastDiaries, PastReadings
from service.replaying.options import Options
from service.words.language import FALLBACK, load_language
from service.words.sentences import signals

AT_ONCE = 1000  # patients worked on together
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class ReplayedSignal:
    """One line of the answer."""

    patient: str
    local_date: date
    signal: SignalKind
    sentence: str


@dataclass(slots=True)
class Replayed:
    """What a replay result, in order of date, patient and kind."""

    signals: list[ReplayedSignal] = field(default_factory=list)
    patients: int = 0
    patient_days: int = 0

    def per_patient_year(self) -> dict[SignalKind, float]:
        """Signals per patient-year, by kind."""
        counts = Counter(line.signal for line in self.signals)
        years = max(self.patient_days, 1) / DAYS_A_YEAR
        return {kind: counts[kind] / years for kind in KINDS}

    def burden(self) -> float:
        """Signals per 100 patients and week."""
        return burden(len(self.signals), self.patient_days)


def replay(
    readings: PastReadings,
    diaries: PastDiaries | None,
    options: Options,
    progress: Callable[[int], None] = lambda patients: None,
) -> Replayed:
    """Run every patient of the two files. `progress` is told how many patients are done."""
    names = sorted({*readings.taken, *(diaries.days if diaries else ())})
    result = Replayed(patients=len(names))
    english = load_language(FALLBACK)
    for begin in range(0, len(names), AT_ONCE):
        some = names[begin : begin + AT_ONCE]
        courses = {name: _course(name, readings, diaries) for name in some}
        # Everybody is run to the same day, side by side; what a patient's own last day does not hold is left out.
        today = max(course[-1].day for course in courses.values())
        cases = [_case(name, course, today, options) for name, course in courses.items()]
        for (name, course), assessment in zip(courses.items(), engine.assess_many(cases, options.engine), strict=True):
            result.patient_days += (course[-1].day - course[0].day).days + 1
            result.signals += [
                ReplayedSignal(
                    name, episode.raised_on, episode.kind, signals.signal(english, episode.kind, episode.facts)
                )
                for episode in assessment.signals
                if episode.raised_on <= course[-1].day and episode.kind in options.only
            ]
        progress(begin + len(some))
    result.signals.sort(key=lambda line: (line.local_date, line.patient, KINDS.index(line.signal)))
    return result


def _course(name: str, readings: PastReadings, diaries: PastDiaries | None) -> list[Day]:
    """The days of one patient that hold anything, in order."""
    taken = readings.taken.get(name, [])
    written = diaries.days.get(name, {}) if diaries else {}
    known = {*written, *(reading.day for reading in taken)}
    joined = days.join(min(known), max(known), readings=taken, diary=written.values())
    return [day for day in joined if day.readings or day.checkin]


def _case(name: str, course: list[Day], today: date, options: Options) -> Case:
    return Case(
        days=course,
        today=today,
        reference=options.references.get(name),
        limits=options.limits.get(name, PressureLimits()),
        dry_weight_kg=options.dry_weights.get(name),
        silent_days=options.engine.silent_days or 0,
    )
