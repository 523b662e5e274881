"""The first layout: every table as `store.tables` has it, said again in plain types (a test compares them).

Until 1.0.0 there is no installation to bring forward, so a change of the tables is made
here as well. From 1.0.0 on this file stays as it is, and every change is a migration that
adds.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ID, INSTANT, WORD = sa.Uuid(), sa.DateTime(timezone=True), sa.String(24)
LAYOUT = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def upgrade() -> None:
    LAYOUT.create_all(op.get_bind(), checkfirst=False)


def downgrade() -> None:
    LAYOUT.drop_all(op.get_bind(), checkfirst=False)


def _table(name: str, *parts: sa.schema.SchemaItem) -> None:
    sa.Table(name, LAYOUT, *parts, sa.Column("id", ID, primary_key=True))


def _column(name: str, kind: sa.types.TypeEngine[Any], *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=nullable)


def _to(table: str, name: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, ID, sa.ForeignKey(f"{table}.id"), nullable=nullable)


def _partial(name: str, *columns: str, where: str, unique: bool = False) -> sa.Index:
    return sa.Index(name, *columns, unique=unique, postgresql_where=sa.text(where), sqlite_where=sa.text(where))


_table(
    "audit_lines",
    _column("clinic_id", ID, nullable=True),
    _column("at", INSTANT),
    _column("actor_kind", WORD),
    _column("actor_id", ID, nullable=True),
    _column("action", sa.String(40)),
    _column("subject_kind", sa.String(24)),
    _column("subject_id", ID, nullable=True),
    _column("detail", sa.JSON()),
    sa.Index("ix_audit_lines_clinic_id_at", "clinic_id", "at"),
    sa.Index("ix_audit_lines_subject_id", "subject_id"),
)
_table(
    "clinics",
    _column("name", sa.String(120)),
    _column("zone", sa.String(64)),
    _column("language", sa.String(8)),
    _column("review_weekday", sa.Integer()),
    _column("emergency_number", sa.String(20)),
    _column("contact_line", sa.String(32)),
    _column("sender_name", sa.String(32)),
    _column("quiet_from", sa.Time()),
    _column("quiet_until", sa.Time()),
    _column("steps", sa.JSON()),
    _column("silent_days", sa.Integer()),
    _column("created_at", INSTANT),
    _column("digest_at", INSTANT, nullable=True),
    sa.Index("ix_clinics_digest_at", "digest_at"),
)
_table(
    "dead_letters",
    _column("source", sa.String(40)),
    _column("said", sa.Text()),
    _column("at", INSTANT),
)
_table(
    "heartbeats",
    _column("worker", sa.String(80)),
    _column("started_at", INSTANT),
    _column("seen_at", INSTANT),
    _column("last_tick", sa.JSON()),
    sa.UniqueConstraint("worker"),
)
_table(
    "idempotent_calls",
    _column("caller", sa.String(80)),
    _column("key", sa.String(120)),
    _column("request_hash", sa.String(64)),
    _column("status", sa.Integer()),
    _column("body", sa.JSON()),
    _column("at", INSTANT),
    sa.UniqueConstraint("caller", "key"),
    sa.Index("ix_idempotent_calls_at", "at"),
)
_table(
    "quarantined_rows",
    _column("subject_kind", sa.String(24)),
    _column("subject_id", ID),
    _column("error", sa.String(200)),
    _column("at", INSTANT),
    _column("released_at", INSTANT, nullable=True),
    sa.UniqueConstraint("subject_kind", "subject_id"),
)
_table(
    "read_positions",
    _column("source", sa.String(40)),
    _column("position", sa.BigInteger()),
    sa.UniqueConstraint("source"),
)
_table(
    "sign_in_attempts",
    _column("who", sa.String(254)),
    _column("at", INSTANT),
    sa.Index("ix_sign_in_attempts_who", "who"),
)
_table(
    "api_keys",
    _to("clinics", "clinic_id"),
    _column("name", sa.String(80)),
    _column("secret_hash", sa.String(64)),
    _column("scopes", sa.JSON()),
    _column("created_at", INSTANT),
    _column("revoked_at", INSTANT, nullable=True),
    sa.UniqueConstraint("secret_hash"),
    sa.Index("ix_api_keys_clinic_id", "clinic_id"),
)
_table(
    "message_templates",
    _to("clinics", "clinic_id"),
    _column("language", sa.String(8)),
    _column("kind", WORD),
    _column("body", sa.Text()),
    _column("set_by", sa.String(80)),
    _column("set_at", INSTANT),
    sa.UniqueConstraint("clinic_id", "language", "kind"),
)
_table(
    "patients",
    _to("clinics", "clinic_id"),
    _column("clinic_ref", sa.String(40)),
    _column("name", sa.String(120)),
    _column("zone", sa.String(64)),
    _column("language", sa.String(8)),
    _column("state", WORD),
    _column("usual_pillows", sa.Integer(), nullable=True),
    _column("dry_weight_kg", sa.Float(), nullable=True),
    _column("weight_unit", sa.String(8)),
    _column("enrolled_at", INSTANT),
    sa.UniqueConstraint("clinic_id", "clinic_ref"),
    sa.Index("ix_patients_clinic_id", "clinic_id"),
)
_table(
    "staff",
    _to("clinics", "clinic_id"),
    _column("email", sa.String(254)),
    _column("name", sa.String(120)),
    _column("role", WORD),
    _column("password_hash", sa.String(200)),
    _column("password_set_at", INSTANT),
    _column("active", sa.Boolean()),
    _column("created_at", INSTANT),
    sa.UniqueConstraint("email"),
    sa.Index("ix_staff_clinic_id", "clinic_id"),
)
_table(
    "adjustments",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("kind", WORD),
    _column("what", sa.Text()),
    _column("made_on", sa.Date()),
    _to("staff", "made_by"),
    _column("recorded_at", INSTANT),
    _column("follow_up_on", sa.Date(), nullable=True),
    _column("follow_up_what", sa.Text()),
    _column("followed_up_at", INSTANT, nullable=True),
    _to("staff", "followed_up_by", nullable=True),
    _to("adjustments", "supersedes_id", nullable=True),
    _column("superseded_at", INSTANT, nullable=True),
    sa.Index("ix_adjustments_patient_id", "patient_id"),
)
_table(
    "caregivers",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("name", sa.String(120)),
    _column("relation", sa.String(40)),
    _column("zone", sa.String(64)),
    _column("language", sa.String(8)),
    _column("position", sa.Integer()),
    _column("active", sa.Boolean()),
    _column("created_at", INSTANT),
    sa.Index("ix_caregivers_clinic_id", "clinic_id"),
    sa.Index("ix_caregivers_patient_id", "patient_id"),
)
_table(
    "panel_rows",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("as_of", sa.Date()),
    _column("facts", sa.JSON()),
    _column("rank", sa.String(80)),
    _column("changed_from", sa.Date(), nullable=True),
    _column("planned_changed", sa.Boolean()),
    _column("updated_at", INSTANT),
    _column("outdated_at", INSTANT),
    _column("stale_since", INSTANT, nullable=True),
    _column("touched", sa.Integer()),
    sa.UniqueConstraint("patient_id"),
    sa.Index("ix_panel_rows_clinic_id", "clinic_id"),
    sa.Index("ix_panel_rows_outdated_at", "outdated_at"),
    _partial("ix_panel_rows_stale", "stale_since", where="stale_since IS NOT NULL"),
)
_table(
    "carried_states",
    sa.Column("patient_id", ID, sa.ForeignKey("panel_rows.patient_id", ondelete="CASCADE"), nullable=False),
    _column("trend", sa.LargeBinary()),
    _column("recent", sa.JSON()),
    _column("touched", sa.Integer()),
    sa.UniqueConstraint("patient_id"),
)
_table(
    "patient_limits",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("upper", sa.Float(), nullable=True),
    _column("lower", sa.Float(), nullable=True),
    _column("set_by", sa.String(80)),
    _column("set_at", INSTANT),
    sa.Index("ix_patient_limits_patient_id", "patient_id"),
)
_table(
    "patient_references",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("pa_diastolic", sa.Float()),
    _column("pa_mean", sa.Float(), nullable=True),
    _column("pa_systolic", sa.Float(), nullable=True),
    _column("from_date", sa.Date(), nullable=True),
    _column("to_date", sa.Date(), nullable=True),
    _column("set_by", sa.String(80)),
    _column("set_at", INSTANT),
    sa.Index("ix_patient_references_patient_id", "patient_id"),
)
_table(
    "pauses",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("cause", WORD),
    _column("from_date", sa.Date()),
    _column("to_date", sa.Date(), nullable=True),
    _column("note", sa.Text()),
    _column("recorded_by", sa.String(80)),
    _column("recorded_at", INSTANT),
    _column("cancelled_at", INSTANT, nullable=True),
    sa.Index("ix_pauses_clinic_id", "clinic_id"),
    sa.Index("ix_pauses_patient_id", "patient_id"),
)
_table(
    "plans",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("weekdays", sa.Integer()),
    _column("opens", sa.Time()),
    _column("due", sa.Time()),
    _column("closes", sa.Time()),
    _column("wants_reading", sa.Boolean()),
    _column("wants_checkin", sa.Boolean()),
    _column("steps", sa.JSON(), nullable=True),
    _column("silent_days", sa.Integer(), nullable=True),
    _column("next_date", sa.Date()),
    _column("next_open_at", INSTANT),
    _column("active", sa.Boolean()),
    _column("set_at", INSTANT),
    sa.UniqueConstraint("patient_id"),
    sa.Index("ix_plans_clinic_id", "clinic_id"),
    _partial("ix_plans_due", "next_open_at", where="active"),
)
_table(
    "readings",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("taken_at", INSTANT),
    _column("received_at", INSTANT),
    _column("local_date", sa.Date()),
    _column("pa_systolic", sa.Float()),
    _column("pa_diastolic", sa.Float()),
    _column("pa_mean", sa.Float()),
    _column("mean_is_derived", sa.Boolean()),
    _column("heart_rate", sa.Float(), nullable=True),
    _column("posture", WORD, nullable=True),
    _column("source", WORD),
    _column("source_ref", sa.String(80), nullable=True),
    _column("unit_given", sa.String(12)),
    _column("remarks", sa.JSON()),
    _to("readings", "supersedes_id", nullable=True),
    _column("superseded_at", INSTANT, nullable=True),
    sa.Index("ix_readings_clinic_id_local_date", "clinic_id", "local_date"),
    sa.Index("ix_readings_patient_id_local_date", "patient_id", "local_date"),
    _partial("uq_readings_current", "patient_id", "taken_at", unique=True, where="superseded_at IS NULL"),
)
_table(
    "sign_offs",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("week", sa.Date()),
    _to("staff", "signed_by"),
    _column("signed_at", INSTANT),
    _column("outcome", WORD),
    _column("note", sa.Text()),
    _column("next_look", sa.Date(), nullable=True),
    _column("as_of", INSTANT),
    _column("frozen", sa.JSON()),
    _column("frozen_hash", sa.String(64)),
    sa.UniqueConstraint("patient_id", "week"),
    sa.Index("ix_sign_offs_clinic_id_week", "clinic_id", "week"),
)
_table(
    "signals",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("kind", WORD),
    _column("raised_on", sa.Date()),
    _column("raised_at", INSTANT),
    _column("began_on", sa.Date()),
    _column("facts", sa.JSON()),
    _column("ended_on", sa.Date(), nullable=True),
    _column("seen_at", INSTANT, nullable=True),
    _to("staff", "seen_by", nullable=True),
    sa.UniqueConstraint("patient_id", "kind", "raised_on"),
    sa.Index("ix_signals_clinic_id_ended_on", "clinic_id", "ended_on"),
    sa.Index("ix_signals_patient_id", "patient_id"),
    _partial("ix_signals_unseen", "clinic_id", where="seen_at IS NULL"),
)
_table(
    "silences",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("first_date", sa.Date()),
    _column("last_date", sa.Date()),
    _column("missed", sa.Integer()),
    _column("cause", WORD),
    _column("opened_at", INSTANT),
    _column("ended_at", INSTANT, nullable=True),
    _column("ended_because", sa.String(40), nullable=True),
    sa.Index("ix_silences_clinic_id_last_date", "clinic_id", "last_date"),
    sa.Index("ix_silences_patient_id_first_date", "patient_id", "first_date"),
    _partial("uq_silences_open", "patient_id", unique=True, where="ended_at IS NULL"),
)
_table(
    "staff_sessions",
    _to("staff", "staff_id"),
    _column("begun_at", INSTANT),
    sa.Index("ix_staff_sessions_staff_id", "staff_id"),
)
_table(
    "tasks",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id", nullable=True),
    _column("kind", WORD),
    _column("facts", sa.JSON()),
    _column("dedupe_key", sa.String(160)),
    _column("raised_at", INSTANT),
    _column("escalates_at", INSTANT, nullable=True),
    _column("contacts_told", sa.Integer()),
    _column("state", WORD),
    _to("staff", "taken_by", nullable=True),
    _column("taken_at", INSTANT, nullable=True),
    _to("staff", "closed_by", nullable=True),
    _column("closed_at", INSTANT, nullable=True),
    _column("close_reason", sa.String(400), nullable=True),
    sa.UniqueConstraint("dedupe_key"),
    sa.Index("ix_tasks_clinic_id_state", "clinic_id", "state"),
    sa.Index("ix_tasks_patient_id", "patient_id"),
    _partial("ix_tasks_to_tell", "escalates_at", where="state = 'open'"),
)
_table(
    "windows",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _column("local_date", sa.Date()),
    _column("zone", sa.String(64)),
    _column("opens_at", INSTANT),
    _column("due_at", INSTANT),
    _column("closes_at", INSTANT),
    _column("wants_reading", sa.Boolean()),
    _column("wants_checkin", sa.Boolean()),
    _column("state", WORD),
    _column("reading_at", INSTANT, nullable=True),
    _column("checkin_at", INSTANT, nullable=True),
    _column("settled_at", INSTANT, nullable=True),
    _column("pace", WORD, nullable=True),
    sa.UniqueConstraint("patient_id", "local_date"),
    sa.Index("ix_windows_clinic_id_local_date", "clinic_id", "local_date"),
    _partial("ix_windows_to_close", "closes_at", where="state = 'open'"),
)
_table(
    "caregiver_replies",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _to("caregivers", "caregiver_id"),
    _to("windows", "window_id"),
    _to("silences", "silence_id", nullable=True),
    _column("answer", WORD),
    _column("until", sa.Date(), nullable=True),
    _column("note", sa.Text()),
    _column("at", INSTANT),
    sa.Index("ix_caregiver_replies_clinic_id", "clinic_id"),
    sa.Index("ix_caregiver_replies_patient_id", "patient_id"),
    sa.Index("ix_caregiver_replies_window_id", "window_id"),
)
_table(
    "checkins",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _to("windows", "window_id", nullable=True),
    _column("local_date", sa.Date()),
    _column("answered_at", INSTANT),
    _column("source", WORD),
    _column("breathlessness", sa.Integer(), nullable=True),
    _column("extra_pillows", sa.Integer(), nullable=True),
    _column("woke_breathless", sa.Boolean(), nullable=True),
    _column("swelling", WORD, nullable=True),
    _column("weight_kg", sa.Float(), nullable=True),
    _column("weight_unit", sa.String(8), nullable=True),
    _column("light_headed", sa.Boolean(), nullable=True),
    _column("tiredness", sa.Integer(), nullable=True),
    _column("missed_medicines", sa.Boolean(), nullable=True),
    _column("safety_signs", sa.JSON(), nullable=True),
    _column("note", sa.Text()),
    _column("remarks", sa.JSON()),
    _to("checkins", "supersedes_id", nullable=True),
    _column("superseded_at", INSTANT, nullable=True),
    sa.Index("ix_checkins_clinic_id_local_date", "clinic_id", "local_date"),
    _partial("uq_checkins_current", "patient_id", "local_date", unique=True, where="superseded_at IS NULL"),
)
_table(
    "consents",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _to("caregivers", "caregiver_id", nullable=True),
    _column("kind", WORD),
    _column("given", sa.Boolean()),
    _column("how", sa.String(200)),
    _column("recorded_by", sa.String(80)),
    _column("at", INSTANT),
    sa.Index("ix_consents_caregiver_id", "caregiver_id"),
    sa.Index("ix_consents_patient_id_kind_at", "patient_id", "kind", "at"),
)
_table(
    "contacts",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id", nullable=True),
    _to("caregivers", "caregiver_id", nullable=True),
    _to("staff", "staff_id", nullable=True),
    _column("channel", WORD),
    _column("address", sa.String(1000)),
    _column("secret", sa.JSON(), nullable=True),
    _column("position", sa.Integer()),
    _column("state", WORD),
    _column("broken_reason", sa.String(200), nullable=True),
    _column("created_at", INSTANT),
    sa.Index("ix_contacts_caregiver_id", "caregiver_id"),
    sa.Index("ix_contacts_channel_address", "channel", "address"),
    sa.Index("ix_contacts_clinic_id", "clinic_id"),
    sa.Index("ix_contacts_patient_id", "patient_id"),
    sa.Index("ix_contacts_staff_id", "staff_id"),
)
_table(
    "steps",
    _to("clinics", "clinic_id"),
    _to("windows", "window_id"),
    _to("patients", "patient_id"),
    _column("position", sa.Integer()),
    _column("kind", WORD),
    _column("due_at", INSTANT),
    _column("state", WORD),
    _column("reason", sa.String(40), nullable=True),
    _column("settled_at", INSTANT, nullable=True),
    sa.UniqueConstraint("window_id", "position"),
    _partial("ix_steps_due", "due_at", where="state = 'pending'"),
)
_table(
    "conversations",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id"),
    _to("contacts", "contact_id"),
    _to("windows", "window_id"),
    _column("answers", sa.JSON()),
    _column("asking", sa.String(40), nullable=True),
    _column("asked_again", sa.JSON()),
    _column("last_at", INSTANT),
    _column("closed_at", INSTANT, nullable=True),
    sa.UniqueConstraint("window_id", "contact_id"),
    sa.Index("ix_conversations_patient_id", "patient_id"),
)
_table(
    "inbound_texts",
    _column("gateway_ref", sa.String(120)),
    _to("contacts", "contact_id", nullable=True),
    _to("windows", "window_id", nullable=True),
    _column("received_at", INSTANT),
    _column("outcome", sa.String(40)),
    sa.UniqueConstraint("gateway_ref"),
    sa.Index("ix_inbound_texts_contact_id", "contact_id"),
)
_table(
    "messages",
    _to("clinics", "clinic_id"),
    _to("patients", "patient_id", nullable=True),
    _to("caregivers", "caregiver_id", nullable=True),
    _to("staff", "staff_id", nullable=True),
    _to("contacts", "contact_id"),
    _to("windows", "window_id", nullable=True),
    _to("steps", "step_id", nullable=True),
    _to("silences", "silence_id", nullable=True),
    _column("kind", WORD),
    _column("channel", WORD),
    _column("dedupe_key", sa.String(160)),
    _column("params", sa.JSON()),
    _column("created_at", INSTANT),
    _column("expires_at", INSTANT),
    _column("state", WORD),
    _column("reason", sa.String(60), nullable=True),
    _column("attempts", sa.Integer()),
    _column("next_try_at", INSTANT),
    _column("claim_token", ID, nullable=True),
    _column("lease_until", INSTANT, nullable=True),
    _column("handed_over_at", INSTANT, nullable=True),
    _column("settled_at", INSTANT, nullable=True),
    _column("provider_ref", sa.String(120), nullable=True),
    sa.UniqueConstraint("dedupe_key"),
    sa.Index("ix_messages_claim_token", "claim_token"),
    _partial("ix_messages_due", "next_try_at", where="state = 'queued'"),
    _partial("ix_messages_leased", "lease_until", where="state IN ('claimed', 'handing_over')"),
    sa.Index("ix_messages_patient_id_created_at", "patient_id", "created_at"),
    sa.Index("ix_messages_provider_ref", "provider_ref"),
    _partial("ix_messages_silence_id", "silence_id", where="silence_id IS NOT NULL"),
    sa.Index("ix_messages_window_id", "window_id"),
)
_table(
    "message_events",
    _to("messages", "message_id"),
    _column("at", INSTANT),
    _column("event", sa.String(24)),
    _column("detail", sa.String(200)),
    sa.Index("ix_message_events_message_id", "message_id"),
)
