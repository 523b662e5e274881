"""Emergency access, for administrators: the sheet of codes, who came in with one, and its end.

Promises that a code stands on the page that answers and nowhere else.
"""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.accounts import emergency
from service.domain.rights import Right
from service.store.access import LETTING_IN
from service.store.session import read_session
from service.store.tables import AccessLine, AuditLine, EmergencyAccess, Staff
from service.web.auth import own, own_clinic, signed_in, staff_act, staff_only
from service.web.frame import clock_in
from service.web.services import services

blueprint = Blueprint("emergency", __name__, url_prefix="/emergency")
HERE = "clinic.emergency.page"
SHOWN = 50  # accesses, the newest first


@blueprint.get("")
@staff_only(Right.ADMINISTER)
def page() -> ResponseReturnValue:
    """Who came in, and how many codes are left."""
    return _page()


@blueprint.post("/codes")
@staff_only(Right.ADMINISTER, fresh=HERE)
def make_codes() -> ResponseReturnValue:
    """A new sheet, to be printed; the one before opens nothing more."""
    with staff_act() as act:
        codes = emergency.new_codes(act)
    return _page(codes=codes)


@blueprint.post("/<uuid:access_id>/end")
@staff_only(Right.ADMINISTER)
def end(access_id: uuid.UUID) -> ResponseReturnValue:
    """End an access now. Asks for no confirmation: it is a door that closes."""
    with staff_act() as act:
        emergency.end(act, own(act.session, EmergencyAccess, access_id))
    flash(gettext("Ended. It opens nothing any more."), "good")
    return redirect(url_for(HERE), 303)


@blueprint.post("/<uuid:access_id>/look-into")
@staff_only(Right.ADMINISTER)
def look_into(access_id: uuid.UUID) -> ResponseReturnValue:
    """Note that it was looked into."""
    with staff_act() as act:
        emergency.look_into(act, own(act.session, EmergencyAccess, access_id))
    flash(gettext("Noted. What was done stays in the audit trail."), "good")
    return redirect(url_for(HERE), 303)


def waiting() -> bool:
    """Whether an access of the clinic waits to be looked into."""
    unseen = (EmergencyAccess.clinic_id == signed_in().clinic_id, EmergencyAccess.seen_at.is_(None))
    with read_session(services().engine) as session:
        return session.scalar(select(EmergencyAccess.id).where(*unseen).limit(1)) is not None


def end_shown(until: datetime) -> str:
    """When an access ends, on the clinic's clock."""
    with read_session(services().engine) as session:
        return clock_in(until, own_clinic(session).zone)


def _page(**made: Any) -> str:
    door_now = services().door_clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        found = session.execute(
            select(EmergencyAccess, Staff)
            .join(Staff, Staff.id == EmergencyAccess.staff_id)
            .where(EmergencyAccess.clinic_id == clinic.id)
            .order_by(EmergencyAccess.begun_at.desc(), EmergencyAccess.id)
            .limit(SHOWN)
        ).all()
        left = emergency.codes_left(session, clinic.id)
        told = emergency.administrators(session, clinic.id, frozenset(services().transports))
        acted = [staff.id for access, staff in found if access.seen_at is None]
        since = min((access.begun_at for access, _ in found), default=door_now)
        theirs = (AuditLine.clinic_id == clinic.id, AuditLine.at >= since, AuditLine.actor_id.in_(acted))
        lines = session.scalars(select(AuditLine).where(*theirs).order_by(AuditLine.at, AuditLine.id)).all()
        opened = _opened(session, clinic.id, acted)
    done: dict[uuid.UUID | None, list[AuditLine]] = {staff_id: [] for staff_id in acted}
    for line in lines:
        done[line.actor_id].append(line)
    return render_template(
        "clinic/emergency.html",
        accesses=[(access, staff, emergency.is_running(access, staff, door_now)) for access, staff in found],
        done=done,
        opened=opened,
        left=left,
        told=told,
        clinic=clinic,
        zone=clinic.zone,
        hours=int(emergency.LASTS.total_seconds() // 3600),
        door=f"{services().settings.base_url}{url_for('emergency.page')}",
        **made,
    )


def _opened(session: Session, clinic_id: uuid.UUID, by: list[uuid.UUID]) -> dict[uuid.UUID | None, int]:
    """How many patients' records these accounts opened. Whose, the trail tells."""
    shown = AccessLine.answered.in_(LETTING_IN)
    of_one = (AccessLine.clinic_id == clinic_id, AccessLine.actor_id.in_(by), AccessLine.patient_id.is_not(None), shown)
    counted = select(AccessLine.actor_id, func.count(AccessLine.patient_id.distinct())).where(*of_one)
    return dict(session.execute(counted.group_by(AccessLine.actor_id)).all())
