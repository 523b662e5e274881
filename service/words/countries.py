"""Countries and their zones, as the Unicode CLDR knows them (through babel), and what a reader calls them."""

from __future__ import annotations

from collections.abc import Collection
from functools import cache

from babel.core import get_global

from service.words.language import Language


@cache
def known() -> Collection[str]:
    """The countries (ISO 3166) that have a zone."""
    return frozenset(get_global("zone_territories").values())


def of_zone(zone: str) -> str | None:
    """The country of a zone; None for one of no country, such as UTC."""
    found = get_global("zone_territories").get(zone)
    return None if found is None else str(found)


def zones_beside(zone: str) -> list[str]:
    """The zones of the same country, this one first."""
    country = of_zone(zone)
    others = [name for name, where in get_global("zone_territories").items() if where == country and country]
    return [zone, *sorted(name for name in others if name != zone and "/" in name)]


def name(say: Language, country: str) -> str:
    """What a reader calls a country: `Spain`."""
    return str(say.locale.territories.get(country, country))
