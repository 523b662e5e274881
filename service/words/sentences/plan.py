"""How often a patient is asked, in words: the weekdays, the dates with weekdays of their own, the days to come."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.plan import EVERY_DAY, PlanPhase, WindowAhead, weekdays_of
from service.words.language import Language, sentence


def how_often(say: Language, weekdays: int) -> str:
    """`every day`, or `Monday, Wednesday and Friday`, as a clause."""
    if weekdays == EVERY_DAY:
        return say.gettext("every day")
    return say.listed([say.weekdays[day] for day in weekdays_of(weekdays)])


def phase(say: Language, one: PlanPhase) -> str:
    """`Every day from 3 March to 17 March, after a stay`."""
    words = {"often": how_often(say, one.weekdays), "first": say.day(one.from_date)}
    if one.to_date is None:
        return sentence(say.gettext("%(often)s from %(first)s, until told", **words))
    words["last"] = say.day(one.to_date)
    if one.after_stay:
        return sentence(say.gettext("%(often)s from %(first)s to %(last)s, after a stay", **words))
    return sentence(say.gettext("%(often)s from %(first)s to %(last)s", **words))


def ahead(say: Language, windows: Sequence[WindowAhead]) -> str:
    """`Asked in the next seven days on Monday, Wednesday and Friday`; that nothing is asked is said as such."""
    asked = [say.weekdays[one.day.weekday()] for one in windows if not one.paused]
    if not asked:
        return say.gettext("Nothing is asked in the next seven days.")
    if len(asked) == 7:
        return say.gettext("Asked on each of the next seven days.")
    days = say.listed(asked)
    return sentence(say.gettext("asked in the next seven days on %(days)s", days=days))
