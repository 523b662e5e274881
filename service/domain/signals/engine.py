"""Pressures, diary and silence of many patients made into signals and one picture: the one path there is.

    state, raised, findings = step(state, day, inputs, settings)    # one evening of many patients
    work_out(cases, carried) -> list[WorkedOut]    # everything said of each, and what to carry on
    assess(case), assess_many(cases)               # the same from the first day on, nothing carried

Promises that nothing later than `today` is looked at; that the state is all that
is carried, so that days taken one by one, resumed from a kept evening, or a year
at once give the same signals and the same bytes; that a patient alone and one
among three hundred get the same answer. Ships no clinical goal, gives no advice
on treatment, and never says that all is well.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import takewhile

import numpy as np
from numpy.typing import NDArray

from service.domain import days as days_of_patient
from service.domain.days import Day
from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals import rules as signal_rules
from service.domain.signals.diary import QUESTIONS, DiaryFindings
from service.domain.signals.episodes import KINDS
from service.domain.signals.facts import (
    AdjustmentMade,
    Assessment,
    Case,
    Episode,
    PictureFacts,
    PressureFacts,
    ResponseFacts,
)
from service.domain.signals.patient_facts import Evening
from service.domain.signals.picture import joined_picture
from service.domain.signals.rules import RuleInputs
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.signals.state import (
    CarriedState,
    DayInputs,
    EngineState,
    KeptState,
    begin,
    digest,
    from_records,
    is_kept,
    open_as_json,
    to_records,
)
from service.domain.trend import response as response_rules
from service.domain.trend import state as trend_state
from service.domain.trend.state import TrendState
from service.domain.vocabulary import SignalKind, Swelling

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Days = NDArray[np.int64]
NOTHING_CARRIED = CarriedState(b"\0" * 8)
_HEIGHT = {Swelling.NONE: 0.0, Swelling.ANKLE: 1.0, Swelling.SHIN: 2.0, Swelling.KNEE: 3.0}


# --- one evening -----------------------------------------------------------------------------


def step(
    state: EngineState, day: int, today: DayInputs, settings: EngineSettings
) -> tuple[EngineState, Flags, DiaryFindings | None]:
    """One evening on, [kind, patient] of the signals raised on it, and what the diary says (None: nobody keeps one).

    Days follow one another without a gap. Raises ValueError for another day.
    """
    moved = trend_state.step(state.trend, day, today.readings, settings, today.blur)
    runs = signal_rules.run_on(state.runs, day, today.readings[0], state.upper, state.lower)
    nobody = np.zeros(state.patients, dtype=np.bool_)
    evening = RuleInputs(
        day,
        moved,
        state.episodes,
        runs,
        state.quick,
        state.upper,
        state.lower,
        nobody if today.safety is None else today.safety,
        _days_silent(moved, day) if today.missed is None else today.missed,
    )
    rules, quick = signal_rules.pressure_rules(evening, settings)
    diary, findings = state.diary, None
    if today.answers is not None:
        diary = diary_rules.step(diary, day, today.answers, today.pounds)
        findings = diary_rules.diary_findings(diary, day, settings)
        rules.update(signal_rules.diary_rules(evening, diary, findings.weight, findings.symptoms))
    if state.silent_days.any():
        rules[SignalKind.SILENT] = signal_rules.silence_rule(evening, state.silent_days)
    episodes, raised = episode_rules.update(state.episodes, day, rules)
    hour, checked_in = today.usual_hour, nobody if today.checked_in is None else today.checked_in
    new_state = EngineState(
        trend=moved,
        diary=diary,
        episodes=episodes,
        response=_response_on(state, moved, day, nobody if today.adjusted is None else today.adjusted),
        runs=runs,
        quick=quick,
        upper=state.upper,
        lower=state.lower,
        silent_days=state.silent_days,
        checkin_on=np.where(checked_in, day, state.checkin_on),
        usual_hour=state.usual_hour if hour is None else np.where(np.isnan(hour), state.usual_hour, hour),
    )
    return new_state, raised, findings


def _days_silent(moved: TrendState, day: int) -> Days:
    """Days without a reading since the last, where nobody says what was planned."""
    return np.where(moved.read_on > 0, day - moved.read_on, 0)


def _response_on(state: EngineState, moved: TrendState, day: int, adjusted: Flags) -> response_rules.ResponseState:
    """The newest adjustment of each patient followed by one evening."""
    if not adjusted.any() and not state.response.made_on.any():
        return state.response
    return response_rules.follow(
        state.response,
        day,
        adjusted,
        _level(state.trend),
        _level(moved),
        moved.read_on == day,
        trend_state.of_main(moved, moved.anchor.value),
    )


def _level(trend: TrendState) -> Array:
    """The level of the main pressure, nan before its first reading."""
    filtered = trend.filtered
    return trend_state.of_main(trend, np.where(filtered.started, filtered.level, np.nan))


# --- whole patients --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """What is said of one patient, and what is carried on to the next day."""

    assessment: Assessment
    carried: CarriedState


def assess(case: Case, settings: EngineSettings = DEFAULT) -> Assessment:
    """Everything the engine says of one patient on `case.today`, from the first day on."""
    return assess_many([case], settings)[0]


def assess_many(cases: Sequence[Case], settings: EngineSettings = DEFAULT) -> list[Assessment]:
    """Each case's assessment from the first day on, in the order given."""
    return [worked.assessment for worked in work_out(cases, [NOTHING_CARRIED] * len(cases), settings)]


def still_valid(carried: CarriedState, case: Case, changed_from: date | None = None) -> CarriedState:
    """Those of the carried states that nothing has changed under; none when people set something else.

    `changed_from` is the first date of which a reading or a check-in came, was corrected
    or was taken back since the states were made; None: none did.
    """
    if carried.inputs != inputs_of(case):
        return NOTHING_CARRIED
    before = min(case.today, changed_from or case.today).toordinal()
    made = [adjustment.made_on.toordinal() for adjustment in case.adjustments]

    def is_true(state: KeptState) -> bool:
        return state.adjusted_on == max((day for day in made if day <= state.day), default=0)

    # The unbroken beginning: what comes after a state that has to be made again is made again with it.
    return CarriedState(carried.inputs, tuple(takewhile(is_true, carried.before(before))))


def inputs_of(case: Case) -> bytes:
    """A mark of everything that people set and that a state was worked out under."""
    return digest(case.reference, case.limits, case.dry_weight_kg, case.silent_days, case.zone)


def work_out(
    cases: Sequence[Case], carried: Sequence[CarriedState], settings: EngineSettings = DEFAULT
) -> list[WorkedOut]:
    """Each case from its newest carried state on (without one, from its first day), in the order given.

    Cases that share a `today` are worked out together, each joining on its first new day.
    """
    together: dict[date, list[int]] = defaultdict(list)
    for position, case in enumerate(cases):
        together[case.today].append(position)
    found: dict[int, WorkedOut] = {}
    for positions in together.values():
        run = _Run([cases[position] for position in positions], [carried[position] for position in positions], settings)
        found.update(zip(positions, run.to_the_end(), strict=True))
    return [found[position] for position in range(len(cases))]


class _Run:
    """Some patients up to one date, side by side. Which column of the state is whose stands in `columns`."""

    def __init__(self, cases: Sequence[Case], carried: Sequence[CarriedState], settings: EngineSettings) -> None:
        self.cases, self.carried, self.settings = cases, carried, settings
        self.today = cases[0].today.toordinal()
        self.columns: list[int] = []
        self.open: list[dict[SignalKind, Episode]] = [{} for _ in cases]
        self.ended: list[list[Episode]] = [[] for _ in cases]
        self.kept: list[list[KeptState]] = [
            [state for state in one.states if is_kept(state.day, self.today)] for one in carried
        ]
        self.hours: list[float | None] = [None] * len(cases)
        self.came: dict[int, list[tuple[int, Day]]] = defaultdict(list)  # by date: whose, what
        self.adjusted: dict[int, list[int]] = defaultdict(list)  # by date: whose
        self.joins: dict[int, list[int]] = defaultdict(list)  # by first date: whose
        self.firsts = [self._first(position) for position in range(len(cases))]

    def _first(self, position: int) -> int:
        case, states = self.cases[position], self.carried[position].states
        after = states[-1].day if states else 0
        first = after + 1 if states else self.today
        for day in case.days:
            ordinal = day.day.toordinal()
            if after < ordinal <= self.today and (day.readings or day.checkin):
                self.came[ordinal].append((position, day))
                if not states and ordinal < first:
                    first = ordinal
        for adjustment in case.adjustments:
            made = adjustment.made_on.toordinal()
            self.adjusted[made].append(position)
            if not states and made <= self.today:
                first = min(first, made)  # what was changed before the first reading is followed all the same
        self.joins[first].append(position)
        return first

    def to_the_end(self) -> list[WorkedOut]:
        state: EngineState | None = None
        for day in range(min(self.joins), self.today + 1):
            if day in self.joins:
                state = self._joined(state, self.joins[day], day)
            assert state is not None  # noqa: S101 - the first day is somebody's first
            state, raised, findings = step(state, day, self._inputs(state, day), self.settings)
            self._note(state, raised, findings, day)
            if is_kept(day, self.today):
                self._keep(state, day)
        return self._worked_out(state, findings)

    def _joined(self, state: EngineState | None, positions: list[int], day: int) -> EngineState:
        """The state with those patients too whose first day this is."""
        new = [position for position in positions if not self.carried[position].states]
        resumed = [position for position in positions if self.carried[position].states]
        parts = [] if state is None else [to_records(state)]
        if new:
            parts.append(to_records(_beginning([self.cases[position] for position in new])))
        if resumed:
            records = b"".join(self.carried[position].states[-1].record for position in resumed)
            parts.append(np.frombuffer(records, dtype=np.uint8).reshape(len(resumed), -1))
        for position in resumed:
            last = self.carried[position].states[-1]
            self.open[position] = {episode.kind: episode for episode in last.episodes()}
            self.hours[position] = None if last.usual_hour != last.usual_hour else last.usual_hour
        self.columns += new + resumed
        return from_records(np.concatenate(parts), day - 1)

    def _inputs(self, state: EngineState, day: int) -> DayInputs:
        """What came on one date, as arrays."""
        n = state.patients
        place = {position: column for column, position in enumerate(self.columns)} if day in self.came else {}
        readings, answers = np.full((3, n), np.nan), np.full((len(QUESTIONS), n), np.nan)
        safety, pounds, blur = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_), np.ones(n)
        checked_in, hour = np.zeros(n, dtype=np.bool_), np.full(n, np.nan)
        for position, came in self.came.get(day, ()):
            column = place[position]
            if came.readings:
                blur[column] = came.blur
                readings[:, column] = (_or_nan(came.pa_diastolic), _or_nan(came.pa_mean), _or_nan(came.pa_systolic))
                self.hours[position] = days_of_patient.usual_after(self.hours[position], came.hour)
                hour[column] = _or_nan(self.hours[position])
            if came.checkin:
                answers[:, column] = [_answer(getattr(came, name)) for name in QUESTIONS]
                safety[column], pounds[column] = bool(came.safety_signs), came.weighed_in_pounds
                checked_in[column] = True
        adjusted = None
        if day in self.adjusted:
            adjusted = np.isin(self.columns, self.adjusted[day])
        return DayInputs(readings, blur, answers, safety, pounds, None, adjusted, checked_in, hour)

    def _note(self, state: EngineState, raised: Flags, findings: DiaryFindings | None, day: int) -> None:
        """The episodes that ended and those that were raised on this evening."""
        for row, column in zip(*(where.tolist() for where in np.nonzero(state.episodes.ended_on == day)), strict=True):
            self._end(self.columns[column], KINDS[row], day)
        if not raised.any():
            return
        evening, safety = Evening(state, findings, self.settings), dict(self.came.get(day, ()))
        for row, column in zip(*(where.tolist() for where in np.nonzero(raised)), strict=True):
            position = self.columns[column]
            came = safety.get(position)
            pressure = evening.pressure(column)
            diary = evening.diary(column, came.safety_signs if came else ())
            on = date.fromordinal(day)
            facts = joined_picture(pressure, diary, evening.silence(column), on).facts
            self._end(position, KINDS[row], day)  # raised again: the new one carries the episode on
            began = date.fromordinal(int(state.episodes.began_on[row, column]))
            self.open[position][KINDS[row]] = Episode(KINDS[row], on, began, facts)

    def _end(self, position: int, kind: SignalKind, day: int) -> None:
        episode = self.open[position].pop(kind, None)
        if episode is not None:
            self.ended[position].append(replace(episode, ended_on=date.fromordinal(day)))

    def _keep(self, state: EngineState, day: int) -> None:
        records, adjusted = to_records(state), state.response.made_on.tolist()
        for column, position in enumerate(self.columns):
            hour = self.hours[position]
            self.kept[position].append(
                KeptState(
                    day,
                    adjusted[column],
                    np.nan if hour is None else hour,
                    records[column].tobytes(),
                    open_as_json(list(self.open[position].values())),
                )
            )

    def _worked_out(self, state: EngineState | None, findings: DiaryFindings | None) -> list[WorkedOut]:
        if state is None:
            return []
        evening, came = Evening(state, findings, self.settings), dict(self.came.get(self.today, ()))
        found: dict[int, WorkedOut] = {}
        for column, position in enumerate(self.columns):
            assessment = self._assessment(state, evening, column, came.get(position))
            kept = tuple(self.kept[position])
            found[position] = WorkedOut(assessment, CarriedState(inputs_of(self.cases[position]), kept))
        return [found[position] for position in range(len(self.cases))]

    def _assessment(self, state: EngineState, evening: Evening, column: int, came: Day | None) -> Assessment:
        position = self.columns[column]
        case = self.cases[position]
        pressure = evening.pressure(column)
        if pressure.reference is not None and case.reference is not None:
            from_day, to_day = case.reference.from_day, case.reference.to_day
            pressure = replace(pressure, reference=replace(pressure.reference, from_day=from_day, to_day=to_day))
        diary = evening.diary(column, came.safety_signs if came else ())
        joined = joined_picture(pressure, diary, case.silence, case.today)
        checkin_on = int(state.checkin_on[column])
        return Assessment(
            today=case.today,
            pressure=pressure,
            diary=diary,
            silence=case.silence,
            area=evening.area(column),
            joined=joined,
            signals=(*self.ended[position], *self.open[position].values(), *_silent(case, joined.facts)),
            response=_response(case, state, column, pressure),
            mean_level=evening.level(1, column),
            systolic_level=evening.level(2, column),
            since=date.fromordinal(self.firsts[position]),
            checkin_on=date.fromordinal(checkin_on) if checkin_on else None,
        )


def _beginning(cases: Sequence[Case]) -> EngineState:
    """The state before the first day, with the limits, references and dry weights that people set."""
    n = len(cases)
    state = begin(n)
    given, sd, from_day = np.full((3, n), np.nan), np.zeros((3, n)), np.zeros(n, dtype=np.int64)
    for patient, case in enumerate(cases):
        if case.reference is not None:
            given[:, patient] = [_or_nan(value) for value in case.reference.channels]
            sd[:, patient] = case.reference.sd
            # Days before a reference was made are not judged by it.
            from_day[patient] = case.reference.to_day.toordinal() if case.reference.to_day else 0
    return replace(
        state,
        trend=trend_state.with_references(state.trend, given, sd, from_day),
        diary=replace(
            state.diary, dry_weight=np.array([_or_nan(case.dry_weight_kg) for case in cases], dtype=np.float64)
        ),
        upper=np.array([_or_nan(case.limits.upper) for case in cases], dtype=np.float64),
        lower=np.array([_or_nan(case.limits.lower) for case in cases], dtype=np.float64),
        silent_days=np.array([case.silent_days for case in cases], dtype=np.int64),
    )


def _response(case: Case, state: EngineState, column: int, pressure: PressureFacts) -> ResponseFacts | None:
    """To the newest adjustment that is not later than today."""
    made = max((made for made in case.adjustments if made.made_on <= case.today), key=_made_on, default=None)
    if made is None:
        return None
    return response_rules.response(made, state.response, column, case.today, pressure.level, pressure.reference)


def _made_on(made: AdjustmentMade) -> date:
    return made.made_on


def _silent(case: Case, facts: PictureFacts) -> list[Episode]:
    """Silence is the caller's finding; here it only joins the others. It is known by the day it began."""
    silence = case.silence
    if not silence.silent or silence.since is None:
        return []
    return [Episode(SignalKind.SILENT, silence.since, silence.since, facts)]


def _answer(value: object) -> float:
    if isinstance(value, Swelling):
        return _HEIGHT[value]
    return float(value) if isinstance(value, int | float) else np.nan


def _or_nan(value: float | None) -> float:
    return np.nan if value is None else float(value)
