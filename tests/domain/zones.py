"""Every zone, and every clock change that some zone has made or will make in four recent years."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, available_timezones

from hypothesis import strategies as st

PLACES = sorted(available_timezones() - {"Factory", "localtime"})

# After the last zone gave up seconds in its offset, before the tables that some readers rely on end.
instants = st.integers(
    int(datetime(1973, 1, 2, tzinfo=UTC).timestamp()), int(datetime(2036, 12, 30, tzinfo=UTC).timestamp())
).map(lambda second: datetime.fromtimestamp(second, UTC))


@dataclass(frozen=True)
class Change:
    zone: str
    at: datetime  # the first instant under the new offset

    def __str__(self) -> str:
        return f"{self.zone}-{self.at:%Y-%m-%d}"


def changes_of(name: str, since: datetime, until: datetime) -> list[Change]:
    """Found by looking at the offset once a day and halving between two that differ."""
    place = ZoneInfo(name)
    found = []
    at, offset = since, since.astimezone(place).utcoffset()
    while at < until:
        later = at + timedelta(days=1)
        if later.astimezone(place).utcoffset() != offset:
            low, high = at, later
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
                if middle.astimezone(place).utcoffset() == offset:
                    low = middle
                else:
                    high = middle
            found.append(Change(name, high))
            offset = later.astimezone(place).utcoffset()
        at = later
    return found


def _distinct() -> list[Change]:
    # Zones that share a change share its rule; one name for each (instant, offsets) is enough to test the rule.
    seen: dict[tuple[object, ...], Change] = {}
    for name in PLACES:
        place = ZoneInfo(name)
        for change in changes_of(name, datetime(2025, 1, 1, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC)):
            before = (change.at - timedelta(seconds=1)).astimezone(place).utcoffset()
            seen.setdefault((change.at, before, change.at.astimezone(place).utcoffset()), change)
    return sorted(seen.values(), key=str)


CHANGES = _distinct()
