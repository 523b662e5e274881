"""What an operator may let go of after some months, by kind. Nothing of it is clinical; nothing goes by itself."""

from __future__ import annotations

import re
from datetime import timedelta
from enum import StrEnum

from service.domain.validation import Refused

MONTH = timedelta(days=30.44)
MOST_MONTHS = 240
PART = re.compile(r"([a-z]+)=([0-9]{1,3})")


class Retained(StrEnum):
    """A kind of what is kept."""

    DELIVERY = "delivery"
    MESSAGES = "messages"
    TEXTS = "texts"
    SESSIONS = "sessions"
    AUDIT = "audit"


ACCEPTED = f"kinds with months, such as delivery=24, texts=12; kinds: {', '.join(Retained)}; 1 to {MOST_MONTHS}"


def checked_keep(field: str, given: str) -> dict[Retained, int]:
    """Months by kind: what is not named is kept. Raises Refused."""
    found: dict[Retained, int] = {}
    for part in (one.strip() for one in given.split(",") if one.strip()):
        said = PART.fullmatch(part)
        if (
            said is None
            or said[1] not in set(Retained)
            or Retained(said[1]) in found
            or not 1 <= int(said[2]) <= MOST_MONTHS
        ):
            raise Refused(field, given, ACCEPTED)
        found[Retained(said[1])] = int(said[2])
    return found
