"""Whether a message by hand can leave, in words for staff, before anybody presses a button."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.sending import SendReason
from service.words.language import Language


def cannot_leave(say: Language, why: SendReason) -> str:
    """Why nothing can be sent to the patient now."""
    match why:
        case SendReason.PATIENT_ENDED:
            return say.gettext("No message can be sent: care here has ended.")
        case SendReason.CONSENT_WITHDRAWN:
            return say.gettext("No message can be sent: there is no consent to messages on record.")
        case SendReason.CONSENT_IN_DOUBT:
            return say.gettext(
                "No message can be sent: the consent on record is not found as it was written, so whether they agree "
                "is not known. Ask them, and record it anew."
            )
        case SendReason.CONTACT_BROKEN:
            return say.gettext("No message can be sent: there is no number or address that works.")
        case SendReason.CHANNEL_NOT_SET_UP:
            return say.gettext("No message can be sent: no way to send to their number or address is set up here.")
        case SendReason.EXPIRED:
            return say.gettext("No message can be sent today: quiet hours where they are last until tomorrow.")
        case _:
            return say.gettext("No message can be sent now.")


def leaves(say: Language, until: datetime | None, where: ZoneInfo) -> str:
    """When it leaves."""
    if until is None:
        return say.gettext("It leaves at once.")
    return say.gettext(
        "It is night where they are: it leaves at %(time)s by their clock.",
        time=until.astimezone(where).strftime("%H:%M"),
    )
