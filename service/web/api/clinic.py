"""What the clinic's administrators answer for: its settings, its accounts and keys, and what its messages say."""

from __future__ import annotations

import uuid
from dataclasses import astuple, dataclass
from typing import Any

from flask import g
from marshmallow import Schema, fields, validate
from sqlalchemy import select
from werkzeug.exceptions import NotFound

from service.accounts import factors, invitations, keys
from service.accounts import staff as accounts
from service.domain import vocabulary
from service.domain.rights import GRANTED, Right
from service.domain.vocabulary import Scope
from service.enrolling import clinics, people, phrases, wordings
from service.store.audit import Act
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, Clinic, Contact, MessageTemplate, Phrase, Staff
from service.web.api.base import (
    AsSent,
    Blueprint,
    Nothing,
    TimeOfDay,
    list_rows,
    shows,
    text,
    told,
    whole,
    word,
    yes_no,
)
from service.web.api.guards import Call, Check, ask_fresh, caller, for_staff
from service.web.api.people import ContactIn, ContactOut
from service.web.api.plans import FollowUpStep
from service.web.auth import own, own_clinic, signed_in
from service.web.inviting import can_mail, hand_over
from service.web.problems import Problem
from service.web.services import services
from service.words.messages import Length
from service.words.preview import Doubt, Preview

blueprint = Blueprint("clinic", "The clinic and its settings")
accounts_blueprint = Blueprint("accounts", "Staff accounts and keys")
wordings_blueprint = Blueprint("wordings", "What the clinic's messages say")


# --- settings -------------------------------------------------------------------------------


class ClinicChange(Schema):
    name = text(120, required=False)
    zone = text(64, required=False)
    language = text(8, required=False)
    review_weekday = whole(0, 6)
    emergency_number = text(20, required=False)
    contact_line = text(32, required=False)
    sender_name = text(32, required=False)
    quiet_from = TimeOfDay()
    quiet_until = TimeOfDay()
    start_opens = TimeOfDay()
    start_due = TimeOfDay()
    start_closes = TimeOfDay()
    steps = fields.List(AsSent(FollowUpStep), validate=validate.Length(max=10))
    asks = fields.Dict(keys=fields.String(), values=fields.List(text(40), validate=validate.Length(max=30)))
    silent_days = whole(1, 30)
    says_back = yes_no()
    second_step = yes_no()
    text_line = text(40, required=False, allow_none=True)
    silent_again_days = whole(1, 30)
    noticed_nights = whole(1, 200)
    noticed_records = whole(1, 200)
    noticed_occasions = whole(1, 200)
    asks_again_in_doubt = fields.Boolean()
    paper = word(vocabulary.Paper)
    record_rules = fields.Dict()


ClinicOut = shows(
    "ClinicOut",
    Clinic,
    "id name zone language review_weekday emergency_number contact_line sender_name quiet_from quiet_until"
    " start_opens start_due start_closes steps"
    " asks text_line says_back silent_days silent_again_days asks_again_in_doubt"
    " noticed_nights noticed_records noticed_occasions second_step paper record_rules",
    steps=fields.List(AsSent(FollowUpStep)),
    asks=fields.Dict(keys=fields.String(), values=fields.List(fields.String())),
)


@blueprint.get("/clinic", allowed=Check(Right.OWN, Scope.REVIEW))
@blueprint.response(200, ClinicOut)
def show_clinic() -> Clinic:
    """The clinic that the key or session belongs to."""
    with read_session(services().engine) as session:
        return own_clinic(session)


@blueprint.patch("/clinic", allowed=for_staff(Right.ADMINISTER))
@blueprint.writes(ClinicOut, takes=ClinicChange)
def change_clinic(call: Call, changes: dict[str, Any]) -> Clinic:
    """Change settings; windows already open keep the steps they were opened with.

    `asks` says how often each question of the check-in is asked (daily, weekly, after_change) and
    names each once; `safety_signs`, the signs of an emergency, are asked daily. `second_step` asks for a fresh
    confirmation.
    """
    if "second_step" in changes:
        ask_fresh()
    return clinics.change_clinic(call.act, own_clinic(call.session), changes)


SURELY = for_staff(Right.ADMINISTER, fresh=True)  # an administrator who showed lately that it is they


# --- accounts and keys ----------------------------------------------------------------------


class RolesIn(Schema):
    roles = fields.List(word(vocabulary.Role), required=True, validate=validate.Length(1, len(vocabulary.Role)))
    grants = fields.List(word(Right), load_default=[], validate=validate.Length(max=len(GRANTED)))


class StaffIn(RolesIn):
    email = text(254)
    name = text(120)


class StaffChange(Schema):
    language = text(8, required=True, allow_none=True)


WORDS = fields.List(fields.String())
StaffOut = shows("StaffOut", Staff, "id email name roles grants active language", roles=WORDS, grants=WORDS)


@dataclass(frozen=True)
class HandedTo:
    """Whose link it is, and how it went out."""

    id: uuid.UUID
    mailed: bool
    link: str | None


HandedOut = shows("HandedOut", HandedTo, "id mailed link")
NO_MAIL = "No mail is set up here. Whoever runs the service makes the link: neaptide staff unlock."


class KeyIn(Schema):
    name = text(80)
    scopes = fields.List(word(vocabulary.Scope), required=True, validate=validate.Length(1, len(vocabulary.Scope)))
    days = whole(1, keys.MOST_DAYS, load_default=keys.LASTS_DAYS)
    networks = fields.List(text(50), load_default=[], validate=validate.Length(max=20))


KEY = "id name scopes networks created_at expires_at used_at revoked_at"
KeyOut = shows("KeyOut", ApiKey, KEY, scopes=WORDS, networks=WORDS)
NewKeyOut = shows("NewKeyOut", ApiKey, KEY, scopes=WORDS, networks=WORDS, secret=fields.String())


@accounts_blueprint.get("/staff", allowed=for_staff(Right.ADMINISTER))
@accounts_blueprint.lists(StaffOut)
def list_staff(query: dict[str, Any]) -> dict[str, Any]:
    """The clinic's accounts, by name."""
    return list_rows(query, Staff, Staff.name, only=[Staff.emergency_until.is_(None)])


@accounts_blueprint.post("/staff", allowed=SURELY)
@accounts_blueprint.arguments(StaffIn)
@accounts_blueprint.response(201, HandedOut)
def invite_staff(new: dict[str, Any]) -> HandedTo:
    """Make an account of one person, who sets their own password by a link.

    The link goes by mail; where no mail is set up, or it was not taken, it is in this answer and nowhere else.
    """
    with write_session(services().engine) as session:
        act = Act(session, caller().actor, g.clinic_id, services().clock.now())
        staff = accounts.add_staff(act, **new)
        key = invitations.invite(act, staff, services().door_clock.now())
    return HandedTo(staff.id, *astuple(hand_over(staff, key, may_show=True)))


@accounts_blueprint.post("/staff/<uuid:staff_id>/reset", allowed=SURELY)
@accounts_blueprint.arguments(Nothing, as_kwargs=True)
@accounts_blueprint.response(200, HandedOut)
def reset_staff(staff_id: uuid.UUID) -> HandedTo:
    """Mail a colleague a link to set a new password by; the old one stays until they do, and no one else sees it."""
    with write_session(services().engine) as session:
        act = Act(session, caller().actor, g.clinic_id, services().clock.now())
        staff = own(session, Staff, staff_id)
        if not can_mail():
            raise Problem(409, NO_MAIL, kind="not-now")
        key = invitations.invite(act, staff, services().door_clock.now())
    return HandedTo(staff.id, *astuple(hand_over(staff, key, may_show=False)))


@accounts_blueprint.put("/staff/<uuid:staff_id>/roles", allowed=SURELY)
@accounts_blueprint.writes(StaffOut, takes=RolesIn)
def set_roles(call: Call, new: dict[str, Any], staff_id: uuid.UUID) -> Staff:
    """Say what a colleague may do from their next page on."""
    staff = own(call.session, Staff, staff_id)
    accounts.set_roles(call.act, staff, new["roles"], new["grants"])
    return staff


@accounts_blueprint.post("/staff/<uuid:staff_id>/end-sessions", allowed=SURELY)
@accounts_blueprint.writes(StaffOut)
def end_sessions(call: Call, staff_id: uuid.UUID) -> Staff:
    """Sign a colleague out everywhere; they may sign in again."""
    staff = own(call.session, Staff, staff_id)
    accounts.sign_out(call.act, staff)
    return staff


@accounts_blueprint.post("/staff/<uuid:staff_id>/end-second-step", allowed=SURELY)
@accounts_blueprint.writes(StaffOut)
def end_second_step(call: Call, staff_id: uuid.UUID) -> Staff:
    """For a colleague whose telephone is lost, and the paper too: no code and no passkey is left.

    A password alone opens the account then; whoever has none needs a link (`reset`).
    """
    staff = own(call.session, Staff, staff_id)
    factors.take_away(call.act, staff)
    return staff


@accounts_blueprint.post("/staff/<uuid:staff_id>/reopen", allowed=SURELY)
@accounts_blueprint.writes(StaffOut)
def reopen_staff(call: Call, staff_id: uuid.UUID) -> Staff:
    """Open a closed account again; its person sets a new password by a link that `reset` mails."""
    staff = own(call.session, Staff, staff_id)
    accounts.reopen_account(call.act, staff)
    return staff


@accounts_blueprint.patch("/staff/<uuid:staff_id>", allowed=for_staff(Right.OWN))
@accounts_blueprint.writes(StaffOut, takes=StaffChange)
def change_staff(call: Call, changes: dict[str, Any], staff_id: uuid.UUID) -> Staff:
    """Choose the language of one's own account; an administrator, that of any account of the clinic.

    It is what pages, PDFs and messages speak to this person. Null is what their browser asks for, and in
    messages the clinic's.
    """
    staff = own(call.session, Staff, staff_id)
    asks = signed_in()
    if asks.id != staff.id and not asks.may(Right.ADMINISTER):
        raise Problem(403, "For whose account it is, or an administrator.")
    accounts.set_language(call.act, staff, changes["language"])
    return staff


@accounts_blueprint.post("/staff/<uuid:staff_id>/close", allowed=SURELY)
@accounts_blueprint.writes(StaffOut)
def close_staff(call: Call, staff_id: uuid.UUID) -> Staff:
    """The account opens nothing from now on; what it signed stays."""
    staff = own(call.session, Staff, staff_id)
    accounts.close_account(call.act, staff)
    return staff


@accounts_blueprint.get("/staff/<uuid:staff_id>/contacts", allowed=for_staff(Right.ADMINISTER))
@accounts_blueprint.lists(ContactOut)
def list_staff_contacts(query: dict[str, Any], staff_id: uuid.UUID) -> dict[str, Any]:
    """Where they are told of open tasks, in the order these are tried."""
    with read_session(services().engine) as session:
        own(session, Staff, staff_id)
    return list_rows(query | {"staff_id": staff_id}, Contact, Contact.position)


@accounts_blueprint.post("/staff/<uuid:staff_id>/contacts", allowed=SURELY)
@accounts_blueprint.writes(ContactOut, 201, takes=ContactIn)
def add_staff_contact(call: Call, new: dict[str, Any], staff_id: uuid.UUID) -> Contact:
    """Add a telephone or a mailbox where they are told of open tasks.

    Nurses and physicians are told, the first contacts before the second. An emergency is told at any hour.
    """
    return people.add_contact(call.act, own(call.session, Staff, staff_id), people.NewContact(**new))


@accounts_blueprint.post("/staff/<uuid:staff_id>/contacts/<uuid:contact_id>/end", allowed=SURELY)
@accounts_blueprint.writes(ContactOut)
def end_staff_contact(call: Call, staff_id: uuid.UUID, contact_id: uuid.UUID) -> Contact:
    """Nothing more goes there."""
    contact = own(call.session, Contact, contact_id)
    if contact.staff_id != staff_id:
        raise NotFound
    people.end_staff_contact(call.act, contact)
    return contact


@accounts_blueprint.get("/keys", allowed=for_staff(Right.ADMINISTER))
@accounts_blueprint.lists(KeyOut)
def list_keys(query: dict[str, Any]) -> dict[str, Any]:
    """Machines' keys, without their secrets, newest first."""
    return list_rows(query, ApiKey, ApiKey.created_at.desc())


@accounts_blueprint.post("/keys", allowed=SURELY)
@accounts_blueprint.writes(NewKeyOut, 201, takes=KeyIn, kept=False)
def issue_key(call: Call, new: dict[str, Any]) -> dict[str, Any]:
    """Issue a key, for `days`, from `networks` (CIDR) or anywhere.

    Its secret is in this answer and nowhere else, so this call keeps no Idempotency-Key.
    """
    key, secret = keys.issue_key(call.act, **new)
    return {**{name: getattr(key, name) for name in KeyOut().fields}, "secret": secret}


@accounts_blueprint.post("/keys/<uuid:key_id>/revoke", allowed=SURELY)
@accounts_blueprint.writes(KeyOut)
def revoke_key(call: Call, key_id: uuid.UUID) -> ApiKey:
    """The key opens nothing from now on."""
    key = own(call.session, ApiKey, key_id)
    keys.revoke_key(call.act, key)
    return key


# --- wordings: a person answers for every word, so no machine may change one ----------------

LONGEST_SENT = 2_000  # the rules of a wording say what is too long; this bounds what they are asked


class WordingIn(Schema):
    body = text(LONGEST_SENT)


class WordingTried(Schema):
    body = text(LONGEST_SENT, required=False, load_default=None, allow_none=True)


# Units are septets of GSM-7, or 16-bit units of UCS-2.
LengthOut = shows("LengthOut", Length, "alphabet units segments")
DoubtOut = shows("DoubtOut", Doubt, "name sentence")
PreviewOut = shows(
    "PreviewOut",
    Preview,
    "text length longest_text longest doubts",
    length=LengthOut,
    longest=LengthOut,
    doubts=DoubtOut,
)
WordingOut = shows(
    "WordingOut",
    wordings.Wording,
    "language kind body own built_in set_by set_at preview",
    preview=PreviewOut,
)


PhraseOut = shows("PhraseOut", Phrase, "id place bodies set_by set_at")


class PhraseIn(Schema):
    bodies = fields.Dict(
        keys=fields.String(),
        values=text(LONGEST_SENT),
        required=True,
        metadata={"description": "The text by language, as it is offered for patients of that language."},
    )


ONE = "/wordings/<language>/<kind>"


@wordings_blueprint.get("/wordings", allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.lists(WordingOut)
def list_wordings(query: dict[str, Any]) -> dict[str, Any]:
    """Every kind of message in every language, in the clinic's own words or the built-in ones, with a preview.

    By arrival come those that the clinic has set or taken back: a built-in one changes with the version alone.
    """
    with read_session(services().engine) as session:
        clinic, links = own_clinic(session), services().sample_links
        theirs = select(MessageTemplate).where(MessageTemplate.clinic_id == clinic.id)
        shown = lambda only: wordings.list_wordings(session, clinic, links, only=only)  # noqa: E731
        return told(session, query, theirs, MessageTemplate, shown)


@wordings_blueprint.put(ONE, allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.writes(WordingOut, takes=WordingIn)
def set_wording(call: Call, new: dict[str, str], language: str, kind: str) -> wordings.Wording:
    """Say it in the clinic's own words from now on. What is queued already says so too."""
    clinic = own_clinic(call.session)
    wordings.set_wording(call.act, language, kind, new["body"])
    return wordings.find_wording(call.session, clinic, language, kind, services().sample_links)


@wordings_blueprint.delete(ONE, allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.response(200, WordingOut)
def reset_wording(language: str, kind: str) -> wordings.Wording:
    """Back to the built-in words. The clinic's own stay in the audit trail."""
    with write_session(services().engine) as session:
        clinic = own_clinic(session)
        wordings.reset_wording(Act(session, caller().actor, clinic.id, services().clock.now()), language, kind)
        return wordings.find_wording(session, clinic, language, kind, services().sample_links)


@wordings_blueprint.post(f"{ONE}/preview", allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.arguments(WordingTried)
@wordings_blueprint.response(200, PreviewOut)
def preview_wording(tried: dict[str, Any], language: str, kind: str) -> Any:
    """How a wording would arrive, filled in with invented values; the built-in one without `body`. Writes nothing."""
    with read_session(services().engine) as session:
        return wordings.preview_wording(own_clinic(session), language, kind, tried["body"], services().sample_links)


@wordings_blueprint.get("/phrases", allowed=for_staff(Right.OWN))
@wordings_blueprint.lists(PhraseOut)
def list_phrases(query: dict[str, Any]) -> dict[str, Any]:
    """What staff can send a patient by hand, in order, each by language."""
    return list_rows(query, Phrase, Phrase.place)


@wordings_blueprint.post("/phrases", allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.writes(PhraseOut, 201, takes=PhraseIn)
def add_phrase(call: Call, new: dict[str, Any]) -> Phrase:
    """One more wording to send by hand, at the end of the list."""
    return phrases.add_phrase(call.act, new["bodies"])


@wordings_blueprint.put("/phrases/<uuid:phrase_id>", allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.writes(PhraseOut, takes=PhraseIn)
def change_phrase(call: Call, new: dict[str, Any], phrase_id: uuid.UUID) -> Phrase:
    """The same in other words. What was sent keeps the words it was sent in."""
    return phrases.change_phrase(call.act, own(call.session, Phrase, phrase_id), new["bodies"])


@wordings_blueprint.post("/phrases/<uuid:phrase_id>/drop", allowed=for_staff(Right.ADMINISTER))
@wordings_blueprint.writes(PhraseOut)
def drop_phrase(call: Call, phrase_id: uuid.UUID) -> Phrase:
    """It is offered no more. Its words stay in the audit trail."""
    row = own(call.session, Phrase, phrase_id)
    phrases.drop_phrase(call.act, row)
    return row
