"""The clinic's own settings."""

from __future__ import annotations

from typing import Any

from service.domain.vocabulary import Role, Scope
from service.enrolling import clinics
from service.store.session import read_session, write_session
from service.store.tables import Clinic
from service.web.api import finding
from service.web.api.enrolschemas import ClinicChange, ClinicOut
from service.web.api.guards import caller, for_staff, needs
from service.web.api.resource import Blueprint
from service.web.services import services

blueprint = Blueprint("api_clinic", __name__, url_prefix="/api/v1", description="The clinic and its settings")


@blueprint.route("/clinic", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.response(200, ClinicOut)
def show() -> Clinic:
    """The clinic that the key or session belongs to."""
    with read_session(services().engine) as session:
        return finding.own_clinic(session)


@blueprint.route("/clinic", methods=["PATCH"])
@for_staff(Role.ADMINISTRATOR)
@blueprint.arguments(ClinicChange)
@blueprint.response(200, ClinicOut)
def change(changes: dict[str, Any]) -> Clinic:
    """Change settings; windows already open keep the steps they were opened with."""
    with write_session(services().engine) as session:
        clinic = finding.own_clinic(session)
        return clinics.change_clinic(session, clinic, changes, caller().actor, services().clock.now())
