"""The hospital's own sign-in as an administrator sets it, on the page and by API.

Promises that a provider which does not answer as one is not kept, and that what is told of one never holds the
client's secret.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass

from flask_babel import gettext, lazy_gettext
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.accounts import hospital
from service.store.session import read_session
from service.store.tables import HospitalSignIn, Staff
from service.transports.openid import Away, Crowded, Lack
from service.web import departing
from service.web.services import services

_ = lazy_gettext
LACKS = {
    Lack.ANSWER: _("It does not answer with what it says of itself (…/.well-known/openid-configuration)."),
    Lack.NAME: _("It calls itself by another address: the issuer has to be the same to the letter."),
    Lack.TLS: _("One of its addresses is not https."),
    Lack.ADDRESS: _("It is inside a network that is not called from here: whoever runs the service can name it"
                    " (NEAPTIDE_SIGN_IN_HOSTS)."),
}  # fmt: skip


@dataclass(frozen=True)
class SignInTold:
    """What is set, if anything is; what the hospital has to be told; and how many accounts have joined."""

    held: HospitalSignIn | None
    back: str
    door: str
    joined: int


def told(session: Session, clinic_id: uuid.UUID) -> SignInTold:
    """What this clinic's administrators may know of it."""
    held = hospital.of_clinic(session, clinic_id)
    door = hospital.door_of(clinic_id, services().settings.keys) if held is None else held.door
    return SignInTold(held, departing.back(door), departing.page_of(door), _number_joined(session, held))


def ask_anew(issuer: str, clinic_id: uuid.UUID) -> None:
    """Ask a provider that is new here what it says of itself. Raises Away and Crowded."""
    with read_session(services().engine) as session:
        held = hospital.of_clinic(session, clinic_id)
    if issuer and (held is None or held.issuer != issuer):  # while it is away, all else can still be changed
        services().openid.provider(issuer, anew=True)


def why(away: Away | Crowded) -> str:
    """Why a provider cannot be used, in a sentence."""
    if isinstance(away, Crowded):
        return str(gettext("Many are signing in just now. Please try again in a moment."))
    return str(LACKS.get(away.lacks, LACKS[Lack.ANSWER]))


def _number_joined(session: Session, held: HospitalSignIn | None) -> int:
    if held is None:
        return 0
    its = (Staff.clinic_id == held.clinic_id, Staff.active, Staff.hospital_issuer == held.issuer)
    return int(session.scalar(select(func.count()).select_from(Staff).where(*its)) or 0)
