"""After a stay in hospital: which contacts and visits are due when, which day it is, and what is closer for a while.

Promises dates and nothing else. Every number is the clinic's setting; as a start, a call within 3 days (US guideline
2013), visits at 1, 2, 3 and 6 weeks (Lancet 2022;400:1938) and closer follow-up for a fortnight, in which readings
fall off (Murphy 2017). A lower bar for a rise and a reading every day begin with a clinic that sets them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.domain import validation
from service.domain.signals.facts import AfterStay
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, ContactWay, Role

START_CALL_DAYS = 3
START_VISIT_WEEKS = (1, 2, 3, 6)
START_CLOSER_DAYS = 14
MOST_WEEKS = 26
MOST_DAYS = 92


@dataclass(frozen=True, slots=True)
class Aftercare:
    """A clinic's way after a stay; days and weeks are counted from the day of discharge, and 0 days are none."""

    call_days: int | None = START_CALL_DAYS  # the call's last day; None: no call is planned
    visit_weeks: tuple[int, ...] = START_VISIT_WEEKS
    contact_role: Role = Role.NURSE  # whose the planned contacts are until they are handed to somebody
    watched_days: int = 0  # on which a rise is told at a lower bar
    daily_days: int = 0  # on which a reading and a check-in are asked for every day, whatever the plan's weekdays
    closer_days: int = START_CLOSER_DAYS  # on which the reminder comes sooner, and staff hear of a silence sooner

    @property
    def days(self) -> int:
        """How long after discharge its day is told: until the last of what the clinic does then."""
        return max(self.call_days or 0, self.watched_days, self.daily_days, *(7 * week for week in self.visit_weeks), 0)

    def contacts(self, discharged: date) -> list[tuple[ContactWay, date]]:
        """The call and the visits, each with its last day, in order."""
        planned = [(ContactWay.VISIT, discharged + timedelta(weeks=week)) for week in self.visit_weeks]
        if self.call_days is not None:
            planned.append((ContactWay.CALL, discharged + timedelta(days=self.call_days)))
        return sorted(planned, key=lambda one: one[1])

    def after(self, discharged: date) -> AfterStay:
        """The days after one stay."""
        watched = discharged + timedelta(days=self.watched_days) if self.watched_days else None
        return AfterStay(discharged, discharged + timedelta(days=self.days), watched)

    def day(self, discharged: date | None, today: date) -> int | None:
        """The day after discharge that today is, 0 on the day itself; None where it is over, or there was no stay."""
        if discharged is None or not self.after(discharged).covers(today):
            return None
        return (today - discharged).days


def read_aftercare(
    call_days: object,
    visit_weeks: Sequence[object],
    contact_role: object,
    watched_days: object,
    daily_days: object,
    closer_days: object,
) -> Aftercare:
    """A clinic's setting. Raises Refused."""
    weeks = {validation.whole("visit_weeks", week, 1, MOST_WEEKS) for week in visit_weeks}
    if contact_role not in set(CLINICAL_STAFF):
        raise Refused("contact_role", contact_role, "one of %(words)s", words=tuple(CLINICAL_STAFF))
    return Aftercare(
        None if call_days is None else validation.whole("call_days", call_days, 0, 30),
        tuple(sorted(weeks)),
        Role(str(contact_role)),
        validation.whole("watched_days", watched_days, 0, MOST_DAYS),
        validation.whole("daily_days", daily_days, 0, MOST_DAYS),
        validation.whole("closer_days", closer_days, 0, MOST_DAYS),
    )
