"""How the link of an invitation reaches its person.

Promises that it goes by mail where mail is set up, with no transaction open meanwhile, and that a link which
replaces a password is shown to nobody else: without mail, whoever runs the machine makes it. Only the very first
link of an account that nobody has used yet may be shown to the administrator who made the account.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from flask_babel import force_locale, gettext

from service.domain.vocabulary import Channel
from service.store.session import read_session
from service.store.tables import Clinic, Staff
from service.transports.base import OutgoingText, PermanentFailure, TemporaryFailure
from service.web.services import services


@dataclass(frozen=True)
class Handed:
    """Whether the link was mailed; the link itself only where it is to be handed over by hand."""

    mailed: bool
    link: str | None = None


def can_mail() -> bool:
    return Channel.EMAIL in services().transports


def hand_over(staff: Staff, key: str, *, may_show: bool) -> Handed:
    """Mail the link, or give it back to be shown where that may be and mail did not take it."""
    link = services().links.invitation(key)
    mail = services().transports.get(Channel.EMAIL)
    if mail is not None:
        try:
            mail.send(_letter(staff, link))
        except (TemporaryFailure, PermanentFailure):
            pass  # told by `mailed`
        else:
            return Handed(True)
    return Handed(False, link if may_show else None)


def _letter(staff: Staff, link: str) -> OutgoingText:
    with read_session(services().engine) as db:
        clinic = db.get_one(Clinic, staff.clinic_id)
    with force_locale(staff.language or clinic.language):
        subject = gettext("%(sender)s: your account", sender=clinic.sender_name)
        body = gettext(
            "By this link you choose the password of your account: %(link)s\n\nIt works once, and for seven days."
            " Whoever did not expect it need do nothing; please tell your clinic.", link=link,
        )  # fmt: skip
    return OutgoingText(uuid.uuid4(), staff.email, body, subject)
