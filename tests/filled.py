"""A row in every table that may hold something of one patient, with a text of one's own in every text of it."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import JSON, Column, LargeBinary, String, Table, Text, delete, insert, select
from sqlalchemy.orm import Session

from service.keeping import belonging
from service.store.tables import Base
from service.store.types import Id, LegibleFacts, UTCDateTime, Word
from service.store.vault import Hidden, HiddenFacts, HiddenFile

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PLAIN: dict[type, Any] = {bool: False, int: 1, float: 1.0, date: AT.date(), datetime: AT, time: time(9)}


def fill(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, text: str) -> dict[str, uuid.UUID]:
    """Insert them; the id of each row by its table. What refers to a row refers to the one inserted here."""
    ids = {"clinics": clinic_id, "patients": patient_id, "staff": session.scalars(select(_of("staff").c.id)).first()}
    ids["messages"] = uuid.uuid4()  # a history's line names its message without a key that the database would compare
    for only in ("carried_states", "panel_rows", "plans"):  # of which a patient has one
        session.execute(delete(_of(only)).where(_of(only).c.patient_id == patient_id))
    for table in Base.metadata.sorted_tables:
        if table.name in belonging.NOBODYS | {"patients"}:
            continue
        row = {column.name: _value(column, ids, text) for column in table.columns}
        row["id"] = ids[table.name] = ids["messages"] if table.name == "messages" else uuid.uuid4()
        if table.name == "audit_lines":
            row["subject_id"] = patient_id
        session.execute(insert(table).values(row))
    return {name: row_id for name, row_id in ids.items() if name not in {"clinics", "staff"}}


def texts(table: Table) -> list[Column[Any]]:
    """The columns in which a text can be."""
    kinds = (String, Text, JSON, LargeBinary)
    return [one for one in table.columns if isinstance(one.type, kinds) and not isinstance(one.type, Word)]


def _of(name: str) -> Table:
    return Base.metadata.tables[name]


def _value(column: Column[Any], ids: dict[str, Any], text: str) -> Any:
    referred = [key.column.table.name for key in column.foreign_keys]
    if referred and referred[0] == "panel_rows":
        return ids["patients"]
    if referred:
        return ids.get(referred[0]) if referred[0] != column.table.name else None
    if column.name == "message_id":
        return ids["messages"]
    if column.name in {"clinic_id", "patient_id"}:
        return ids["clinics" if column.name == "clinic_id" else "patients"]
    if isinstance(column.type, Word):
        return next(iter(column.type.vocabulary))
    if isinstance(column.type, Hidden):
        return {HiddenFile: text.encode(), HiddenFacts: {"said": text}}.get(type(column.type), text)
    if isinstance(column.type, JSON | LegibleFacts):
        return [text] if column.default is None and "list" in str(column.type) else {"said": text}
    if isinstance(column.type, LargeBinary):
        return text.encode()
    if isinstance(column.type, String | Text):
        longest = getattr(column.type, "length", None) or 1000
        return (text if longest >= len(text) else text[:longest]) + (str(uuid.uuid4())[:8] if longest >= 60 else "")
    if isinstance(column.type, Id):
        return uuid.uuid4()
    return PLAIN[datetime if isinstance(column.type, UTCDateTime) else column.type.python_type]
