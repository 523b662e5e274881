"""Every table, grouped by the room that writes it.

Promises: every record belongs to a clinic; every instant is a `UTCDateTime`;
ids are UUIDs; clinical rows (readings, check-ins, references, limits,
adjustments) are never changed once written: a correction is a new row, and the
old one only gains the instant it was superseded.
"""

from __future__ import annotations

import uuid
from datetime import date, datetime, time
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
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
    Uuid,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from service.domain.vocabulary import (
    ActorKind,
    AdjustmentKind,
    CaregiverAnswer,
    Channel,
    ConsentKind,
    ContactState,
    MessageKind,
    MessageState,
    Outcome,
    Pace,
    PatientState,
    PauseCause,
    Posture,
    Role,
    SignalKind,
    SilenceCause,
    Source,
    StepKind,
    StepState,
    Swelling,
    TaskKind,
    TaskState,
    WindowState,
)
from service.store.types import UTCDateTime, Word


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
        uuid.UUID: Uuid,
        str: String,
        bool: Boolean,
        int: Integer,
        float: Float,
        bytes: LargeBinary,
        dict[str, Any]: JSON,
        list[Any]: JSON,
    }

    id: Mapped[uuid.UUID] = mapped_column(primary_key=True, default=uuid.uuid4)


def _partial(name: str, *columns: str, where: str, unique: bool = False) -> Index:
    """An index of some rows only. It serves queries that say `where` in the same words."""
    return Index(name, *columns, unique=unique, postgresql_where=text(where), sqlite_where=text(where))


def _ref(table: str, **options: Any) -> Any:
    return mapped_column(ForeignKey(f"{table}.id"), **options)


# --- enrolling -----------------------------------------------------------------


class Clinic(Base):
    __tablename__ = "clinics"

    name: Mapped[str] = mapped_column(String(120))
    zone: Mapped[str] = mapped_column(String(64))
    language: Mapped[str] = mapped_column(String(8), default="en")
    review_weekday: Mapped[int]  # 0 is Monday
    emergency_number: Mapped[str] = mapped_column(String(20))
    contact_line: Mapped[str] = mapped_column(String(32))  # the telephone number people may call in hours
    sender_name: Mapped[str] = mapped_column(String(32))  # how messages are signed; says nothing of hearts
    quiet_from: Mapped[time]
    quiet_until: Mapped[time]
    steps: Mapped[list[Any]]  # domain.steps.as_json
    silent_days: Mapped[int]  # missed windows in a row before staff get a task
    created_at: Mapped[datetime]
    digest_at: Mapped[datetime | None] = mapped_column(index=True)  # when staff are next told what is open


class Staff(Base):
    __tablename__ = "staff"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    email: Mapped[str] = mapped_column(String(254), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    role: Mapped[Role] = mapped_column(Word(Role))
    password_hash: Mapped[str] = mapped_column(String(200))
    password_set_at: Mapped[datetime]  # sessions signed before it are no longer good
    active: Mapped[bool] = mapped_column(default=True)
    created_at: Mapped[datetime]


class StaffSession(Base):
    """A browser with staff signed in. Signing out takes the row away, and the cookie opens nothing more."""

    __tablename__ = "staff_sessions"

    staff_id: Mapped[uuid.UUID] = _ref("staff", index=True)
    begun_at: Mapped[datetime]


class SignInAttempt(Base):
    """Failed sign-ins, in a table because web processes do not share memory."""

    __tablename__ = "sign_in_attempts"

    who: Mapped[str] = mapped_column(String(254), index=True)  # e-mail as typed, lower case, hashed
    at: Mapped[datetime]


class ApiKey(Base):
    __tablename__ = "api_keys"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    name: Mapped[str] = mapped_column(String(80))
    secret_hash: Mapped[str] = mapped_column(String(64), unique=True)  # SHA-256 of the secret, hex
    scopes: Mapped[list[Any]]
    created_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]


class Patient(Base):
    __tablename__ = "patients"
    __table_args__ = (UniqueConstraint("clinic_id", "clinic_ref"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    clinic_ref: Mapped[str] = mapped_column(String(40))  # the clinic's own number for this person
    name: Mapped[str] = mapped_column(String(120))
    zone: Mapped[str] = mapped_column(String(64))
    language: Mapped[str] = mapped_column(String(8))
    state: Mapped[PatientState] = mapped_column(Word(PatientState), default=PatientState.ACTIVE)
    usual_pillows: Mapped[int | None]
    dry_weight_kg: Mapped[float | None]
    weight_unit: Mapped[str] = mapped_column(String(8), default="kg")  # UCUM: kg or [lb_av]
    enrolled_at: Mapped[datetime]


class Caregiver(Base):
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


class Contact(Base):
    """One address of one person: exactly one of patient, caregiver and staff is set."""

    __tablename__ = "contacts"
    __table_args__ = (Index("ix_contacts_channel_address", "channel", "address"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID | None] = _ref("patients", index=True)
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers", index=True)
    staff_id: Mapped[uuid.UUID | None] = _ref("staff", index=True)
    channel: Mapped[Channel] = mapped_column(Word(Channel))
    address: Mapped[str] = mapped_column(String(1000))  # E.164, mailbox, or a push subscription's endpoint
    secret: Mapped[dict[str, Any] | None]  # a push subscription's keys
    position: Mapped[int] = mapped_column(default=0)  # tried in this order
    state: Mapped[ContactState] = mapped_column(Word(ContactState), default=ContactState.OK)
    broken_reason: Mapped[str | None] = mapped_column(String(200))
    created_at: Mapped[datetime]


class Consent(Base):
    """A record of consent given or withdrawn. Never changed; the newest row counts."""

    __tablename__ = "consents"
    __table_args__ = (Index("ix_consents_patient_id_kind_at", "patient_id", "kind", "at"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers", index=True)
    kind: Mapped[ConsentKind] = mapped_column(Word(ConsentKind))
    given: Mapped[bool]
    how: Mapped[str] = mapped_column(String(200))  # "signed form", "text STOP" …
    recorded_by: Mapped[str] = mapped_column(String(80))
    at: Mapped[datetime]


class Plan(Base):
    """What is expected of a patient and when. One row per patient, replaced through enrolling."""

    __tablename__ = "plans"
    __table_args__ = (
        Index("ix_plans_due", "next_open_at", postgresql_where=text("active"), sqlite_where=text("active")),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", unique=True)
    weekdays: Mapped[int]  # bit 0 is Monday … bit 6 is Sunday
    opens: Mapped[time]  # wall time in the patient's zone
    due: Mapped[time]
    closes: Mapped[time]
    wants_reading: Mapped[bool]
    wants_checkin: Mapped[bool]
    steps: Mapped[list[Any] | None]  # overrides the clinic's, when not null
    silent_days: Mapped[int | None]
    next_date: Mapped[date]  # the local date that opens at next_open_at
    next_open_at: Mapped[datetime]  # the `due_at` of "open this plan's next window"
    active: Mapped[bool] = mapped_column(default=True)
    set_at: Mapped[datetime]


class Pause(Base):
    __tablename__ = "pauses"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    cause: Mapped[PauseCause] = mapped_column(Word(PauseCause))
    from_date: Mapped[date]
    to_date: Mapped[date | None]  # last local date that is excused; null is "until told"
    note: Mapped[str] = mapped_column(Text, default="")
    recorded_by: Mapped[str] = mapped_column(String(80))
    recorded_at: Mapped[datetime]
    cancelled_at: Mapped[datetime | None]


class Reference(Base):
    """A patient's anchored baseline, mmHg. The newest row counts; none drifts by itself."""

    __tablename__ = "patient_references"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    pa_diastolic: Mapped[float]
    pa_mean: Mapped[float | None]
    pa_systolic: Mapped[float | None]
    from_date: Mapped[date | None]  # the settled fortnight it was taken from; null when typed in
    to_date: Mapped[date | None]
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class Limits(Base):
    """Upper and lower PA diastolic, mmHg, typed in by the clinician. The newest row counts."""

    __tablename__ = "patient_limits"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    upper: Mapped[float | None]
    lower: Mapped[float | None]
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


# --- scheduling ------------------------------------------------------------------


class Window(Base):
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
    state: Mapped[WindowState] = mapped_column(Word(WindowState))
    reading_at: Mapped[datetime | None]  # when the first valid reading of this date was received
    checkin_at: Mapped[datetime | None]
    settled_at: Mapped[datetime | None]
    pace: Mapped[Pace | None] = mapped_column(Word(Pace))  # null is the clinic's usual follow-up


class Step(Base):
    """One follow-up step of one window, frozen when the window opened."""

    __tablename__ = "steps"
    __table_args__ = (
        UniqueConstraint("window_id", "position"),
        Index(
            "ix_steps_due", "due_at", postgresql_where=text("state = 'pending'"), sqlite_where=text("state = 'pending'")
        ),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    window_id: Mapped[uuid.UUID] = _ref("windows")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    position: Mapped[int]
    kind: Mapped[StepKind] = mapped_column(Word(StepKind))
    due_at: Mapped[datetime]
    state: Mapped[StepState] = mapped_column(Word(StepState))
    reason: Mapped[str | None] = mapped_column(String(40))
    settled_at: Mapped[datetime | None]


class Silence(Base):
    """An unbroken run of missed reading windows."""

    __tablename__ = "silences"
    __table_args__ = (
        _partial("uq_silences_open", "patient_id", where="ended_at IS NULL", unique=True),
        Index("ix_silences_patient_id_first_date", "patient_id", "first_date"),
        Index("ix_silences_clinic_id_last_date", "clinic_id", "last_date"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    first_date: Mapped[date]
    last_date: Mapped[date]
    missed: Mapped[int]  # windows
    cause: Mapped[SilenceCause] = mapped_column(Word(SilenceCause))
    opened_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    ended_because: Mapped[str | None] = mapped_column(String(40))


class CaregiverReply(Base):
    """What a caregiver said happened. Shown to staff; never changed."""

    __tablename__ = "caregiver_replies"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    caregiver_id: Mapped[uuid.UUID] = _ref("caregivers")
    window_id: Mapped[uuid.UUID] = _ref("windows", index=True)
    silence_id: Mapped[uuid.UUID | None] = _ref("silences")
    answer: Mapped[CaregiverAnswer] = mapped_column(Word(CaregiverAnswer))
    until: Mapped[date | None]  # last day away, when they know it
    note: Mapped[str] = mapped_column(Text, default="")
    at: Mapped[datetime]


class Task(Base):
    """Something a member of staff must look at."""

    __tablename__ = "tasks"
    __table_args__ = (
        Index("ix_tasks_clinic_id_state", "clinic_id", "state"),
        _partial("ix_tasks_to_tell", "escalates_at", where="state = 'open'"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID | None] = _ref("patients", index=True)
    kind: Mapped[TaskKind] = mapped_column(Word(TaskKind))
    facts: Mapped[dict[str, Any]]  # domain.tasks.TaskFacts as JSON; words are made from them
    dedupe_key: Mapped[str] = mapped_column(String(160), unique=True)
    raised_at: Mapped[datetime]
    escalates_at: Mapped[datetime | None]  # when an open one is told to the next contact; null: to nobody
    contacts_told: Mapped[int] = mapped_column(default=0)  # so far
    state: Mapped[TaskState] = mapped_column(Word(TaskState))
    taken_by: Mapped[uuid.UUID | None] = _ref("staff")
    taken_at: Mapped[datetime | None]
    closed_by: Mapped[uuid.UUID | None] = _ref("staff")
    closed_at: Mapped[datetime | None]
    close_reason: Mapped[str | None] = mapped_column(String(400))


# --- intake ----------------------------------------------------------------------


class Reading(Base):
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
    posture: Mapped[Posture | None] = mapped_column(Word(Posture))
    source: Mapped[Source] = mapped_column(Word(Source))
    source_ref: Mapped[str | None] = mapped_column(String(80))
    unit_given: Mapped[str] = mapped_column(String(12))  # UCUM
    remarks: Mapped[list[Any]]  # words such as "pulse pressure small"
    supersedes_id: Mapped[uuid.UUID | None] = _ref("readings")
    superseded_at: Mapped[datetime | None]


class Checkin(Base):
    """The diary answers of one local date. Null is "not answered". Current when `superseded_at` is null."""

    __tablename__ = "checkins"
    __table_args__ = (
        _partial("uq_checkins_current", "patient_id", "local_date", where="superseded_at IS NULL", unique=True),
        Index("ix_checkins_clinic_id_local_date", "clinic_id", "local_date"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    local_date: Mapped[date]
    answered_at: Mapped[datetime]
    source: Mapped[Source] = mapped_column(Word(Source))
    breathlessness: Mapped[int | None]  # 0–10, worst in the last 24 hours
    extra_pillows: Mapped[int | None]  # change from the patient's own usual
    woke_breathless: Mapped[bool | None]
    swelling: Mapped[Swelling | None] = mapped_column(Word(Swelling))
    weight_kg: Mapped[float | None]
    weight_unit: Mapped[str | None] = mapped_column(String(8))  # as given: kg or [lb_av]
    light_headed: Mapped[bool | None]
    tiredness: Mapped[int | None]  # 0–10
    missed_medicines: Mapped[bool | None]
    safety_signs: Mapped[list[Any] | None]  # domain.words.SafetySign; [] is "none of these", null is not answered
    note: Mapped[str] = mapped_column(Text, default="")
    remarks: Mapped[list[Any]] = mapped_column(default=list)  # words such as "weight far from the last one"
    supersedes_id: Mapped[uuid.UUID | None] = _ref("checkins")
    superseded_at: Mapped[datetime | None]


class IdempotentCall(Base):
    """What a POST with an Idempotency-Key answered, so that a repeat answers the same."""

    __tablename__ = "idempotent_calls"
    __table_args__ = (UniqueConstraint("caller", "key"),)

    caller: Mapped[str] = mapped_column(String(80))
    key: Mapped[str] = mapped_column(String(120))
    request_hash: Mapped[str] = mapped_column(String(64))
    status: Mapped[int]
    body: Mapped[dict[str, Any]]
    at: Mapped[datetime] = mapped_column(index=True)


# --- delivery --------------------------------------------------------------------


class Message(Base):
    """One thing to one person on one channel: the outbox."""

    __tablename__ = "messages"
    __table_args__ = (
        _partial("ix_messages_due", "next_try_at", where="state = 'queued'"),
        _partial("ix_messages_leased", "lease_until", where="state IN ('claimed', 'handing_over')"),
        Index("ix_messages_patient_id_created_at", "patient_id", "created_at"),
        # Follow-up steps count the nudges of a silence: scheduling/steps.py.
        _partial("ix_messages_silence_id", "silence_id", where="silence_id IS NOT NULL"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID | None] = _ref("patients")
    caregiver_id: Mapped[uuid.UUID | None] = _ref("caregivers")
    staff_id: Mapped[uuid.UUID | None] = _ref("staff")
    contact_id: Mapped[uuid.UUID] = _ref("contacts")
    window_id: Mapped[uuid.UUID | None] = _ref("windows", index=True)
    step_id: Mapped[uuid.UUID | None] = _ref("steps")
    silence_id: Mapped[uuid.UUID | None] = _ref("silences")
    kind: Mapped[MessageKind] = mapped_column(Word(MessageKind))
    channel: Mapped[Channel] = mapped_column(Word(Channel))
    dedupe_key: Mapped[str] = mapped_column(String(160), unique=True)
    params: Mapped[dict[str, Any]]  # what the template needs; never a name or a value
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    state: Mapped[MessageState] = mapped_column(Word(MessageState))
    reason: Mapped[str | None] = mapped_column(String(60))
    attempts: Mapped[int] = mapped_column(default=0)
    next_try_at: Mapped[datetime]  # the `due_at` of "try this message"
    claim_token: Mapped[uuid.UUID | None] = mapped_column(index=True)
    lease_until: Mapped[datetime | None]
    handed_over_at: Mapped[datetime | None]
    settled_at: Mapped[datetime | None]
    provider_ref: Mapped[str | None] = mapped_column(String(120), index=True)


class MessageEvent(Base):
    """The delivery history of a message. Only ever added to."""

    __tablename__ = "message_events"

    message_id: Mapped[uuid.UUID] = _ref("messages", index=True)
    at: Mapped[datetime]
    event: Mapped[str] = mapped_column(String(24))
    detail: Mapped[str] = mapped_column(String(200), default="")


class MessageTemplate(Base):
    """A clinic's own wording for a kind of message in a language."""

    __tablename__ = "message_templates"
    __table_args__ = (UniqueConstraint("clinic_id", "language", "kind"),)

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    language: Mapped[str] = mapped_column(String(8))
    kind: Mapped[MessageKind] = mapped_column(Word(MessageKind))
    body: Mapped[str] = mapped_column(Text)
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime]


class InboundText(Base):
    """A text message that reached us. Taken in once per gateway reference."""

    __tablename__ = "inbound_texts"

    gateway_ref: Mapped[str] = mapped_column(String(120), unique=True)
    contact_id: Mapped[uuid.UUID | None] = _ref("contacts", index=True)
    window_id: Mapped[uuid.UUID | None] = _ref("windows")
    received_at: Mapped[datetime]
    outcome: Mapped[str] = mapped_column(String(40))


class ReadPosition(Base):
    """How far a provider's list of receipts or replies has been read."""

    __tablename__ = "read_positions"

    source: Mapped[str] = mapped_column(String(40), unique=True)
    position: Mapped[int] = mapped_column(BigInteger)


class DeadLetter(Base):
    """A reply or receipt that could not be taken in, as it came; quarantined under its own id, gone once taken in."""

    __tablename__ = "dead_letters"

    source: Mapped[str] = mapped_column(String(40))
    said: Mapped[str] = mapped_column(Text)  # JSON in ASCII: no character of it can be refused
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
    kind: Mapped[SignalKind] = mapped_column(Word(SignalKind))
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
        _partial("ix_panel_rows_stale", "stale_since", where="stale_since IS NOT NULL"),
    )

    clinic_id: Mapped[uuid.UUID] = _ref("clinics", index=True)
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    as_of: Mapped[date]
    facts: Mapped[dict[str, Any]]
    rank: Mapped[str] = mapped_column(String(80), default="")  # sorts as the panel does, see reviewing.placing
    changed_from: Mapped[date | None]  # the first local date from which the carried state is no longer true
    planned_changed: Mapped[bool] = mapped_column(default=False)  # whether its `recent` is to be read anew as a whole
    updated_at: Mapped[datetime]
    outdated_at: Mapped[datetime] = mapped_column(index=True)  # when the patient's next day begins
    stale_since: Mapped[datetime | None]
    touched: Mapped[int] = mapped_column(default=0)  # counts marks, so that a refresh never clears a newer one


class CarriedStateRow(Base):
    """What a panel row is worked out from besides the newest days. In a table of its own: rows change more often."""

    __tablename__ = "carried_states"
    __table_args__ = (UniqueConstraint("patient_id"),)

    patient_id: Mapped[uuid.UUID] = mapped_column(ForeignKey("panel_rows.patient_id", ondelete="CASCADE"))
    trend: Mapped[bytes]  # the engine's state, see domain.signals.state
    recent: Mapped[list[Any]]  # the last weeks' days as the row shows them, up to the evening before
    touched: Mapped[int]  # the row's mark it was made under: an older state is never written over a newer one


class Adjustment(Base):
    __tablename__ = "adjustments"

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients", index=True)
    kind: Mapped[AdjustmentKind] = mapped_column(Word(AdjustmentKind))
    what: Mapped[str] = mapped_column(Text)
    made_on: Mapped[date]
    made_by: Mapped[uuid.UUID] = _ref("staff")
    recorded_at: Mapped[datetime]
    follow_up_on: Mapped[date | None]
    follow_up_what: Mapped[str] = mapped_column(Text, default="")
    followed_up_at: Mapped[datetime | None]
    followed_up_by: Mapped[uuid.UUID | None] = _ref("staff")
    supersedes_id: Mapped[uuid.UUID | None] = _ref("adjustments")
    superseded_at: Mapped[datetime | None]


class SignOff(Base):
    """A signed weekly review of one patient, with what staff saw frozen inside it. Never changed."""

    __tablename__ = "sign_offs"
    __table_args__ = (UniqueConstraint("patient_id", "week"), Index("ix_sign_offs_clinic_id_week", "clinic_id", "week"))

    clinic_id: Mapped[uuid.UUID] = _ref("clinics")
    patient_id: Mapped[uuid.UUID] = _ref("patients")
    week: Mapped[date]  # the first day of the clinic's review week
    signed_by: Mapped[uuid.UUID] = _ref("staff")
    signed_at: Mapped[datetime]
    outcome: Mapped[Outcome] = mapped_column(Word(Outcome))
    note: Mapped[str] = mapped_column(Text, default="")
    next_look: Mapped[date | None]
    as_of: Mapped[datetime]
    frozen: Mapped[dict[str, Any]]
    frozen_hash: Mapped[str] = mapped_column(String(64))  # SHA-256 of the frozen facts in canonical JSON


# --- health and audit ------------------------------------------------------------


class Heartbeat(Base):
    __tablename__ = "heartbeats"

    worker: Mapped[str] = mapped_column(String(80), unique=True)
    started_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    last_tick: Mapped[dict[str, Any]]


class QuarantinedRow(Base):
    """A row whose handling failed unexpectedly: set aside, reported, never retried in a loop."""

    __tablename__ = "quarantined_rows"
    __table_args__ = (UniqueConstraint("subject_kind", "subject_id"),)

    subject_kind: Mapped[str] = mapped_column(String(24))
    subject_id: Mapped[uuid.UUID]
    error: Mapped[str] = mapped_column(String(200))  # the exception's class and place, no values
    at: Mapped[datetime]
    released_at: Mapped[datetime | None]


class AuditLine(Base):
    """Who did what to which record, when. Ids and names of fields, never their values."""

    __tablename__ = "audit_lines"
    __table_args__ = (
        Index("ix_audit_lines_clinic_id_at", "clinic_id", "at"),
        Index("ix_audit_lines_subject_id", "subject_id"),
    )

    clinic_id: Mapped[uuid.UUID | None]
    at: Mapped[datetime]
    actor_kind: Mapped[ActorKind] = mapped_column(Word(ActorKind))
    actor_id: Mapped[uuid.UUID | None]
    action: Mapped[str] = mapped_column(String(40))
    subject_kind: Mapped[str] = mapped_column(String(24))
    subject_id: Mapped[uuid.UUID | None]
    detail: Mapped[dict[str, Any]]
