"""Every table, grouped by the room that writes it.

Promises: every record belongs to a clinic; every instant is a `UTCDateTime`;
ids are UUIDs; clinical rows (readings, check-ins, references, limits,
adjustments) are never changed once written: a correction is a new row, and the
old one only gains the instant it was superseded.
"""

from __future__ import annotations

import inspect
import secrets
import uuid
from collections.abc import Iterable
from datetime import date, datetime, time
from enum import StrEnum
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    ColumnElement,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    Time,
    UniqueConstraint,
    cast,
    func,
    or_,
    select,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from service.domain import vocabulary
from service.domain.openings import Floors
from service.domain.plan import PlanRule, phases_from_json
from service.domain.vocabulary import (
    ActorKind,
    AdjustmentKind,
    Answered,
    ArmPosture,
    CaregiverAnswer,
    Channel,
    ConsentKind,
    ContactState,
    ContactWay,
    ContextKind,
    Device,
    EventCause,
    EventKind,
    InvitationState,
    LinkPurpose,
    MedicineClass,
    MessageKind,
    MessageState,
    NoResult,
    Opened,
    Outcome,
    Pace,
    PatientState,
    PauseCause,
    Posture,
    ResultKind,
    Role,
    Route,
    Sex,
    Side,
    SignalKind,
    SilenceCause,
    Source,
    StepKind,
    StepState,
    Swelling,
    TaskKind,
    TaskState,
    TransferState,
    WeightDoubt,
    WindowState,
)
from service.store import arrivals
from service.store.arrivals import Arriving
from service.store.identity import new_id
from service.store.types import KEY, Id, Legible, LegibleFacts, UTCDateTime, Word
from service.store.vault import Hidden, HiddenFacts, HiddenFile

# Of these the same address is the same text in every table, so that tables are joined by it.
ADDRESS = Hidden("address")
OF_NO_WINDOW = "window_id IS NULL"  # a message that belongs to no window: to staff, by hand, to whoever is invited
# A column of a closed vocabulary holds its words.
WORDS = {kind: Word(kind) for _, kind in inspect.getmembers(vocabulary, inspect.isclass) if issubclass(kind, StrEnum)}


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {
        datetime: UTCDateTime,
        date: Date,
        time: Time,
        uuid.UUID: Id,
        str: String,
        bool: Boolean,
        int: Integer,
        float: Float,
        bytes: LargeBinary,
        dict[str, Any]: JSON,
        list[Any]: JSON,
        **WORDS,
    }

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=new_id)


# Laid by month on PostgreSQL (migrations.monthly): what grows with every day of everybody. No row refers to one of
# these by the database, and nothing but the id is unique in them, so that a month of one can go for itself.
BY_MONTH = {"postgresql_partition_by": "RANGE (id)"}


def _partial(name: str, *columns: str, where: str, unique: bool = False) -> Index:
    """An index of some rows only. It serves queries that say `where` in the same words."""
    return Index(name, *columns, unique=unique, postgresql_where=text(where), sqlite_where=text(where))


def _ref(table: str, **options: Any) -> Any:
    return mapped_column(ForeignKey(f"{table}.id"), **options)


# --- enrolling -----------------------------------------------------------------


class Clinic(Arriving, Base):
    __tablename__ = "clinics"
    QUIET = frozenset({"digest_at"})

    name: Mapped[str] = mapped_column(String(120))
    zone: Mapped[str] = mapped_column(String(64))
    language: Mapped[str] = mapped_column(String(8), default="en")
    review_weekday: Mapped[int]  # 0 is Monday
    emergency_number: Mapped[str] = mapped_column(String(20))
    contact_line: Mapped[str] = mapped_column(String(32))  # the telephone number people may call in hours
    sender_name: Mapped[str] = mapped_column(String(32))  # how messages are signed; says nothing of hearts
    # Whom people write to: a number of the clinic's own, or the gateway's name for one. Null: the service's common one.
    text_line: Mapped[str | None] = mapped_column(String(40), index=True)
    quiet_from: Mapped[time]
    quiet_until: Mapped[time]
    # The hours that a new patient's plan begins with; each plan has its own from then on.
    start_opens: Mapped[time] = mapped_column(default=time(7))
    start_due: Mapped[time] = mapped_column(default=time(8, 30))
    start_closes: Mapped[time] = mapped_column(default=time(10))
    steps: Mapped[list[Any]]  # domain.steps.as_json
    asks: Mapped[dict[str, Any]]  # domain.asking.checked_asks: how often each question is asked
    says_back: Mapped[bool] = mapped_column(default=True)  # answers by text are repeated to who gave them
    silent_days: Mapped[int]  # missed windows in a row before staff get a task
    silent_again_days: Mapped[int]  # after so many, a silence that staff closed is told again while it lasts
    record_rules: Mapped[dict[str, Any] | None]  # domain.record.rules.as_json; null takes the start values
    paper: Mapped[vocabulary.Paper] = mapped_column(server_default=vocabulary.Paper.A4)  # records are printed on it
    # From how much on something stands out in who opened what: domain.openings.Floors.
    noticed_nights: Mapped[int] = mapped_column(default=Floors.nights)
    noticed_records: Mapped[int] = mapped_column(default=Floors.records)
    noticed_occasions: Mapped[int] = mapped_column(default=Floors.occasions)
    second_step: Mapped[bool] = mapped_column(default=False)  # every colleague must have one to sign in
    asks_again_in_doubt: Mapped[bool]  # a prompt that may not have left is sent once more: a double, not nothing
    # Made by the demo's seed. Beside any other, the demo does not run: it opens everybody's telephone.
    is_invented: Mapped[bool] = mapped_column(default=False)
    created_at: Mapped[datetime]
    digest_at: Mapped[datetime | None] = mapped_column(index=True)  # when staff are next told what is open


class Staff(Arriving, Base):
    __tablename__ = "staff"
    # Of one clinic, so that its administrator learns nothing of who works at another.
    __table_args__ = (
        UniqueConstraint("email", "clinic_id"),
        UniqueConstraint("clinic_id", "hospital_issuer", "hospital_subject"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    email: Mapped[str] = mapped_column(ADDRESS)
    name: Mapped[str] = mapped_column(String(120))
    roles: Mapped[list[Any]]  # domain.vocabulary.Role; what each may do: domain.rights
    grants: Mapped[list[Any]]  # domain.rights.Right, beyond what the roles carry
    password_hash: Mapped[str | None] = mapped_column(String(200))  # null until an invitation is taken up
    password_set_at: Mapped[datetime | None]  # or when they first came in another way
    totp_secret: Mapped[str | None] = mapped_column(Hidden("second step"))  # base32 (RFC 6238); null is no second step
    totp_step: Mapped[int | None] = mapped_column(BigInteger)  # the last one used: a code opens once
    paper_codes: Mapped[list[Any]] = mapped_column(default=list)  # SHA-256, hex
    # Who this is to the hospital's own sign-in: never an address, which may become another's. Null: not joined to it.
    hospital_issuer: Mapped[str | None] = mapped_column(String(300))
    hospital_subject: Mapped[str | None] = mapped_column(String(255))
    active: Mapped[bool] = mapped_column(default=True)
    language: Mapped[str | None] = mapped_column(String(8))  # None: the browser's; in messages the clinic's
    emergency_until: Mapped[datetime | None]  # the account of one emergency access, which opens nothing after that
    created_at: Mapped[datetime]

    @classmethod
    def holds_any(cls, roles: Iterable[Role]) -> ColumnElement[bool]:
        """Whose roles these are among. JSON has a word of a list between quotes, on both databases."""
        return or_(*(cast(cls.roles, String).like(f'%"{role.value}"%') for role in roles))


class StaffSession(Base):
    """A browser with staff signed in. Signing out takes the row away, and the cookie opens nothing more."""

    __tablename__ = "staff_sessions"

    # All 128 bits are chance, where a UUID of version 4 has 122 (OWASP ASVS 5.0, 7.2.3).
    id: Mapped[uuid.UUID] = mapped_column(
        primary_key=True, default=lambda: uuid.UUID(bytes=secrets.token_bytes(16)), sort_order=-1
    )
    staff_id: Mapped[uuid.UUID] = _ref("staff", index=True)
    begun_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    confirmed_at: Mapped[datetime]  # when they last showed that it is they
    by_hospital: Mapped[bool] = mapped_column(default=False)  # begun by the hospital's sign-in
    had_second_step: Mapped[bool] = mapped_column(default=False)  # which counts as the second step
    address: Mapped[str] = mapped_column(String(45))
    browser: Mapped[str] = mapped_column(String(60))


class StaffInvitation(Base):
    """A link by which one person sets their own password."""

    __tablename__ = "staff_invitations"

    staff_id: Mapped[uuid.UUID] = _ref("staff", index=True)
    key_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256, hex
    made_at: Mapped[datetime]
    until: Mapped[datetime]
    used_at: Mapped[datetime | None]  # or ended by a newer one


class HospitalSignIn(Base):
    """The hospital's own sign-in, where a clinic has one: an OpenID provider, and who we are there."""

    __tablename__ = "hospital_sign_ins"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", unique=True)
    door: Mapped[str] = mapped_column(String(22), unique=True)  # in the address of its page; opens nothing by itself
    issuer: Mapped[str] = mapped_column(String(300))
    client_id: Mapped[str] = mapped_column(String(200))
    client_secret: Mapped[str] = mapped_column(String(800))  # sealed: accounts.hospital
    address_claim: Mapped[str] = mapped_column(String(60))  # what carries the address, looked at when an account joins
    counts: Mapped[vocabulary.HospitalCounts]
    acr: Mapped[str | None] = mapped_column(String(200))  # the strength that is asked for, and counts where it is told
    passwords_too: Mapped[bool] = mapped_column(default=True)  # whoever has joined may use a password beside it
    made_at: Mapped[datetime]


class EmergencyCode(Base):
    """A code on paper that opens one emergency access."""

    __tablename__ = "emergency_codes"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    code_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256, hex
    made_at: Mapped[datetime]
    withdrawn_at: Mapped[datetime | None]  # a newer sheet took its place
    used_at: Mapped[datetime | None]


class EmergencyAccess(Arriving, Base):
    """Who came in with such a code, by the name they gave, and why. Never changed but by its end and its review."""

    __tablename__ = "emergency_accesses"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    code_id: Mapped[uuid.UUID] = _ref("emergency_codes", unique=True)
    staff_id: Mapped[uuid.UUID] = _ref("staff", unique=True)  # the account under which they act
    name: Mapped[str] = mapped_column(String(80))
    reason: Mapped[str] = mapped_column(String(400))
    begun_at: Mapped[datetime]
    until: Mapped[datetime]  # by the service's time, as everything here; its account's sessions go by the machine's
    ended_at: Mapped[datetime | None]  # and what was taken under it is open again
    seen_at: Mapped[datetime | None]  # when an administrator had looked into it
    seen_by: Mapped[uuid.UUID | None] = _ref("staff")
    address: Mapped[str] = mapped_column(String(45))
    browser: Mapped[str] = mapped_column(String(60))


class Passkey(Base):
    """A key pair of one account; the private half never leaves its person's device (W3C Web Authentication)."""

    __tablename__ = "passkeys"

    staff_id: Mapped[uuid.UUID] = _ref("staff", index=True)
    credential_id: Mapped[bytes] = mapped_column(unique=True)  # 1,023 bytes at most
    public_key: Mapped[bytes]  # COSE (RFC 9052)
    sign_count: Mapped[int] = mapped_column(BigInteger)  # as last told; 0 where the device counts none
    name: Mapped[str] = mapped_column(String(60))  # its person's own word for it
    made_at: Mapped[datetime]
    used_at: Mapped[datetime | None]
    doubted_at: Mapped[datetime | None]  # its count of uses went back, as a copy's does: it opens nothing any more

    @classmethod
    def that_open(cls, staff_id: uuid.UUID) -> tuple[ColumnElement[bool], ...]:
        """Which passkeys open this account."""
        return cls.staff_id == staff_id, cls.doubted_at.is_(None)


class PasskeyChallenge(Base):
    """What one browser was asked to sign. Taken away when the answer comes, whatever it is."""

    __tablename__ = "passkey_challenges"

    purpose: Mapped[vocabulary.PasskeyPurpose]
    staff_id: Mapped[uuid.UUID | None] = _ref("staff", index=True)  # null where the passkey says whose it is
    challenge: Mapped[bytes]
    place: Mapped[str] = mapped_column(String(64), index=True)  # where it was asked: how many a place may have open
    at: Mapped[datetime] = mapped_column(index=True)


class SignInAttempt(Base):
    """Failed sign-ins, in a table because web processes do not share memory."""

    __tablename__ = "sign_in_attempts"
    __table_args__ = (Index("ix_sign_in_attempts_place", "place", "account"),)

    account: Mapped[str] = mapped_column(String(64), index=True)  # SHA-256 of the e-mail as typed, lower case
    place: Mapped[str] = mapped_column(String(64))  # SHA-256 of the address, or of a known browser's name
    at: Mapped[datetime] = mapped_column(index=True)


class ApiKey(Arriving, Base):
    __tablename__ = "api_keys"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    name: Mapped[str] = mapped_column(String(80))
    secret_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256 of the secret, hex
    scopes: Mapped[list[Any]]
    networks: Mapped[list[Any]]  # CIDR; empty is from anywhere
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    used_at: Mapped[datetime | None]  # to the hour
    revoked_at: Mapped[datetime | None]


class Patient(Arriving, Base):
    """Somebody who is looked after by a clinic, or was."""

    __tablename__ = "patients"
    QUIET = frozenset({"dues_at"})
    __table_args__ = (
        UniqueConstraint("clinic_id", "clinic_ref"),
        _partial("ix_patients_dues", "dues_at", where="dues_at IS NOT NULL"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    clinic_ref: Mapped[str] = mapped_column(String(40))  # the clinic's own number for this person
    name: Mapped[str] = mapped_column(String(120))
    zone: Mapped[str] = mapped_column(String(64))
    language: Mapped[str] = mapped_column(String(8))
    state: Mapped[PatientState] = mapped_column(default=PatientState.ACTIVE)
    usual_pillows: Mapped[int | None]
    dry_weight_kg: Mapped[float | None]
    weight_unit: Mapped[str] = mapped_column(String(8), default="kg")  # UCUM: kg or [lb_av]
    says_back: Mapped[bool] = mapped_column(default=True)  # where the clinic does
    withdrawn: Mapped[bool] = mapped_column(default=False)  # the enrolment was taken back: a file's mistake
    enrolled_at: Mapped[datetime]
    erased_at: Mapped[datetime | None]  # when what tells who this was went: keeping/erasing.py
    dues_at: Mapped[datetime | None]  # when the record next makes something due for staff, see care.dues


class PatientMove(Arriving, Base):
    """A patient's move to another zone. Without one they have lived where they do now all along."""

    __tablename__ = "moves"
    __table_args__ = (Index("ix_moves_patient_id_at", "patient_id", "at"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    at: Mapped[datetime]
    from_zone: Mapped[str] = mapped_column(String(64))
    to_zone: Mapped[str] = mapped_column(String(64))
    without_window: Mapped[list[Any]]  # planned dates (ISO 8601) that the move has left without one


class Transfer(Arriving, Base):
    """One clinic asked another to take a patient over. Both may read it, also after the patient is no longer theirs."""

    __tablename__ = "transfers"
    __table_args__ = (
        _partial("uq_transfers_asked", "patient_id", where="state = 'asked'", unique=True),
        Index("ix_transfers_patient_id", "patient_id"),
        _partial("ix_transfers_accepted", "settled_at", where="state = 'accepted'"),
        Index("ix_transfers_to_clinic_id_mark", "to_clinic_id", "mark"),  # beside clinic_id's own: arrived()
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)  # the one that asked
    to_clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    name: Mapped[str] = mapped_column(String(120))  # as the clinic that asked knew them
    clinic_ref: Mapped[str] = mapped_column(String(40))
    since: Mapped[datetime]  # from when on the clinic that asked had looked after them
    state: Mapped[TransferState] = mapped_column(default=TransferState.ASKED)
    asked_by: Mapped[str] = mapped_column(String(80))
    asked_at: Mapped[datetime]
    settled_by: Mapped[str | None] = mapped_column(String(80))
    settled_at: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(String(400), default="")  # why it was declined

    @classmethod
    def here_since(cls) -> ColumnElement[datetime]:
        """Of a row of patients: when the clinic that looks after them took them over, or else enrolled them."""
        theirs = (cls.patient_id == Patient.id, cls.to_clinic_id == Patient.clinic_id)
        came = select(func.max(cls.settled_at)).where(*theirs, cls.state == TransferState.ACCEPTED)
        return func.coalesce(came.scalar_subquery(), Patient.enrolled_at)


class Caregiver(Arriving, Base):
    """Somebody who looks out for a patient, and is asked when no reading came."""

    __tablename__ = "caregivers"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    name: Mapped[str] = mapped_column(String(120))
    relation: Mapped[str] = mapped_column(String(40), default="")
    zone: Mapped[str] = mapped_column(String(64))
    language: Mapped[str] = mapped_column(String(8))
    position: Mapped[int] = mapped_column(default=0)
    active: Mapped[bool] = mapped_column(default=True)
    created_at: Mapped[datetime]


class Contact(Arriving, Base):
    """One address of one person: exactly one of patient, caregiver and staff is set.

    None is, where a stranger wrote from it: they are told once whom to call, and their STOP is kept.
    """

    __tablename__ = "contacts"
    # Of each owner only those that have one: with all the nulls counted in, SQLite takes many to belong to each, and
    # for the caregivers of a few hundred patients reads the contacts of everybody.
    __table_args__ = (
        Index("ix_contacts_channel_address", "channel", "address"),
        *(
            _partial(f"ix_contacts_{one}", one, where=f"{one} IS NOT NULL")
            for one in ("patient_id", "caregiver_id", "staff_id")
        ),
        _partial(
            "ix_contacts_of_nobody", "created_at",
            where="patient_id IS NULL AND caregiver_id IS NULL AND staff_id IS NULL",
        ),
    )  # fmt: skip

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID | None] = _ref("patients")
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers")
    staff_id: Mapped[uuid.UUID | None] = _ref("staff")
    channel: Mapped[Channel]
    address: Mapped[str] = mapped_column(ADDRESS)  # E.164, mailbox, or a push subscription's endpoint
    secret: Mapped[dict[str, Any] | None] = mapped_column(HiddenFacts("push keys"))  # a push subscription's keys
    position: Mapped[int] = mapped_column(default=0)  # tried in this order
    state: Mapped[ContactState] = mapped_column(default=ContactState.OK)
    broken_reason: Mapped[str | None] = mapped_column(String(200))
    introduced_by: Mapped[uuid.UUID | None]  # the message in which they were told who writes; no reference back
    created_at: Mapped[datetime]
    changed_at: Mapped[datetime | None]  # when it last began to lead elsewhere; null: never


class Consent(Arriving, Base):
    """A record of consent given or withdrawn. Never changed; the newest row counts."""

    __tablename__ = "consents"
    __table_args__ = (Index("ix_consents_patient_id_kind_at", "patient_id", "kind", "at"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers", index=True)
    kind: Mapped[ConsentKind]
    given: Mapped[bool]
    how: Mapped[str] = mapped_column(String(200))  # "signed form", "text STOP" …
    given_on: Mapped[date | None]  # the date of the form or talk, as staff say; null: when it was recorded
    recorded_by: Mapped[str] = mapped_column(String(80))
    at: Mapped[datetime]
    seal: Mapped[str] = mapped_column(String(80), default="")


class Plan(Base):
    """What is expected of a patient and when. One row per patient, replaced through enrolling."""

    __tablename__ = "plans"
    __table_args__ = (_partial("ix_plans_due", "next_open_at", where="active"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", unique=True)
    weekdays: Mapped[int]  # bit 0 is Monday … bit 6 is Sunday
    opens: Mapped[time]  # wall time in the patient's zone
    due: Mapped[time]
    closes: Mapped[time]
    wants_reading: Mapped[bool]
    wants_checkin: Mapped[bool]
    phases: Mapped[list[Any] | None]  # domain.plan.phases_as_json: dates with weekdays of their own
    steps: Mapped[list[Any] | None]  # overrides the clinic's, when not null
    silent_days: Mapped[int | None]
    next_date: Mapped[date]  # the local date that opens at next_open_at
    next_open_at: Mapped[datetime]  # the `due_at` of "open this plan's next window"
    active: Mapped[bool] = mapped_column(default=True)
    set_at: Mapped[datetime]

    @property
    def rule(self) -> PlanRule:
        return PlanRule(
            self.weekdays, self.opens, self.due, self.closes, self.wants_reading, self.wants_checkin,
            phases_from_json(self.phases),
        )  # fmt: skip


class EnrolmentDraft(Base):
    """An enrolment that was begun and is not finished. Nobody is enrolled by it; gone once they are, or after days."""

    __tablename__ = "enrolment_drafts"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    begun_by: Mapped[uuid.UUID] = _ref("staff")
    begun_at: Mapped[datetime] = mapped_column(index=True)
    typed: Mapped[dict[str, Any]] = mapped_column(HiddenFacts("typed"))  # the fields of the form, as they were typed
    step: Mapped[int] = mapped_column(default=1)  # the one that is to be filled in next


class Invitation(Arriving, Base):
    """Somebody who was asked to read, choose and agree by themselves. Nobody is enrolled by it before staff confirm."""

    __tablename__ = "invitations"
    __table_args__ = (
        _partial("ix_invitations_open", "until", where="state = 'open'"),
        _partial("ix_invitations_ended", "ended_at", where="state <> 'enrolled'"),  # those that came to nothing
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    made_by: Mapped[str] = mapped_column(String(80))
    made_at: Mapped[datetime]
    until: Mapped[datetime]
    state: Mapped[InvitationState]
    name: Mapped[str] = mapped_column(String(120))  # as staff know it
    born_on: Mapped[date | None]  # asked for at the door; where it is null, the clinic's number is
    clinic_ref: Mapped[str | None] = mapped_column(String(40))
    language: Mapped[str] = mapped_column(String(8))
    number: Mapped[str | None] = mapped_column(ADDRESS)  # E.164, as staff know it
    text_agreed_how: Mapped[str | None] = mapped_column(String(200))  # to the one text with the link, as last recorded
    text_agreed_at: Mapped[datetime | None]
    text_agreed_by: Mapped[str | None] = mapped_column(String(80))
    wrong_tries: Mapped[int] = mapped_column(default=0)  # at the door
    said: Mapped[dict[str, Any]] = mapped_column(
        HiddenFacts("said")
    )  # what was chosen on the page so far: enrolling.invited
    said_at: Mapped[datetime | None]  # when it was sent, or no was said
    code_hash: Mapped[str | None] = mapped_column(String(64))  # SHA-256, hex, of the code that is out
    code_to: Mapped[str | None] = mapped_column(ADDRESS)
    code_until: Mapped[datetime | None]
    code_tries: Mapped[int] = mapped_column(default=0)
    codes_sent: Mapped[int] = mapped_column(default=0)
    shown_to_read: Mapped[str | None] = mapped_column(ADDRESS)  # the address at which a code was read
    patient_id: Mapped[uuid.UUID | None] = _ref("patients", index=True)  # who was enrolled by it
    ended_at: Mapped[datetime | None]


class FormDraft(Base):
    """What somebody typed into a form of a staff page and has not sent. Nobody acts on it; gone after days."""

    __tablename__ = "form_drafts"
    __table_args__ = (UniqueConstraint("staff_id", "form"),)

    staff_id: Mapped[uuid.UUID] = _ref("staff")
    form: Mapped[str] = mapped_column(String(200))  # where it is sent, and which entry it corrects
    typed: Mapped[dict[str, Any]] = mapped_column(HiddenFacts("typed"))
    saved_at: Mapped[datetime] = mapped_column(index=True)


class ImportFile(Base):
    """A file that is being looked at before it is taken in; gone after a day. Read as data only."""

    __tablename__ = "import_files"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    sent_by: Mapped[uuid.UUID] = _ref("staff")
    at: Mapped[datetime] = mapped_column(index=True)
    kind: Mapped[str] = mapped_column(String(12))
    name: Mapped[str] = mapped_column(String(120))  # as it was sent
    body: Mapped[bytes] = mapped_column(HiddenFile("file"))


class Import(Arriving, Base):
    """A file that was taken in. Its rows are found by their ids, which are made of this one and of their lines."""

    __tablename__ = "imports"
    __table_args__ = (Index("ix_imports_clinic_id_at", "clinic_id", "at"),)
    QUIET = frozenset({"last_line"})

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    kind: Mapped[str] = mapped_column(String(12))
    name: Mapped[str] = mapped_column(String(120))  # of the file, as it was sent
    at: Mapped[datetime]
    taken_by: Mapped[str] = mapped_column(String(80))
    last_line: Mapped[int] = mapped_column(default=0)  # none beyond it was taken
    rows: Mapped[int] = mapped_column(default=0)
    taken: Mapped[int] = mapped_column(default=0)
    finished_at: Mapped[datetime | None]  # null where it was cut off: what had been taken stays
    undone_at: Mapped[datetime | None]  # when it was last taken back
    undone_by: Mapped[str | None] = mapped_column(String(80))
    undone_why: Mapped[str | None] = mapped_column(String(400))
    undone: Mapped[int] = mapped_column(default=0)  # rows

    def row_id(self, line: int) -> uuid.UUID:
        """The id of what that line of the file has brought."""
        return uuid.uuid5(self.id, str(line))


class Pause(Arriving, Base):
    """Local dates on which nothing was expected of the patient."""

    __tablename__ = "pauses"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    cause: Mapped[PauseCause]
    from_date: Mapped[date]
    to_date: Mapped[date | None]  # last local date that is excused; null is "until told"
    note: Mapped[str] = mapped_column(Text, default="")
    recorded_by: Mapped[str] = mapped_column(String(80))
    recorded_at: Mapped[datetime]
    cancelled_at: Mapped[datetime | None]


class Reference(Arriving, Base):
    """A patient's anchored baseline, mmHg. The newest row counts; none drifts by itself."""

    __tablename__ = "patient_references"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    pa_diastolic: Mapped[float]
    pa_mean: Mapped[float | None]
    pa_systolic: Mapped[float | None]
    from_date: Mapped[date | None]  # the settled fortnight it was taken from; null when typed in
    to_date: Mapped[date | None]
    sd: Mapped[float | None]  # of the fortnight's mean of PA diastolic; null when typed in
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class Limits(Arriving, Base):
    """Upper and lower PA diastolic, mmHg, typed in or accepted by the clinician. The newest row counts."""

    __tablename__ = "patient_limits"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    upper: Mapped[float | None]
    lower: Mapped[float | None]
    origin: Mapped[dict[str, Any] | None]  # the level before events that the upper one was accepted from; null: typed
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class GoalRow(Arriving, Base):
    """A clinician's aim for PA diastolic, mmHg, either end or both. The newest counts, until its date or its end."""

    __tablename__ = "goals"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    lower: Mapped[float | None]
    upper: Mapped[float | None]
    why: Mapped[str] = mapped_column(Text)
    until: Mapped[date]  # last local date on which it is in force
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]


class ContextTagRow(Arriving, Base):
    """What else was so on some dates of a patient. Taken back, not changed."""

    __tablename__ = "context_tags"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    kind: Mapped[ContextKind]
    from_date: Mapped[date]
    to_date: Mapped[date | None]  # last local date; null is "until told"
    offset_mmhg: Mapped[float | None]  # by which a recalibrated sensor reads higher from `from_date` on
    note: Mapped[str] = mapped_column(Text, default="")
    recorded_by: Mapped[str] = mapped_column(String(80))
    recorded_at: Mapped[datetime]
    cancelled_at: Mapped[datetime | None]


# --- scheduling ------------------------------------------------------------------


class Window(Arriving, Base):
    """One local date of a patient on which a reading or a check-in was expected."""

    __tablename__ = "windows"
    __table_args__ = (
        UniqueConstraint("patient_id", "local_date"),
        _partial("ix_windows_to_close", "closes_at", where="state = 'open'"),
        Index("ix_windows_clinic_id_local_date", "clinic_id", "local_date"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    local_date: Mapped[date]
    zone: Mapped[str] = mapped_column(String(64))
    opens_at: Mapped[datetime]
    due_at: Mapped[datetime]
    closes_at: Mapped[datetime]
    wants_reading: Mapped[bool]
    wants_checkin: Mapped[bool]
    state: Mapped[WindowState]
    reading_at: Mapped[datetime | None]  # when the first valid reading of this date was received
    checkin_at: Mapped[datetime | None]
    settled_at: Mapped[datetime | None]
    pace: Mapped[Pace | None]  # null is the clinic's usual follow-up


class Step(Base):
    """One follow-up step of one window, frozen when the window opened."""

    __tablename__ = "steps"
    __table_args__ = (
        Index("ix_steps_window_id_position", "window_id", "position"),  # written once, with their window: scheduling
        _partial("ix_steps_due", "due_at", where="state = 'pending'"),
        BY_MONTH,
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    window_id: Mapped[uuid.UUID] = _ref("windows")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    position: Mapped[int]
    kind: Mapped[StepKind]
    due_at: Mapped[datetime]
    state: Mapped[StepState]
    reason: Mapped[str | None] = mapped_column(String(40))
    settled_at: Mapped[datetime | None]


class Silence(Arriving, Base):
    """An unbroken run of missed reading windows."""

    __tablename__ = "silences"
    __table_args__ = (
        _partial("uq_silences_open", "patient_id", where="ended_at IS NULL", unique=True),
        Index("ix_silences_patient_id_first_date", "patient_id", "first_date"),
        Index("ix_silences_patient_id_last_date", "patient_id", "last_date"),  # store/histories.py: lasting
        Index("ix_silences_clinic_id_last_date", "clinic_id", "last_date"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    first_date: Mapped[date]
    last_date: Mapped[date]
    missed: Mapped[int]  # windows
    cause: Mapped[SilenceCause]
    opened_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    ended_because: Mapped[str | None] = mapped_column(String(40))


class CaregiverReply(Arriving, Base):
    """What a caregiver said happened. Shown to staff; never changed."""

    __tablename__ = "caregiver_replies"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    caregiver_id: Mapped[uuid.UUID] = _ref("caregivers")
    window_id: Mapped[uuid.UUID] = _ref("windows", index=True)
    answer: Mapped[CaregiverAnswer]
    until: Mapped[date | None]  # last day away, when they know it
    note: Mapped[str] = mapped_column(Text, default="")
    at: Mapped[datetime]


class Task(Arriving, Base):
    """Something a member of staff must look at."""

    __tablename__ = "tasks"
    __table_args__ = (
        Index("ix_tasks_clinic_id_state", "clinic_id", "state"),
        _partial("ix_tasks_to_tell", "escalates_at", where="state = 'open'"),
        _partial("ix_tasks_again", "again_at", where="again_at IS NOT NULL"),
        _partial("ix_tasks_taken_by", "taken_by", where="taken_by IS NOT NULL"),  # an account that ends: care/tasks.py
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID | None] = _ref("patients", index=True)
    kind: Mapped[TaskKind]
    facts: Mapped[dict[str, Any]]  # domain.tasks.TaskFacts as JSON; words are made from them
    dedupe_key: Mapped[str] = mapped_column(KEY, unique=True)
    raised_at: Mapped[datetime]
    escalates_at: Mapped[datetime | None]  # when an open one is told to the next contact; null: to nobody
    state: Mapped[TaskState]
    taken_by: Mapped[uuid.UUID | None] = _ref("staff")
    taken_at: Mapped[datetime | None]
    closed_by: Mapped[uuid.UUID | None] = _ref("staff")
    closed_at: Mapped[datetime | None]
    close_reason: Mapped[str | None] = mapped_column(String(400))
    retold_at: Mapped[datetime | None]  # when it last told of something new: who was told before is told anew
    again_at: Mapped[datetime | None]  # when what a closed one told of is told again, if it still lasts
    staff_id: Mapped[uuid.UUID | None] = _ref("staff")  # whose it is by name
    role: Mapped[Role | None]  # or by role; null beside no name: everybody's


# --- intake ----------------------------------------------------------------------


class Reading(Arriving, Base):
    """One pressure reading, mmHg. Current when `superseded_at` is null."""

    __tablename__ = "readings"
    __table_args__ = (
        _partial("uq_readings_current", "patient_id", "taken_at", where="superseded_at IS NULL", unique=True),
        Index("ix_readings_patient_id_local_date", "patient_id", "local_date"),
        Index("ix_readings_clinic_id_local_date", "clinic_id", "local_date"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    taken_at: Mapped[datetime]
    received_at: Mapped[datetime]
    local_date: Mapped[date]
    pa_systolic: Mapped[float]
    pa_diastolic: Mapped[float]
    pa_mean: Mapped[float]
    mean_is_derived: Mapped[bool]
    heart_rate: Mapped[float | None]
    posture: Mapped[Posture | None]
    source: Mapped[Source]
    source_ref: Mapped[str | None] = mapped_column(String(80))
    unit_given: Mapped[str] = mapped_column(String(12))  # UCUM
    remarks: Mapped[list[Any]]  # words such as "pulse pressure small"
    supersedes_id: Mapped[uuid.UUID | None] = _ref("readings")
    superseded_at: Mapped[datetime | None]


class Checkin(Arriving, Base):
    """The diary answers of one local date. Null is "not answered". Current when `superseded_at` is null."""

    __tablename__ = "checkins"
    __table_args__ = (
        _partial("uq_checkins_current", "patient_id", "local_date", where="superseded_at IS NULL", unique=True),
        Index("ix_checkins_clinic_id_local_date", "clinic_id", "local_date"),
        Index("ix_checkins_patient_id", "patient_id"),  # with those superseded: undone with a file, or moved elsewhere
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    local_date: Mapped[date]
    answered_at: Mapped[datetime]
    source: Mapped[Source]
    breathlessness: Mapped[int | None]  # 0–10, at its hardest since the day before
    extra_pillows: Mapped[int | None]  # change from the patient's own usual
    woke_breathless: Mapped[bool | None]
    slept_in_chair: Mapped[bool | None]
    swelling: Mapped[Swelling | None]
    full_belly: Mapped[bool | None]  # swollen, or full after a few bites
    weight_kg: Mapped[float | None]
    weight_unit: Mapped[str | None] = mapped_column(String(8))  # as given: kg or [lb_av]
    weight_confirmed: Mapped[bool] = mapped_column(default=False)  # they were asked about it, and it is right
    weight_doubt: Mapped[WeightDoubt | None]  # until then it is compared with nothing
    light_headed: Mapped[bool | None]
    tiredness: Mapped[int | None]  # 0–10
    missed_medicines: Mapped[bool | None]
    safety_signs: Mapped[list[Any] | None]  # domain.words.SafetySign; [] is "none of these", null is not answered
    note: Mapped[str] = mapped_column(Text, default="")
    supersedes_id: Mapped[uuid.UUID | None] = _ref("checkins")
    superseded_at: Mapped[datetime | None]


class IdempotentCall(Base):
    """What a POST with an Idempotency-Key answered, so that a repeat answers the same. Gone after a day."""

    __tablename__ = "idempotent_calls"
    __table_args__ = (UniqueConstraint("caller", "key"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    caller: Mapped[str] = mapped_column(String(80))
    key: Mapped[str] = mapped_column(String(120))
    request_hash: Mapped[str] = mapped_column(String(64))  # under a key of the service's, hex
    status: Mapped[int]  # 0 where the answer is not kept
    body: Mapped[dict[str, Any]] = mapped_column(HiddenFacts("answer"))
    at: Mapped[datetime] = mapped_column(index=True)


# --- delivery --------------------------------------------------------------------


class Message(Arriving, Base):
    """One thing to one person on one channel: the outbox."""

    __tablename__ = "messages"
    QUIET = frozenset({"claim_token", "lease_until", "turns", "greets_at", "said", "next_try_at", "provider_ref"})
    __table_args__ = (
        _partial("ix_messages_due", "next_try_at", where="state = 'queued'"),
        _partial("ix_messages_leased", "lease_until", where="state IN ('claimed', 'handing_over')"),
        # Every change of a message writes each index that it stands in once more: what is mostly empty is left out.
        Index("ix_messages_patient_id_created_at", "patient_id", "created_at"),
        Index("ix_messages_clinic_id_created_at", "clinic_id", "created_at"),  # web/pages/clinic/sent.py
        _partial(
            "ix_messages_caregiver_id", "caregiver_id", where="caregiver_id IS NOT NULL"
        ),  # a nudge's: care/contacts.py
        _partial("ix_messages_task_id", "task_id", where="task_id IS NOT NULL"),
        _partial("ix_messages_window_id", "window_id", where="window_id IS NOT NULL"),
        _partial("ix_messages_claim_token", "claim_token", where="claim_token IS NOT NULL"),  # delivery/settling.py
        _partial("ix_messages_provider_ref", "provider_ref", where="provider_ref IS NOT NULL"),  # delivery/receiving.py
        # What is looked for by the beginning of its key: invitations, and what is sent by hand.
        _partial("ix_messages_dedupe_key", "dedupe_key", where=OF_NO_WINDOW),
        BY_MONTH,
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID | None] = _ref("patients")
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers")
    staff_id: Mapped[uuid.UUID | None] = _ref("staff")
    contact_id: Mapped[uuid.UUID] = _ref("contacts")
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    step_id: Mapped[uuid.UUID | None]  # of `steps`, which may be gone before it: store/months.py
    task_id: Mapped[uuid.UUID | None] = _ref("tasks")  # the one that a notice to staff is about
    kind: Mapped[MessageKind]
    channel: Mapped[Channel]
    dedupe_key: Mapped[str] = mapped_column(KEY)  # once in `occurrences`, as long as it could come again
    params: Mapped[dict[str, Any]]  # what the template needs; a value only in a reply that repeats their own words
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    state: Mapped[MessageState]
    reason: Mapped[str | None] = mapped_column(String(60))
    attempts: Mapped[int] = mapped_column(default=0)
    turns: Mapped[int] = mapped_column(default=0)  # how often it was claimed: worded before, it says the same again
    greets_at: Mapped[datetime | None]  # the time of day that its words are of
    said: Mapped[str | None] = mapped_column(String(64))  # SHA-256 of what was handed over under its id, hex
    next_try_at: Mapped[datetime]  # the `due_at` of "try this message"
    claim_token: Mapped[uuid.UUID | None]
    lease_until: Mapped[datetime | None]
    handed_over_at: Mapped[datetime | None]
    settled_at: Mapped[datetime | None]
    provider_ref: Mapped[str | None] = mapped_column(String(120))


class Occurrence(Base):
    """What has become a message, as long as it could come again: its id is made of the message's dedupe key."""

    __tablename__ = "occurrences"

    clinic_id: Mapped[uuid.UUID]
    message_id: Mapped[uuid.UUID]
    until: Mapped[date] = mapped_column(index=True)  # UTC; from then on nobody writes it again


class MessageEvent(Base):
    """The delivery history of a message. Only ever added to."""

    __tablename__ = "message_events"
    __table_args__ = BY_MONTH

    clinic_id: Mapped[uuid.UUID]
    message_id: Mapped[uuid.UUID] = mapped_column(index=True)  # of `messages`, whose month may go before this one
    at: Mapped[datetime]
    event: Mapped[str] = mapped_column(String(24))
    detail: Mapped[str] = mapped_column(String(200), default="")


class LinkKey(Base):
    """What a link opens, for whom, until when. The key itself stands in the message alone: see `service.links`."""

    __tablename__ = "link_keys"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID | None] = _ref("patients", index=True)  # null for somebody who is only invited
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers")
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    invitation_id: Mapped[uuid.UUID | None] = _ref("invitations", index=True)
    purpose: Mapped[LinkPurpose]
    key_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256, hex
    made_at: Mapped[datetime]
    until: Mapped[datetime] = mapped_column(index=True)
    revoked_at: Mapped[datetime | None]
    used_at: Mapped[datetime | None]  # when it set a phone up for notices: no other phone after that


class MessageTemplate(Arriving, Base):
    """A clinic's own wording for a kind of message in a language, or that it went back to the built-in one."""

    __tablename__ = "message_templates"
    __table_args__ = (UniqueConstraint("clinic_id", "language", "kind"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    language: Mapped[str] = mapped_column(String(8))
    kind: Mapped[MessageKind]
    body: Mapped[str | None] = mapped_column(Text)  # null is the built-in one
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class Phrase(Arriving, Base):
    """A wording that the clinic's staff send by hand, in one language or several."""

    __tablename__ = "phrases"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    place: Mapped[int]  # in the list
    bodies: Mapped[dict[str, Any]]  # text by language
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class InboundText(Base):
    """A text message that reached us. Taken in once per gateway reference and what it says."""

    __tablename__ = "inbound_texts"

    gateway_ref: Mapped[str] = mapped_column(String(120), unique=True)
    said: Mapped[str] = mapped_column(String(8))  # too little of a digest to tell what was said, but not to differ
    contact_id: Mapped[uuid.UUID | None] = _ref("contacts", index=True)
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    received_at: Mapped[datetime]
    outcome: Mapped[str] = mapped_column(String(40))


class UnplacedText(Base):
    """A text from a number that several clinics have, as long as it is not known which is meant. Gone once it is.

    The one record of a person that belongs to no clinic: it is shown to nobody.
    """

    __tablename__ = "unplaced_texts"

    gateway_ref: Mapped[str] = mapped_column(String(120), unique=True)
    address: Mapped[str] = mapped_column(ADDRESS, index=True)
    body: Mapped[str] = mapped_column(Text)
    said_at: Mapped[datetime]
    offered: Mapped[list[Any]]  # the clinics' ids in the order they were named; empty where nothing was asked
    expires_at: Mapped[datetime] = mapped_column(index=True)


class StrangerText(Base):
    """A text from a number that nobody has, for the page of the task that staff have of it. Gone after a time."""

    __tablename__ = "stranger_texts"
    __table_args__ = (Index("ix_stranger_texts_line_taken_at", "line", "taken_at"),)

    gateway_ref: Mapped[str] = mapped_column(String(120), unique=True)
    address: Mapped[str] = mapped_column(ADDRESS, index=True)
    line: Mapped[str] = mapped_column(String(40))  # what was written to; empty where it is not known
    body: Mapped[str] = mapped_column(Text)
    said_at: Mapped[datetime]
    taken_at: Mapped[datetime] = mapped_column(index=True)
    alarms: Mapped[bool]  # it may be an emergency
    clinic_id: Mapped[uuid.UUID | None] = _ref("clinics")  # whose words they are; none where several may be meant
    answered: Mapped[bool]  # they were told whom to call


class MeantClinic(Base):
    """Which clinic somebody said they mean, who writes from a number that several have. Gone long after that talk."""

    __tablename__ = "meant_clinics"

    address: Mapped[str] = mapped_column(ADDRESS, unique=True)
    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    until: Mapped[datetime]


class Trial(Base):
    """A test message that an operator sent to themselves, and what was heard of it; to whom is kept nowhere."""

    __tablename__ = "trials"

    channel: Mapped[Channel]
    at: Mapped[datetime] = mapped_column(index=True)
    state: Mapped[MessageState]
    provider_ref: Mapped[str | None] = mapped_column(String(120))
    detail: Mapped[str] = mapped_column(String(200))


class ReadPosition(Base):
    """How far a provider's list of receipts or replies has been read."""

    __tablename__ = "read_positions"

    source: Mapped[str] = mapped_column(String(40), unique=True)
    position: Mapped[int] = mapped_column(BigInteger)


class DeadLetter(Base):
    """A reply or receipt that could not be taken in, as it came; quarantined under its own id, gone once taken in."""

    __tablename__ = "dead_letters"

    source: Mapped[str] = mapped_column(String(40))
    said: Mapped[str] = mapped_column(Hidden("call"))  # JSON in ASCII: no character of it can be refused
    at: Mapped[datetime]


class Conversation(Base):
    """Where a check-in by text message stands: what was answered, what is asked next."""

    __tablename__ = "conversations"
    __table_args__ = (UniqueConstraint("window_id", "contact_id"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    contact_id: Mapped[uuid.UUID] = _ref("contacts")
    window_id: Mapped[uuid.UUID] = _ref("windows")
    answers: Mapped[dict[str, Any]]
    asking: Mapped[str | None] = mapped_column(String(40))
    asked_again: Mapped[list[Any]]
    last_at: Mapped[datetime]
    closed_at: Mapped[datetime | None]


# --- reviewing -------------------------------------------------------------------


class Signal(Base):
    """A named reason to look: one row per episode."""

    __tablename__ = "signals"
    __table_args__ = (
        UniqueConstraint("patient_id", "kind", "raised_on"),
        Index("ix_signals_clinic_id_ended_on", "clinic_id", "ended_on"),
        _partial("ix_signals_unseen", "clinic_id", where="seen_at IS NULL"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    kind: Mapped[SignalKind]
    raised_on: Mapped[date]
    raised_at: Mapped[datetime]
    began_on: Mapped[date]
    facts: Mapped[dict[str, Any]]  # domain.signals.facts.PictureFacts as JSON; words are made from them
    ended_on: Mapped[date | None]
    seen_at: Mapped[datetime | None]
    seen_by: Mapped[uuid.UUID | None] = _ref("staff")


class PanelRow(Base):
    """What the weekly review needs of one patient, carried forward at intake; rebuildable from the rows."""

    __tablename__ = "panel_rows"
    __table_args__ = (
        UniqueConstraint("patient_id"),
        # A clinic's rows beside each other where their time is the same: those claimed together share the work.
        _partial("ix_panel_rows_stale", "stale_since", "clinic_id", where="stale_since IS NOT NULL"),
        Index("ix_panel_rows_outdated_at", "outdated_at", "clinic_id"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    as_of: Mapped[date]
    facts: Mapped[dict[str, Any]]
    rank: Mapped[str] = mapped_column(String(200), default="")  # sorts as the panel does, see reviewing.placing
    standing: Mapped[dict[str, Any] | None]  # domain.since.Standing, which the next is compared with
    overtaken: Mapped[uuid.UUID | None]  # the signature, or the newest addition to it, since which there is news
    changed_from: Mapped[date | None]  # the first local date from which the carried state is no longer true
    planned_changed: Mapped[bool] = mapped_column(default=False)  # whether its `recent` is to be read anew as a whole
    updated_at: Mapped[datetime]
    outdated_at: Mapped[datetime]  # when the patient's next day begins
    stale_since: Mapped[datetime | None]
    touched: Mapped[int] = mapped_column(default=0)  # counts marks, so that a refresh never clears a newer one
    claimed_until: Mapped[datetime | None]  # a worker is making it again


class CarriedStateRow(Base):
    """What a panel row is worked out from besides the newest days. In a table of its own: rows change more often."""

    __tablename__ = "carried_states"
    __table_args__ = (UniqueConstraint("patient_id"),)

    patient_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("panel_rows.patient_id", ondelete="CASCADE"))
    trend: Mapped[bytes]  # the engine's state, see domain.signals.state
    recent: Mapped[list[Any]]  # the last weeks' days as the row shows them, up to the evening before
    touched: Mapped[int]  # the row's mark it was made under: an older state is never written over a newer one


class Adjustment(Arriving, Base):
    """What was changed in a patient's care, and what is to be looked at after it."""

    __tablename__ = "adjustments"
    __table_args__ = (Index("ix_adjustments_clinic_id_made_on", "clinic_id", "made_on"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    kind: Mapped[AdjustmentKind]
    what: Mapped[str] = mapped_column(Text)
    made_on: Mapped[date]
    made_by: Mapped[uuid.UUID] = _ref("staff")
    recorded_at: Mapped[datetime]
    follow_up_on: Mapped[date | None]
    follow_up_what: Mapped[str] = mapped_column(Text, default="")
    medicine_id: Mapped[uuid.UUID | None] = _ref("medicines")  # the course that it began
    person_id: Mapped[uuid.UUID | None] = _ref("persons")  # diet, dialysis days and device as they were known then
    followed_up_at: Mapped[datetime | None]
    followed_up_by: Mapped[uuid.UUID | None] = _ref("staff")
    supersedes_id: Mapped[uuid.UUID | None] = _ref("adjustments")
    superseded_at: Mapped[datetime | None]
    seal: Mapped[str] = mapped_column(String(80), default="")  # made anew with each of the notes above


class EpisodeClosing(Arriving, Base):
    """Staff closed an episode of the diary, with a reason: the answers up to `known_to` are no news any more."""

    __tablename__ = "episode_closings"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    kind: Mapped[SignalKind]
    closed_on: Mapped[date]  # on the patient's calendar
    known_to: Mapped[date]  # the last date whose diary there was
    new_usual: Mapped[bool]  # those answers are this patient's usual from now on
    reason: Mapped[str] = mapped_column(Text)
    closed_by: Mapped[uuid.UUID] = _ref("staff")
    closed_at: Mapped[datetime]


class Acceptance(Arriving, Base):
    """A clinician's word that a level which has been high for weeks is known. In force until its date, or broken."""

    __tablename__ = "acceptances"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    reason: Mapped[str] = mapped_column(Text)
    until: Mapped[date]  # last local date on which it holds
    accepted_by: Mapped[uuid.UUID] = _ref("staff")
    accepted_at: Mapped[datetime]
    taken_back_at: Mapped[datetime | None]


class SignOff(Arriving, Base):
    """A signed weekly review of one patient, with what staff saw frozen inside it. Never changed.

    Its clinic is the one whose staff signed, wherever the patient is looked after today: each signs its own.
    """

    __tablename__ = "sign_offs"
    __table_args__ = (
        UniqueConstraint("patient_id", "week", "clinic_id", "number"),
        Index("ix_sign_offs_clinic_id_week", "clinic_id", "week"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    week: Mapped[date]  # the first day of the clinic's review week
    number: Mapped[int] = mapped_column(default=1)  # one more than the patient's signatures of that week taken back
    signed_by: Mapped[uuid.UUID] = _ref("staff")
    signed_at: Mapped[datetime]
    outcome: Mapped[Outcome | None] = mapped_column(Legible(Outcome), nullable=False)  # None: nobody can read it
    note: Mapped[str] = mapped_column(Text, default="")
    next_look: Mapped[date | None]
    as_of: Mapped[datetime]
    frozen: Mapped[dict[str, Any]] = mapped_column(LegibleFacts)
    frozen_hash: Mapped[str] = mapped_column(String(64))  # SHA-256 of the frozen facts in canonical JSON
    # domain.since.Standing of the same facts: what later evenings are compared with
    standing: Mapped[dict[str, Any]] = mapped_column(LegibleFacts)
    erased_at: Mapped[datetime | None]  # when its texts were taken out, as the law may ask
    seal: Mapped[str] = mapped_column(String(80))  # over all of this but itself: store/seals.py


class SignOffWithdrawal(Arriving, Base):
    """A signature that whoever gave it took back. The signature stays on record as it was, and counts no more."""

    __tablename__ = "sign_off_withdrawals"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    sign_off_id: Mapped[uuid.UUID] = _ref("sign_offs", unique=True)
    withdrawn_by: Mapped[uuid.UUID] = _ref("staff")
    withdrawn_at: Mapped[datetime]
    seal: Mapped[str] = mapped_column(String(80))


class ReviewAddition(Arriving, Base):
    """What staff said of something that came after a signature, with what they saw frozen inside it. Never changed."""

    __tablename__ = "review_additions"
    __table_args__ = (UniqueConstraint("sign_off_id", "number"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    sign_off_id: Mapped[uuid.UUID] = _ref("sign_offs")
    number: Mapped[int]  # 1 is the first to that signature
    seen: Mapped[str] = mapped_column(String(16))  # the mark of what was on the page that it answers
    added_by: Mapped[uuid.UUID] = _ref("staff")
    added_at: Mapped[datetime]
    outcome: Mapped[Outcome | None] = mapped_column(Legible(Outcome), nullable=False)  # None: nobody can read it
    note: Mapped[str] = mapped_column(Text, default="")
    as_of: Mapped[datetime]
    frozen: Mapped[dict[str, Any]] = mapped_column(LegibleFacts)
    frozen_hash: Mapped[str] = mapped_column(String(64))
    standing: Mapped[dict[str, Any]] = mapped_column(LegibleFacts)
    erased_at: Mapped[datetime | None]
    seal: Mapped[str] = mapped_column(String(80))


# --- the record beside the pressures ---------------------------------------------


COUNTS = "superseded_at IS NULL AND NOT withdrawn"
ONE_RESULT = ("patient_id", "kind", "taken_at")  # and its posture, where it has one


class Entry:
    """What every entry of the record has: of whom, who entered it when, and which one it corrects.

    A correction is a newer row, and so is taking back (`withdrawn`, with the reason). The row that it corrects
    stays, and has `superseded_at`: what counts is what has none and is not withdrawn.
    """

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    entered_by: Mapped[str] = mapped_column(String(80))
    entered_at: Mapped[datetime]
    supersedes_id: Mapped[uuid.UUID | None]
    superseded_at: Mapped[datetime | None]
    withdrawn: Mapped[bool] = mapped_column(default=False)
    note: Mapped[str] = mapped_column(Text, default="")


class EventRow(Entry, Arriving, Base):
    """An admission, an urgent visit, a diuretic into a vein, or death."""

    __tablename__ = "events"

    kind: Mapped[EventKind]
    cause: Mapped[EventCause]
    from_date: Mapped[date]  # local
    to_date: Mapped[date | None]  # of an admission: the day of discharge; null is "still there"
    source: Mapped[Source]
    before: Mapped[dict[str, Any] | None]  # what the 28 days before held, as known when it was entered
    pause_id: Mapped[uuid.UUID | None] = _ref("pauses")  # the one that an admission opened


class MedicineRow(Entry, Arriving, Base):
    """One medicine as it is taken, from a local date to a last one. A changed dose is a new course."""

    __tablename__ = "medicines"

    name: Mapped[str] = mapped_column(String(80))
    kind: Mapped[MedicineClass]
    dose: Mapped[str] = mapped_column(String(16))  # a single one, a decimal
    unit: Mapped[str] = mapped_column(String(16))
    times_a_day: Mapped[str] = mapped_column(String(16))
    route: Mapped[Route]
    from_date: Mapped[date]
    to_date: Mapped[date | None]
    chemistry_on: Mapped[date | None]  # the clinician's own date for chemistry after it; null: the clinic's schedule


class ResultRow(Entry, Arriving, Base):
    """A laboratory result or a vital sign, as it was given."""

    __tablename__ = "results"
    # Two imports of the same results at the same time keep one of each: intake/results.py.
    __table_args__ = (
        _partial("uq_results_plain", *ONE_RESULT, where=f"{COUNTS} AND posture IS NULL", unique=True),
        _partial("uq_results_posture", *ONE_RESULT, "posture", where=f"{COUNTS} AND posture IS NOT NULL", unique=True),
    )

    kind: Mapped[ResultKind]
    taken_at: Mapped[datetime]
    value: Mapped[str] = mapped_column(String(24))  # a decimal, or a word of `Rhythm`
    unit: Mapped[str] = mapped_column(String(24))  # UCUM, as given
    posture: Mapped[ArmPosture | None]  # of a pressure of the arm
    source: Mapped[Source]


class ResultLimitRow(Entry, Arriving, Base):
    """What a clinician typed as the limit of one kind of result of this patient; either end may be open."""

    __tablename__ = "result_limits"
    # Two that are typed at the same time: recording/limits.py.
    __table_args__ = (_partial("uq_result_limits", "patient_id", "kind", where=COUNTS, unique=True),)

    kind: Mapped[ResultKind]
    lower: Mapped[str | None] = mapped_column(String(24))  # decimals
    upper: Mapped[str | None] = mapped_column(String(24))
    unit: Mapped[str] = mapped_column(String(24))  # UCUM


class NoResultRow(Entry, Arriving, Base):
    """A reason in place of a result, for the chemistry due on a date: ends that it is due."""

    __tablename__ = "no_results"

    due_on: Mapped[date]
    why: Mapped[NoResult]
    done_on: Mapped[date | None]  # of blood that was taken elsewhere


class PersonRow(Entry, Arriving, Base):
    """What is known of the person beside the name. The newest row counts, whole."""

    __tablename__ = "persons"
    __table_args__ = (Index("ix_persons_clinic_id", "clinic_id"),)

    born_on: Mapped[date | None]
    sex: Mapped[Sex | None]
    height_cm: Mapped[float | None]
    implanted_on: Mapped[date | None]
    implant_side: Mapped[Side | None]
    altitude_m: Mapped[int | None]  # where they usually live
    device: Mapped[Device | None]
    dialysis_days: Mapped[int | None]  # bit 0 is Monday; null is not known, 0 is none
    fluid_ml: Mapped[int | None]  # a day, as agreed with the patient
    sodium_mg: Mapped[int | None]


class NextContact(Entry, Arriving, Base):
    """Who is in touch with the patient next, how and by when. Done is a newer row with `done_on`."""

    __tablename__ = "next_contacts"
    __table_args__ = (
        _partial("ix_next_contacts_to_make", "clinic_id", where="done_on IS NULL AND superseded_at IS NULL"),
    )

    due_on: Mapped[date]
    way: Mapped[ContactWay]
    staff_id: Mapped[uuid.UUID | None] = _ref("staff")  # handed to a colleague by name, or else to a role
    role: Mapped[Role | None]
    agreed: Mapped[bool]  # with the patient
    done_on: Mapped[date | None]
    discharged_on: Mapped[date | None]  # planned by the clinic's setting after the stay that ended then


# --- health and audit ------------------------------------------------------------


class Heartbeat(Base):
    __tablename__ = "heartbeats"

    worker: Mapped[str] = mapped_column(String(80), unique=True)
    started_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    last_tick: Mapped[dict[str, Any]]


class NightlyCheck(Base):
    """One night's check of what must hold, worked out from what was recorded."""

    __tablename__ = "nightly_checks"

    night: Mapped[date] = mapped_column(unique=True)
    begun_at: Mapped[datetime]
    finished_at: Mapped[datetime | None]
    found: Mapped[dict[str, Any]]  # how many, by domain.tasks.Found


class SecretMark(Base):
    """By which the secret key is known again that signs beside this data; it gives nothing of the key away."""

    __tablename__ = "secret_marks"

    name: Mapped[str] = mapped_column(unique=True)
    mark: Mapped[str]
    made_at: Mapped[datetime]


class Backup(Base):
    """A backup that was made whole and checked; its file is named nowhere here."""

    __tablename__ = "backups"

    taken_at: Mapped[datetime] = mapped_column(index=True)  # what was committed by then is in it
    finished_at: Mapped[datetime]
    size: Mapped[int] = mapped_column(BigInteger)  # bytes


class Hold(Base):
    """This data was brought back from a backup. Until an operator resumes, nothing is asked and nothing is sent.

    What was sent and what came in between `backup_at` and `resumed_at` is not known.
    """

    __tablename__ = "holds"

    backup_at: Mapped[datetime]
    restored_at: Mapped[datetime]
    compared_at: Mapped[datetime | None]  # when it was found to be what had been backed up; null: never
    resumed_at: Mapped[datetime | None]


class QuarantinedRow(Base):
    """A row whose handling failed unexpectedly: set aside, reported, never retried in a loop."""

    __tablename__ = "quarantined_rows"
    __table_args__ = (UniqueConstraint("subject_kind", "subject_id"),)

    subject_kind: Mapped[str] = mapped_column(String(24))
    subject_id: Mapped[uuid.UUID]
    error: Mapped[str] = mapped_column(String(200))  # the exception's class and place, no values
    at: Mapped[datetime]
    released_at: Mapped[datetime | None]


class AuditLine(Arriving, Base):
    """Who did what to which record, when. Ids and names of fields, never their values."""

    __tablename__ = "audit_lines"
    QUIET: ClassVar[frozenset[str]] = frozenset({"number", "code"})  # a line that is sealed says nothing new
    __table_args__ = (
        Index("ix_audit_lines_clinic_id_at", "clinic_id", "at"),
        Index("ix_audit_lines_subject_id", "subject_id"),
        # Of one patient, newest first: reviewing/lookback.py. A line for a single reading names none.
        _partial("ix_audit_lines_patient_id_at", "patient_id", "at", where="patient_id IS NOT NULL"),
        # A chain in its order: store/chain.py. A new line waits for its number, and is not among them.
        _partial("ix_audit_lines_clinic_id_number", "clinic_id", "number", where="number IS NOT NULL"),
        _partial("ix_audit_lines_unsealed", "clinic_id", "at", where="number IS NULL"),  # store/chain.py
        BY_MONTH,
    )

    clinic_id: Mapped[uuid.UUID | None]
    at: Mapped[datetime]
    actor_kind: Mapped[ActorKind]
    actor_id: Mapped[uuid.UUID | None]
    action: Mapped[str] = mapped_column(String(40))
    subject_kind: Mapped[str] = mapped_column(String(24))
    subject_id: Mapped[uuid.UUID | None]
    detail: Mapped[dict[str, Any]]
    # Whom it is about: its subject, or the patient that `detail` names.
    patient_id: Mapped[uuid.UUID | None]
    # Its place in the clinic's chain, given by the worker; 0: it is older than the chain, and stands without a seal.
    number: Mapped[int | None] = mapped_column(BigInteger)
    code: Mapped[bytes | None]  # over the line and its number


class AuditSeal(Base):
    """A day's part of a chain of audit lines, or what was dropped of it. No line is sealed in two of them."""

    __tablename__ = "audit_seals"
    __table_args__ = (UniqueConstraint("chain", "first"),)  # of two that seal the same lines, the second finds it taken

    chain: Mapped[uuid.UUID]  # the clinic's id; all noughts for lines of no clinic
    first: Mapped[int] = mapped_column(BigInteger)
    last: Mapped[int] = mapped_column(BigInteger)
    day: Mapped[date]  # UTC, of sealing
    sealed_at: Mapped[datetime]
    dropped_at: Mapped[datetime | None]  # its lines are gone, by the clinic's own rule; none before it is kept
    follows: Mapped[str] = mapped_column(String(80))  # the seal before it; of what was dropped, the last one in it
    lines: Mapped[str] = mapped_column(String(64))  # SHA-256 over the codes of its lines, one by one
    seal: Mapped[str] = mapped_column(String(80))  # over all of this


class AccessLine(Arriving, Base):
    """Who opened what, when and from where, or was turned away. Ids alone; what was shown is not kept."""

    __tablename__ = "access_lines"
    __table_args__ = (
        Index("ix_access_lines_clinic_id_at", "clinic_id", "at"),  # a clinic's trail; what is over: store/access.py
        Index("ix_access_lines_patient_id_at", "patient_id", "at"),  # who opened this record: accounts/trail.py
        _partial("ix_access_lines_lost", "at", where="opened = 'lost'"),  # how many could not be kept
    )

    clinic_id: Mapped[uuid.UUID | None]  # null where nobody knows whose it was: a wrong key, a broken link
    at: Mapped[datetime]
    actor_kind: Mapped[ActorKind | None]
    actor_id: Mapped[uuid.UUID | None]  # at a failed sign-in the account that it was aimed at
    session_id: Mapped[uuid.UUID | None]
    address: Mapped[str] = mapped_column(String(60))
    route: Mapped[str] = mapped_column(String(80))
    opened: Mapped[Opened]
    answered: Mapped[Answered]
    patient_id: Mapped[uuid.UUID | None]  # where it is absent, the id that was asked for
    patients: Mapped[int]  # how many were shown
    times: Mapped[int]  # how often, for lines that are gathered


ARRIVING = arrivals.install(Base.metadata, Arriving.__subclasses__())
MONTHLY = tuple(one.name for one in Base.metadata.sorted_tables if one.dialect_options["postgresql"]["partition_by"])
