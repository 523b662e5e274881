"""Letters to colleagues about their own account: by mail, where mail is set up.

Promises that a letter speaks its reader's language and names no patient, that no transaction is open while it is
handed over, and that a mail server which is away spoils nothing: whether it was taken is the answer.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable

from flask import url_for
from flask_babel import gettext
from sqlalchemy import select

from service.domain.vocabulary import Channel, Role
from service.store.session import read_session
from service.store.tables import Clinic, Staff
from service.transports.base import OutgoingText, PermanentFailure, TemporaryFailure
from service.web import frame
from service.web.services import services

Words = Callable[[Clinic], tuple[str, str]]


def send(staff: Staff, words: Words) -> bool:
    """Mail somebody what `words` make of their clinic, subject and body, in their language. Whether it was taken."""
    mail = services().transports.get(Channel.EMAIL)
    if mail is None:
        return False
    with read_session(services().engine) as db:
        clinic = db.get_one(Clinic, staff.clinic_id)
    with frame.speaking(staff.language or clinic.language):
        subject, body = words(clinic)
    try:
        mail.send(OutgoingText(uuid.uuid4(), staff.email, body, subject))
    except (TemporaryFailure, PermanentFailure):
        return False
    return True


def tell_of_added(staff: Staff) -> None:
    """That a passkey was added: whoever did not do it finds out."""
    send(staff, lambda clinic: (_about(clinic), gettext(
        "A passkey was added to your account. If it was not you who did it, please tell an administrator of your"
        " clinic now."
    )))  # fmt: skip


def tell_of_removed(staff: Staff) -> None:
    """That a passkey was removed."""
    send(staff, lambda clinic: (_about(clinic), gettext(
        "A passkey was removed from your account, and other browsers were signed out. If it was not you who did it,"
        " please tell an administrator of your clinic now."
    )))  # fmt: skip


def tell_of_doubted(staff_id: uuid.UUID) -> None:
    """That a passkey may have been copied: its person, and the clinic's other administrators."""
    with read_session(services().engine) as db:
        staff = db.get_one(Staff, staff_id)
        others = db.scalars(
            select(Staff).where(
                Staff.clinic_id == staff.clinic_id, Staff.active, Staff.id != staff.id,
                Staff.holds_any([Role.ADMINISTRATOR]),
            )
        ).all()  # fmt: skip
    send(staff, lambda clinic: (_about(clinic), gettext(
        "A passkey of your account may have been copied: its count of uses went back. It was refused and opens"
        " nothing any more, and you are signed out everywhere. Please tell an administrator of your clinic, and remove"
        " it on the page of your account."
    )))  # fmt: skip
    page = services().settings.base_url + url_for("clinic.colleagues.page")
    for one in others:
        send(one, lambda clinic: (
            gettext("%(sender)s: a colleague's account", sender=clinic.sender_name),
            gettext(
                "A passkey of a colleague may have been copied. It was refused and opens nothing any more, and they"
                " are signed out everywhere. Whose it is stands on the page of colleagues: %(page)s", page=page,
            ),
        ))  # fmt: skip


def _about(clinic: Clinic) -> str:
    subject: str = gettext("%(sender)s: your account", sender=clinic.sender_name)
    return subject
