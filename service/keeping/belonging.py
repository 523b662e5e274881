"""Which rows are one patient's, table by table.

Promises that every table of the database is either tied to a patient here or said to hold nobody's rows: a test walks
over them, so that a new table is neither left out of what a patient is handed nor of what is erased. Tied are also the
rows of their caregivers, and what hangs on a row that is theirs.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Select, Table, or_, select, union_all
from sqlalchemy.orm import Session

from service.store.session import rows
from service.store.tables import (
    Base,
    Caregiver,
    Contact,
    Invitation,
    Message,
    ReviewAddition,
    SignOff,
    SignOffWithdrawal,
    Task,
    Transfer,
)

TABLES: Mapping[str, Table] = Base.metadata.tables
# Of clinics, colleagues, machines and the service itself; a patient's name or number stands in none of them by rule.
NOBODYS = frozenset({
    "clinics", "staff", "staff_sessions", "staff_invitations", "hospital_sign_ins", "emergency_codes",
    "emergency_accesses", "passkeys", "passkey_challenges", "sign_in_attempts", "api_keys", "message_templates",
    "phrases", "trials", "read_positions", "heartbeats", "nightly_checks", "secret_marks", "quarantined_rows",
    "backups", "holds", "audit_seals", "arrivals", "occurrences",
})  # fmt: skip
# What may hold a person's words or number without saying whose; each is gone after hours or days (`retention`).
LOOSE = frozenset({
    "enrolment_drafts", "form_drafts", "import_files", "imports", "idempotent_calls", "unplaced_texts",
    "stranger_texts", "meant_clinics", "dead_letters",
})  # fmt: skip
# What is tied to a patient: by their id, or by what hangs on a row that is theirs.
TIED = frozenset(
    {name for name, table in TABLES.items() if "patient_id" in table.c}
    | {"patients", "message_events", "inbound_texts"}
)
# Another clinic's, where it looked after the patient before, and read by both.
OF_BOTH = frozenset(one.__tablename__ for one in (SignOff, SignOffWithdrawal, ReviewAddition, Transfer))


@dataclass(frozen=True)
class Belonging:
    """The rows of one patient: of each table the condition under which a row is theirs."""

    patient_id: uuid.UUID
    of: Mapping[str, ColumnElement[bool]]

    def rows_of(self, name: str, clinic_id: uuid.UUID | None = None) -> Select[tuple[object, ...]]:
        """Their rows of this table as a query; with a clinic, those that it may read."""
        table = TABLES[name]
        query = select(table).where(self.of[name]).order_by(table.c.id)
        if clinic_id is not None and name not in OF_BOTH and "clinic_id" in table.c:
            query = query.where(table.c.clinic_id == clinic_id)
        return query


def of_patient(session: Session, patient_id: uuid.UUID) -> Belonging:
    """What is this patient's."""
    caregivers = select(Caregiver.id).where(Caregiver.patient_id == patient_id)
    invitations = list(rows(session).scalars(select(Invitation.id).where(Invitation.patient_id == patient_id)))
    transfers = list(rows(session).scalars(select(Transfer.id).where(Transfer.patient_id == patient_id)))
    ways = select(Contact.id).where(or_(Contact.patient_id == patient_id, Contact.caregiver_id.in_(caregivers)))
    about = [f"transfer:{one}" for one in transfers] + [f"invitation:{one}" for one in invitations]
    told, written = ([table.dedupe_key.startswith(one, autoescape=True) for one in about] for table in (Task, Message))
    messages = or_(
        Message.patient_id == patient_id, Message.caregiver_id.in_(caregivers), Message.contact_id.in_(ways), *written
    )
    of: dict[str, ColumnElement[bool]] = {
        name: table.c.patient_id == patient_id
        for name, table in TABLES.items()
        if "patient_id" in table.c and name != "audit_lines"
    }
    of |= {
        "patients": TABLES["patients"].c.id == patient_id,
        "contacts": TABLES["contacts"].c.id.in_(ways),
        "messages": messages,
        "message_events": TABLES["message_events"].c.message_id.in_(select(Message.id).where(messages)),
        "link_keys": of["link_keys"] | TABLES["link_keys"].c.invitation_id.in_(invitations),
        "inbound_texts": TABLES["inbound_texts"].c.contact_id.in_(ways),
        "tasks": or_(of["tasks"], *told),
    }
    # One list of ids, which the index of subjects is asked for: a condition for each table would read every line.
    subjects = union_all(*(select(TABLES[name].c.id).where(its) for name, its in of.items()))
    return Belonging(patient_id, of | {"audit_lines": TABLES["audit_lines"].c.subject_id.in_(subjects)})
