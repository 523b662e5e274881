"""Pressures, diary and silence of many patients made into signals and one picture: the one path there is.

    state, raised, findings = step(state, day, inputs, settings)    # one evening of many patients
    work_out(cases, carried) -> list[WorkedOut]    # everything said of each, and what to carry on
    assess_many(cases)                             # the same from the first day on, nothing carried

Promises that nothing later than `today` is looked at; that the state is all that
is carried, so that days taken one by one, resumed from a kept evening, or a year
at once give the same signals and the same bytes; that a patient alone and one
among three hundred get the same answer. Ships no clinical goal, gives no advice
on treatment, and never says that all is well.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import takewhile
from operator import attrgetter

import numpy as np

from service.domain import days as days_of_patient
from service.domain.arrays import Array, Flags, or_nan
from service.domain.days import Day
from service.domain.frozen import dataclass
from service.domain.signals import diary as diary_rules
from service.domain.signals import episodes as episode_rules
from service.domain.signals import heart as heart_rules
from service.domain.signals import high as high_rules
from service.domain.signals import joint
from service.domain.signals import jumps as jump_rules
from service.domain.signals import rules as signal_rules
from service.domain.signals import settings as signal_settings
from service.domain.signals.diary import QUESTIONS, DiaryFindings
from service.domain.signals.episodes import KINDS, OF_PRESSURE, ROW, EpisodeState
from service.domain.signals.facts import (
    AfterStay,
    Assessment,
    Case,
    Episode,
    EpisodeClosed,
    PictureFacts,
    PressureFacts,
    ResponseFacts,
    scale_shift,
    without_forecast,
)
from service.domain.signals.jumps import JumpState
from service.domain.signals.patient_facts import Evening
from service.domain.signals.picture import joined_picture
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.signals.state import (
    COMING_DOWN,
    CarriedState,
    DayInputs,
    EngineState,
    KeptState,
    begin,
    compared_on,
    digest,
    from_records,
    is_kept,
    of_patients,
    open_as_json,
    run_on,
    to_records,
)
from service.domain.trend import reference as reference_rules
from service.domain.trend import response as response_rules
from service.domain.trend import state as trend_state
from service.domain.trend.state import TrendState
from service.domain.vocabulary import HEIGHTS, ContextKind, SignalKind, Swelling

NOTHING_CARRIED = CarriedState(b"\0" * 8)
NEW_RHYTHM = (ContextKind.PACED_OR_IRREGULAR, ContextKind.RHYTHM_OR_DEVICE)  # in which heart rate counts for nothing
TRAVEL_BLUR = 9.0  # times the variance of a reading taken away from home; common practice, no source


# --- one evening -----------------------------------------------------------------------------


def step(
    state: EngineState, day: int, today: DayInputs, settings: EngineSettings
) -> tuple[EngineState, Flags, DiaryFindings | None]:
    """One evening on, [kind, patient] of the signals raised on it, and what the diary says (None: nobody keeps one).

    Days follow one another without a gap. Raises ValueError for another day.
    """
    nobody = np.zeros(state.patients, dtype=np.bool_)
    state = _closed_by_staff(state, day, today.closed)
    over = _jump_is_over(state, day, today, settings)
    moved = trend_state.step(state.trend, day, today.readings, settings, today.blur, over, state.jump.left_from)
    runs = run_on(state.runs, day, today.readings[0], state.upper, state.lower)
    travelling = nobody if today.travelling is None else today.travelling
    expected = _expected(state.trend, moved, today, settings)
    evening = replace(
        state,
        trend=moved,
        runs=runs,
        jump=_jump_on(state, moved, day, expected, over, settings),
        high=high_rules.follow(
            state.high, day, _level(moved), signal_rules.high_edge(state, moved, settings), settings
        ),
        heart=heart_rules.follow(state.heart, day, today.heart, today.new_rhythm),
    )
    findings = None
    if today.answers is not None:
        evening = replace(evening, diary=diary_rules.step(state.diary, day, today.answers, today.pounds))
        findings = diary_rules.diary_findings(evening.diary, day, settings)
    lift = joint.lift(heart_rules.heart_rates(evening.heart, day), findings, settings)
    if today.watched is not None:
        lift = lift + joint.after_stay(today.watched, settings)
    rules, quick = signal_rules.pressure_rules(evening, travelling, lift, settings)
    if findings is not None:
        safety = nobody if today.safety is None else today.safety
        rules.update(signal_rules.diary_rules(evening, safety, findings.weight, findings.symptoms))
    if state.silent_days.any():
        missed = evening.unread if today.missed is None else today.missed  # where nobody says what was planned
        rules[SignalKind.SILENT] = signal_rules.silence_rule(evening, missed)
    episodes, raised = episode_rules.update(state.episodes, day, rules)
    hour, checked_in = today.usual_hour, nobody if today.checked_in is None else today.checked_in
    unchanged = _unchanged(moved, episodes, quick, settings) & ~_strange(expected, state.jump.newest[0])
    evening = replace(
        evening,
        episodes=episodes,
        compared=compared_on(state.compared, day, moved.read_on == day, unchanged),
        response=_response_on(state, moved, day, nobody if today.adjusted is None else today.adjusted),
        quick=quick,
        checkin_on=np.where(checked_in, day, state.checkin_on),
        usual_hour=state.usual_hour if hour is None else np.where(np.isnan(hour), state.usual_hour, hour),
    )
    return evening, raised, findings


def _closed_by_staff(state: EngineState, day: int, closed: Sequence[tuple[int, EpisodeClosed]]) -> EngineState:
    """The state of the evening before, without the episodes that staff closed on `day`."""
    for patient, one in closed:
        weight = one.kind is not SignalKind.WORSE_SYMPTOMS
        known_to = one.known_to.toordinal()
        diary = diary_rules.known(state.diary, patient, known_to, day - 1, weight=weight, new_usual=one.new_usual)
        episodes = episode_rules.close(state.episodes, one.kind, patient, day)
        state = replace(state, diary=diary, episodes=episodes)
    return state


def _jump_is_over(state: EngineState, day: int, today: DayInputs, settings: EngineSettings) -> Flags:
    """Whose jump this day's reading ends; the main pressure of the evening before counts."""
    reading = trend_state.of_main(state.trend, today.readings)
    return jump_rules.is_over(state.jump, day, reading, _level(state.trend), settings)


@dataclass(frozen=True, slots=True)
class _Expected:
    """The day's reading of the main pressure, and what the evening before expected of it, mmHg, [patient]."""

    reading: Array  # nan: none came
    expected: Array  # nan: nothing was expected yet
    spread: Array  # its standard deviation


def _expected(before: TrendState, moved: TrendState, today: DayInputs, settings: EngineSettings) -> _Expected:
    channel, everyone, filtered = trend_state.main_channel(moved), np.arange(moved.patients), before.filtered
    expected, var = filtered.ahead(1.0, settings.slope_kept)
    noise = filtered.noise if today.blur is None else filtered.noise * today.blur
    known = (filtered.count >= jump_rules.FEWEST)[channel, everyone]
    return _Expected(
        today.readings[channel, everyone],
        np.where(known, expected[channel, everyone], np.nan),
        np.sqrt(np.maximum(var + noise, 0.0))[channel, everyone],
    )


def _jump_on(
    state: EngineState, moved: TrendState, day: int, found: _Expected, over: Flags, settings: EngineSettings
) -> JumpState:
    """The run of far readings followed by one evening: each reading against what the evening before expected of it."""
    level = trend_state.of_main(moved, moved.filtered.level)
    return jump_rules.follow(state.jump, day, found.reading, found.expected, found.spread, level, over, settings)


# Standard deviations from what was expected: beyond the first, a reading bears out nothing, nor do two in a row beyond
# the second the same way. Conventions of ours, no source.
STRANGE, STRANGE_TWICE = 3.0, 2.0


def _strange(found: _Expected, before: Array) -> Flags:
    """Whether the level says too little of the day's reading and the one `before`, mmHg, [patient]."""
    off, then = (one - found.expected for one in (found.reading, before))  # nan is not
    twice = (np.minimum(np.abs(off), np.abs(then)) > STRANGE_TWICE * found.spread) & (off * then > 0)
    strange: Flags = twice | (np.abs(off) > STRANGE * found.spread)
    return strange


ALIKE = signal_settings.z(0.8)  # surer than this of a move, and "unchanged" is not said; a convention of ours


def _unchanged(moved: TrendState, episodes: EpisodeState, quick: Flags, settings: EngineSettings) -> Flags:
    """[patient]: the pressure was compared, and is where its baseline is and not on its way.

    That no signal is raised is not enough: between "moved" and "unchanged" lies "not known yet". Somebody
    far from the reference is unchanged only where a fortnight has newly settled. Nor is somebody who has
    risen since the first readings, of whom no reference is made before staff say so.
    """
    going_on = episodes.open[[ROW[kind] for kind in OF_PRESSURE]].any(axis=0) | quick[COMING_DOWN]
    beyond, found = moved.excess, moved.evidence
    by_usual = np.isnan(beyond.reference) & (moved.usual_count >= trend_state.ENOUGH_USUAL)
    at_baseline = (found.coming_down < ALIKE) & (trend_state.near_reference(moved, settings) | by_usual)
    there = (found.rise < ALIKE) & (at_baseline | trend_state.settled_anew(moved))
    unset = np.isnan(beyond.reference) & ~moved.anchor.is_set
    risen = unset & (beyond.now > reference_rules.DIFFERENT)
    calm: Flags = beyond.known & ~going_on & there & ~risen
    return calm


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
    made = sorted([0, *(adjustment.made_on.toordinal() for adjustment in case.adjustments)])

    def is_true(state: KeptState) -> bool:
        return state.adjusted_on == made[bisect_right(made, state.day) - 1]

    # The unbroken beginning: what comes after a state that has to be made again is made again with it.
    return CarriedState(carried.inputs, tuple(takewhile(is_true, carried.before(before))))


def inputs_of(case: Case) -> bytes:
    """A mark of everything that people set and that a state was worked out under."""
    tags = tuple(tag for tag in case.tags if tag.from_day <= case.today)
    planned = (case.readings_a_week, case.diaries_a_week)
    stays = tuple(stay for stay in case.stays if stay.discharged_on <= case.today)
    people = (case.reference, case.limits, case.goal, tags, case.dry_weight_kg, case.silent_days)
    return digest(*people, case.zone, planned, stays)


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
        self.closed: dict[int, list[tuple[int, EpisodeClosed]]] = defaultdict(list)  # by date: whose, which
        self.joins: dict[int, list[int]] = defaultdict(list)  # by first date: whose
        self.tagged: dict[tuple[ContextKind, int], list[int]] = defaultdict(list)  # by kind and date: whose
        self.watched: dict[int, list[int]] = defaultdict(list)  # by date: whose
        self.tags = [[tag for tag in case.tags if tag.from_day <= case.today] for case in cases]
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
        for closed in case.closed:
            self.closed[closed.on.toordinal()].append((position, closed))
        for tag in self.tags[position]:
            last = min(self.today, tag.to_day.toordinal() if tag.to_day else self.today)
            for ordinal in range(max(first, tag.from_day.toordinal()), last + 1):
                self.tagged[tag.kind, ordinal].append(position)
        for stay in case.stays:
            watched = stay.watched_until.toordinal() if stay.watched_until else 0
            for ordinal in range(max(first, stay.discharged_on.toordinal()), min(self.today, watched) + 1):
                self.watched[ordinal].append(position)
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
        checked_in, hour, heart = np.zeros(n, dtype=np.bool_), np.full(n, np.nan), np.full(n, np.nan)
        away, ill = (self.tagged.get((kind, day), ()) for kind in (ContextKind.TRAVEL, ContextKind.INFECTION))
        for position, came in self.came.get(day, ()):
            column = place[position]
            if came.readings:
                blur[column] = came.blur * (TRAVEL_BLUR if position in away else 1.0)
                if blur[column] == 1.0 and position not in ill:  # like with like, and a fever is another reason
                    heart[column] = or_nan(came.heart_rate)
                readings[:, column] = (or_nan(came.pa_diastolic), or_nan(came.pa_mean), or_nan(came.pa_systolic))
                readings[:, column] += scale_shift(self.tags[position], came.day)  # all on today's scale
                self.hours[position] = days_of_patient.usual_after(self.hours[position], came.hour)
                hour[column] = or_nan(self.hours[position])
            if came.checkin:
                answers[:, column] = _answers(came)
                safety[column], pounds[column] = bool(came.safety_signs), came.weighed_in_pounds
                checked_in[column] = True
        adjusted = None
        if day in self.adjusted:
            adjusted = np.isin(self.columns, self.adjusted[day])
        closed = [
            (self.columns.index(position), one)
            for position, one in self.closed.get(day, ())
            if position in self.columns
        ]
        travelling = np.isin(self.columns, away) if away else None
        changed = [position for kind in NEW_RHYTHM for position in self.tagged.get((kind, day), ())]
        return DayInputs(
            readings, blur, answers, safety, pounds, None, adjusted, checked_in, travelling, hour, closed, heart,
            np.isin(self.columns, changed) if changed else None,
            np.isin(self.columns, self.watched[day]) if day in self.watched else None,
        )  # fmt: skip

    def _note(self, state: EngineState, raised: Flags, findings: DiaryFindings | None, day: int) -> None:
        """The episodes that ended and those that were raised on this evening."""
        for row, column in zip(*(where.tolist() for where in np.nonzero(state.episodes.ended_on == day)), strict=True):
            self._end(self.columns[column], KINDS[row], day)
        if not raised.any():
            return
        columns, safety = np.flatnonzero(raised.any(axis=0)).tolist(), dict(self.came.get(day, ()))
        evening = Evening(of_patients(state, columns), of_patients(findings, columns), self.settings)
        for place, column in enumerate(columns):
            position, on = self.columns[column], date.fromordinal(day)
            came = safety.get(position)
            case = self.cases[position]
            pressure = _in_context(evening.pressure(place), case, on)
            for row in np.flatnonzero(raised[:, column]).tolist():
                diary = evening.diary(place, came.safety_signs if came else (), self.open[position])
                facts = joined_picture(pressure, diary, evening.silence(place), on, after_stay=_after(case, on))
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
                    open_as_json(self.open[position].values()),
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
            carried = self.carried[position]
            inputs = carried.inputs if carried.states else inputs_of(self.cases[position])
            found[position] = WorkedOut(assessment, CarriedState(inputs, kept))
        return [found[position] for position in range(len(self.cases))]

    def _assessment(self, state: EngineState, evening: Evening, column: int, came: Day | None) -> Assessment:
        position = self.columns[column]
        case = self.cases[position]
        pressure = _in_context(evening.pressure(column), case, case.today)
        if pressure.reference is not None and case.reference is not None:
            from_day, to_day = case.reference.from_day, case.reference.to_day
            pressure = replace(pressure, reference=replace(pressure.reference, from_day=from_day, to_day=to_day))
        if case.in_hospital:
            pressure = without_forecast(pressure)
        diary = evening.diary(column, came.safety_signs if came else (), self.open[position])
        new = case.enrolled_on if evening.is_starting(column, case.enrolled_on) else None
        after = None if case.in_hospital else _after(case, case.today)
        picture = joined_picture(pressure, diary, case.silence, case.today, new, after)
        checkin_on = int(state.checkin_on[column])
        return Assessment(
            picture,
            signals=(*self.ended[position], *self.open[position].values(), *_silent(case, picture)),
            response=_response(case, state, column, pressure),
            since=date.fromordinal(self.firsts[position]),
            checkin_on=date.fromordinal(checkin_on) if checkin_on else None,
            proposal=evening.proposal(column),
        )


def _in_context(pressure: PressureFacts, case: Case, on: date) -> PressureFacts:
    """With the goal in force and what else was so of late."""
    of_late = on - timedelta(days=6)
    tags = tuple(
        tag
        for tag in case.tags
        if tag.from_day <= on and (tag.to_day is None or tag.to_day >= of_late)
        # A rhythm lasts for years: it is named while it is new, and heart rate is not told at all.
        if tag.kind is not ContextKind.PACED_OR_IRREGULAR or tag.from_day >= of_late
    )
    goal = case.goal if case.goal is not None and case.goal.covers(on) else None
    if goal is None and not tags:
        return pressure
    travelling = any(tag.kind is ContextKind.TRAVEL and tag.covers(on) for tag in tags)
    return replace(pressure, goal=goal, tags=tags, travelling=travelling)


def _after(case: Case, on: date) -> AfterStay | None:
    """The newest stay whose days after it are counted on that date."""
    covering = [stay for stay in case.stays if stay.covers(on)]
    return max(covering, key=lambda stay: stay.discharged_on, default=None)


def _beginning(cases: Sequence[Case]) -> EngineState:
    """The state before the first day, with the limits, references and dry weights that people set."""
    n = len(cases)
    state = begin(n)
    given, sd = np.full((3, n), np.nan), np.zeros((3, n))
    first_day, last_day = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    goals = [case.goal for case in cases]
    for patient, case in enumerate(cases):
        if case.reference is not None:
            given[:, patient] = [or_nan(value) for value in case.reference.channels]
            sd[:, patient] = case.reference.sd
            first_day[patient] = case.reference.from_day.toordinal() if case.reference.from_day else 0
            last_day[patient] = case.reference.to_day.toordinal() if case.reference.to_day else 0
    return replace(
        state,
        trend=trend_state.with_references(state.trend, given, sd, first_day, last_day),
        diary=replace(
            state.diary,
            dry_weight=np.array([or_nan(case.dry_weight_kg) for case in cases], dtype=np.float64),
            asked=np.array([case.diaries_a_week for case in cases], dtype=np.int64),
        ),
        upper=np.array([or_nan(case.limits.upper) for case in cases], dtype=np.float64),
        lower=np.array([or_nan(case.limits.lower) for case in cases], dtype=np.float64),
        goal=np.array([or_nan(goal.upper if goal else None) for goal in goals], dtype=np.float64),
        goal_from=np.array([goal.from_day.toordinal() if goal else 0 for goal in goals], dtype=np.int64),
        goal_until=np.array([goal.until.toordinal() if goal else 0 for goal in goals], dtype=np.int64),
        silent_days=np.array([case.silent_days for case in cases], dtype=np.int64),
        enrolled_on=np.array([case.enrolled_on.toordinal() if case.enrolled_on else 0 for case in cases]),
        readings_a_week=np.array([case.readings_a_week for case in cases], dtype=np.int64),
    )


def _response(case: Case, state: EngineState, column: int, pressure: PressureFacts) -> ResponseFacts | None:
    """To the newest adjustment that is not later than today, while it is followed."""
    made = [adjustment for adjustment in case.adjustments if adjustment.made_on <= case.today]
    if not made or (case.today - made[-1].made_on).days > response_rules.FOLLOWED:
        return None
    return response_rules.response(made[-1], state.response, column, case.today, pressure.level, pressure.reference)


def _silent(case: Case, facts: PictureFacts) -> list[Episode]:
    """Silence is the caller's finding; here it only joins the others. It is known by the day it began."""
    silence = case.silence
    if not silence.silent or silence.since is None:
        return []
    return [Episode(SignalKind.SILENT, silence.since, silence.since, facts)]


_said = attrgetter(*QUESTIONS)


def _answers(day: Day) -> list[float | None]:
    """By `QUESTIONS`; an array takes None for nan."""
    return [HEIGHTS.index(answer) if isinstance(answer, Swelling) else answer for answer in _said(day)]
