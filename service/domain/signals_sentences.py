"""Pressures in words for staff.

Promises clauses that state a fact with its uncertainty and its date, in plain
English, and nothing else: none says that all is well, none advises a treatment.
"""

from __future__ import annotations

from service.domain import spoken
from service.domain.signals_facts import Break, Forecast, PressureFacts

STEADY = 0.05  # mmHg a day: below it a slope is not worth a number
WORTH_TELLING = 1.0  # mmHg between the reference and the recent usual
SURE = 1.28  # standard deviations either side: 80 %


def break_clause(pressure: PressureFacts) -> str:
    """`PA diastolic rising about 0.4 mmHg a day since 3 March, now about 22.1 mmHg (give or take 0.8) …`."""
    broken = pressure.broken
    if broken is None:
        return level_clause(pressure)
    return f"{pressure.of} {_course(broken, pressure.slope)} since {spoken.day(broken.began_on)}, now {_now(pressure)}"


def level_clause(pressure: PressureFacts) -> str:
    """`PA diastolic about 18.4 mmHg (give or take 0.7) against a reference of 18`."""
    if pressure.level is None:
        return "too few readings to say where the pressure is"
    return f"{pressure.of} {_now(pressure)}"


def limit_clause(pressure: PressureFacts, *, up: bool) -> str:
    """`PA diastolic about 26 mmHg (…) against a reference of 20: above the limit of 25 set for this patient`."""
    limit = pressure.limits.upper if up else pressure.limits.lower
    if limit is None:
        return level_clause(pressure)
    way = "above" if up else "below"
    return f"{level_clause(pressure)}: {way} the limit of {spoken.figure(limit)} mmHg set for this patient"


def forecast_clause(forecast: Forecast | None) -> str:
    """`likely to pass 25 mmHg in 5 to 9 days`; empty when nothing points at a limit."""
    if forecast is None or forecast.days is None:
        return ""
    limit = f"{spoken.figure(forecast.limit)} mmHg"
    verb = "pass" if forecast.up else "fall below"
    if forecast.days <= 0:
        return f"already {'above' if forecast.up else 'below'} the limit of {limit} set for this patient"
    low = max(1, round(forecast.low))
    if forecast.high is None:
        return f"may {verb} {limit} in {spoken.count(low, 'day')} or later"
    high = max(low, round(forecast.high))
    when = f"about {spoken.count(low, 'day')}" if high == low else f"{low} to {high} days"
    return f"likely to {verb} {limit} in {when}"


def _course(broken: Break, slope: float | None) -> str:
    way = 1.0 if broken.up else -1.0
    if broken.pace is not None and broken.pace * way >= STEADY and slope is not None and slope * way > 0:
        pace = spoken.figure(abs(broken.pace), 1 if abs(broken.pace) >= 0.1 else 2)
        return f"{'rising' if broken.up else 'falling'} about {pace} mmHg a day"
    return f"{'above' if broken.up else 'below'} its baseline"


def _now(pressure: PressureFacts) -> str:
    if pressure.level is None:
        return "not known"
    sure = f" (give or take {spoken.figure(SURE * pressure.level_sd)})" if pressure.level_sd is not None else ""
    text = f"about {spoken.figure(pressure.level)} mmHg{sure}"
    reference = pressure.reference
    if reference is None:
        return f"{text}, no reference yet"
    kind = "the reference of" if reference.is_set else "the first fortnight's mean of"
    text = f"{text} against {kind} {spoken.figure(reference.value)}"
    if pressure.usual is not None and abs(pressure.usual - reference.value) >= WORTH_TELLING:
        text += f" and about {spoken.figure(pressure.usual)} in recent weeks"
    return text
