"""How long a claim on a message holds, and when it has lapsed."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, or_
from sqlalchemy.orm import InstrumentedAttribute

LEASE = timedelta(minutes=2)


def lapsed(
    lease_until: InstrumentedAttribute[datetime | None], now: datetime, *, grace: timedelta = timedelta(0)
) -> ColumnElement[bool]:
    """Whether a lease is over, by `grace` or more.

    One that ends further off than any lease given at `now` could was given before
    the clock was set back: nobody may be waiting for it.
    """
    return or_(lease_until <= now - grace, lease_until > now + 2 * LEASE)
