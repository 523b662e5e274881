"""What the record says of one patient today: kidney and salts, diuretic, what is due, the day after a stay.

Promises facts, each with its date, and that what is not known is None and never a zero or an all-clear. Pure: it is
given what counts now, and the local date.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.record import kidney, limits, medicines, standing
from service.domain.record.limits import ResultBeyond, ResultLimit
from service.domain.record.medicines import Course, LoopSum
from service.domain.record.rates import AroundImplant, around_implant
from service.domain.record.results import TimedResult
from service.domain.record.rules import RecordRules
from service.domain.record.standing import Among, ArmPressure, Catheter, PosturePair
from service.domain.record.trouble import BeforeEvent, TroubleLevel, trouble_level
from service.domain.signals.facts import Goal
from service.domain.vocabulary import (
    ContactWay,
    Device,
    EventCause,
    EventKind,
    MedicineClass,
    NoResult,
    ResultKind,
    Rhythm,
    Role,
    Sex,
    Side,
)

# Which results answer "chemistry due": kidney and potassium are what the sources ask for.
CHEMISTRY = frozenset({ResultKind.CREATININE, ResultKind.POTASSIUM})
# Days in which a changed course, or a stage of kidney injury, is worth a word; our own number, no source.
NEWS_DAYS = 28
# Over how many check-ins missed medicines are counted; our own number, no source.
CHECKINS = 7
ASKED_WITHIN = timedelta(days=90)  # what was answered longer ago is not how they take them now; our own number


@dataclass(frozen=True, slots=True)
class Happened:
    """An event that counts. `to_date` of an admission is the day of discharge; None: still there."""

    kind: EventKind
    cause: EventCause
    from_date: date
    to_date: date | None
    level_before: float | None = None  # PA diastolic a week before, mmHg, as frozen with it; None is not known


@dataclass(frozen=True, slots=True)
class Contacting:
    """A contact that is still to come."""

    id: uuid.UUID
    due_on: date
    way: ContactWay
    who: str | None  # a colleague's name
    role: Role | None
    agreed: bool
    staff_id: uuid.UUID | None = None  # the colleague's


@dataclass(frozen=True, slots=True)
class InPlace:
    """A reason in place of a result, for the chemistry due on a date. `done_on`: blood was taken elsewhere."""

    due_on: date
    why: NoResult
    given_on: date
    done_on: date | None = None


@dataclass(frozen=True, slots=True)
class Aim:
    """The goal that was set last, over or not, and by whom."""

    id: uuid.UUID
    goal: Goal
    why: str
    set_by: str


@dataclass(frozen=True, slots=True)
class Taking:
    """A course that is taken, and of how many of the newest check-ins since it began some medicine was missed.

    The diary does not ask which. `answered` counts check-ins that said either.
    """

    course: Course
    missed: int
    answered: int


@dataclass(frozen=True, slots=True)
class ChemistryDue:
    """Chemistry that a change of `medicine` makes due on a date, and that no result answers yet.

    It wants one after `answered_to`; None: after the change.
    """

    due_on: date
    medicine: str
    kind: MedicineClass
    changed_on: date
    answered_to: date | None = None


@dataclass(frozen=True, slots=True)
class Egfr:
    """mL/min/1.73 m², of a date; `computed` by CKD-EPI 2021 here, or as a laboratory reported it."""

    value: float
    on: date
    computed: bool


@dataclass(frozen=True, slots=True)
class PersonNow:
    """What is known of the person beside age and sex; None is not known."""

    height_cm: float | None = None
    implanted_on: date | None = None
    implant_side: Side | None = None
    altitude_m: int | None = None
    device: Device | None = None
    dialysis_days: tuple[int, ...] | None = None  # from Monday = 0; none is no dialysis
    fluid_ml: int | None = None  # a day, as agreed with the patient
    sodium_mg: int | None = None


@dataclass(frozen=True, slots=True)
class RhythmNow:
    """The rhythm of the heart, as somebody judged it on a local date."""

    rhythm: Rhythm
    on: date


@dataclass(frozen=True, slots=True)
class Recorded:
    """What counts of one patient's record."""

    courses: Sequence[Course] = ()
    results: Mapping[ResultKind, Sequence[TimedResult]] | None = None  # oldest first
    events: Sequence[Happened] = ()  # oldest first
    limits: Sequence[ResultLimit] = ()  # for results, a kind once
    contacts: Sequence[Contacting] = ()  # still to come, the earliest first
    in_place: Sequence[InPlace] = ()
    aim: Aim | None = None
    missed: Sequence[
        tuple[date, bool]
    ] = ()  # a check-in's date, and whether it said a medicine was missed; oldest first
    born_on: date | None = None
    sex: Sex | None = None
    enrolled_on: date | None = None
    person: PersonNow = PersonNow()
    rhythms: Sequence[tuple[datetime, Rhythm]] = ()  # oldest first

    def until(self, last: date, where: ZoneInfo) -> Recorded:
        """The same without what came after the local date `last`; what ends later goes on.

        Who was to be in touch next on that date is not known any more.
        """
        return replace(
            self,
            courses=[one for one in self.courses if one.from_date <= last],
            events=[
                replace(one, to_date=None) if one.to_date is not None and one.to_date > last else one
                for one in self.events
                if one.from_date <= last
            ],
            results={
                kind: kept
                for kind, series in (self.results or {}).items()
                if (kept := [one for one in series if local_date(one.at, where) <= last])
            },
            rhythms=[one for one in self.rhythms if local_date(one[0], where) <= last],
            missed=[one for one in self.missed if one[0] <= last],
            limits=[one for one in self.limits if one.set_on <= last],
            in_place=[one for one in self.in_place if one.given_on <= last],
            contacts=(),
        )

    @property
    def death(self) -> Happened | None:
        """The death that counts; None where none is recorded."""
        return next((event for event in reversed(self.events) if event.kind is EventKind.DEATH), None)


@dataclass(frozen=True, slots=True)
class RecordNow:
    """The record's facts of today."""

    age: int | None
    newest: tuple[TimedResult, ...]  # one a kind
    beyond: tuple[ResultBeyond, ...]  # newest results that are beyond a clinician's own limits
    egfr: Egfr | None
    injury: kidney.KidneyInjury | None
    taking: tuple[Taking, ...]
    loop: LoopSum | None
    changed: Course | None  # the course begun or ended last, within four weeks
    changed_days_ago: int | None
    due: tuple[ChemistryDue, ...]  # the earliest first
    in_hospital_since: date | None
    discharged_on: date | None
    day_after_stay: int | None
    last_event: Happened | None
    trouble: TroubleLevel | None  # where trouble came before
    around_implant: AroundImplant | None  # how often it came, before the sensor and since
    contact: Contacting | None
    among: tuple[Among, ...]  # where the newest results stand among the patient's own
    arm: ArmPressure | None
    pair: PosturePair | None
    catheter: Catheter | None
    heard: RhythmNow | None
    person: PersonNow
    death: Happened | None

    def overdue(self, today: date) -> bool:
        """Whether the next contact should have been before today."""
        return self.contact is not None and self.contact.due_on < today


def of_today(known: Recorded, rules: RecordRules, today: date, where: ZoneInfo) -> RecordNow:
    """What `known` says on the local date `today`; of somebody who died as of that day, and nothing is due."""
    if (death := known.death) is not None:
        known, today = known.until(death.from_date, where), min(today, death.from_date)
    results = known.results or {}
    newest = {kind: series[-1] for kind, series in results.items() if series}
    stays = [event for event in known.events if event.kind is EventKind.ADMISSION]
    stay = max(stays, key=lambda event: event.from_date, default=None)
    out = None if stay is None else stay.to_date
    changed = _changed(known.courses, today)
    of_heart = [
        one for one in known.events if one.cause is EventCause.HEART_FAILURE and one.kind is not EventKind.DEATH
    ]
    told = RecordNow(
        age=_age(known.born_on, today),
        newest=tuple(newest.values()),
        beyond=limits.beyond(known.limits, newest, where),
        egfr=_egfr(known, newest, where),
        injury=_injury(results.get(ResultKind.CREATININE, ()), today, where),
        taking=tuple(_taking(course, known.missed) for course in known.courses if course.is_taken_on(today)),
        loop=medicines.loop_sum(known.courses, today, rules.loop_factors),
        changed=None if changed is None else changed[1],
        changed_days_ago=None if changed is None else (today - changed[0]).days,
        due=tuple(_due(known, rules, today, where)),
        in_hospital_since=stay.from_date if stay is not None and out is None else None,
        discharged_on=out,
        day_after_stay=rules.aftercare.day(out, today),
        last_event=known.events[-1] if known.events else None,
        trouble=trouble_level([BeforeEvent(one.from_date, one.level_before) for one in of_heart]),
        around_implant=around_implant([one.from_date for one in of_heart], known.person.implanted_on, today),
        contact=known.contacts[0] if known.contacts else None,
        among=tuple(standing.among(kind, series, where) for kind, series in results.items() if series),
        arm=standing.arm_pressure(results, where),
        pair=standing.posture_pair(results, where),
        catheter=standing.catheter(results, known.person.implanted_on, where),
        heard=RhythmNow(known.rhythms[-1][1], local_date(known.rhythms[-1][0], where)) if known.rhythms else None,
        person=known.person,
        death=known.death,
    )  # fmt: skip
    return told if told.death is None else _ended(told)


def _ended(told: RecordNow) -> RecordNow:
    """The same without what is still to be done, or to be watched."""
    return replace(
        told, beyond=(), injury=None, changed=None, changed_days_ago=None, due=(), in_hospital_since=None,
        day_after_stay=None, trouble=None, contact=None,
    )  # fmt: skip


def _age(born_on: date | None, today: date) -> int | None:
    if born_on is None:
        return None
    return today.year - born_on.year - ((today.month, today.day) < (born_on.month, born_on.day))


def _egfr(known: Recorded, newest: Mapping[ResultKind, TimedResult], where: ZoneInfo) -> Egfr | None:
    """The newer of a reported figure and one computed of the newest creatinine, where age and sex are known."""
    reported, creatinine = newest.get(ResultKind.EGFR), newest.get(ResultKind.CREATININE)
    if creatinine is not None and known.sex is not None and (reported is None or reported.at < creatinine.at):
        on = local_date(creatinine.at, where)
        age = _age(known.born_on, on)
        value = None if age is None else kidney.egfr(creatinine.result.compared, known.sex, age)
        if value is not None:
            return Egfr(value, on, computed=True)
    return None if reported is None else Egfr(float(reported.result.compared), local_date(reported.at, where), False)


def _changed(courses: Sequence[Course], today: date) -> tuple[date, Course] | None:
    """The newest day on which a course began, or was over, in the last four weeks."""
    days = [(course.from_date, course) for course in courses]
    days += [(course.to_date + timedelta(days=1), course) for course in courses if course.to_date is not None]
    recent = [one for one in days if 0 <= (today - one[0]).days <= NEWS_DAYS]
    return max(recent, key=lambda one: (one[0], one[1].from_date), default=None)


def _injury(series: Sequence[TimedResult], today: date, where: ZoneInfo) -> kidney.KidneyInjury | None:
    """The stage of the newest creatinine, while it is news: one of years ago says nothing of today."""
    found = kidney.injury(series)
    if found is None or (today - local_date(found.newest.at, where)).days > NEWS_DAYS:
        return None
    return found


def scheduled(known: Recorded, rules: RecordRules, today: date) -> Iterator[tuple[Course, list[date]]]:
    """Each course that makes chemistry due, with the dates, answered or not.

    A course that was taken already when the patient came is no change, and one that is over asks for nothing more.
    """
    for course in known.courses:
        came_with_it = known.enrolled_on is not None and course.from_date < known.enrolled_on
        is_over = course.to_date is not None and course.to_date < today
        if not came_with_it and not is_over:
            yield course, medicines.chemistry_dates(course, rules.chemistry_days)


def _due(known: Recorded, rules: RecordRules, today: date, where: ZoneInfo) -> list[ChemistryDue]:
    """What no result has answered: each due date wants one of its own after the date before it, or after the change.

    One that came when a date was over answers that date too, whatever else it answers.

    Blood that was taken elsewhere answers as a result of its date does; what is not wanted is passed over, but for a
    change that began after somebody said so.
    """
    results = known.results or {}
    elsewhere = {one.done_on for one in known.in_place if one.done_on is not None}
    taken = sorted({local_date(one.at, where) for kind in CHEMISTRY for one in results.get(kind, ())} | elsewhere)
    unwanted = {one.due_on: one.given_on for one in known.in_place if one.why is NoResult.NOT_WANTED}
    found = []
    for course, dates in scheduled(known, rules, today):
        after = course.from_date
        for due_on in dates:
            if due_on in unwanted and course.from_date <= unwanted[due_on]:
                after = max(after, due_on)
                continue
            answer = next((day for day in taken if day > after or day >= due_on), None)
            if answer is None:
                found.append(
                    ChemistryDue(
                        due_on, course.name, course.kind, course.from_date, None if after == course.from_date else after
                    )
                )
                break  # the later ones follow once this one is answered
            after = max(after, answer, due_on - timedelta(days=1)) if answer < due_on else max(after, answer)
    return sorted(found, key=lambda one: (one.due_on, one.medicine))


def _taking(course: Course, missed: Sequence[tuple[date, bool]]) -> Taking:
    since = [was_missed for day, was_missed in missed if day >= course.from_date][-CHECKINS:]
    return Taking(course, sum(since), len(since))
