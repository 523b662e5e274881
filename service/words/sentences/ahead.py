"""When a limit will be passed, in words for staff.

Promises days only of what goes on as it did, the early end first; where it slows, that they are not known.
"""

from __future__ import annotations

from service.domain.signals.facts import PressureFacts
from service.words.language import Language


def forecast_clause(say: Language, pressure: PressureFacts) -> str:
    """`if it goes on like this, past 25 mmHg in 5 days at the earliest, 19 at the latest`; empty without a forecast.

    Of one that is slowing no days are told.
    """
    forecast = pressure.forecast
    if forecast is None:
        return ""
    limit = say.figure(forecast.limit)
    if forecast.days <= 0:
        return past_clause(say, forecast.limit, up=forecast.up, perhaps=pressure.is_near(forecast.limit))
    low = round(forecast.low)
    high = max(low, 1, round(forecast.high))
    if forecast.slowing:
        return _some_day_past(say, limit, perhaps=low <= 0, up=forecast.up)
    if low <= 0:
        return _perhaps_past(say, limit, high, up=forecast.up)
    words = {"limit": limit, "days": say.ngettext("%(num)d day", "%(num)d days", low)}
    if forecast.up:
        return say.gettext(
            "if it goes on like this, past %(limit)s mmHg in %(days)s at the earliest, %(high)d at the latest",
            high=high,
            **words,
        )
    return say.gettext(
        "if it goes on like this, below %(limit)s mmHg in %(days)s at the earliest, %(high)d at the latest",
        high=high,
        **words,
    )


def past_clause(say: Language, limit: float, *, up: bool, perhaps: bool) -> str:
    """`above the limit of 25 mmHg set for this patient`; `perhaps` where it is within the level's error."""
    words = {"limit": say.figure(limit)}
    if perhaps:
        if up:
            return say.gettext("perhaps above the limit of %(limit)s mmHg set for this patient", **words)
        return say.gettext("perhaps below the limit of %(limit)s mmHg set for this patient", **words)
    if up:
        return say.gettext("above the limit of %(limit)s mmHg set for this patient", **words)
    return say.gettext("below the limit of %(limit)s mmHg set for this patient", **words)


def _perhaps_past(say: Language, limit: str, latest: int, *, up: bool) -> str:
    """A limit that the true level, which nobody knows to the day, may have passed already."""
    days = say.ngettext("%(num)d day", "%(num)d days", latest)
    if up:
        return say.gettext(
            "perhaps past %(limit)s mmHg already, if it goes on like this in %(days)s at the latest",
            limit=limit,
            days=days,
        )
    return say.gettext(
        "perhaps below %(limit)s mmHg already, if it goes on like this in %(days)s at the latest",
        limit=limit,
        days=days,
    )


def _some_day_past(say: Language, limit: str, *, perhaps: bool, up: bool) -> str:
    if perhaps:
        if up:
            return say.gettext("perhaps past %(limit)s mmHg already", limit=limit)
        return say.gettext("perhaps below %(limit)s mmHg already", limit=limit)
    if up:
        return say.gettext("on the way to the limit of %(limit)s mmHg, in how many days is not known", limit=limit)
    return say.gettext("on the way to the lower limit of %(limit)s mmHg, in how many days is not known", limit=limit)
