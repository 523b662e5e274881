"""What every request is in the trail of who opened what, decided in one place, after its view.

Promises that no view can forget its line: what is opened follows from the right that its route needs and from the
patient in its address, and whatever has neither stands in `STATED`; an application with a route that is nowhere
does not start. The account or key, the session and the address are those that let the request in. A view adds only
what nobody else knows: `of_many`, how many patients a list showed. Whose record was reached by another id than its
own, `auth.own` says.

Lists tell how many patients they showed, and not which: the review shows every one of the clinic. What a request sent,
what it was shown and with which browser are not kept. The address is that of the connection, or, where
NEAPTIDE_TRUST_PROXY is set, the last one that our own proxy has added: what a caller writes there itself is not
believed.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from ipaddress import ip_address

from flask import Flask, Response, current_app, g, request
from flask.typing import ResponseReturnValue
from werkzeug.routing import Rule

from service.domain.rights import Right
from service.domain.vocabulary import ActorKind, Answered, Opened
from service.links import Link
from service.store.access import LETTING_IN, Access
from service.store.audit import Actor
from service.store.session import AT_TERMINAL, is_away
from service.store.troubles import trouble_of
from service.web.services import services

CLINICAL = {Right.READ, Right.CARE, Right.ENROL, Right.DECIDE}
NOTHING = None  # shows nobody's data, or is part of a page that has its own line
# What neither the right nor the address tells; a blueprint's name with its full stop stands for all its views.
STATED: Mapping[str, Opened | None] = {
    "home": NOTHING, "static": NOTHING, "docs.": NOTHING, "health.": NOTHING, "demo.": NOTHING, "push.worker": NOTHING,
    "signin.": Opened.DOOR, "hospital.": Opened.DOOR, "emergency.": Opened.DOOR,
    "invited.": Opened.REACH,
    "passkeys.ask_to_enter": Opened.DOOR, "passkeys.enter": Opened.DOOR, "passkeys.ask_invited": Opened.DOOR,
    "passkeys.take_up": Opened.DOOR, "passkeys.confirm": Opened.DOOR,
    "phone.": Opened.DIARY, "push.": Opened.REACH, "calendar.": Opened.CALENDAR,
    "api_checkins.add_checkin": Opened.DIARY, "api_tokens.": Opened.ACCOUNT,
    "called_back.": Opened.CALL, "api_callbacks.": Opened.CALL,
    "api_people.": Opened.REACH, "clinic.patient.people.": Opened.REACH, "clinic.patient.ways.": Opened.REACH,
    "clinic.records.patient_pdf": Opened.PAPER,
    "clinic.audit.": Opened.TRAIL, "api_watching.list_audit_lines": Opened.TRAIL, "api_openings.": Opened.TRAIL,
    "clinic.openings.": Opened.TRAIL, "clinic.patient.openings.": Opened.TRAIL,
    # With a clinical right and no patient in the address. Of many patients, as many as the view says:
    "clinic.panel": Opened.LIST, "clinic.patients.page": Opened.LIST, "clinic.inbox.tasks": Opened.LIST,
    "clinic.silences.page": Opened.LIST, "clinic.records.page": Opened.LIST, "clinic.sent.page": Opened.LIST,
    "clinic.review.together": Opened.LIST, "clinic.drafts.": Opened.ACCOUNT,  # what they typed themselves
    "clinic.files.": Opened.LIST, "api_patients.list_patients": Opened.LIST, "api_review.show_review": Opened.LIST,
    "api_review.show_coverage": Opened.LIST, "api_record.list_contacts_to_make": Opened.LIST,
    "api_watching.list_windows": Opened.LIST,
    "api_watching.list_silences": Opened.LIST, "api_watching.list_caregiver_replies": Opened.LIST,
    "api_watching.list_messages": Opened.LIST,
    "api_watching.list_tasks": Opened.LIST, "api_readings.list_all_readings": Opened.LIST,
    "api_checkins.list_all_checkins": Opened.LIST, "api_readings.add_readings": Opened.LIST,
    "api_record.enter_results_batch": Opened.LIST, "api_files.": Opened.LIST,
    "clinic.transfers.page": Opened.LIST, "api_transfers.list_transfers": Opened.LIST,
    # figures of the whole clinic, and what tells of clinics alone:
    "clinic.measures.page": NOTHING, "api_review.show_measures": NOTHING, "api_transfers.list_destinations": NOTHING,
    # of one, whom the row in the address belongs to:
    "clinic.inbox.": Opened.RECORD, "clinic.sent.": Opened.RECORD, "clinic.review.take_back": Opened.RECORD,
    "api_review.": Opened.RECORD, "api_watching.": Opened.RECORD, "api_plans.": Opened.RECORD,
    "api_record.": Opened.RECORD, "api_readings.add_reading": Opened.RECORD,
    "clinic.transfers.": Opened.RECORD, "api_transfers.": Opened.RECORD,
    # of one who is about to be:
    "clinic.inviting.": Opened.RECORD, "api_inviting.": Opened.RECORD,
    "clinic.inviting.listed": Opened.LIST, "api_inviting.list_invitations": Opened.LIST,
    "clinic.enrol.": Opened.RECORD, "api_enrolment.": Opened.RECORD, "api_patients.enrol_patient": Opened.RECORD,
}  # fmt: skip
OF_MANY = {Opened.LIST, Opened.EXPORT}
AT_ONCE = {Opened.EXPORT}  # the line is written before the answer leaves, or the answer does not
FAILED = {401: Answered.UNKNOWN, 403: Answered.REFUSED, 404: Answered.ABSENT, 410: Answered.OVER, 429: Answered.SLOWED}
EMERGENCY = {"emergency.enter"}  # at once as well
READING = {"GET", "HEAD"}
CONFIRMS = {"signin.confirm", "passkeys.confirm"}
COMES_BACK = "hospital.back"  # a browser is sent there, and so it is a GET that lets somebody in


@dataclass
class Known:
    """What a request has told of itself so far."""

    patients: set[uuid.UUID] = field(default_factory=set)
    many: int = 0
    by: tuple[uuid.UUID, Actor, uuid.UUID | None] | None = None
    aimed_at: tuple[tuple[uuid.UUID, uuid.UUID], ...] = ()


def of_patient(patient_id: uuid.UUID) -> None:
    """A record of this patient was reached."""
    _known().patients.add(patient_id)


def of_many(number: int) -> None:
    """So many patients were shown."""
    _known().many = number


def by(clinic_id: uuid.UUID, actor: Actor, session_id: uuid.UUID | None = None) -> None:
    """Who it is that came in by this very request, or by a link."""
    _known().by = (clinic_id, actor, session_id)


def by_link(link: Link) -> None:
    """Whom the link that was followed is for."""
    person = (
        Actor(ActorKind.CAREGIVER, link.caregiver_id)
        if link.caregiver_id
        else Actor(ActorKind.PATIENT, link.patient_id)
    )
    by(link.clinic_id, person)
    if link.patient_id is not None:  # else somebody who is only invited
        of_patient(link.patient_id)


def aimed_at(accounts: Iterable[tuple[uuid.UUID, uuid.UUID]]) -> None:
    """Clinic and account that a sign-in which failed was meant for."""
    _known().aimed_at = tuple(accounts)


def opened_by(rule: Rule, needs: Right | None) -> Opened | None:
    """What a route opens. Raises LookupError for one that nothing tells of."""
    stated = [rule.endpoint]
    while "." in stated[-1].rstrip("."):
        stated.append(stated[-1].rstrip(".").rpartition(".")[0] + ".")
    for name in stated:
        if name in STATED and not (name != rule.endpoint and needs is Right.EXPORT):
            return STATED[name]
    if needs in CLINICAL and "patient_id" in rule.arguments:
        return Opened.RECORD
    found = {Right.EXPORT: Opened.EXPORT, Right.ADMINISTER: Opened.SETTINGS, Right.OWN: Opened.ACCOUNT}.get(needs)  # type: ignore[arg-type]
    if found is None:
        raise LookupError(f"{rule.endpoint} ({rule.rule}) opens what? Say it in {__name__}.STATED")
    return found


def needed_right(app: Flask, endpoint: str) -> Right | None:
    """The right that a view needs; None for one that goes by something else."""
    view = app.view_functions[endpoint]
    found: Right | None = getattr(getattr(view, "view_class", view), "needs", None)
    return found


def install(app: Flask, refuse: Callable[[Exception], ResponseReturnValue]) -> None:
    """Note every request from now on; `refuse` answers in place of what may not leave without its line.

    To be called when every route is there. Raises LookupError for one that opens nobody knows what.
    """
    opens = {rule.endpoint: opened_by(rule, needed_right(app, rule.endpoint)) for rule in app.url_map.iter_rules()}

    @app.after_request
    def note(response: Response) -> Response:
        opened = opens.get(request.endpoint or "")
        if opened is None:
            return response
        lines = _lines(opened, response.status_code)
        is_emergency = request.endpoint in EMERGENCY
        if (opened in AT_ONCE or is_emergency) and lines and lines[0].answered is Answered.SHOWN:
            try:
                services().trail.write_at_once(lines[0])
            except Exception as error:
                if not (is_away(error) or trouble_of(error)):
                    raise
                if not is_emergency:
                    return current_app.make_response(refuse(error))
                services().trail.note(lines[0])  # nobody is kept from a patient at night for want of a line
            return response
        for line in lines:
            services().trail.note(line)
        return response


def _known() -> Known:
    known: Known | None = g.get("trail")
    if known is None:
        known = g.trail = Known()
    return known


def _lines(opened: Opened, status: int) -> list[Access]:
    known, (clinic_id, actor, session_id) = _known(), who()
    answered = _answered(opened, status, actor)
    if answered is None:
        return []
    asked = (request.view_args or {}).get("patient_id")
    shown = known.patients or ({asked} if isinstance(asked, uuid.UUID) else set())
    line = Access(
        services().clock.now(), opened, answered, str(request.endpoint), _address(), clinic_id, actor, session_id,
        next(iter(shown)) if len(shown) == 1 else None,
        (len(shown) if opened not in OF_MANY else known.many) if answered in LETTING_IN else 0,
    )  # fmt: skip
    if actor is None and known.aimed_at:
        return [_aimed(line, *one) for one in known.aimed_at]
    return [line]


def _aimed(line: Access, clinic_id: uuid.UUID, staff_id: uuid.UUID) -> Access:
    return Access(
        line.at, line.opened, line.answered, line.route, line.address, clinic_id, Actor(ActorKind.STAFF, staff_id)
    )


def who() -> tuple[uuid.UUID | None, Actor | None, uuid.UUID | None]:
    """Clinic, actor and session: of who came in by this request, by a key, by a session."""
    if (found := _known().by) is not None:
        return found
    caller, staff = g.get("caller"), g.get("staff_now")
    if caller is not None and caller.actor.kind is ActorKind.KEY:
        return caller.clinic_id, caller.actor, None
    if staff is not None:
        return staff.clinic_id, staff.actor, staff.session_id
    return None, None, None


def _answered(opened: Opened, status: int, actor: Actor | None) -> Answered | None:
    """How it ended, as the trail calls it; None for what is no line."""
    reads = request.method in READING and request.endpoint != COMES_BACK
    if opened is Opened.DOOR:
        return _at_the_door(status, reads=reads)
    if status in FAILED:
        return FAILED[status] if actor is not None or status in {410, 429} else Answered.UNKNOWN
    if actor is None:
        # Led to the sign-in page; pages without an account have their line where a link named somebody.
        return Answered.UNKNOWN if status == 303 and needed_right(current_app, str(request.endpoint)) else None
    if opened is Opened.ACCOUNT or (actor.kind in {ActorKind.PATIENT, ActorKind.CAREGIVER} and not reads):
        return None  # what they write has its audit line
    if reads:
        return Answered.SHOWN if status < 300 or status == 304 else None
    if status < 400:
        return Answered.CHANGED
    # A form that could not be taken is shown again, on the page of the patient.
    is_page = not request.path.startswith("/api/")
    return Answered.SHOWN if is_page and _known().patients else None


def _at_the_door(status: int, *, reads: bool) -> Answered | None:
    if status == 429:
        return Answered.SLOWED
    if status == 404 or (status == 403 and not reads) or (status == 422 and request.endpoint in CONFIRMS):
        return Answered.WRONG
    has_entered = _known().by is not None or request.endpoint in CONFIRMS
    return Answered.SHOWN if has_entered and not reads and status < 400 else None


def _address() -> str:
    """Where the request comes from, by address or as whom at this machine's terminal; nothing for what is neither."""
    if services().at_terminal is not None:
        return f"terminal {services().engine.get_execution_options().get(AT_TERMINAL, '')}".strip()
    return _plain(request.remote_addr or "")


@lru_cache(maxsize=1024)
def _plain(address: str) -> str:
    try:
        return str(ip_address(address))
    except ValueError:
        return ""
