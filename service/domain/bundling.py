"""Several messages to one person due at once: one of them says enough.

Promises that what is left out is always carried by one that is sent, and that two
people's messages, or two kinds of news, are never mixed. Most mornings there is
nothing to bundle: this is for the minute after an outage, or a busy inbox.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from service.domain.vocabulary import MessageKind

# The later in a row, the more it says: a reminder asks all that a prompt does, a digest counts every task.
ALIKE = (
    (MessageKind.PROMPT, MessageKind.REMINDER),
    (MessageKind.NUDGE,),
    (MessageKind.STAFF_TASK, MessageKind.DIGEST),
)
_PLACE: Mapping[MessageKind, tuple[int, int]] = {
    kind: (family, rank) for family, kinds in enumerate(ALIKE) for rank, kind in enumerate(kinds)
}


@dataclass(frozen=True)
class Ready:
    """A message that may leave now; `about` is the time of what it is about, such as a window's end."""

    id: uuid.UUID
    contact_id: uuid.UUID
    kind: MessageKind
    about: datetime


def bundle(ready: Iterable[Ready]) -> dict[uuid.UUID, uuid.UUID]:
    """Each message that need not be sent, with the one to the same contact that is sent in its place.

    The kind that says most is kept, and of one kind the one about the latest thing:
    its link leads to what can still be answered.
    """
    by_family: dict[tuple[uuid.UUID, int], list[Ready]] = {}
    for one in ready:
        if one.kind in _PLACE:
            by_family.setdefault((one.contact_id, _PLACE[one.kind][0]), []).append(one)
    carried: dict[uuid.UUID, uuid.UUID] = {}
    for alike in by_family.values():
        kept = max(alike, key=lambda one: (_PLACE[one.kind][1], one.about, one.id))
        carried |= {one.id: kept.id for one in alike if one.id != kept.id}
    return carried
