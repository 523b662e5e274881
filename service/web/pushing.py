"""The link by which somebody sets their own phone up for notices, and whether this service can make one.

Promises that a link is for one person, ends, and is noted in the audit trail; and that
where none can be made it is said which setting is missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from sqlalchemy.orm import Session

from service import enrolling
from service.config import LOOPBACK, Settings
from service.store.audit import Actor
from service.store.tables import Caregiver, Patient
from service.web.tokens import Links, Purpose


@dataclass(frozen=True)
class PushLink:
    """The address to hand to one person, and until when it sets a phone up."""

    link: str
    until: datetime


def why_not(settings: Settings) -> str:
    """Why no link can be made here, in a sentence that names the setting; empty when one can."""
    if not settings.push_key:
        return (
            "Notices on a phone are not set up on this service: the setting NEAPTIDE_PUSH_KEY is missing. "
            "The command `neaptide push key` makes one."
        )
    address = urlsplit(settings.base_url)
    if address.scheme != "https" and address.hostname not in LOOPBACK:
        # W3C Push API and Service Workers: secure contexts only.
        return (
            "Notices on a phone need pages with https: the setting NEAPTIDE_BASE_URL "
            f"is {settings.base_url} and must begin with https://."
        )
    return ""


def make_link(session: Session, links: Links, person: Patient | Caregiver, actor: Actor, now: datetime) -> PushLink:
    """A link for this person, noted in the caller's transaction. Raises Refused for one who takes no part."""
    until = enrolling.note_link(session, person, actor, now)
    if isinstance(person, Patient):
        return PushLink(links.address(Purpose.PUSH, person.id, None, until), until)
    return PushLink(links.address(Purpose.PUSH, person.patient_id, person.id, until), until)
