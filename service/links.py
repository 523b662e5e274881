"""Links: the key a patient or caregiver carries in a message, and what it opens.

Promises that a link opens one thing for one person, that it stops at its own end or when staff
revoke it, and that nobody can guess one. A key is 128 bits: random, or, in a message, made from its
id under a key of the service's (`service.keyring`), since a message that is tried again must say the same. The
database keeps a key's SHA-256, so that a copy of the database alone opens nothing, and no log or
audit line has either. A key of another purpose, a changed one and one that never was are one
answer after the same work: one digest, one look at an index. Holds ids only.

Used by web, worker and commands alike, which hand it down; no use case imports it.

A link outlives its message a little: a diary filled in that evening is worth having. Its key has
22 characters, because a text has 160.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import bindparam, delete, select, update
from sqlalchemy.orm import Session

from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose
from service.enrolling import inviting, phones, wordings
from service.keyring import KeyFor, Keyring
from service.store.audit import Act
from service.store.prepared import Prepared
from service.store.session import Where, columns_of
from service.store.tables import Caregiver, Invitation, LinkKey, Patient

PATHS = {
    LinkPurpose.CHECKIN: "c",
    LinkPurpose.CAREGIVER: "g",
    LinkPurpose.CALENDAR: "cal",
    LinkPurpose.PUSH: "push",
    LinkPurpose.INVITATION: "i",
}
KEY_BYTES = 16  # 22 characters of base64url (RFC 4648, section 5)
ACCEPTED = "a link exactly as it came in the message"
# Whoever opens an old message is told that its day is over, for as long as this; our own number, no source.
REMEMBERED = timedelta(days=90)
# A link for notices ends them for as long as they come, and a calendar says that it has ended.
FORGOTTEN = (LinkPurpose.CHECKIN, LinkPurpose.CAREGIVER, LinkPurpose.INVITATION)


@dataclass(frozen=True)
class Leads:
    """What a link opens, and for whom: a patient, or a caregiver of theirs; about one window, where it has one.

    An invitation's is for somebody who is no patient yet.
    """

    purpose: LinkPurpose
    clinic_id: uuid.UUID
    patient_id: uuid.UUID | None = None
    caregiver_id: uuid.UUID | None = None
    window_id: uuid.UUID | None = None
    invitation_id: uuid.UUID | None = None


class Links:
    """Makes links below one address, and reads them. `keys` are the service's; without any, this process's own."""

    def __init__(self, base_url: str, keys: Keyring | None = None) -> None:
        self._base_url = base_url
        self._keys = (keys or Keyring(secrets.token_urlsafe())).every(KeyFor.LINKS)

    @property
    def inbox(self) -> str:
        """Where staff look: no key, they sign in."""
        return f"{self._base_url}/clinic/inbox"

    def invitation(self, key: str) -> str:
        """Where a colleague sets their own password (`accounts.invitations`)."""
        return f"{self._base_url}/invited/{key}"

    def make(self, session: Session, leads: Leads, now: datetime, until: datetime) -> str:
        """The address of a new link, good until `until` (UTC). It stands in this answer alone."""
        return self._kept(session, secrets.token_urlsafe(KEY_BYTES), leads, now, until)

    def make_for(
        self,
        message_id: uuid.UUID,
        session: Session,
        leads: Leads,
        now: datetime,
        until: datetime,
        *,
        worded_before: bool,
    ) -> str:
        """The address of this message's link: the same whenever it is worded, unless that one was revoked."""
        made = [hmac.digest(key, message_id.bytes, hashlib.sha256)[:KEY_BYTES] for key in self._keys]
        keys = {_digest(key): key for key in (base64.urlsafe_b64encode(one).rstrip(b"=").decode() for one in made)}
        if worded_before:
            held = session.scalars(select(LinkKey).where(LinkKey.key_hash.in_(keys))).first()
            if held is not None:
                is_good = held.revoked_at is None
                key = keys[held.key_hash]
                return self.address(leads.purpose, key) if is_good else self.make(session, leads, now, until)
        return self._kept(session, next(iter(keys.values())), leads, now, until)

    def _kept(self, session: Session, key: str, leads: Leads, now: datetime, until: datetime) -> str:
        session.add(LinkKey(key_hash=_digest(key), made_at=now, until=until, **vars(leads)))
        return self.address(leads.purpose, key)

    def address(self, purpose: LinkPurpose, key: str) -> str:
        return f"{self._base_url}/{PATHS[purpose]}/{key}"

    def samples(self) -> wordings.SampleLinks:
        """One of each kind, as long as a real one; nobody was ever given its key."""
        return wordings.SampleLinks(
            self.address(LinkPurpose.CHECKIN, SAMPLE_KEY), self.address(LinkPurpose.CAREGIVER, SAMPLE_KEY), self.inbox
        )


SAMPLE_KEY = "sample-link-opens-none"


@dataclass(frozen=True, slots=True)
class Link:
    """A link that somebody followed, as it is kept."""

    id: uuid.UUID
    purpose: LinkPurpose
    clinic_id: uuid.UUID
    patient_id: uuid.UUID | None
    caregiver_id: uuid.UUID | None
    window_id: uuid.UUID | None
    invitation_id: uuid.UUID | None
    until: datetime
    revoked_at: datetime | None
    used_at: datetime | None


_BY_KEY = Prepared(
    select(*columns_of(Link, LinkKey)).where(
        LinkKey.key_hash == bindparam("digest"), LinkKey.purpose == bindparam("for_what", type_=LinkKey.purpose.type)
    )
)


def read_link(where: Where, key: str, purpose: LinkPurpose) -> Link:
    """What a link was made for; it may be over, or revoked. Raises Refused("token", …) for a key that is none."""
    found = _BY_KEY.first(where, {"digest": _digest(key), "for_what": purpose})
    if found is None:
        raise Refused("token", "(hidden)", ACCEPTED)
    return Link(*found)


def is_over(link: Link, now: datetime) -> bool:
    """Whether a link has come to its end, or was revoked."""
    return link.revoked_at is not None or link.until <= now


def revoke_links(act: Act, patient: Patient) -> int:
    """Every link that was made for this patient and their caregivers opens nothing from now on. Returns how many."""
    session = act.session
    revoked = session.scalars(
        update(LinkKey)
        .where(LinkKey.patient_id == patient.id, LinkKey.revoked_at.is_(None))
        .values(revoked_at=act.now)
        .returning(LinkKey.id)
    ).all()
    act.note("links.revoke", patient, links=len(revoked))
    return len(revoked)


def make_invitation_link(act: Act, links: Links, invitation: Invitation) -> str:
    """One more way to the page of an invitation, for as long as it lasts. Raises Refused where nobody may answer."""
    inviting.note_link(act, invitation)
    leads = Leads(LinkPurpose.INVITATION, invitation.clinic_id, invitation_id=invitation.id)
    return links.make(act.session, leads, act.now, invitation.until)


def forget_over(session: Session, now: datetime) -> None:
    """Let go of the links in messages that have long been over: they open nothing, remembered or not."""
    session.execute(delete(LinkKey).where(LinkKey.until < now - REMEMBERED, LinkKey.purpose.in_(FORGOTTEN)))


def _digest(key: str) -> str:
    # A bare digest will do: nobody tries out 128 random bits.
    return hashlib.sha256(key.encode("utf-8", "surrogatepass")).hexdigest()


# --- links for notices on a phone -------------------------------------------------------------


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
    return ""


def make_push_link(act: Act, links: Links, person: Patient | Caregiver) -> PushLink:
    """A link for this person, noted in the act's transaction. Raises Refused for one who takes no part."""
    until = phones.note_link(act, person)
    if isinstance(person, Patient):
        leads = Leads(LinkPurpose.PUSH, person.clinic_id, person.id)
    else:
        leads = Leads(LinkPurpose.PUSH, person.clinic_id, person.patient_id, person.id)
    return PushLink(links.make(act.session, leads, act.now, until), until)
