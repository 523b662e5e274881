"""Every number a clinic may turn, with what it means and what is accepted.

Promises that the defaults are one frozen value, that a setting that is not known
or out of range is refused by name, and that no default is a treatment goal:
limits exist only where a clinician typed them. Where a number has a published
source it is named; the rest were chosen on simulated panels (tests/bench).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from statistics import NormalDist
from typing import Any

from service.domain.validation import Refused


def _number(default: float | None, least: float, most: float, means: str) -> Any:
    return field(default=default, metadata={"least": least, "most": most, "means": means})


@dataclass(frozen=True, slots=True)
class EngineSettings:
    """The engine's settings. Pressures in mmHg, weights in kg, times in days."""

    # --- the reference ---
    reference_days: int = _number(14, 5, 60, "days with readings whose mean is proposed as reference (Zile 2025: 14)")
    # --- the filter, in units of the measurement noise's variance ---
    level_step: float = _number(0.03, 0.0, 2.0, "variance of the level's daily step")
    slope_step: float = _number(0.001, 0.0, 0.5, "variance of the slope's daily step")
    slope_kept: float = _number(0.95, 0.5, 1.0, "the part of a slope that is left a day later")
    far_reading: float = _number(2.0, 1.0, 10.0, "standard deviations beyond which a reading counts no more")
    noise_pace: float = _number(0.02, 0.0, 0.3, "how fast the measurement noise follows the patient")
    # --- the break from baseline ---
    ahead_days: int = _number(5, 0, 21, "days ahead at which the level is judged")
    margin: float = _number(1.0, 0.0, 10.0, "how far beyond the baseline counts as a break, mmHg")
    rise_sure: float = _number(0.972, 0.5, 0.99999, "probability from which a rise is raised")
    after_stay_sure: float = _number(0.9, 0.85, 0.99999, "the same on the dates after a stay that the clinic watches")
    fall_sure: float = _number(0.997, 0.5, 0.99999, "probability from which a fall is raised")
    far_margin: float = _number(3.5, 0.5, 20.0, "how far beyond the reference itself counts, however slow, mmHg")
    far_sure: float = _number(0.95, 0.5, 0.99999, "probability from which being far beyond the reference is raised")
    wander: float = _number(0.7, 0.0, 5.0, "standard deviation of harmless slow wandering, mmHg")
    usual_from: int = _number(22, 7, 60, "days back at which the patient's recent usual begins")
    usual_to: int = _number(60, 30, 89, "days back at which it ends")
    reference_weight: float = _number(12.0, 0.0, 200.0, "how many days of the recent usual the reference is worth")
    pulled_up: float = _number(2.0, 0.0, 20.0, "mmHg by which a reference above the recent usual pulls it up at most")
    low_days: int = _number(21, 7, 58, "days far under the reference after which coming back to it is a rise")
    # --- a jump ---
    jump_step: float = _number(
        8.0, 3.0, 40.0, "how far from the level expected a reading may be a jump or a fault, mmHg"
    )
    jump_sure: float = _number(4.0, 2.0, 10.0, "standard deviations that it must be as well")
    # --- a high level that stays ---
    high_margin: float = _number(2.0, 0.5, 20.0, "how far above the reference a level is high, mmHg")
    high_days: int = _number(21, 7, 60, "days for which it must have been, to be told")
    # --- the life of a signal ---
    let_go: float = _number(0.7, 0.0, 3.0, "standard deviations below the raising point at which an episode ends")
    new_step: float = _number(1.5, 0.3, 10.0, "a further move during an episode that is told again, mmHg")
    new_step_days: int = _number(7, 1, 60, "days after which a further move may be told again")
    # --- limits, where a clinician typed them ---
    limit_sure: float = _number(0.8, 0.5, 0.99999, "probability that the level is beyond a typed-in limit")
    # --- the diary ---
    gain_3_days: float = _number(2.0, 0.5, 10.0, "kg more than 3 days ago (European guidance for patients: > 2)")
    gain_week: float = _number(2.27, 0.5, 10.0, "kg more than a week ago (US patient sheets: 5 lb)")
    gain_day_pounds: float = _number(3.0, 1.0, 10.0, "lb in a day, held next day; patients weighing in lb (US sheets)")
    gain_over_dry: float = _number(2.0, 0.5, 15.0, "kg over dry weight, where one was typed in")
    gain_over_usual: float = _number(3.0, 1.0, 15.0, "kg over the patient's own usual weight (our convention)")
    gain_trend: float = _number(2.0, 0.5, 15.0, "kg in 14 days by the trend of all weighings")
    loss_3_days: float = _number(2.0, 0.5, 10.0, "kg less than 3 days ago")
    loss_week: float = _number(2.27, 0.5, 10.0, "kg less than a week ago")
    loss_under_dry: float = _number(2.0, 0.5, 15.0, "kg under dry weight, where one was typed in")
    breathless_step: float = _number(2.0, 1.0, 10.0, "points of breathlessness (0–10) above the patient's usual")
    breathless_jump: float = _number(4.0, 1.0, 10.0, "points over the usual told from one answer (our convention)")
    pillows_at_once: int = _number(2, 1, 10, "more pillows told from one answer (our convention)")
    pillow_days: int = _number(2, 1, 3, "days with more pillows, of the last 3 answered")
    woken_nights: int = _number(2, 1, 7, "nights woken by breathlessness, or slept in a chair, in 7 days")
    swelling_step: float = _number(1.0, 0.5, 3.0, "grades of swelling (none, ankle, shin, knee) above the usual")
    full_belly_days: int = _number(2, 1, 7, "days with a swollen or full belly in 7 (our convention)")
    light_headed_days: int = _number(2, 1, 7, "days light-headed in 7")
    # --- silence, where nobody says what was planned ---
    silent_days: int | None = _number(None, 1, 60, "days without a reading that count as silent; null: 3")


DEFAULT = EngineSettings()


def z(probability: float) -> float:
    """Standard deviations that a probability is worth."""
    return NormalDist().inv_cdf(probability)


def from_json(told: Mapping[str, Any]) -> EngineSettings:
    """The defaults with what was told. Raises Refused for an unknown name or a value out of range."""
    known = {item.name: item for item in fields(EngineSettings)}
    values: dict[str, Any] = {}
    for name, value in told.items():
        if name not in known:
            raise Refused(name, value, f"one of the settings: {', '.join(sorted(known))}")
        values[name] = _checked(name, value, known[name].default, known[name].metadata)
    settings = EngineSettings(**values)
    if settings.usual_to <= settings.usual_from:
        raise Refused("usual_to", settings.usual_to, f"more days back than usual_from ({settings.usual_from})")
    return settings


def described() -> list[tuple[str, Any, str, str]]:
    """Name, default, accepted and meaning of every setting, in order."""
    return [
        (item.name, item.default, f"{item.metadata['least']} to {item.metadata['most']}", item.metadata["means"])
        for item in fields(EngineSettings)
    ]


def _checked(name: str, value: Any, default: Any, limits: Mapping[str, Any]) -> Any:
    whole = isinstance(default, int) or default is None
    accepted = f"a {'whole ' if whole else ''}number from {limits['least']} to {limits['most']}"
    if value is None and default is None:
        return None
    # A JSON true is a Python int; it is not a number anybody meant.
    if isinstance(value, bool) or not isinstance(value, int | float) or (whole and value != int(value)):
        raise Refused(name, value, accepted)
    if not limits["least"] <= value <= limits["most"]:
        raise Refused(name, value, accepted)
    return int(value) if whole else float(value)
