"""The life of a signal: raised once an episode, let go with hysteresis, reopened only by something new.

Promises that a rule flickering about its threshold raises one signal, and that a
further move during an episode is told again and a mere continuation is not.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from service.domain.arrays import Array, Days, Flags
from service.domain.vocabulary import SignalKind

KINDS = tuple(SignalKind)
ROW = {kind: row for row, kind in enumerate(KINDS)}
OF_PRESSURE = (
    SignalKind.RISING, SignalKind.FALLING, SignalKind.ABOVE_LIMIT, SignalKind.BELOW_LIMIT, SignalKind.JUMP,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EpisodeState:
    """[kind, patient]. Days are ordinals; 0 is never."""

    open: Flags
    raised_on: Days  # the newest time it was told
    began_on: Days
    ended_on: Days
    held_on: Days  # last day its rule held
    told_size: Array  # how large it was when it was told
    told_marks: Days  # what was told, as bits


@dataclass(frozen=True, slots=True)
class Rule:
    """One kind's rule on one day, one element a patient."""

    holds: Flags
    lets_go: Flags  # it no longer holds, with hysteresis
    size: Array | None = None  # in the kind's own unit; a larger one by `step` is something new
    step: float = np.inf
    marks: Days | None = None  # bits; one more than was told is something new
    afresh: Flags | None = None  # something new in itself
    quiet_days: int = 1  # days between two tellings of one episode
    began_on: Days | None = None
    heard: Flags | None = None  # something came today that it can rest on: nothing is raised on silence alone


def none_yet(patients: int) -> EpisodeState:
    """Nothing was ever raised."""
    shape = (len(KINDS), patients)
    flags, sizes = np.zeros(shape, dtype=np.bool_), np.zeros(shape)
    never = np.zeros(shape, dtype=np.int64)
    return EpisodeState(flags, never, never, never, never, told_size=sizes, told_marks=never)


def update(episodes: EpisodeState, day: int, rules: dict[SignalKind, Rule]) -> tuple[EpisodeState, Flags]:
    """One day on: the episodes, and [kind, patient] of what is told today. A kind without a rule stays as it is."""
    new = EpisodeState(*(getattr(episodes, field.name).copy() for field in fields(episodes)))
    told = np.zeros_like(episodes.open)
    for kind, rule in rules.items():
        row = ROW[kind]
        holds = rule.holds if rule.heard is None else rule.holds & rule.heard
        opened = holds & ~episodes.open[row]
        again = episodes.open[row] & holds & _something_new(episodes, row, day, rule)
        told[row] = opened | again
        new.open[row] = (episodes.open[row] & ~(rule.lets_go & ~rule.holds)) | opened
        began = np.full_like(episodes.raised_on[row], day) if rule.began_on is None else rule.began_on
        new.began_on[row] = np.where(opened, began, episodes.began_on[row])
        new.raised_on[row] = np.where(told[row], day, episodes.raised_on[row])
        new.held_on[row] = np.where(holds, day, episodes.held_on[row])
        new.ended_on[row] = np.where(episodes.open[row] & ~new.open[row], day, episodes.ended_on[row])
        if rule.size is not None:
            new.told_size[row] = np.where(told[row], rule.size, episodes.told_size[row])
        if rule.marks is not None:
            kept = np.where(opened, 0, episodes.told_marks[row])
            new.told_marks[row] = np.where(told[row], kept | rule.marks, kept)
    return new, told


def close(episodes: EpisodeState, kind: SignalKind, patient: int, day: int) -> EpisodeState:
    """The episodes once staff have closed that one, if it was going on."""
    row = ROW[kind]
    if not episodes.open[row, patient]:
        return episodes
    new = replace(episodes, open=episodes.open.copy(), ended_on=episodes.ended_on.copy())
    new.open[row, patient], new.ended_on[row, patient] = False, day
    return new


def _something_new(episodes: EpisodeState, row: int, day: int, rule: Rule) -> Flags:
    new = np.zeros_like(rule.holds)
    if rule.size is not None:
        new |= rule.size >= episodes.told_size[row] + rule.step
    if rule.marks is not None:
        new |= (rule.marks & ~episodes.told_marks[row]) != 0
    if rule.afresh is not None:
        new |= rule.afresh
    waited: Flags = day - episodes.raised_on[row] >= rule.quiet_days
    return new & waited
