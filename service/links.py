"""Signed links: the key a patient or caregiver carries in a message.

Promises that a link opens one thing for one person, that it stops at its own
end, and that nobody can make or change one without the secret key. Holds ids
only. The end is inside the signature, so our own clock decides, in demo and tests too.

Used by web, worker and commands alike, which hand it down; no use case imports it.

A link outlives its message a little: a diary filled in that evening is worth having. It has 50
characters, 71 with a person, because a text has 160.
"""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any
from urllib.parse import urlsplit

from itsdangerous import BadData, Signer
from itsdangerous.encoding import base64_decode, base64_encode

from service.config import Settings
from service.domain.validation import LOOPBACK, Refused
from service.enrolling import phones, wordings
from service.store.audit import Act
from service.store.tables import Caregiver, Patient


class Purpose(StrEnum):
    CHECKIN = "checkin"
    CAREGIVER = "caregiver"
    CALENDAR = "calendar"
    PUSH = "push"


_PATHS = {Purpose.CHECKIN: "c", Purpose.CAREGIVER: "g", Purpose.CALENDAR: "cal", Purpose.PUSH: "push"}
ACCEPTED = "a link exactly as it came in the message"


@dataclass(frozen=True)
class Opened:
    """What a link says: about what (`subject_id`), for whom (`person_id`), until when (UTC).

    A check-in link names the window alone: a window has one patient. A caregiver's link that
    names no person is of the nudge that carries it: its subject is that message.
    """

    purpose: Purpose
    subject_id: uuid.UUID
    person_id: uuid.UUID | None
    until: datetime

    def is_over(self, now: datetime) -> bool:
        return now >= self.until


class Links:
    """Makes and reads signed links under one secret key.

    Links travel in text messages, where every character counts: the signature is
    an HMAC over BLAKE2b cut to 128 bits, and the ids are packed.
    """

    def __init__(self, secret_key: str, base_url: str) -> None:
        self._base_url = base_url
        # One signer for each purpose: a caregiver's link can never be read as a patient's.
        self._signers = {
            purpose: Signer(secret_key, salt=f"neaptide.link.{purpose.value}", digest_method=_short_digest)
            for purpose in Purpose
        }

    def checkin(self, window_id: uuid.UUID, until: datetime) -> str:
        """The address of the check-in page for one window, and so of one patient."""
        return self.address(Purpose.CHECKIN, window_id, None, until)

    def caregiver(self, window_id: uuid.UUID, caregiver_id: uuid.UUID, until: datetime) -> str:
        """The address of one caregiver's page about one missed window."""
        return self.address(Purpose.CAREGIVER, window_id, caregiver_id, until)

    def nudge(self, message_id: uuid.UUID, until: datetime) -> str:
        """The same page by the nudge that carries the address: 21 characters shorter, and a text has 160."""
        return self.address(Purpose.CAREGIVER, message_id, None, until)

    def address(self, purpose: Purpose, subject_id: uuid.UUID, person_id: uuid.UUID | None, until: datetime) -> str:
        return f"{self._base_url}/{_PATHS[purpose]}/{self.token(purpose, subject_id, person_id, until)}"

    def token(self, purpose: Purpose, subject_id: uuid.UUID, person_id: uuid.UUID | None, until: datetime) -> str:
        """Ids and end, packed and signed: 50 characters, or 71 with a person."""
        packed = subject_id.bytes + (person_id.bytes if person_id else b"") + int(until.timestamp()).to_bytes(4, "big")
        return self._signers[purpose].sign(base64_encode(packed)).decode("ascii")

    def read(self, token: str, purpose: Purpose) -> Opened:
        """What a token says, over or not. Raises Refused("token", …) when it is not one of ours."""
        try:
            packed = base64_decode(self._signers[purpose].unsign(token.encode("ascii")))
        except (BadData, UnicodeError):
            raise Refused("token", token, ACCEPTED) from None
        subject, person, seconds = packed[:16], packed[16:-4], packed[-4:]
        return Opened(
            purpose,
            uuid.UUID(bytes=subject),
            uuid.UUID(bytes=person) if person else None,
            datetime.fromtimestamp(int.from_bytes(seconds, "big"), UTC),
        )


NO_SUBJECT = uuid.UUID(int=0)
LONG_OVER = datetime(1970, 1, 1, tzinfo=UTC)


def sample_links(base_url: str) -> wordings.SampleLinks:
    """One of each kind below `base_url`, signed with a word that is not the key: no copy of one opens anything."""
    links = Links("sample", base_url)
    return wordings.SampleLinks(
        links.checkin(NO_SUBJECT, LONG_OVER), links.nudge(NO_SUBJECT, LONG_OVER), f"{base_url}/clinic/inbox"
    )


@dataclass(frozen=True)
class PushLink:
    """The address to hand to one person, and until when it sets a phone up."""

    link: str
    until: datetime


def why_no_push(settings: Settings) -> str:
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


def make_push_link(act: Act, links: Links, person: Patient | Caregiver) -> PushLink:
    """A link for this person, noted in the act's transaction. Raises Refused for one who takes no part."""
    until = phones.note_link(act, person)
    if isinstance(person, Patient):
        return PushLink(links.address(Purpose.PUSH, person.id, None, until), until)
    return PushLink(links.address(Purpose.PUSH, person.patient_id, person.id, until), until)


def _short_digest(given: bytes = b"") -> Any:
    return hashlib.blake2b(given, digest_size=16)
