"""What a statement would read whole: the tables that grow with all patients, of which SQLite's plan says SCAN.

`tests/conftest.py` asks of every statement that any test makes the service send to SQLite. The plan is made without
statistics, so a scan is there because no index serves, not because a test's tables are small. What PostgreSQL
does with full tables is measured by `deploy/bench year`.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from service.store.tables import Base

ROOT = Path(__file__).resolve().parent.parent
# Beside those that name a patient: what is added to with each message, change, look or call.
ALSO = {"patients", "contacts", "message_events", "audit_lines", "access_lines", "idempotent_calls", "inbound_texts"}
GROWING = {table.name for table in Base.metadata.tables.values() if "patient_id" in table.columns} | ALSO
# Parts of tables that are as small as what waits: whoever reads one whole reads no more than that.
WAITING = {
    "ix_audit_lines_unsealed", "ix_messages_due", "ix_messages_leased", "ix_panel_rows_stale", "ix_plans_due",
    "ix_steps_due", "ix_tasks_to_tell", "ix_windows_to_close", "uq_silences_open",
}  # fmt: skip
# Who looks at everybody because that is what is asked of it, and never while somebody waits for a page.
WHOLE = {
    "service/commands/": "an operator's question of all clinics",
    "service/delivery/operating.py:find": "an operator's question of all clinics",
    "service/care/contacts.py:shared_numbers": "asked by doctor, of all numbers",
    "service/health/checks.py": "doctor",
    "service/health/invariants.py": "the nightly check, from the first row on",
    "service/keeping/": "a backup, an export of a clinic, a restore",
    "service/delivery/settling.py:end_restored": "once, after a restore",
    "service/store/chain.py:verify": "the nightly check, and an operator's, of every line",
    "service/store/panel.py:without_row": "a rebuild",
    "service/store/seals.py:each": "at night, a clinic's whole record; SQLite knows when there is one clinic",
    "service/store/resealing.py": "once a day, an operator's command, and doctor",
    "service/web/pages/demo.py": "the demo's few people",
    "service/web/pages/lives.py": "the demo's few people",
}
_SCAN = re.compile(r"SCAN (\w+)(?: USING (?:COVERING )?INDEX (\w+))?")
_LOOKS = re.compile(r"\s*(WITH|SELECT|UPDATE|DELETE|INSERT INTO \w+ \([^()]*\) SELECT)\b", re.IGNORECASE)
_DOORS = {
    "service/store/session.py", "service/store/guarded.py", "tests/conftest.py", "tests/scans.py",
    "tests/bench/bench_year.py",
}  # fmt: skip
_known: dict[str, tuple[str, ...]] = {}


class ReadsAll(AssertionError):
    """A statement of the service reads the whole of a table that grows with all patients."""


def look(connection: Connection, statement: str, parameters: Any) -> None:
    """Raises ReadsAll for a statement of the service that does, but of those in `WHOLE`."""
    if statement not in _known:
        _known[statement] = tuple(_scanned(connection, statement, parameters))
    if _known[statement]:
        asking, *on_behalf_of = asked_by() or [""]
        if (
            asking.startswith("service/")
            and not asking.startswith(tuple(WHOLE))
            and WHOLE.keys().isdisjoint(on_behalf_of)
        ):
            told = f"{asking} reads all of {', '.join(_known[statement])}; it needs an index, or a reason in tests/scans.py"
            raise ReadsAll(f"{told}:\n{statement}")


def _scanned(connection: Connection, statement: str, parameters: Any) -> Iterator[str]:
    if not _LOOKS.match(statement):
        return
    driver: Any = connection.connection.dbapi_connection
    for *_, line in driver.execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall():
        if (scan := _SCAN.match(line)) and scan[2] not in WAITING:
            named = re.search(rf"\b(\w+) AS {scan[1]}\b", statement)
            if (table := named[1] if named else scan[1]) in GROWING:
                yield f"{table} by {scan[2]}" if scan[2] else table


def asked_by() -> list[str]:
    """The function of the project that sends what is being sent, as `service/store/panel.py:carried`, and its callers."""
    found: list[str] = []
    frame = sys._getframe(1)
    while frame.f_back is not None:
        if name := _of_the_project(frame.f_code.co_filename):
            found.append(f"{name}:{frame.f_code.co_qualname}")
        frame = frame.f_back
    return found


@cache
def _of_the_project(file_name: str) -> str:
    """The file as the project calls it; nothing for a door, and for what is not the project's."""
    file = Path(file_name)
    if not file.is_relative_to(ROOT) or ".venv" in file.parts:
        return ""
    name = file.relative_to(ROOT).as_posix()
    return "" if name in _DOORS else name
