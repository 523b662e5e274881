"""Whether what the review says is true: `deploy/bench truth`, on invented patients whose truth is known.

Each family of `lives` goes through the service's own path (the rows of a past file, the carried
engine, the panel's row, the lane, the sentence's facts), every evening is scored, and printed is:

`truth`: of the claims made, the share that is true. A sentence makes up to five: the level (true
when the true one is within twice the give or take), the direction (it moved that way by half a
mmHg, against the weeks before or the first ones), since when (from that day on it moved that way),
compared and unchanged (it is within 3.5 mmHg of the weeks before, of the first ones, of the
reference's fortnight or of the settled one that it names; the answers of the week cross no convention), and the days to the limit (the
crossing, as if untreated, lies between them). What is claimed of the pressure is held against what
a perfect reading of this sensor would have shown: no data tells an offset from the truth.
`false_comfort`: of the evenings on which the patient was decompensating and the data said so, the
share in the lane *Settled*, or told "unchanged" of the channel that moved; beside it the lane alone. The
pressure says so where a detector that knows the generator gives 0.95 or more; the diary, where its last
answers cross a convention. A bad night of the week that is not told is false comfort as well.
`true_comfort`: of the ordinary evenings of ordinary patients on which enough came, the share *Settled*.
Per family: the share of events told by the pressures, of those a week before the treatment, the same of
the detector that knows the generator (about the best there is), and the false episodes a patient-year, of the
pressures and of the diary.
`--full` takes ten seeds and prints the least and the most of them.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context

import numpy as np

from service.domain.signals.facts import EIGHTY, Break
from service.domain.vocabulary import Knowledge, Lane
from service.replaying.evenings import ReplayedEvening, replay_evenings
from tests.bench import lives
from tests.bench.lives import DAYS, FIRST, Life
from tests.bench.panels import Array, Flags

SEEDS = (901, 902)
FULL = tuple(range(901, 911))
PATIENTS = 50
SETTLING_IN = 21  # days before an evening is scored: nothing can be known yet
SURE = 0.95
PRIOR = 0.02  # how likely the detector takes a rise to be before it looks
UNCHANGED = 3.5  # mmHg: the engine's own "far beyond the reference"
AHEAD, ONE_EPISODE = 7, 14


@dataclass
class Tally:
    """What was said, and how much of it was so."""

    claims: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    comforted: list[bool] = field(default_factory=list)  # falsely
    in_settled: list[bool] = field(default_factory=list)  # of the same evenings, those in that lane
    settled: list[bool] = field(default_factory=list)  # truly
    told: list[int] = field(default_factory=list)  # days before the treatment, −1: never
    bound: list[int] = field(default_factory=list)
    false: int = 0  # episodes of the pressures
    false_diary: int = 0
    days: int = 0

    def add(self, other: Tally) -> None:
        for kind, some in other.claims.items():
            self.claims[kind] += some
        for name in ("comforted", "in_settled", "settled", "told", "bound"):
            getattr(self, name).extend(getattr(other, name))
        self.false += other.false
        self.false_diary += other.false_diary
        self.days += other.days

    @property
    def truth(self) -> float:
        return _share([true for some in self.claims.values() for true in some])


def scored(name: str, seed: int, patients: int = PATIENTS) -> Tally:
    """One family's patients, through the service, every evening scored."""
    random = np.random.default_rng([seed, list(lives.FAMILIES).index(name)])
    everyone = {f"T-{number:03}": lives.FAMILIES[name](random) for number in range(patients)}
    readings, diaries, options = lives.files(everyone, random)
    evenings: dict[str, list[ReplayedEvening]] = defaultdict(list)
    for evening in replay_evenings(readings, diaries, options):
        evenings[evening.patient].append(evening)
    tally = Tally()
    for patient, life in everyone.items():
        tally.add(_one(life, evenings[patient], ordinary=name == "quiet"))
    return tally


def scored_together(
    seeds: Sequence[int], families: Sequence[str] = tuple(lives.FAMILIES), patients: int = PATIENTS
) -> dict[int, dict[str, Tally]]:
    """By seed and family, each scored by itself, in as many processes as there are processors: the same in any."""
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn")) as pool:
        made = {(seed, name): pool.submit(scored, name, seed, patients) for seed in seeds for name in families}
        return {seed: {name: made[seed, name].result() for name in families} for seed in seeds}


def _one(life: Life, evenings: Sequence[ReplayedEvening], *, ordinary: bool) -> Tally:
    asked = life.unwell.copy()
    if life.event is not None:
        asked[life.event[0] : life.event[1] + 1] = True
    tally, knows = Tally(), detector(life, np.flatnonzero(asked).tolist())
    rising, felt = np.zeros(DAYS, dtype=np.bool_), np.zeros(DAYS, dtype=np.bool_)
    for evening in evenings:
        day = (evening.local_date - FIRST).days
        pressure = evening.picture.pressure
        rising[day] = pressure.rising or (pressure.jump is not None and pressure.jump.up)
        felt[day] = evening.picture.diary.since is not None or evening.picture.diary.weight_gain is not None
        if day < SETTLING_IN:
            continue
        _claims(tally, life, day, evening)
        _comfort(tally, life, day, evening, knows)
        if ordinary and _enough_came(life, day):
            tally.settled.append(evening.lane is Lane.SETTLED)
    if life.event is not None:
        tally.told.append(_first(rising, life.event))
        tally.bound.append(_first(knows >= SURE, life.event))
    tally.false = _episodes(rising & ~life.disturbed, rising)
    tally.false_diary = _episodes(felt & ~life.disturbed, felt)
    tally.days = int((~life.disturbed).sum())
    return tally


# --- claims ---------------------------------------------------------------------------


def _claims(tally: Tally, life: Life, day: int, evening: ReplayedEvening) -> None:
    facts, claims = evening.picture.pressure, tally.claims
    course, reference = life.sensor, facts.reference
    now = float(course[day])
    beside = [float(course[max(day - 56, 0) : max(day - 20, 1)].mean()), float(course[:SETTLING_IN].mean())]
    for fortnight in (reference, facts.fortnight):
        if fortnight is not None and fortnight.from_day is not None and fortnight.to_day is not None:
            first, last = ((one - FIRST).days for one in (fortnight.from_day, fortnight.to_day))
            beside.append(float(course[first : last + 1].mean()))
    if facts.level is not None and facts.level_sd is not None and facts.jump is None and _read_lately(life, day):
        claims["level"].append(abs(now - facts.level) <= 2 * EIGHTY * facts.level_sd)
    moved = facts.broken or facts.coming_down
    if moved is not None:
        way = 1.0 if facts.rising else -1.0
        since = moved.began_on if isinstance(moved, Break) else moved.since
        claims["direction"].append(any(way * (now - then) >= 0.5 for then in [*beside, _highest(life, day, way)]))
        begun = max((since - FIRST).days - 1, 0)
        claims["since"].append(way * (now - float(course[max(begun - 2, 0) : begun + 1].mean())) > 0)
    if facts.compared.knowledge is Knowledge.UNCHANGED:
        claims["pressure unchanged"].append(any(abs(now - then) <= UNCHANGED for then in beside))
    if evening.picture.diary.compared.knowledge is Knowledge.UNCHANGED:
        claims["diary unchanged"].append(not _answers_say(life, day))
    ahead = facts.forecast
    if ahead is not None and ahead.up and ahead.days > 0 and not ahead.slowing:
        claims["days to limit"].append(round(ahead.low) <= _crossing(life, day) <= round(ahead.high))


def _highest(life: Life, day: int, way: float) -> float:
    """What a pressure that comes down comes down from: the most of the last eight weeks."""
    some = life.sensor[max(day - 56, 0) : day + 1]
    return float(some.max() if way < 0 else some.min())


def _crossing(life: Life, day: int) -> int:
    """Days until the course, untreated, is over the limit; far beyond anything told where it never is."""
    onward = np.concatenate([life.onward, np.full(60, life.onward[-1])])
    over = np.flatnonzero(onward[day:] > (life.upper or np.inf))
    return int(over[0]) if len(over) else 10**6


# --- comfort --------------------------------------------------------------------------


def _comfort(tally: Tally, life: Life, day: int, evening: ReplayedEvening, knows: Array) -> None:
    if not life.unwell[day]:
        return
    pressure_says, diary_says = bool(knows[day] >= SURE), _answers_say(life, day)
    if not (pressure_says or diary_says):
        return
    facts = evening.picture
    told = facts.diary.worse + facts.diary.once
    unchanged = (
        (_bad_nights(life, day) > 0 and not told)
        or (pressure_says and facts.pressure.compared.knowledge is Knowledge.UNCHANGED)
        or (diary_says and facts.diary.compared.knowledge is Knowledge.UNCHANGED)
    )
    tally.comforted.append(evening.lane is Lane.SETTLED or unchanged)
    tally.in_settled.append(evening.lane is Lane.SETTLED)


def _answers_say(life: Life, day: int) -> bool:
    """By the conventions: the middle of the last three answers 2 points over the usual, one of them 4, or bad nights.

    Those are the newest one, or two of the week.
    """
    nights = life.nights[max(day - 6, 0) : day + 1]
    newest_night = nights[~np.isnan(nights)][-1:]
    if newest_night.any() or _bad_nights(life, day) > 1:
        return True
    week = life.breath[max(day - 6, 0) : day + 1]
    newest = week[~np.isnan(week)][-3:]
    return len(newest) >= 2 and (
        statistics.median(newest.tolist()) >= lives.STEP or float(newest.max()) >= lives.STRONG
    )


def _bad_nights(life: Life, day: int) -> int:
    """Of the week, woken breathless or slept in a chair."""
    return int(np.nansum(life.nights[max(day - 6, 0) : day + 1]))


def _read_lately(life: Life, day: int) -> bool:
    return bool((~np.isnan(life.taken[max(day - 6, 0) : day + 1])).any())


def _enough_came(life: Life, day: int) -> bool:
    week = slice(day - 6, day + 1)
    return int((~np.isnan(life.taken[week])).sum()) >= 4 and int((~np.isnan(life.breath[week])).sum()) >= 4


def detector(life: Life, asked: Sequence[int] = range(DAYS)) -> Array:
    """The probability each evening of a rise, to whoever knows the generator but not what happened to this patient.

    It knows the level of the weeks before, the noise and its memory, and how rises run: the likelihoods of
    straight rises of many sizes and ages against none are averaged (Bayes), over the last three weeks' readings.
    Evenings that are not asked for, and those of the first weeks, have what it takes to be likely beforehand.
    """
    ages, sizes = np.array([3.0, 6.0, 12.0, 18.0, 26.0, 40.0]), np.array([2.0, 3.0, 4.0, 5.5, 7.0, 10.0, 14.0])
    back = np.arange(SETTLING_IN - 1, -1, -1)
    shapes = np.clip(1 - back / ages[:, None], 0.0, None)  # [age, day]
    courses = (sizes[:, None, None] * shapes).reshape(-1, SETTLING_IN)
    found = np.full(DAYS, PRIOR)
    for day in asked:
        if day < SETTLING_IN:
            continue
        known = ~np.isnan(life.taken[day - SETTLING_IN + 1 : day + 1])
        days = np.flatnonzero(known) + day - SETTLING_IN + 1
        if not len(days):
            continue
        usual = life.sensor[max(day - 56, 0) : max(day - 20, 1)].mean()
        cov = np.outer(life.noise[days], life.noise[days]) * lives.MEMORY ** np.abs(days[:, None] - days)
        some = courses[:, known]
        weights = np.linalg.solve(cov, some.T).T
        ratios = weights @ (life.taken[days] - usual) - (weights * some).sum(axis=1) / 2
        odds = PRIOR / (1 - PRIOR) * np.exp(np.clip(ratios, -50, 50)).mean()
        found[day] = odds / (1 + odds)
    return found


# --- episodes -------------------------------------------------------------------------


def _first(told: Flags, event: tuple[int, int]) -> int:
    """Days before the treatment at which it was first told; −1 where it was not."""
    onset, treated = event
    hits = np.flatnonzero(told[onset : treated + 1])
    return treated - onset - int(hits[0]) if len(hits) else -1


def _episodes(false: Flags, told: Flags) -> int:
    """Runs of told days within `ONE_EPISODE` of one another that begin on a day when nothing was disturbed."""
    days = np.flatnonzero(told)
    if not len(days):
        return 0
    runs = np.split(days, np.flatnonzero(np.diff(days) > ONE_EPISODE) + 1)
    return sum(bool(false[run[0]]) for run in runs)


# --- what is printed ------------------------------------------------------------------


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table and the three ratios."""
    parser = argparse.ArgumentParser(prog="bench truth", description=__doc__)
    parser.add_argument("--full", action="store_true", help="ten seeds, with the least and the most of them")
    given = parser.parse_args(sys.argv[1:] if argv is None else argv)
    by_seed = scored_together(FULL if given.full else SEEDS)
    print("| family | true claims | told | a week ahead | best possible | false a year, diary's | false comfort |")
    print("|---|---|---|---|---|---|---|")
    for name in lives.FAMILIES:
        print(_row(name, _sum([found[name] for found in by_seed.values()])))
    everything = [_sum(list(found.values())) for found in by_seed.values()]
    whole = _sum(everything)
    print(f"claims: {', '.join(f'{kind} {_share(some):.3f} of {len(some)}' for kind, some in whole.claims.items())}")
    for line, of, aim in (
        ("truth", lambda tally: tally.truth, "of the claims are true (≥ 0.98)"),
        ("false_comfort", lambda tally: _share(tally.comforted), f"of {len(whole.comforted)} evenings (≤ 0.01)"),
        ("settled_though_unwell", lambda tally: _share(tally.in_settled), "of the same evenings, by the lane alone"),
        ("true_comfort", lambda tally: _share(tally.settled), f"of {len(whole.settled)} evenings (≥ 0.80)"),
    ):
        each = [of(tally) for tally in everything]
        print(f"{line} ratio={of(whole):.3f} min={min(each):.3f} max={max(each):.3f} {aim}", flush=True)


def _row(name: str, tally: Tally) -> str:
    told, bound = np.array(tally.told), np.array(tally.bound)
    seen = (
        f"{(told >= 0).mean():.2f} | {(told >= AHEAD).mean():.2f} | {(bound >= 0).mean():.2f}, {(bound >= AHEAD).mean():.2f}"
        if len(told)
        else "– | – | –"
    )
    false, diary = (count / max(tally.days, 1) * 365.25 for count in (tally.false, tally.false_diary))
    comfort = f"{_share(tally.comforted):.3f} of {len(tally.comforted)}" if tally.comforted else "–"
    return f"| {name} | {tally.truth:.3f} | {seen} | {false:.2f}, {diary:.2f} | {comfort} |"


def _sum(some: Sequence[Tally]) -> Tally:
    whole = Tally()
    for one in some:
        whole.add(one)
    return whole


def _share(some: Sequence[bool]) -> float:
    return float(np.mean(some)) if some else float("nan")


if __name__ == "__main__":
    main()
