"""A list of people enrolled from a file: each row an enrolment, with contact, consent, hours and caregiver where known.

Promises that every row goes by `enrolment.enrol`, in a transaction of its own; that one which is refused is reported
with its line, field and what is accepted, and keeps none of the others out; and that a row of somebody who is
enrolled already is refused, so that running a file again does no harm.
"""

from __future__ import annotations

import io
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, time
from itertools import islice
from typing import Any, BinaryIO

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain.rows import ROSTER, UNREADABLE, lines_of, rows_of, sheet_of
from service.domain.validation import Refused
from service.domain.vocabulary import Channel
from service.enrolling import enrolment, people
from service.enrolling.enrolment import Agreed, Enrolment, NewHelper
from service.enrolling.people import NewCaregiver, NewContact, NewPatient
from service.enrolling.plans import NewPlan
from service.store.audit import Act, Actor
from service.store.ids import slices
from service.store.session import write_session
from service.store.tables import Clinic

MOST_ROWS = 5_000  # in one file; ten times the largest panel we know of. Our own number, no source
ROWS_AT_ONCE = 50  # tried in one transaction: patients' answers wait for it
HOURS = ("opens", "due", "closes")


@dataclass
class RosterReport:
    """What became of the rows of a file."""

    rows: int = 0
    enrolled: int = 0  # when only tried: would be
    refused: list[Refused] = field(default_factory=list)  # each with its line


class OnlyTried(Exception):
    """Everything could be written, and is undone."""


def import_roster(
    engine: Engine,
    clinic_id: uuid.UUID,
    source: BinaryIO,
    actor: Actor,
    now: datetime,
    *,
    called: Mapping[str, str] | None = None,
    dry_run: bool = False,
) -> RosterReport:
    """Enrol everybody in a CSV file, columns as in `domain.rows.ROSTER`; `called` is what the file calls them.

    A dry run meets those who are alike among a few rows at a time; those further apart are met when they are taken.
    Raises Refused when the file as a whole cannot be read; nothing was written then.
    """
    report, found, seen = RosterReport(), list[tuple[int, list[str] | Refused]](), set[str]()
    source.seek(0)
    text = io.TextIOWrapper(source, encoding="utf-8-sig", errors="replace", newline="")
    try:
        sheet = sheet_of(lines_of(text), ROSTER, called)
        found += islice(rows_of(sheet), MOST_ROWS + 1)
    finally:
        text.detach()
    if len(found) > MOST_ROWS:
        raise Refused("file", "more rows", "at most %(rows)s rows", rows=MOST_ROWS)
    report.rows = len(found)
    for some in slices(found, ROWS_AT_ONCE):
        with _transactions(engine, dry_run=dry_run) as row_of:
            for line, cells in some:
                try:
                    if isinstance(cells, Refused):
                        raise cells
                    with row_of() as session:
                        act = Act(session, actor, clinic_id, now)
                        values = {name: cells[place].strip() for name, place in sheet.places.items()}
                        if values["clinic_ref"] in seen:
                            raise people.ref_is_taken(values["clinic_ref"])
                        enrolment.enrol(act, _enrolment(session.get_one(Clinic, clinic_id), values))
                    seen.add(values["clinic_ref"])
                    report.enrolled += 1
                except Refused as refused:
                    report.refused.append(refused.at_line(line))
    return report


@contextmanager
def _transactions(engine: Engine, *, dry_run: bool) -> Iterator[Any]:
    """What opens the transaction of one row. A dry run has one for several, of which nothing stays."""
    if not dry_run:
        yield lambda: write_session(engine)
        return
    try:
        with write_session(engine) as session:
            yield lambda: _nested(session)
            raise OnlyTried
    except OnlyTried:
        pass


@contextmanager
def _nested(session: Session) -> Iterator[Session]:
    with session.begin_nested():
        yield session


def _enrolment(clinic: Clinic, row: Mapping[str, str]) -> Enrolment:
    """A row as the use case takes it. Raises Refused, its field as the file's column."""
    if UNREADABLE in "".join(row.values()):
        raise Refused("line", "a byte that is no UTF-8", "text in UTF-8")
    region = people.region_of(clinic)
    given = {name: _time(name, row[name]) for name in HOURS if row[name]}
    if given and len(given) < len(HOURS):
        missing = next(name for name in HOURS if name not in given)
        raise Refused(missing, "", "a local time, such as 07:30, beside the others")
    return Enrolment(
        NewPatient(row["clinic_ref"], row["name"], row["zone"] or clinic.zone, row["language"] or clinic.language),
        _date("born_on", row["born_on"]),
        _contact("telephone", row["telephone"], region),
        _agreed("agreed_how", row["agreed_how"], _date("agreed_on", row["agreed_on"])),
        NewPlan(opens=given["opens"], due=given["due"], closes=given["closes"]) if given else None,
        _helper(row, region),
    )


def _helper(row: Mapping[str, str], region: str | None) -> NewHelper | None:
    if not row["caregiver_name"]:
        return None
    return NewHelper(
        NewCaregiver(row["caregiver_name"], row["caregiver_relation"]),
        _contact("caregiver_telephone", row["caregiver_telephone"], region),
        _agreed("caregiver_allowed_how", row["caregiver_allowed_how"], None),
        _agreed("caregiver_agreed_how", row["caregiver_agreed_how"], None),
    )


def _contact(name: str, given: str, region: str | None) -> NewContact | None:
    return NewContact(Channel.TEXT, people.checked_address(name, Channel.TEXT, given, region)) if given else None


def _agreed(name: str, how: str, on: date | None) -> Agreed | None:
    if not how and on is not None:
        raise Refused(name, "", "how they agreed, beside the date")
    return Agreed(how, on) if how else None


def _date(name: str, given: str) -> date | None:
    try:
        return date.fromisoformat(given) if given else None
    except ValueError:
        raise Refused(name, given, "a date such as 2026-11-25") from None


def _time(name: str, given: str) -> time:
    try:
        return time.fromisoformat(given)
    except ValueError:
        raise Refused(name, given, "a local time, such as 07:30") from None
