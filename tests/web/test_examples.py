"""One example of each operation of the API, called in turn against one clinic: what `/docs` and `/openapi.json` show.

What is checked: each operation has an example, each answers with the status that is said, and each answer, the one of
today and the one that is shown, fits the description (JSON Schema 2020-12, by the library `jsonschema-rs`).
NEAPTIDE_KEEP_EXAMPLES=1 writes today's into service/web/api/examples.json. Everybody in them is invented.
"""

from __future__ import annotations

import base64
import json
import os
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from typing import Any
from urllib.parse import urlsplit

import jsonschema_rs
import pytest
from flask.testing import FlaskClient

from service.accounts import emergency
from service.accounts.hashing import hashed
from service.accounts.staff import add_staff
from service.accounts.throttle import Origin
from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.signals.facts import ProposalReason, ReferenceProposal
from service.domain.vocabulary import Channel, Role, SignalKind
from service.enrolling import invited, inviting
from service.intake import readings as intake
from service.intake.checkins import record_checkin
from service.reviewing import proposing
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Signal
from service.transports.openid import OpenId
from service.transports.outside import Guard
from service.transports.textgateway import signature
from service.web.api.description import EXAMPLES, description, operations
from tests.builder import carriable
from tests.hospital import Hospital, hospital
from tests.pushed import PUSH_KEY
from tests.signed_in import sign_in_as
from tests.web.conftest import PASSWORD, House
from tests.web.test_api_edges import with_form_token

pytestmark = pytest.mark.databases("sqlite")

GATEWAY = "a secret of the gateway and ours, nobody else's"
HIDDEN = {"secret", "link", "token", "codes"}
TODAY, DAY = "2026-11-25", "2026-11-24"
WHO = {"name": "Mara Invented", "zone": "Europe/London"}
HOURS = {"opens": "07:00", "due": "08:30", "closes": "10:00"}
READING = {
    "patient": "F-1",
    "taken_at": f"{TODAY}T07:10:00+00:00",
    "pa_systolic": 40,
    "pa_diastolic": 20,
    "heart_rate": 72,
}
PROPOSED = ReferenceProposal(
    27.0, 0.4, date(2026, 11, 10), date(2026, 11, 23), reference=None, is_set=False, why=ProposalReason.HIGHER
)
POTASSIUM = {"kind": "potassium", "value": "4.1", "unit": "mmol/L", "taken_at": f"{DAY}T09:00:00+00:00"}
FILE = base64.b64encode(b"patient,taken_at,pa_systolic,pa_diastolic\nF-1,2026-11-23T07:10:00+00:00,41,21\n").decode()


@dataclass
class Asks:
    """One who calls, and what earlier answers told: an id by the name of who keeps it."""

    client: FlaskClient
    headers: dict[str, str]

    def sends(self, house: House, body: Any) -> dict[str, Any]:
        """A body with these headers; the gateway signs what it sends."""
        if self.headers:
            return {"json": body, "headers": self.headers}
        raw, stamp = json.dumps(body).encode(), str(int(house.clock.now().timestamp()))
        signed = {"Neaptide-Timestamp": stamp, "Neaptide-Signature": signature(GATEWAY, stamp, raw)}
        return {"data": raw, "content_type": "application/json", "headers": signed}


# Operation, who asks (a machine, staff, the other clinic's machine or the text gateway), what goes into its address and its query, the
# body, the status, and by which name the answer's id is kept.
WALK: list[tuple[str, str, dict[str, Any], Any, int, str]] = [
    ("show_clinic", "machine", {}, None, 200, ""),
    ("change_clinic", "staff", {}, {"silent_days": 2, "quiet_from": "21:30"}, 200, ""),
    ("enrol_patient", "machine", {}, {"clinic_ref": "F-2", **WHO}, 201, "second"),
    ("enrol_whole", "machine", {}, {"clinic_ref": "F-3", "name": "Odo Invented", "zone": "Pacific/Auckland",
        "contact": {"channel": "text", "address": "+447700900077"}, "agreed": {"how": "signed form"}, "plan": HOURS}, 201, "third"),
    ("list_patients", "machine", {"page_size": 1}, None, 200, ""),
    ("show_patient", "machine", {"patient_id": "second"}, None, 200, ""),
    ("change_patient", "machine", {"patient_id": "second"}, {"zone": "Europe/Lisbon"}, 200, ""),
    ("list_moves", "machine", {"patient_id": "second"}, None, 200, ""),
    ("end_patient", "machine", {"patient_id": "second"}, {}, 200, ""),
    ("begin_again", "machine", {"patient_id": "second"}, {"from_date": TODAY, "why": "ended_by_mistake"}, 200, ""),
    ("revoke_patient_links", "machine", {"patient_id": "second"}, {}, 200, ""),
    ("accept_level", "staff", {"patient_id": "first"}, {"reason": "known since the valve", "until": "2027-01-25"}, 201, "acceptance"),
    # --- reached and agreed ---
    ("add_caregiver", "machine", {"patient_id": "first"}, {"name": "Ben Invented", "relation": "brother"}, 201, "caregiver"),
    ("list_caregivers", "machine", {"patient_id": "first"}, None, 200, ""),
    ("add_patient_contact", "machine", {"patient_id": "first"}, {"channel": "email", "address": "asha@post.example"}, 201, "contact"),
    ("list_contacts", "machine", {"patient_id": "first"}, None, 200, ""),
    ("mend_contact", "machine", {"contact_id": "contact"}, {"address": "asha.invented@post.example"}, 200, ""),
    ("put_contact_first", "machine", {"contact_id": "contact"}, {}, 200, ""),
    ("add_caregiver_contact", "machine", {"caregiver_id": "caregiver"}, {"channel": "text", "address": "+447700900078"}, 201, "phone"),
    ("list_caregiver_contacts", "machine", {"caregiver_id": "caregiver"}, None, 200, ""),
    ("record_consent", "machine", {"patient_id": "first"}, {"kind": "messages", "given": True, "how": "signed form", "caregiver_id": "$caregiver"}, 201, ""),
    ("record_consent", "machine", {"patient_id": "first"}, {"kind": "caregiver", "given": True, "how": "signed form", "caregiver_id": "$caregiver"}, 201, ""),
    ("list_consents", "machine", {"patient_id": "first"}, None, 200, ""),
    ("send_test_message", "machine", {"contact_id": "phone"}, {}, 201, ""),
    ("make_patient_push_link", "machine", {"patient_id": "first"}, {}, 201, ""),
    ("make_caregiver_push_link", "machine", {"caregiver_id": "caregiver"}, {}, 201, ""),
    # --- plans ---
    ("set_plan", "machine", {"patient_id": "first"}, {**HOURS, "weekdays": [0, 2, 4]}, 200, ""),
    ("show_plan", "machine", {"patient_id": "first"}, None, 200, ""),
    ("list_windows_ahead", "machine", {"patient_id": "first", "days": 7}, None, 200, ""),
    ("add_pause", "machine", {"patient_id": "second"}, {"cause": "away", "from_date": TODAY, "note": "with family"}, 201, "pause"),
    ("end_pause", "machine", {"pause_id": "pause"}, {"last_day": "2026-11-27"}, 200, ""),
    ("list_pauses", "machine", {"patient_id": "second"}, None, 200, ""),
    ("list_pause_changes", "machine", {"pause_id": "pause"}, None, 200, ""),
    ("show_proposal", "machine", {"patient_id": "first"}, None, 200, ""),
    ("set_reference", "staff", {"patient_id": "first"}, {"pa_diastolic": 20}, 201, ""),
    ("list_references", "machine", {"patient_id": "first"}, None, 200, ""),
    ("set_limits", "staff", {"patient_id": "first"}, {"upper": 26, "lower": 12}, 201, ""),
    ("list_limits", "machine", {"patient_id": "first"}, None, 200, ""),
    ("set_goal", "staff", {"patient_id": "first"}, {"lower": 14, "upper": 22, "why": "as agreed at the visit", "until": "2027-02-25"}, 201, "goal"),
    ("list_goals", "machine", {"patient_id": "first"}, None, 200, ""),
    ("end_goal", "staff", {"goal_id": "goal"}, {}, 200, ""),
    ("record_context_tag", "staff", {"patient_id": "first"}, {"kind": "travel", "from_date": DAY}, 201, "tag"),
    ("end_context_tag", "staff", {"tag_id": "tag"}, {"last_day": TODAY}, 200, ""),
    ("list_context_tags", "machine", {"patient_id": "first"}, None, 200, ""),
    # --- readings and check-ins ---
    ("add_reading", "machine", {}, READING, 201, "reading"),
    ("add_readings", "machine", {}, {"readings": [READING, READING | {"taken_at": f"{DAY}T07:12:00+00:00"}, READING | {"pa_diastolic": 400}]}, 200, ""),
    ("list_readings", "machine", {"patient_id": "first", "from_date": DAY}, None, 200, ""),
    ("list_all_readings", "machine", {"updated_since": "start", "page_size": 1}, None, 200, ""),
    ("add_checkin", "machine", {}, {"patient": "F-1", "breathlessness": 3, "swelling": "ankle", "safety_signs": ["fainting"], "weight": 71.5, "weight_unit": "kg"}, 201, ""),
    ("list_checkins", "machine", {"patient_id": "first"}, None, 200, ""),
    ("list_all_checkins", "machine", {"updated_since": "start"}, None, 200, ""),
    # --- the record ---
    ("enter_event", "staff", {"patient_id": "first"}, {"kind": "admission", "cause": "heart_failure", "from_date": "2026-11-02", "to_date": "2026-11-06"}, 201, "event"),
    ("correct_event", "staff", {"entry_id": "event"}, {"kind": "admission", "cause": "heart_failure", "from_date": "2026-11-02", "to_date": "2026-11-07"}, 201, "event"),
    ("list_events", "machine", {"patient_id": "first"}, None, 200, ""),
    ("accept_trouble_level", "staff", {"patient_id": "first"}, {"level": 27}, 201, ""),
    ("withdraw_event", "staff", {"entry_id": "event"}, {"reason": "of another patient"}, 201, ""),
    ("enter_medicine", "staff", {"patient_id": "first"}, {"name": "furosemide", "kind": "loop_diuretic", "dose": "40", "times_a_day": "1", "from_date": "2026-11-10"}, 201, "medicine"),
    ("correct_medicine", "staff", {"entry_id": "medicine"}, {"name": "furosemide", "kind": "loop_diuretic", "dose": "40", "times_a_day": "2", "from_date": TODAY}, 201, "medicine"),
    ("enter_no_result", "staff", {"patient_id": "first"}, {"due_on": "2026-12-09", "why": "not_wanted", "note": "as agreed"}, 201, "reason"),
    ("correct_no_result", "staff", {"entry_id": "reason"}, {"due_on": "2026-12-09", "why": "not_wanted", "note": "stable for years"}, 201, "reason"),
    ("list_no_results", "machine", {"patient_id": "first"}, None, 200, ""),
    ("withdraw_no_result", "staff", {"entry_id": "reason"}, {"reason": "entered by mistake"}, 201, ""),
    ("list_medicines", "machine", {"patient_id": "first"}, None, 200, ""),
    ("enter_result", "machine", {"patient_id": "first"}, POTASSIUM, 201, "result"),
    ("correct_result", "staff", {"entry_id": "result"}, POTASSIUM | {"value": "4.4"}, 201, "result"),
    ("list_results", "machine", {"patient_id": "first"}, None, 200, ""),
    ("enter_results_batch", "machine", {}, {"results": [{"patient": "F-1", "kind": "sodium", "value": "139", "unit": "mmol/L", "taken_at": f"{DAY}T09:00:00+00:00"}]}, 200, ""),
    ("enter_result_limit", "staff", {"patient_id": "first"}, {"kind": "potassium", "upper": "5.5", "unit": "mmol/L"}, 201, "limit"),
    ("correct_result_limit", "staff", {"entry_id": "limit"}, {"kind": "potassium", "upper": "5.2", "unit": "mmol/L"}, 201, "limit"),
    ("list_result_limits", "machine", {"patient_id": "first"}, None, 200, ""),
    ("set_person", "machine", {"patient_id": "first"}, {"born_on": "1952-04-17", "sex": "female", "height_cm": 164, "device": "none"}, 200, ""),
    ("list_person", "machine", {"patient_id": "first"}, None, 200, ""),
    ("show_record", "machine", {"patient_id": "first"}, None, 200, ""),
    ("enter_next_contact", "staff", {"patient_id": "first"}, {"due_on": "2026-11-26", "way": "call", "role": "nurse"}, 201, "next"),
    ("correct_next_contact", "staff", {"entry_id": "next"}, {"due_on": "2026-11-27", "way": "call", "role": "nurse"}, 201, "next"),
    ("list_next_contacts", "machine", {"patient_id": "first"}, None, 200, ""),
    ("list_contacts_to_make", "machine", {"role": "nurse"}, None, 200, ""),
    ("note_contact_done", "staff", {"entry_id": "next"}, {"done_on": TODAY}, 201, ""),
    ("enter_next_contact", "staff", {"patient_id": "first"}, {"due_on": "2026-12-03", "way": "call", "role": "physician"}, 201, "later"),
    ("withdraw_next_contact", "staff", {"entry_id": "later"}, {"reason": "planned twice"}, 201, ""),
    ("withdraw_medicine", "staff", {"entry_id": "medicine"}, {"reason": "of another patient"}, 201, ""),
    ("withdraw_result", "staff", {"entry_id": "result"}, {"reason": "of another patient"}, 201, ""),
    ("withdraw_result_limit", "staff", {"entry_id": "limit"}, {"reason": "no longer needed"}, 201, ""),
    # --- files ---
    ("take_in_file", "staff", {}, {"kind": "readings", "content": FILE, "name": "readings.csv", "unit": "mmHg"}, 200, "import"),
    ("list_imports", "staff", {}, None, 200, ""),
    ("take_import_back", "staff", {"import_id": "import"}, {"why": "the wrong file"}, 200, ""),
    # --- what was expected and what became of it ---
    ("list_windows", "machine", {"patient_id": "first"}, None, 200, ""),
    ("list_silences", "machine", {"open": "true"}, None, 200, ""),
    ("list_caregiver_replies", "machine", {}, None, 200, ""),
    ("list_messages", "machine", {"state": "queued"}, None, 200, "message"),
    ("retry_message", "staff", {"message_id": "message"}, {}, 200, ""),
    ("cancel_message", "staff", {"message_id": "message"}, {"reason": "not needed"}, 200, ""),
    ("list_tasks", "machine", {"kind": "safety_answer"}, None, 200, "task"),
    ("take_task", "staff", {"task_id": "task"}, {}, 200, ""),
    ("close_task", "staff", {"task_id": "task"}, {"reason": "called, and well looked after"}, 200, ""),
    ("list_audit_lines", "staff", {"page_size": 1}, None, 200, ""),
    ("list_access_lines", "staff", {"page_size": 1}, None, 200, ""),
    ("list_unusual_openings", "staff", {}, None, 200, ""),
    ("list_openings", "machine", {"patient_id": "first"}, None, 200, ""),
    # --- the review ---
    ("show_review", "machine", {"lane": "call_today"}, None, 200, ""),
    ("show_coverage", "machine", {}, None, 200, ""),
    ("show_measures", "machine", {}, None, 200, ""),
    ("sign_review", "staff", {"patient_id": "second"}, {"outcome": "no_change"}, 201, "mistaken"),
    ("take_signature_back", "staff", {"sign_off_id": "mistaken"}, {}, 200, ""),
    ("show_patient_review", "machine", {"patient_id": "first", "days": 2}, None, 200, "seen"),
    ("sign_review", "staff", {"patient_id": "first"}, {"outcome": "called", "note": "Feels well.", "seen": "$seen"}, 201, "signature"),
    ("show_patient_review", "machine", {"patient_id": "first", "days": 2}, None, 200, "seen"),
    ("add_to_review", "staff", {"sign_off_id": "signature"}, {"outcome": "visit_arranged", "note": "On Friday.", "seen": "$seen"}, 201, ""),
    ("list_sign_offs", "machine", {"patient_id": "first"}, None, 200, ""),
    ("record_adjustment", "staff", {"patient_id": "first"}, {"kind": "medicine", "what": "furosemide to twice a day", "made_on": TODAY, "follow_up_on": "2026-12-02"}, 201, "adjustment"),
    ("list_adjustments", "machine", {"patient_id": "first"}, None, 200, ""),
    ("note_follow_up", "staff", {"adjustment_id": "adjustment"}, {}, 200, ""),
    ("close_episode", "staff", {"patient_id": "first"}, {"kind": "worse_symptoms", "reason": "a cold, and over"}, 201, ""),
    ("list_closed_episodes", "machine", {"patient_id": "first"}, None, 200, ""),
    ("list_acceptances", "machine", {"patient_id": "first"}, None, 200, ""),
    ("take_acceptance_back", "staff", {"acceptance_id": "acceptance"}, {}, 200, ""),
    # --- accounts, keys, words ---
    ("invite_staff", "staff", {}, {"email": "kit@fernmoor.example", "name": "Kit Invented", "roles": ["nurse"]}, 201, "colleague"),
    ("list_staff", "staff", {}, None, 200, ""),
    ("set_roles", "staff", {"staff_id": "colleague"}, {"roles": ["nurse", "physician"]}, 200, ""),
    ("change_staff", "staff", {"staff_id": "colleague"}, {"language": "es"}, 200, ""),
    ("reset_staff", "staff", {"staff_id": "colleague"}, {}, 200, ""),
    ("end_sessions", "staff", {"staff_id": "colleague"}, {}, 200, ""),
    ("add_staff_contact", "staff", {"staff_id": "colleague"}, {"channel": "text", "address": "+447700900079"}, 201, "duty"),
    ("list_staff_contacts", "staff", {"staff_id": "colleague"}, None, 200, ""),
    ("end_staff_contact", "staff", {"staff_id": "colleague", "contact_id": "duty"}, {}, 200, ""),
    ("end_second_step", "staff", {"staff_id": "colleague"}, {}, 200, ""),
    ("close_staff", "staff", {"staff_id": "colleague"}, {}, 200, ""),
    ("reopen_staff", "staff", {"staff_id": "colleague"}, {}, 200, ""),
    ("issue_key", "staff", {}, {"name": "laboratory", "scopes": ["results"], "days": 90}, 201, "key"),
    ("list_keys", "staff", {}, None, 200, ""),
    ("revoke_key", "staff", {"key_id": "key"}, {}, 200, ""),
    ("show_hospital_sign_in", "staff", {}, None, 200, ""),
    ("set_hospital_sign_in", "staff", {}, {"issuer": "$issuer", "client_id": "neaptide", "client_secret": "a secret of the hospital and ours", "counts": "told"}, 200, ""),
    ("end_hospital_sign_in", "staff", {}, {}, 200, ""),
    ("make_emergency_codes", "staff", {}, {}, 201, ""),
    ("show_emergency_codes", "staff", {}, None, 200, ""),
    ("list_emergency_accesses", "staff", {}, None, 200, "access"),
    ("end_emergency_access", "staff", {"access_id": "access"}, {}, 200, ""),
    ("look_into_emergency_access", "staff", {"access_id": "access"}, {}, 200, ""),
    ("make_token", "machine", {}, {"scopes": ["review"], "minutes": 5}, 201, ""),
    ("list_wordings", "staff", {"page_size": 1}, None, 200, ""),
    ("set_wording", "staff", {"language": "en", "kind": "prompt"}, {"body": "Good morning. Please take your reading: {link}"}, 200, ""),
    ("preview_wording", "staff", {"language": "en", "kind": "prompt"}, {}, 200, ""),
    ("reset_wording", "staff", {"language": "en", "kind": "prompt"}, None, 200, ""),
    ("add_phrase", "staff", {}, {"bodies": {"en": "Please call us this week.", "es": "Llámenos esta semana."}}, 201, "phrase"),
    ("list_phrases", "staff", {}, None, 200, ""),
    ("message_outlook", "staff", {"patient_id": "first"}, None, 200, ""),
    ("send_message", "staff", {"patient_id": "first"}, {"phrase_id": "$phrase"}, 201, ""),
    ("change_phrase", "staff", {"phrase_id": "phrase"}, {"bodies": {"en": "Please call us today.", "es": "Llámenos hoy."}}, 200, ""),
    ("drop_phrase", "staff", {"phrase_id": "phrase"}, {}, 200, ""),
    ("end_caregiver", "machine", {"caregiver_id": "caregiver"}, {}, 200, ""),
    # --- invitations and transfers ---
    ("invite_patient", "machine", {}, {"name": "Lena Invented", "born_on": "1948-09-03", "language": "en", "number": "+447700900080"}, 201, "invitation"),
    ("list_invitations", "machine", {}, None, 200, ""),
    ("show_invitation", "machine", {"invitation_id": "invitation"}, None, 200, ""),
    ("add_invitation_link", "machine", {"invitation_id": "invitation"}, {}, 201, ""),
    ("send_invitation_text", "machine", {"invitation_id": "invitation"}, {"how": "on the telephone"}, 201, ""),
    ("confirm_invitation", "staff", {"invitation_id": "answered"}, {"clinic_ref": "F-9", "zone": "Europe/London"}, 201, ""),
    ("revoke_invitation", "machine", {"invitation_id": "invitation"}, {}, 200, ""),
    ("list_destinations", "machine", {}, None, 200, "there"),
    ("ask_transfer", "machine", {"patient_id": "third"}, {"to_clinic_id": "$there", "how": "signed form"}, 201, "transfer"),
    ("list_transfers", "machine", {}, None, 200, ""),
    ("decline_transfer", "other", {"transfer_id": "transfer"}, {"reason": "no place before spring"}, 200, ""),
    ("ask_transfer", "machine", {"patient_id": "third"}, {"to_clinic_id": "$there", "how": "signed form"}, 201, "transfer"),
    ("call_transfer_back", "machine", {"transfer_id": "transfer"}, {}, 200, ""),
    ("ask_transfer", "machine", {"patient_id": "third"}, {"to_clinic_id": "$there", "how": "signed form"}, 201, "transfer"),
    ("accept_transfer", "other", {"transfer_id": "transfer"}, {"clinic_ref": "S-12"}, 200, ""),
    # --- the gateway, and the end ---
    ("take_text_callback", "gateway", {}, {"receipts": [{"id": "$message", "outcome": "delivered", "at": f"{TODAY}T07:00:05Z"}]}, 204, ""),
    ("hand_out_everything", "staff", {"patient_id": "second"}, None, 200, ""),
    ("end_patient", "machine", {"patient_id": "second"}, {}, 200, ""),
    ("erase_patient", "staff", {"patient_id": "second"}, {"why": "asked", "confirm": "F-2"}, 200, ""),
]  # fmt: skip


def hidden(shown: Any) -> Any:
    """An answer as it may lie in a file: short, and without what opens anything."""
    if isinstance(shown, dict):
        return {name: unsaid(below) if name in HIDDEN else hidden(below) for name, below in shown.items()}
    return [hidden(one) for one in shown[:2]] if isinstance(shown, list) else shown


def unsaid(secret: Any) -> Any:
    return [*map(unsaid, secret)] if isinstance(secret, list) else "…" if isinstance(secret, str) else secret


def filled(body: Any, ids: dict[str, str]) -> Any:
    """A body with the id of each `$name` in it."""
    if isinstance(body, dict):
        return {name: filled(below, ids) for name, below in body.items()}
    if isinstance(body, list):
        return [filled(one, ids) for one in body]
    return ids[body[1:]] if isinstance(body, str) and body.startswith("$") else body


def fits(answers: Any, status: int, operation: dict[str, Any], *, whole: bool = True) -> None:
    """Raises what does not fit. An answer that is shown may lack a field that is newer, until it is made anew."""
    said = operation["responses"][str(status)]
    if "$ref" in said:
        said = description()["components"]["responses"][said["$ref"].rpartition("/")[2]]
    ((kind, content),) = said.get("content", {"": {}}).items()
    if "json" not in kind:  # a file, or nothing
        assert answers is None
        return
    jsonschema_rs.Draft202012Validator(content["schema"] | {"components": description()["components"]}).validate(
        answers
    )


@pytest.fixture
def walked(build: Callable[..., House], monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[House, Hospital]]:
    """A clinic whose text gateway signs, which has mail and notices, and which can reach a hospital's provider."""
    house = build()
    with hospital(house.clock.now) as provider:
        held = house.app.extensions["neaptide"]
        hosts = frozenset({urlsplit(provider.issuer).netloc})
        reaches = OpenId(house.clock.now, Guard(hosts, held.settings.outgoing_hosts))
        settings = replace(held.settings, text_callback_secret=GATEWAY, push_key=PUSH_KEY)
        mails = {**held.transports, Channel.EMAIL: held.transports[Channel.TEXT]}
        held = replace(held, settings=settings, openid=reaches, transports=mails)
        monkeypatch.setitem(house.app.extensions, "neaptide", held)
        yield house, provider


def staff_of(house: House) -> tuple[uuid.UUID, dict[str, str]]:
    """Somebody who may do everything; and the ids of what takes weeks, or a night, to come about."""
    now = house.clock.now()
    with write_session(house.engine) as session:
        act, every = Act(session, OPERATOR, house.clinic_id, now), [Role.PHYSICIAN, Role.ADMINISTRATOR]
        grants = sorted({right for role in every for right in carriable(role)})
        staff_id = add_staff(
            act, "edda@fernmoor.example", "Edda Invented", every, grants=grants, password_hash=hashed(PASSWORD, ())
        ).id
        for ago in range(27, 34):  # the days before the event of the walk
            taken = now - timedelta(days=ago)
            intake.record_reading(replace(act, now=taken), NewReading(house.patient_id, taken, 45, 27, heart_rate=72))
        for ago in range(20, 0, -1):
            answers, then = Answers(breathlessness=6 if ago < 5 else 1), now - timedelta(days=ago)
            record_checkin(replace(act, now=then), NewCheckin(house.patient_id, answers, then.date()))
        since = now.date() - timedelta(days=30)
        act.add(Signal(patient_id=house.patient_id, kind=SignalKind.HIGH_STEADY, raised_on=since, began_on=since,
                       raised_at=now, seen_at=now, facts={}))  # fmt: skip
        proposing.raise_proposals(session, house.clinic_id, {house.patient_id: PROPOSED}, now)
        answered = invitation_answered(act)
        code, *_ = emergency.new_codes(act)
    typed = emergency.Typed(code, "Odo Invented", "Nobody can sign in, and a patient is on the telephone.")
    emergency.enter(house.engine, typed, emergency.Clocks(now, now), Origin("192.0.2.1"), [])
    return staff_id, {"first": str(house.patient_id), "answered": str(answered)}


def invitation_answered(act: Act) -> uuid.UUID:
    """An invitation that somebody has read, and said yes to."""
    invitation = inviting.invite(act, inviting.NewInvitation("Nils Invented", date(1950, 5, 14)))
    theirs = invited.act_by(act.session, invitation, act.now)
    invited.agree(theirs, invitation)
    invited.choose_reach(theirs, invitation, Channel.TEXT, "+447700900081", time(7), [Channel.TEXT])
    invited.choose_helper(theirs, invitation, None)
    invited.send(theirs, invitation)
    return invitation.id


def test_each_operation_has_an_example_that_answers_as_it_says(
    build: Callable[..., House], walked: tuple[House, Hospital]
) -> None:
    (house, provider), other = walked, build("Saltholt Clinic", number="+447700900002")
    known = {
        operation["operationId"]: (path, method, operation) for path, method, operation, _ in operations(description())
    }
    browser = house.app.test_client()
    staff_id, ids = staff_of(house)
    sign_in_as(browser, staff_id, house.clock.now())
    callers = {
        "machine": Asks(house.app.test_client(), {"Authorization": f"Bearer {house.secret}"}),
        "other": Asks(house.app.test_client(), {"Authorization": f"Bearer {other.secret}"}),
        "staff": Asks(browser, with_form_token(house.app, browser)),
        "gateway": Asks(house.app.test_client(), {}),
    }
    ids["issuer"] = provider.issuer
    made: dict[str, Any] = {}
    for name, who, asked, body, status, keeps in WALK:
        path, method, operation = known[name]
        given = {key: ids.get(value, value) for key, value in asked.items()}
        body = filled(body, ids)
        query = {key: value for key, value in given.items() if f"{{{key}}}" not in path}
        caller = callers[who]
        answer = caller.client.open(
            path.format(**given), method=method.upper(), query_string=query, **caller.sends(house, body)
        )
        told = answer.get_json(silent=True)
        assert answer.status_code == status, (name, told, str(told)[-300:])
        fits(told, status, operation)
        if keeps:
            row = told["items"][0] if "items" in told else told["entry"] if keeps == "seen" else told
            ids[keeps] = row[{"import": "import_id", "seen": "seen"}.get(keeps, "id")]
        made[name] = {"takes": body, "asks": query, "status": status, "answers": hidden(told)}
    assert set(made) == set(known)
    if os.environ.get("NEAPTIDE_KEEP_EXAMPLES") == "1":
        text = json.dumps(made, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
        EXAMPLES.write_text(text.replace(provider.issuer, "https://login.hospital.example"), encoding="utf-8")
    shown = json.loads(EXAMPLES.read_text(encoding="utf-8"))
    assert set(shown) == set(known), "NEAPTIDE_KEEP_EXAMPLES=1 makes them anew"
    for name, example in shown.items():
        assert (example["takes"] is None, example["status"]) == (made[name]["takes"] is None, made[name]["status"]), (
            name
        )
        fits(example["answers"], example["status"], known[name][2], whole=False)
