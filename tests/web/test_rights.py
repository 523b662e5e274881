"""Every page and route of the application's own map, tried as every role: the table of rights decides alone."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select
from werkzeug.routing import Rule

from service.accounts import keys
from service.accounts.staff import add_staff
from service.domain.rights import GRANTED, ROLES, Right, rights_of
from service.domain.validation import Refused
from service.domain.vocabulary import AdjustmentKind, Opened, PauseCause, Role, Scope, TaskKind
from service.reviewing.adjusting import NewAdjustment
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, AuditLine, Contact, Patient
from service.web import trail
from tests.signed_in import sign_in_as
from tests.ward import ward_of
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")

# What needs no account, endpoint by endpoint, and what it goes by instead. All else needs a right.
OPEN = {
    "nothing": {"static", "home", "docs.page", "docs.for_machines", "docs.problems", "docs.problem", "push.worker"},
    "a token of whoever runs it, for what it says beside its status": {"health.alive", "health.ready", "health.metrics"},
    "the provider's signature": {"called_back.receipts", "called_back.replies", "called_back.both",
                                 "api_callbacks.take_text_callback"},
    "a password, or the cookie it gave": {"signin.page", "signin.enter", "signin.leave", "signin.still_here",
                                            "signin.invited", "signin.take_up", "signin.ask_code", "signin.enter_code",
                                            "signin.ask_which", "signin.choose_which"},
    "a door's address, which opens nothing by itself, and the hospital's word": {
        "hospital.page", "hospital.leave", "hospital.back",
    },
    "a code on paper": {"emergency.page", "emergency.enter"},
    "a passkey": {"passkeys.ask_to_enter", "passkeys.enter", "passkeys.ask_invited", "passkeys.take_up"},
    "the key of a link": {
        "hospital.accept",
        "phone.checkin", "phone.send_checkin", "phone.thanks", "phone.say_weight", "phone.caregiver.page",
        "phone.caregiver.answer", "phone.caregiver.thanks", "push.page", "push.manifest", "push.begin", "push.end",
        "push.renewed", "calendar.plan", "invited.door", "invited.knock", "invited.speak",
    },
    "the key of a link, and the answer at its door": {
        "invited.page", "invited.choose", "invited.code", "invited.send", "invited.decline", "invited.take_back",
    },
    "the key of a link, or a bearer key, or a right": {"api_checkins.add_checkin"},
    "a bearer key, whatever it opens": {"api_tokens.make_token"},
}  # fmt: skip

# Of the whole clinic, of clinics alone, or what one typed oneself: no patient is shown.
FIGURES = {"clinic.measures.page", "api_review.show_measures", "api_transfers.list_destinations",
           "clinic.drafts.mine", "clinic.drafts.keep"}  # fmt: skip

# Said a second time, from the task and not from the code: what a path must need, wherever it is served.
MUST = (
    (r"POST .*/(references?|limits(/from-events)?|goals?|acceptances|accept-level)(/<.*>/(end|take-back))?$", Right.DECIDE),
    (r"POST .*/(goals|acceptances)/<.*>/(end|take-back)$", Right.DECIDE),
    (r"GET .*(\.csv|/week/<week>\.pdf|/everything(\.zip)?)$", Right.EXPORT),
    (r"(GET|POST|PUT|DELETE) .*/(wordings|staff|keys|audit|rules|settings/hospital|hospital-sign-in)\b.*$", Right.ADMINISTER),
    (r"(GET|POST) .*/emergency\b.*$", Right.ADMINISTER),
    (r"PATCH .*/clinic$", Right.ADMINISTER),
    (r"(GET|POST) .*/eras(ing|e)$", Right.ADMINISTER),
    (r"POST .*/(tasks|inbox)/<.*>/(take|close)$", Right.CARE),
    (r"POST .*/(sign|sign-offs|together)$", Right.CARE),
    (r"POST .*/push-link$", Right.ENROL),
)  # fmt: skip


# What each form of staff's pages does, by the operations of the API that do the same.
BY_API = {
    "clinic.colleagues.invite": "invite_staff",
    "clinic.colleagues.close": "close_staff",
    "clinic.colleagues.end_second_step": "end_second_step",
    "clinic.colleagues.end_sessions": "end_sessions",
    "clinic.colleagues.set_language": "change_staff",
    "clinic.colleagues.reopen": "reopen_staff",
    "clinic.colleagues.reset": "reset_staff",
    "clinic.colleagues.set_roles": "set_roles",
    "clinic.emergency.end": "end_emergency_access",
    "clinic.emergency.look_into": "look_into_emergency_access",
    "clinic.emergency.make_codes": "make_emergency_codes",
    "clinic.enrol.send": "enrol_whole",
    "clinic.enrol.test": "send_test_message",
    "clinic.erasing.erase": "erase_patient",
    "clinic.files.send": "take_in_file",
    "clinic.files.take_back": "take_import_back",
    "clinic.inbox.close": "close_task",
    "clinic.inbox.take": "take_task",
    "clinic.inviting.make": "invite_patient",
    "clinic.inviting.confirm": "confirm_invitation",
    "clinic.inviting.paper": "add_invitation_link",
    "clinic.inviting.square": "add_invitation_link",
    "clinic.inviting.revoke": "revoke_invitation",
    "clinic.inviting.text": "send_invitation_text",
    "clinic.keys.issue": "issue_key",
    "clinic.keys.revoke": "revoke_key",
    "clinic.sent.cancel": "cancel_message",
    "clinic.sent.retry": "retry_message",
    "clinic.patient.accept": "accept_level",
    "clinic.patient.take_back": "take_acceptance_back",
    "clinic.patient.adjust": "record_adjustment",
    "clinic.patient.followed_up": "note_follow_up",
    "clinic.patient.people.end": "end_caregiver",
    "clinic.patient.close_episode": "close_episode",
    "clinic.patient.message": "send_message",
    "clinic.patient.plan.set_frequency": "set_plan",
    "clinic.patient.plan.use_hours": "set_plan",
    "clinic.patient.record.write":
        "enter_event correct_event withdraw_event enter_medicine correct_medicine withdraw_medicine enter_result"
        " correct_result withdraw_result enter_result_limit correct_result_limit withdraw_result_limit enter_no_result"
        " correct_no_result withdraw_no_result enter_next_contact correct_next_contact withdraw_next_contact"
        " note_contact_done set_person",
    "clinic.patient.record.accept_level": "accept_trouble_level",
    "clinic.patient.record.goal": "set_goal end_goal",
    "clinic.patient.reference.decide": "set_reference",
    "clinic.patient.sign": "sign_review add_to_review",
    "clinic.patient.upkeep.write": "change_patient record_consent set_plan add_pause end_pause begin_again",
    "clinic.patient.upkeep.reach":
        "add_patient_contact add_caregiver_contact mend_contact add_caregiver ask_transfer",
    "clinic.patient.upkeep.end": "end_patient",
    "clinic.patient.upkeep.limits": "set_limits",
    "clinic.patient.upkeep.reference": "set_reference",
    "clinic.patient.upkeep.tag": "record_context_tag end_context_tag",
    "clinic.patient.ways.put_first": "put_contact_first",
    "clinic.patient.ways.make_link": "make_patient_push_link make_caregiver_push_link",
    "clinic.patient.ways.revoke_links": "revoke_patient_links",
    "clinic.review.contact": "enter_next_contact correct_next_contact",
    "clinic.review.message": "send_message",
    "clinic.review.sign": "sign_review add_to_review",
    "clinic.review.take_back": "take_signature_back",
    "clinic.review.together": "sign_review",
    "clinic.rules.save": "change_clinic",
    "clinic.settings.save": "change_clinic",
    "clinic.hospital.save": "set_hospital_sign_in",
    "clinic.hospital.end": "end_hospital_sign_in",
    "clinic.transfers.accept": "accept_transfer",
    "clinic.transfers.call_back": "call_transfer_back",
    "clinic.transfers.decline": "decline_transfer",
    "clinic.wordings.change": "set_wording",
    "clinic.wordings.go_back": "reset_wording",
    "clinic.wordings.keep_phrase": "add_phrase change_phrase drop_phrase",
}  # fmt: skip
PAGES_ALONE = {
    "what was typed and is not sent yet": {"clinic.drafts.keep", "clinic.enrol.send_first"},
    "a file that is only looked at; `dry_run` does so by API": {"clinic.files.upload"},
    "one's own sign-in, which wants a browser, or what one knows by heart": {
        "signin.confirm", "hospital.confirm", "passkeys.confirm", "passkeys.ask_to_confirm", "passkeys.add",
        "passkeys.rename", "passkeys.remove", "passkeys.ask_to_add", "signin.change_password",
        "signin.leave_elsewhere", "hospital.join", "hospital.part", "signin.set_second_step",
        "signin.end_second_step",
    },
    "one's own language, which `change_staff` sets too": {"signin.choose_language"},
}  # fmt: skip
# What reaches a patient's record under the right to care on a page, and has a scope of its own for machines.
FOR_MACHINES = {"set_person"}


def routes(house: House) -> Iterator[tuple[Rule, str]]:
    for rule in house.app.url_map.iter_rules():
        for method in sorted((rule.methods or set()) - {"HEAD", "OPTIONS"}):
            yield rule, method


def needed(house: House, rule: Rule) -> Right | None:
    view = house.app.view_functions[rule.endpoint]
    view = getattr(view, "view_class", view)
    found: Right | None = getattr(view, "needs", None)
    return found


def scope_of(house: House, rule: Rule) -> Scope | None:
    view = house.app.view_functions[rule.endpoint]
    found: Scope | None = getattr(getattr(view, "view_class", view), "scope", None)
    return found


def asks_again(house: House, rule: Rule) -> bool:
    """Whether a person shows once more that it is they."""
    view = house.app.view_functions[rule.endpoint]
    return bool(getattr(getattr(view, "view_class", view), "fresh", False))


def is_open(rule: Rule) -> bool:
    return any(rule.endpoint in endpoints for endpoints in OPEN.values())


def test_every_route_is_classified_once(house: House) -> None:
    """What is neither open for a stated reason nor needs a right is open by oversight."""
    wrong = [f"{method} {rule}" for rule, method in routes(house) if (needed(house, rule) is None) is not is_open(rule)]
    assert wrong == []


def test_every_route_says_what_it_opens(house: House) -> None:
    """An application with a route that is nowhere in the trail's table does not start; none over patients is silent."""
    for rule, method in routes(house):
        opened, right = trail.opened_by(rule, needed(house, rule)), needed(house, rule)
        if right in trail.CLINICAL | {Right.EXPORT}:
            silent = {None, Opened.ACCOUNT, Opened.DOOR, Opened.SETTINGS}
            assert opened not in silent or rule.endpoint in FIGURES, f"{method} {rule}"
        if "<" in rule.rule and right is None and rule.endpoint != "static":
            assert opened is not None or rule.endpoint.startswith(("demo.", "docs.")), f"{method} {rule}"
    stated = [
        name
        for name in trail.STATED
        if not any(f"{rule.endpoint}.".startswith(f"{name.rstrip('.')}.") for rule, _ in routes(house))
    ]
    assert stated == ["demo."]  # nothing is said of routes that are gone; the demo's are in the demo alone
    with pytest.raises(LookupError, match="nowhere"):
        trail.opened_by(Rule("/nowhere/<uuid:note_id>", endpoint="clinic.nowhere"), Right.READ)
    with pytest.raises(LookupError):
        trail.opened_by(Rule("/nowhere/<key>", endpoint="nowhere.page"), None)


def test_whatever_staff_can_do_on_a_page_the_api_can_do_under_the_same_rule(house: House) -> None:
    """The same right, and once more that it is they wherever the page asks it; a key has it by a scope or not at all."""
    views = {rule.endpoint.rpartition(".")[2]: rule for rule, _ in routes(house) if rule.rule.startswith("/api/")}
    alone = {endpoint for endpoints in PAGES_ALONE.values() for endpoint in endpoints}
    forms = {
        rule.endpoint: rule
        for rule, method in routes(house)
        if method != "GET" and not rule.rule.startswith("/api/") and needed(house, rule) is not None
    }
    assert forms.keys() == BY_API.keys() | alone
    for endpoint, names in BY_API.items():
        page = forms[endpoint]
        for name in names.split():
            same, rights = views[name], (needed(house, page), needed(house, views[name]))
            assert rights[0] is rights[1] or name in FOR_MACHINES | {"change_staff"}, (endpoint, name, rights)
            if asks_again(house, page):
                assert asks_again(house, same) or name in {"change_staff"}, (endpoint, name)


def test_a_path_that_decides_exports_or_administers_needs_that_right(house: House) -> None:
    seen = set()
    for rule, method in routes(house):
        for number, (pattern, right) in enumerate(MUST):
            if re.fullmatch(pattern, f"{method} {rule.rule}") and not is_open(rule):
                seen.add(number)
                assert needed(house, rule) is right, f"{method} {rule}"
    assert seen == set(range(len(MUST)))


def asked(
    client: FlaskClient, rule: Rule, method: str, ids: Mapping[str, uuid.UUID] | None = None, secret: str = ""
) -> HTTPStatus:
    """What such a request is answered about these rows; whatever else it names is not there."""
    path = re.sub(r"<(?:[^>:]+:)?([^>]+)>", lambda part: str((ids or {}).get(part[1]) or uuid.uuid4()), rule.rule)
    body: dict[str, Any] = {"json": {}} if path.startswith("/api/") and method != "GET" else {}
    headers = {"Authorization": f"Bearer {secret}"} if secret else {}
    return HTTPStatus(client.open(path, method=method, headers=headers, **body).status_code)


@pytest.fixture(autouse=True)
def no_form_tokens(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forms are tried elsewhere. The application is that of other tests too, and is given back as it was."""
    monkeypatch.setitem(house.app.config, "WTF_CSRF_METHODS", set())


def test_whoever_is_not_signed_in_reaches_nothing_that_needs_a_right(house: House) -> None:
    client = house.app.test_client()
    for rule, method in routes(house):
        if needed(house, rule) is not None:
            assert asked(client, rule, method) in {HTTPStatus.SEE_OTHER, HTTPStatus.UNAUTHORIZED}, f"{method} {rule}"


PEOPLE = [([role], []) for role in Role] + [([Role.NURSE], list(GRANTED)), ([Role.ADMINISTRATOR, Role.READ_ONLY], [])]


@pytest.mark.parametrize(("roles", "grants"), PEOPLE, ids=lambda words: "+".join(words) or "none")
def test_each_role_reaches_what_the_table_gives_it_and_nothing_else(
    house: House, roles: list[Role], grants: list[Right]
) -> None:
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        who = add_staff(act, "walker@fernmoor.example", "Walker", roles, grants=grants).id
    client = house.app.test_client()
    sign_in_as(client, who, house.clock.now())
    held, wrong = rights_of(roles, grants), []
    for rule, method in routes(house):
        right = needed(house, rule)
        if right is None:
            continue
        status = asked(client, rule, method)
        if status >= HTTPStatus.INTERNAL_SERVER_ERROR or (status is HTTPStatus.FORBIDDEN) is (right in held):
            wrong.append(f"{method} {rule} needs {right}")
    assert wrong == []
    still = client.get("/clinic/inbox").status_code
    assert still in {HTTPStatus.OK, HTTPStatus.FORBIDDEN}, "signed out on the way"


def rows_of(house: House) -> dict[str, uuid.UUID]:
    """Rows of this clinic, by what addresses call them; most of what is not among them stands below a patient."""
    nurse_id = house.staff_id(Role.NURSE)
    with write_session(house.engine) as session:
        ward = ward_of(session, house.clinic_id)
        patient = session.get_one(Patient, house.patient_id)
        found = {
            "patient_id": patient.id,
            "caregiver_id": house.caregiver_id,
            "contact_id": session.scalars(select(Contact.id).where(Contact.patient_id == patient.id)).first(),
            "key_id": session.scalars(select(ApiKey.id).where(ApiKey.clinic_id == house.clinic_id)).one(),
            "staff_id": nurse_id,
            "pause_id": ward.pause(patient, PauseCause.AWAY, ward.today(patient), None).id,
            "task_id": ward.task(patient, TaskKind.SAFETY_ANSWER, "Look.").id,
            "adjustment_id": ward.adjusts(patient, NewAdjustment(AdjustmentKind.DIET, "Less salt", None)).id,
        }
    return {name: row_id for name, row_id in found.items() if row_id is not None}


def test_another_clinics_rows_are_as_if_they_were_not_there(build: object, house: House) -> None:
    """To whoever may do everything at home: by their ids alone, and beside a patient of one's own."""
    other = build("Elsewhere", number="+447700900002")  # type: ignore[operator]
    theirs, written = rows_of(other), select(func.count()).where(AuditLine.clinic_id == other.clinic_id)
    client, now = house.app.test_client(), house.clock.now()
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, now)
        roles = [Role.PHYSICIAN, Role.ADMINISTRATOR]
        who, before = (
            add_staff(act, "all@fernmoor.example", "All", roles, grants=[Right.EXPORT]).id,
            session.scalar(written),
        )
    sign_in_as(client, who, now)
    beside, wrong, tried = {**theirs, "patient_id": house.patient_id}, [], set()
    for rule, method in routes(house):
        named = rule.arguments & theirs.keys()
        if needed(house, rule) is None or not named:
            continue
        tried |= named
        nothing, told = asked(client, rule, method), asked(client, rule, method, theirs)
        if told is not nothing or told >= HTTPStatus.INTERNAL_SERVER_ERROR:
            wrong.append(f"{method} {rule}: {told}, not {nothing}")
        own = {"patient_id": house.patient_id}
        if named > {"patient_id"} and asked(client, rule, method, beside) is not asked(client, rule, method, own):
            wrong.append(f"{method} {rule}, beside a patient of one's own")
    assert wrong == []
    assert tried == theirs.keys()
    with read_session(house.engine) as session:
        assert session.scalar(written) == before, "something of theirs was changed"
    assert client.get("/clinic/inbox").status_code == HTTPStatus.OK, "signed out on the way"


@pytest.mark.parametrize("scope", Scope)
def test_a_machines_key_reaches_what_its_scope_names_and_no_page(house: House, scope: Scope) -> None:
    with write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        _, secret = keys.issue_key(act, "walker", [scope])
    client, wrong = house.app.test_client(), []
    for rule, method in routes(house):
        right, its = needed(house, rule), scope_of(house, rule)
        if right is None:
            continue
        status = asked(client, rule, method, secret=secret)
        if not rule.rule.startswith("/api/"):
            wrong += [f"{method} {rule}"] if status not in {HTTPStatus.SEE_OTHER, HTTPStatus.UNAUTHORIZED} else []
        elif status >= HTTPStatus.INTERNAL_SERVER_ERROR or (status is HTTPStatus.FORBIDDEN) is (its is scope):
            wrong.append(f"{method} {rule} needs {its}")
        elif its is not None and right in {Right.DECIDE, Right.EXPORT, Right.ADMINISTER}:
            wrong.append(f"{method} {rule} is a person's to answer for")
    assert wrong == []


def test_administration_alone_holds_no_right_over_patients() -> None:
    """45 CFR 164.502(b): no more than the work needs."""
    assert ROLES[Role.ADMINISTRATOR].isdisjoint({Right.READ, Right.CARE, Right.ENROL, Right.DECIDE, Right.EXPORT})


@pytest.mark.parametrize(("role", "right"), [(Role.ADMINISTRATOR, Right.EXPORT), (Role.READ_ONLY, Right.DECIDE),
                                             (Role.PHYSICIAN, Right.ADMINISTER)])  # fmt: skip
def test_a_grant_is_no_way_round_a_role(house: House, role: Role, right: Right) -> None:
    with pytest.raises(Refused, match="grants"), write_session(house.engine) as session:
        act = Act(session, OPERATOR, house.clinic_id, house.clock.now())
        add_staff(act, "x@fernmoor.example", "X", [role], grants=[right])


def test_a_key_that_enrols_neither_reads_a_diary_nor_sets_where_links_go(build: object, house: House) -> None:
    """Whoever sets a contact is sent the links; so that is a scope of its own, and a link for notices is of it."""
    other = build("Elsewhere", (Scope.ENROL,), number="+447700900002")  # type: ignore[operator]
    patient = f"/patients/{other.patient_id}"
    assert other.machine.get(patient).status_code == 200
    for method, path in (("GET", f"{patient}/checkins"), ("GET", f"{patient}/contacts"), ("GET", f"{patient}/readings"),
                         ("POST", f"{patient}/contacts"), ("POST", f"{patient}/push-link")):  # fmt: skip
        assert other.machine(method, path, None if method == "GET" else {}).status_code == 403, path
