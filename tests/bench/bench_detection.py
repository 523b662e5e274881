"""How early and how often, on simulated panels: `deploy/bench detection`.

Prints a table of the engine against plain rules, each rule at the threshold that
gave it the engine's own false rate on the panels used for choosing, then scored on
panels of other seeds. `detection ratio=` is the share of events first seen at
least 7 days ahead, the engine's ÷ the best plain rule's. Simulated patients: the
table compares rules, it does not say how a clinic's patients fare.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from functools import reduce
from operator import add
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from service.domain.signals import engine
from service.domain.signals import state as engine_state
from service.domain.signals.episodes import KINDS, ROW
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.vocabulary import SignalKind
from tests.bench import panels, rules
from tests.bench.panels import Panel
from tests.bench.scoring import Score, first_told, score

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
CHOOSING, SCORING = (11, 12), (101, 102)  # seeds; the defaults were chosen on 11 to 13 alone
PATIENTS = 250
FIRST_DAY = 740_000
PRESSURE = (SignalKind.RISING, SignalKind.FALLING)
DIARY = (SignalKind.WEIGHT_GAIN, SignalKind.WORSE_SYMPTOMS)
Rule = tuple[str, Callable[[Panel], tuple[Array, Flags]], float | None]


def told_by_engine(panel: Panel, settings: EngineSettings = DEFAULT, *, diary: bool = False) -> NDArray[np.bool_]:
    """[day, kind, patient] of what the engine tells, day by day."""
    days, patients = panel.diastolic.shape
    watch = engine_state.begin(patients)
    told = np.zeros((days, len(KINDS), patients), dtype=np.bool_)
    kept = panel.diary
    nothing = np.full(patients, np.nan)
    for day in range(days):
        readings = np.stack([panel.diastolic[day], panel.mean[day], panel.systolic[day]])
        answers = None
        if diary:
            answers = np.stack(
                [
                    kept.breathlessness[day],
                    kept.extra_pillows[day],
                    kept.woke_breathless[day],
                    kept.swelling[day],
                    nothing,
                    nothing,
                    kept.weight_kg[day],
                ]
            )
        today = engine_state.DayInputs(readings, answers=answers)
        watch, told[day], _ = engine.step(watch, FIRST_DAY + day, today, settings)
    return told


def main(argv: list[str] | None = None) -> None:
    """Print the table, and keep it as Markdown where asked to."""
    parser = argparse.ArgumentParser(prog="bench detection", description=__doc__)
    parser.add_argument("--markdown", type=Path, help="also write the table to this file")
    given = parser.parse_args(sys.argv[1:] if argv is None else argv)
    lines = list(table())
    print("\n".join(lines))
    if given.markdown:
        given.markdown.write_text("\n".join(line for line in lines if " ratio=" not in line) + "\n", encoding="utf-8")


def table() -> Iterator[str]:
    """The lines of the table, then those of what the diary adds, then the ratio."""
    choosing = [panels.make(family, seed, PATIENTS) for family in panels.FAMILIES for seed in CHOOSING]
    scoring = [panels.make(family, seed, PATIENTS) for family in panels.FAMILIES for seed in SCORING]
    kinds = [ROW[kind] for kind in PRESSURE]
    chosen = _sum(score(told_by_engine(panel)[:, kinds].any(axis=1), panel) for panel in choosing)
    told = [told_by_engine(panel, diary=True) for panel in scoring]
    ours = [score(one[:, kinds].any(axis=1), panel) for one, panel in zip(told, scoring, strict=True)]
    engine = _sum(ours)
    yield f"{len(scoring) * PATIENTS} simulated patients for a year, {engine.events} events, seeds {SCORING}"
    yield ""
    yield "| rule, pressures alone | seen | seen 7+ days ahead | false episodes a patient-year |"
    yield "|---|---|---|---|"
    yield _row("the engine, defaults", engine)
    best = 0.0
    for name, number, textbook in RULES:
        if textbook is not None:
            yield _row(f"{name}, as usually set", _scored(number, textbook, scoring))
        matched = _scored(number, _threshold(number, choosing, chosen.false_rate), scoring)
        best = max(best, matched.ahead)
        yield _row(f"{name}, at the engine's false rate", matched)
    yield ""
    yield "| the engine by family of panel | seen | seen 7+ days ahead | false episodes a patient-year |"
    yield "|---|---|---|---|"
    for position, family in enumerate(panels.FAMILIES):
        first = position * len(SCORING)
        yield _row(family.name, _sum(ours[first : first + len(SCORING)]))
    yield ""
    yield from _with_diary(told, scoring)
    yield ""
    yield f"detection ratio={engine.ahead / best:.2f} seen 7+ days ahead, the engine ÷ the best plain rule"
    yield f"detection_sensitivity ratio={engine.sensitivity:.3f} of events seen, pressures alone, defaults"
    yield f"detection_false ratio={engine.false_rate:.3f} false episodes a patient-year"


def _with_diary(told: list[NDArray[np.bool_]], scoring: list[Panel]) -> Iterator[str]:
    yield "| what the diary adds | seen | seen 7+ days ahead | false episodes a patient-year |"
    yield "|---|---|---|---|"
    choices = {"pressures alone": PRESSURE, "diary alone": DIARY, "either": PRESSURE + DIARY}
    for name, wanted in choices.items():
        rows = [ROW[kind] for kind in wanted]
        pairs = zip(told, scoring, strict=True)
        yield _row(name, _sum(score(one[:, rows].any(axis=1), panel) for one, panel in pairs))
    rows, felt = [ROW[kind] for kind in PRESSURE], [ROW[kind] for kind in DIARY]
    pairs = zip(told, scoring, strict=True)
    early = [(first_told(one[:, rows].any(axis=1), panel), first_told(one[:, felt].any(axis=1), panel))
             for one, panel in pairs]  # fmt: skip
    pressure, diary = (np.concatenate(side) for side in zip(*early, strict=True))
    both = (pressure >= 0) & (diary >= 0)
    yield ""
    yield (
        f"Of the events seen by both, the pressures came first in {np.mean(pressure[both] > diary[both]):.0%}, "
        f"by {np.median((pressure - diary)[both]):.0f} days in the middle; the diary alone saw "
        f"{np.mean((pressure < 0) & (diary >= 0)):.1%} of all events."
    )


def _plain(number: Callable[[Array], Array]) -> Callable[[Panel], tuple[Array, Flags]]:
    def of(panel: Panel) -> tuple[Array, Flags]:
        return number(panel.diastolic), rules.reference(panel.diastolic)[2]

    return of


def _weight(panel: Panel) -> tuple[Array, Flags]:
    weight = panel.diary.weight_kg
    return rules.weight_in_three_days(weight), np.ones(weight.shape, dtype=np.bool_)


RULES: tuple[Rule, ...] = (
    ("one reading over reference + 5", _plain(rules.one_reading), 5.0),
    ("mean of 5 days over reference", _plain(rules.mean_of_five), 3.0),
    ("EWMA, λ 0.2", _plain(rules.ewma_of), 3.0),
    ("CUSUM, k 0.5", _plain(rules.cusum_of), 5.0),
    ("weight up in 3 days", _weight, 2.0),
)


def _threshold(number: Callable[[Panel], tuple[Array, Flags]], choosing: list[Panel], false_rate: float) -> float:
    """The lowest threshold at which the rule is no more often false than `false_rate`."""
    worked = [(*number(panel), panel) for panel in choosing]
    low, high = 0.0, 60.0
    for _ in range(14):
        middle = (low + high) / 2
        found = _sum(score(rules.crossings(values, middle, known), panel) for values, known, panel in worked)
        low, high = (middle, high) if found.false_rate > false_rate else (low, middle)
    return high


def _scored(number: Callable[[Panel], tuple[Array, Flags]], threshold: float, scoring: list[Panel]) -> Score:
    return _sum(score(rules.crossings(*_at(number(panel), threshold)), panel) for panel in scoring)


def _at(worked: tuple[Array, Flags], threshold: float) -> tuple[Array, float, Flags]:
    return worked[0], threshold, worked[1]


def _sum(scores: Iterator[Score] | list[Score]) -> Score:
    return reduce(add, scores)


def _row(name: str, found: Score) -> str:
    return f"| {name} | {found.sensitivity:.2f} | {found.ahead:.2f} | {found.false_rate:.2f} |"


if __name__ == "__main__":
    main()
