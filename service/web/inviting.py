"""How the link of an invitation reaches its person.

Promises that it goes by mail where mail is set up, with no transaction open meanwhile, and that a link which
replaces a password is shown to nobody else: without mail, whoever runs the machine makes it. Only the very first
link of an account that nobody has used yet may be shown to the administrator who made the account.
"""

from __future__ import annotations

from dataclasses import dataclass

from flask_babel import gettext

from service.domain.vocabulary import Channel
from service.store.tables import Clinic, Staff
from service.web.letters import send
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
    return (
        Handed(True) if send(staff, lambda clinic: _letter(clinic, link)) else Handed(False, link if may_show else None)
    )


def _letter(clinic: Clinic, link: str) -> tuple[str, str]:
    subject = gettext("%(sender)s: your account", sender=clinic.sender_name)
    body = gettext(
        "By this link you choose how you sign in to your account: %(link)s\n\nIt works once, and for seven days."
        " Whoever did not expect it need do nothing; please tell your clinic.", link=link,
    )  # fmt: skip
    return subject, body
