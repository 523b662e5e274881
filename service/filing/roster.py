"""A list of people enrolled from a file: each row an enrolment, with contact, consent, hours and caregiver where known.

Promises that every row goes by `enrolment.enrol`, in a transaction of its own; that one which is refused is reported
with its line, field and what is accepted, and keeps none of the others out; and that a row of somebody who is
enrolled already is refused, so that running a file again does no harm.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, time
from itertools import islice
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain import filedates
from service.domain.filedates import FileDates
from service.domain.rows import ROSTER, UNREADABLE, Raw, rows_of
from service.domain.validation import Refused
from service.domain.vocabulary import Channel
from service.enrolling import enrolment, people
from service.enrolling.enrolment import Agreed, Enrolment, NewHelper
from service.enrolling.people import NewCaregiver, NewContact, NewPatient
from service.enrolling.plans import NewPlan
from service.filing import imports
from service.filing.importing import ImportReport, Intake, Source
from service.filing.imports import ImportBegun
from service.filing.sheets import File
from service.store.audit import Act
from service.store.ids import slices
from service.store.session import write_session
from service.store.tables import Clinic

MOST_ROWS = 5_000  # in one file; ten times the largest panel we know of. Our own number, no source
ROWS_AT_ONCE = 50  # tried in one transaction: patients' answers wait for it
HOURS = ("opens", "due", "closes")


def import_roster(into: Intake, source: Source) -> ImportReport:
    """Enrol everybody in a file, columns as in `domain.rows.ROSTER`.

    Raises Refused when the file as a whole cannot be read; nothing was written then.
    """
    report, found = ImportReport(), list[Raw]()
    file = source if isinstance(source, File) else File(source)
    with file.opened(ROSTER, into.reads) as opened:
        found += islice(rows_of(opened.sheet), MOST_ROWS + 1)
        report.found, places, dates = opened.found, opened.sheet.places, opened.sheet.dates
    if len(found) > MOST_ROWS:
        raise Refused("file", "more rows", "at most %(rows)s rows", rows=MOST_ROWS)
    report.rows = len(found)
    if into.dry_run or into.strict:
        report.tried = True
        _enrol_each(into, found, places, dates, report, None)
        report.stopped = into.strict and bool(report.refused)
        if into.dry_run or report.refused:
            return report
        report = ImportReport(rows=report.rows, found=report.found)
    with imports.begun(into.engine, into.clinic_id, "roster", into.name, into.actor, into.now) as begun:
        _enrol_each(into, found, places, dates, report, begun)
        begun.rows, begun.taken = report.rows, report.taken
    report.import_id = begun.id if report.taken else None
    return report


def _enrol_each(
    into: Intake,
    found: list[Raw],
    places: Mapping[str, int],
    dates: FileDates,
    report: ImportReport,
    begun: ImportBegun | None,
) -> None:
    """Enrol the people of these rows; only try it where no import was begun."""
    seen = _Seen()
    for some in slices(found, ROWS_AT_ONCE):
        ids = begun.ids([line for line, _ in some]) if begun else [None] * len(some)
        with _transactions(into.engine, dry_run=begun is None) as row_of:
            for (line, cells), its_id in zip(some, ids, strict=True):
                try:
                    if isinstance(cells, Refused):
                        raise cells
                    with row_of() as session:
                        act = Act(session, into.actor, into.clinic_id, into.now)
                        values = {name: cells[place].strip() for name, place in places.items()}
                        new = _enrolment(session.get_one(Clinic, into.clinic_id), values, dates)
                        seen.check(new)
                        enrolment.enrol(act, new, its_id)
                    seen.add(new)
                    report.taken += 1
                except Refused as refused:
                    report.refused.append(refused.at_line(line))


class _Seen:
    """Who stood in the rows above: what only is tried is in no database, and those further down may be alike."""

    def __init__(self) -> None:
        self._alike: dict[object, str] = {}  # what two people share who may be one → the reference of the first
        self._refs: set[str] = set()

    def check(self, new: Enrolment) -> None:
        """Raises Refused, as `enrolment.enrol` does where both are written."""
        if new.who.clinic_ref in self._refs:
            raise people.ref_is_taken(new.who.clinic_ref)
        known = [self._alike[mark] for mark in self._marks(new) if mark in self._alike]
        if known and not new.is_other:
            raise enrolment.is_alike(list(dict.fromkeys(known)))

    def add(self, new: Enrolment) -> None:
        self._refs.add(new.who.clinic_ref)
        for mark in self._marks(new):
            self._alike.setdefault(mark, new.who.clinic_ref)

    @staticmethod
    def _marks(new: Enrolment) -> list[object]:
        born = [(*enrolment.plain(new.who.name), new.born_on)] if new.born_on is not None else []
        return [*born, *([new.contact.address] if new.contact is not None else [])]


@contextmanager
def _transactions(engine: Engine, *, dry_run: bool) -> Iterator[Any]:
    """What opens the transaction of one row. A dry run has one for several, of which nothing stays."""
    if not dry_run:
        yield lambda: write_session(engine)
        return
    with imports.only_tried(engine) as session:
        yield lambda: _nested(session)


@contextmanager
def _nested(session: Session) -> Iterator[Session]:
    with session.begin_nested():
        yield session


def _enrolment(clinic: Clinic, row: Mapping[str, str], dates: FileDates) -> Enrolment:
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
        _date("born_on", row["born_on"], dates),
        _contact("telephone", row["telephone"], region),
        _agreed("agreed_how", row["agreed_how"], _date("agreed_on", row["agreed_on"], dates)),
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


def _date(name: str, given: str, dates: FileDates) -> date | None:
    return dates.day(name, given) if given else None


def _time(name: str, given: str) -> time:
    found = filedates.of_day(given)
    if found is None:
        raise Refused(name, given, "a local time, such as 07:30")
    return found
