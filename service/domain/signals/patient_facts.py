"""One patient's facts, taken out of the arrays of many.

    evening = Evening(state, findings, settings)
    evening.pressure(patient), evening.diary(patient, safety, going_on), evening.proposal(patient)

Promises that what is said is what the arrays held on that evening, to a millionth of
a unit (far below what is read, and the same however many patients were worked out at
once), and that what is the same work for everybody is done once for all of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property
from statistics import NormalDist
from typing import Any

import numpy as np

from service.domain.arrays import PLACES, Array, middle, rounded
from service.domain.signals import diary as diary_rules
from service.domain.signals import diary_facts, joint
from service.domain.signals.diary import DiaryFindings
from service.domain.signals.episodes import OF_PRESSURE, ROW
from service.domain.signals.facts import (
    AnchoredReference,
    Beside,
    Break,
    ComingDown,
    Compared,
    DiaryFacts,
    Episode,
    Forecast,
    HeartRate,
    High,
    Jump,
    LastAnswers,
    LastReading,
    LimitRun,
    PressureFacts,
    PressureLimits,
    ProposalReason,
    ReferenceProposal,
    SilenceFacts,
    Symptom,
    SymptomChange,
    WeightWeek,
)
from service.domain.signals.heart import TOLD_FROM, HeartRates, heart_rates
from service.domain.signals.high import standing
from service.domain.signals.jumps import LAST, NEAR_A_GAP, holds
from service.domain.signals.rules import STILL_NEWS
from service.domain.signals.settings import EngineSettings, z
from service.domain.signals.state import COMING_DOWN, COMPARED_DAYS, DOWN, IN_A_ROW, JOINT, UP, EngineState
from service.domain.trend import calibration
from service.domain.trend import reference as reference_rules
from service.domain.trend.forecast import FORTNIGHT, PressurePace, forecast, pace
from service.domain.trend.state import CHANNELS, ENOUGH_USUAL, main_channel, near_reference, of_main, settled_anew
from service.domain.vocabulary import Knowledge, SafetySign, SignalKind

STARTING_DAYS = 14  # after enrolment, unless so many readings were there already
NO_LIMITS = PressureLimits()
OFTEN = 5  # readings planned a week, from which one week is looked back on; else two


class Evening:
    """Some patients on the evening of `state`; `findings` None is "nobody keeps a diary"."""

    def __init__(self, state: EngineState, findings: DiaryFindings | None, settings: EngineSettings) -> None:
        self._state, self._findings, self._settings = state, findings, settings
        self._channel: list[int] = main_channel(state.trend).tolist()

    def pressure(self, patient: int) -> PressureFacts:
        """Where the pressure of one patient is."""
        limits, compared = self._limits[patient], self._compared[patient]
        if compared.last_on is None:
            return PressureFacts(limits=limits, compared=compared)
        channel, (level, level_sd, slope, slope_sd, up, usual) = self._channel[patient], self._levels[patient]
        limits = limits if channel == 0 else NO_LIMITS
        broken = self._broken(patient)
        going = self._going(channel, patient, broken) if broken else None
        return PressureFacts(
            of=CHANNELS[channel],
            level=level,
            level_sd=level_sd,
            slope=slope,
            slope_sd=slope_sd,
            pace=rounded(going.mean) if going and not going.slowing else None,
            pace_sd=rounded(going.sd) if going and not going.slowing else None,
            reference=self._references[patient],
            usual=usual,
            fortnight=self._fortnights[patient],
            far=self._far[patient],
            limits=limits,
            broken=broken,
            coming_down=self._coming_down(patient) if broken is None else None,
            forecast=None if limits is NO_LIMITS else _forecast(forecast(level, level_sd, going, limits)),
            in_a_row=self._in_a_row(patient),
            jump=self._jump(patient),
            high=self._high(channel, patient),
            last=self._last[patient],
            last_reading_on=compared.last_on,
            compared=compared,
            probability_up=up,
            heart=self._hearts[patient],
        )

    def diary(
        self, patient: int, safety: Sequence[SafetySign] = (), going_on: Mapping[SignalKind, Episode] | None = None
    ) -> DiaryFacts:
        """What the diary of one patient says; `safety` are the signs ticked on this date.

        `going_on` are the patient's open episodes: what they told stays until answers close
        it, also when the answers that told it are no longer new.
        """
        found = self._findings
        if found is None:
            return DiaryFacts(safety=tuple(safety))
        going_on = going_on or {}
        told, said, weight = going_on.get(SignalKind.WORSE_SYMPTOMS), self._said[patient], self._weights[patient]
        asked, within, missed = self._asked[patient]
        changes: dict[str, Any] = {}
        if going_on or self._differs[patient]:
            changes = diary_facts.with_standing(diary_facts.changes(found, patient, within), going_on)
        return DiaryFacts(
            asked=asked,
            compared=self._symptoms_compared(patient, within, changes, said),
            weighed=self._weighed(patient, changes, weight),
            said=said,
            last_differs=not self._days_compared[patient][2],
            medicines_missed=missed,
            weight=weight,
            since=told.began_on if told else None,
            safety=tuple(safety),
            **changes,
        )

    def silence(self, patient: int) -> SilenceFacts:
        """The days without a reading, where the engine itself counts them; else "not silent"."""
        silent_days, missed = int(self._state.silent_days[patient]), int(self._state.unread[patient])
        if silent_days == 0 or missed < silent_days:
            return SilenceFacts()
        return SilenceFacts(missed, date.fromordinal(self._state.day - missed + 1), None, silent_days)

    def is_starting(self, patient: int, enrolled_on: date | None) -> bool:
        """Whether this patient is new: in the first fortnight, and without a fortnight's readings."""
        if enrolled_on is None or self._state.day - enrolled_on.toordinal() >= STARTING_DAYS:
            return False
        return bool(self._state.trend.filtered.count[:, patient].max() < STARTING_DAYS)

    # --- the four states of knowledge ---

    @cached_property
    def _compared(self) -> list[Compared]:
        """Of the pressure."""
        state = self._state
        of = np.where(state.readings_a_week >= OFTEN, diary_rules.WEEK, diary_rules.TWO_WEEKS)
        ago = np.arange(COMPARED_DAYS)
        rows, looked = (state.day - ago) % COMPARED_DAYS, ago[:, None] < of
        unchanged, read = (
            (days[rows] & looked).sum(axis=0) for days in (state.compared.unchanged, state.compared.read)
        )
        going_on = state.episodes.open[[ROW[kind] for kind in OF_PRESSURE]].any(axis=0) | state.quick[COMING_DOWN]
        # What the newest reading of those days does not bear out is not said of the others.
        on = state.trend.read_on
        newest = state.compared.unchanged[on % COMPARED_DAYS, np.arange(state.patients)] & (state.day - on < of)
        columns = (newest, unchanged, read, of, going_on, on)
        return [
            Compared(_pressure_known(newest, changed=changed), unchanged, read, of, date.fromordinal(on))
            if on
            else Compared(of=of)
            for newest, unchanged, read, of, changed, on in zip(*(one.tolist() for one in columns), strict=True)
        ]

    @cached_property
    def _days_compared(self) -> list[tuple[int, int, bool, bool]]:
        """Of the symptoms: days heard, days unchanged, whether the newest, and whether most of the newest are."""
        found = diary_rules.days_compared(self._state.diary, self._state.day, self._settings)
        columns = (found.heard, found.unchanged, found.newest_unchanged, found.mostly_unchanged)
        return list(zip(*(column.tolist() for column in columns), strict=True))

    def _symptoms_compared(
        self, patient: int, within: int, changes: Mapping[str, Any], said: LastAnswers | None
    ) -> Compared:
        heard, unchanged, _, mostly_unchanged = self._days_compared[patient]
        if changes.get("worse") or changes.get("light_headed") or changes.get("eased"):
            knowledge = Knowledge.CHANGED
        elif mostly_unchanged:
            knowledge = Knowledge.UNCHANGED
        else:
            knowledge = Knowledge.TOO_LITTLE if said else Knowledge.NOTHING
        return Compared(knowledge, unchanged, heard, within, said.on if said else None)

    @cached_property
    def _days_weighed(self) -> list[tuple[int, int]]:
        """Days of the last week with a weight that may be compared, and the last such day ever."""
        diary = self._state.diary
        rows = (self._state.day - np.arange(diary_rules.WEEK)) % diary_rules.RING
        days = (~np.isnan(diary.ring[rows, diary_rules.WEIGHT])).sum(axis=0)
        return list(zip(days.tolist(), diary.last_on[diary_rules.WEIGHT, 0].tolist(), strict=True))

    def _weighed(self, patient: int, changes: Mapping[str, Any], weight: WeightWeek) -> Compared:
        days, last = self._days_weighed[patient]
        if changes.get("weight_gain") or changes.get("weight_loss"):
            knowledge = Knowledge.CHANGED
        elif weight.change_kg is not None:
            knowledge = Knowledge.UNCHANGED
        else:
            knowledge = Knowledge.TOO_LITTLE if last else Knowledge.NOTHING
        unchanged = days if knowledge is Knowledge.UNCHANGED else 0
        return Compared(knowledge, unchanged, days, diary_rules.WEEK, _date(last))

    # --- columns, a row a patient ---

    @cached_property
    def _said(self) -> list[LastAnswers | None]:
        """What was answered on the newest day with an answer."""
        diary = self._state.diary
        given = np.where(diary.last_on[:, 0] == diary.written_on, diary.last[:, 0], np.nan).T.tolist()
        return [
            diary_facts.last_answers(on, answers) if on else None
            for on, answers in zip(diary.written_on.tolist(), given, strict=True)
        ]

    @cached_property
    def _asked(self) -> list[tuple[int, int, int]]:
        """Diaries planned a week, days whose answers speak of now, days with medicines missed."""
        diary = self._state.diary
        missed = diary_rules.days_of(diary, diary_rules.MISSED, self._state.day).astype(np.int64)
        return list(zip(diary.asked.tolist(), diary.within.tolist(), missed.tolist(), strict=True))

    @cached_property
    def _weights(self) -> list[WeightWeek]:
        if self._findings is None:
            return []
        newest, in_week = (_told(kg, 2) for kg in (self._findings.weight.newest, self._findings.weight.in_week))
        return [WeightWeek(kg, change) for kg, change in zip(newest, in_week, strict=True)]

    @cached_property
    def _differs(self) -> list[bool]:
        """Whether the diary tells any change, or a bad night."""
        if self._findings is None:
            return []
        weight, symptoms = self._findings.weight, self._findings.symptoms
        nights = symptoms.nights_woken + symptoms.nights_in_chair > 0
        found = symptoms.worse | symptoms.light_headed | symptoms.eased | weight.gain | weight.loss | nights
        told: list[bool] = found.tolist()
        return told

    @cached_property
    def _levels(self) -> list[tuple[float, float, float, float, float | None, float | None]]:
        """Of the main pressure: level and slope, each with its standard deviation; how likely it is up; its usual."""
        trend = self._state.trend
        filtered = trend.filtered
        level, slope, var, slope_var, noise = (
            of_main(trend, values)
            for values in (filtered.level, filtered.slope, filtered.level_var, filtered.slope_var, filtered.noise)
        )
        before = calibration.mean_before(trend.values, self._state.day)
        off = calibration.off_level(trend.values, level, self._state.day)
        up = calibration.probability_up(level, var, slope, noise, before, off)
        fresh = self._state.day - trend.read_on <= STILL_NEWS
        sure = (level, calibration.level_sd(var, slope, noise, off), slope, np.sqrt(np.maximum(slope_var, 0.0)))
        columns = (*(np.round(one, PLACES).tolist() for one in sure), _told(np.where(fresh, up, np.nan)))
        return list(zip(*columns, _told(self._usual()), strict=True))

    def _usual(self) -> Array:
        """The level of recent weeks, once it is known; of who is judged by the usual, where that alone was."""
        moved = self._state.trend
        beyond = np.full(moved.patients, np.nan)
        np.divide(moved.usual_total, moved.usual_count, out=beyond, where=moved.usual_count >= ENOUGH_USUAL)
        beyond = np.where(moved.evidence.by_usual, np.fmin(beyond, moved.evidence.usual), beyond)
        return of_main(moved, moved.anchor.origin) + np.where(moved.usual_count < ENOUGH_USUAL, np.nan, beyond)

    @cached_property
    def _limits(self) -> list[PressureLimits]:
        columns = (self._state.upper.tolist(), self._state.lower.tolist())
        return [
            NO_LIMITS
            if upper != upper and lower != lower
            else PressureLimits(None if upper != upper else upper, None if lower != lower else lower)
            for upper, lower in zip(*columns, strict=True)
        ]

    @cached_property
    def _references(self) -> list[AnchoredReference | None]:
        anchor = self._state.trend.anchor
        value, var = (of_main(self._state.trend, one) for one in (anchor.value, anchor.reference.var))
        values = _told(np.where(self._state.day >= anchor.from_day, value, np.nan))
        sds, set_by_staff = np.round(np.sqrt(var), PLACES).tolist(), anchor.is_set.tolist()
        days = (anchor.reference.first_day.tolist(), anchor.reference.last_day.tolist())
        return [
            None
            if value is None
            else AnchoredReference(value, sd)
            if is_set
            else AnchoredReference(value, sd, _date(first), _date(last), is_set=False)
            for value, sd, is_set, first, last in zip(values, sds, set_by_staff, *days, strict=True)
        ]

    @cached_property
    def _far(self) -> list[bool]:
        """Whether the level is far from the reference."""
        trend = self._state.trend
        far: list[bool] = (~np.isnan(trend.excess.reference) & ~near_reference(trend, self._settings)).tolist()
        return far

    @cached_property
    def _fortnights(self) -> list[AnchoredReference | None]:
        """The newly settled fortnight that a level far from the reference is held against."""
        there = np.array(self._far, dtype=np.bool_) & settled_anew(self._state.trend)
        newest = self._state.trend.anchor.newest
        value, sd = (of_main(self._state.trend, one) for one in (newest.value, np.sqrt(newest.var)))
        columns = (value, sd, newest.first_day, newest.last_day)
        return [
            AnchoredReference(rounded(value), rounded(sd), _date(first), _date(last), is_set=False) if held else None
            for held, value, sd, first, last in zip(
                there.tolist(), *(column.tolist() for column in columns), strict=True
            )
        ]

    @cached_property
    def _last(self) -> list[tuple[LastReading, ...]]:
        """The newest days' readings, newest last."""
        jump = self._state.jump
        days, values = jump.newest_on[::-1].T.tolist(), np.round(jump.newest[::-1].T, PLACES).tolist()
        return [
            tuple([LastReading(value, date.fromordinal(day)) for value, day in zip(*read, strict=True) if day])
            for read in zip(values, days, strict=True)
        ]

    @cached_property
    def _heart_rates(self) -> HeartRates:
        return heart_rates(self._state.heart, self._state.day)

    @cached_property
    def _hearts(self) -> list[HeartRate | None]:
        found = self._heart_rates
        changed = (np.abs(found.above) >= TOLD_FROM).tolist()  # nan is not
        return [
            None
            if now is None or usual is None
            else HeartRate(now, usual, Knowledge.CHANGED if told else Knowledge.UNCHANGED, steady)
            for now, usual, told, steady in zip(
                _told(found.now, 1), _told(found.usual, 1), changed, found.steady.tolist(), strict=True
            )
        ]

    @cached_property
    def _long_high(self) -> list[bool]:
        found: list[bool] = standing(self._state.high, self._state.trend, self._settings).tolist()
        return found

    # --- what only some patients have ---

    def _going(self, channel: int, patient: int, broken: Break) -> PressurePace | None:
        """The pace of a break. Through a gap there is none; without a break a slope is within its own noise."""
        if self._state.day - int(self._state.jump.gap_to[patient]) < FORTNIGHT:
            return None
        trend = self._state.trend
        days = reference_rules.newest(trend.values[:, [patient]], self._state.day, FORTNIGHT)[:, 0]
        return pace(days, float(trend.filtered.noise[channel, patient]), up=broken.up)

    def _high(self, channel: int, patient: int) -> High | None:
        if not self._long_high[patient]:
            return None
        state, since = self._state, int(self._state.high.since[patient])
        reference, goal = float(state.trend.anchor.value[channel, patient]), float(state.goal[patient])
        in_force = channel == 0 and state.goal_from[patient] <= state.day <= state.goal_until[patient]
        # Whichever is passed first; a comparison with nan does not hold.
        over_goal = bool(in_force) and goal == goal and not reference + self._settings.high_margin <= goal
        above = goal if over_goal else reference
        values = reference_rules.newest(state.trend.values[:, [patient]], state.day, max(reference_rules.PERIODS))
        if over_goal:
            values[: -(state.day - int(state.goal_from[patient]) + 1)] = np.nan  # it was not in force
        over = [float(reference_rules.area_over(values[-days:], above)[0]) for days in reference_rules.PERIODS]
        return High(
            rounded(above),
            date.fromordinal(since),
            state.day - since + 1,
            tuple(round(one, 2) for one in over),
            reference_rules.PERIODS,
            over_goal,
        )

    def _jump(self, patient: int) -> Jump | None:
        jump = self._state.jump
        if not self._jumps[patient]:
            return None
        count = int(jump.count[patient])
        level, around = float(jump.level[patient]), float(jump.newest[: min(count, LAST), patient].mean())
        since = date.fromordinal(int(jump.began_on[patient]))
        return Jump(around > level, rounded(level), rounded(around), count, since)

    @cached_property
    def _jumps(self) -> list[bool]:
        found: list[bool] = holds(self._state.jump).tolist()
        return found

    @cached_property
    def _runs(self) -> list[bool]:
        """Whether the newest readings are a run beyond a limit."""
        fresh = self._state.day - self._state.jump.newest_on[0] <= STILL_NEWS
        found: list[bool] = (fresh & (self._state.runs.count >= IN_A_ROW).any(axis=0)).tolist()
        return found

    def _in_a_row(self, patient: int) -> LimitRun | None:
        if not self._runs[patient]:
            return None
        runs = self._state.runs
        side, limit = (UP, self._state.upper) if runs.count[UP, patient] >= IN_A_ROW else (DOWN, self._state.lower)
        since = date.fromordinal(int(runs.began_on[side, patient]))
        median = float(middle(self._state.jump.newest[:, [patient]])[0])
        count = int(runs.count[side, patient])
        return LimitRun(side == UP, float(limit[patient]), count, since, round(median, 1))

    def proposal(self, patient: int) -> ReferenceProposal | None:
        """The newest settled fortnight, where the reference is another, was taken while moving, or is old.

        None while the level has left that fortnight again.
        """
        reference = self._references[patient]
        anchor = self._state.trend.anchor
        if (reference is None and anchor.is_set[patient]) or not self._settled_again[patient]:
            return None
        channel, day = self._channel[patient], self._state.day
        newest, taken_on = anchor.newest, int(anchor.reference.last_day[patient])
        value, last = float(newest.value[channel, patient]), int(newest.last_day[patient])
        away = 0.0 if reference is None else abs(value - reference.value)
        if reference is None:
            why = ProposalReason.HIGHER
        elif away >= reference_rules.DIFFERENT:
            why = ProposalReason.DIFFERS
        elif anchor.was_moving[patient] and away >= reference_rules.WORTH_ASKING:
            why = ProposalReason.WAS_MOVING
        elif taken_on and day - taken_on > reference_rules.OLD:
            why = ProposalReason.OLD
        else:
            return None
        return ReferenceProposal(
            rounded(value),
            rounded(float(newest.var[channel, patient]) ** 0.5),
            date.fromordinal(int(newest.first_day[patient])),
            date.fromordinal(last),
            reference.value if reference else None,
            bool(reference and reference.is_set),
            why,
        )

    @cached_property
    def _settled_again(self) -> list[bool]:
        """Whether a fortnight since the reference was settled, not long ago, and the level is there still."""
        trend = self._state.trend
        newest = trend.anchor.newest
        since = newest.last_day > trend.anchor.reference.last_day
        found: list[bool] = (since & settled_anew(trend)).tolist()
        return found

    def _broken(self, patient: int) -> Break | None:
        state, settings = self._state, self._settings
        rising = bool(state.episodes.open[ROW[SignalKind.RISING], patient])
        falling = bool(state.episodes.open[ROW[SignalKind.FALLING], patient])
        if not rising and not falling:
            return None
        sure_alone = self._is_sure_alone(patient)
        rising = rising and (sure_alone or not falling)  # the others take away nothing that the pressure alone tells
        row, way = (ROW[SignalKind.RISING], 1.0) if rising else (ROW[SignalKind.FALLING], -1.0)
        beyond, wander = state.trend.excess, settings.wander**2
        found = state.trend.evidence
        has_reference = not np.isnan(beyond.reference[patient])
        over_usual = bool(found.by_usual[patient]) and not (self._far_up(patient) if rising else has_reference)
        against = float(found.usual[patient] if over_usual else beyond.base[patient])
        now, ahead = way * (float(beyond.now[patient]) - against), way * (float(beyond.ahead[patient]) - against)
        began = int(state.episodes.began_on[row, patient])
        now_sd = float(beyond.now_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
        ahead_sd = float(beyond.ahead_var[patient] + beyond.reference_var[patient] + wander) ** 0.5
        return Break(
            up=rising,
            size=rounded(way * now),
            probability=rounded(NormalDist().cdf((now - settings.margin) / now_sd)),
            ahead=rounded(NormalDist().cdf((ahead - settings.margin) / ahead_sd)),
            began_on=date.fromordinal(began),
            pace=self._pace(patient, began) if began > int(state.jump.gap_to[patient]) else None,
            gap_from=_date(state.jump.gap_from[patient]) if self._in_gap(patient, began) else None,
            gap_to=_date(state.jump.gap_to[patient]) if self._in_gap(patient, began) else None,
            over_usual=over_usual,
            beside=self._brought_earlier(patient) if rising and not sure_alone else None,
        )

    def _is_sure_alone(self, patient: int) -> bool:
        """Whether the pressure alone tells this rise, or goes on to."""
        at = z(self._settings.far_sure) - self._settings.let_go
        far = float(self._state.trend.evidence.far_up[patient])
        return bool(self._state.quick[UP, patient]) or not self._state.quick[JOINT, patient] or far >= at

    def _brought_earlier(self, patient: int) -> Beside:
        above, breath, _, weight = self._channels[:, patient].tolist()
        if self._findings is None:
            return Beside(above > 0)
        found, week = self._findings.symptoms, self._findings.weight
        more = SymptomChange(
            Symptom.BREATHLESS, rounded(float(found.breath[patient])), rounded(float(found.breath_usual[patient]))
        )
        return Beside(
            above > 0,
            more if breath > 0 and not found.breathless[patient] else None,
            rounded(float(week.in_week[patient])) if weight > 0 and not week.gain[patient] else None,
        )

    @cached_property
    def _channels(self) -> Array:
        return joint.channels(self._heart_rates, self._findings, self._settings)

    def _in_gap(self, patient: int, began: int) -> bool:
        """Whether a break that was noticed to begin then happened somewhere in the newest gap."""
        jump = self._state.jump
        return int(jump.gap_from[patient]) < began <= int(jump.gap_to[patient]) + NEAR_A_GAP

    def _far_up(self, patient: int) -> bool:
        """Beyond the reference itself, so that it is the reference that counts."""
        beyond = self._state.trend.excess
        return float(beyond.now[patient] - beyond.reference[patient]) > self._settings.margin  # nan is not

    def _coming_down(self, patient: int) -> ComingDown | None:
        if not self._state.quick[COMING_DOWN, patient]:
            return None
        since = min(int(self._state.trend.calm_below[patient]) + 1, self._state.day)
        moved = self._moved(patient, since)
        return ComingDown(date.fromordinal(since), None if moved is None else rounded(-moved))

    def _pace(self, patient: int, began: int) -> float | None:
        """The mean move a day since the evening before the break began."""
        moved = self._moved(patient, began)
        return None if moved is None else rounded(moved / (self._state.day - began + 1))

    def _moved(self, patient: int, began: int) -> float | None:
        """mmHg since the evening before that day; None when it is too long ago to tell."""
        ring, days = self._state.trend.beyond, self._state.day - began + 1
        if not 0 < days < len(ring):
            return None
        before = float(ring[(began - 1) % len(ring), patient])
        return None if np.isnan(before) else float(self._state.trend.excess.now[patient]) - before


def _forecast(made: Forecast | None) -> Forecast | None:
    if made is None:
        return None
    return replace(made, days=rounded(made.days), low=rounded(made.low), high=rounded(made.high))


def _pressure_known(unchanged: bool, *, changed: bool) -> Knowledge:
    if changed:
        return Knowledge.CHANGED
    return Knowledge.UNCHANGED if unchanged else Knowledge.TOO_LITTLE


def _told(values: Array, places: int = PLACES) -> list[float | None]:
    """A column as it is told; None where it is not known."""
    return [None if value != value else value for value in np.round(values, places).tolist()]


def _date(ordinal: int) -> date | None:
    return date.fromordinal(int(ordinal)) if ordinal > 0 else None
