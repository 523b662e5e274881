"""Look at the whole service, and say what was seen.

`readiness` asks only what an index answers at once: a monitor may ask it every few
seconds. `examine` also counts people and plans, which reads whole tables.
"""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Engine, TextClause, exists, func, or_, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service.care.contacts import agrees, shared_numbers, somebody
from service.domain.tasks import Found
from service.domain.vocabulary import CLINICAL_STAFF, Channel, ConsentKind, ContactState, PatientState
from service.health import unaltered
from service.health.invariants import last_check, look
from service.store import holds, migrate, months
from service.store.access import lost_since
from service.store.due import ACTIVE_PLANS, LEASED_MESSAGES, QUEUED_MESSAGES, lapsed
from service.store.heartbeats import last_seen, last_troubles, longest_batch
from service.store.quarantine import describe_error, is_quarantined
from service.store.session import read_session, try_to_write
from service.store.tables import (
    Backup,
    Base,
    Caregiver,
    Clinic,
    Contact,
    Message,
    Patient,
    Plan,
    QuarantinedRow,
    Staff,
    StrangerText,
    Task,
)
from service.store.troubles import told
from service.store.types import UTCDateTime
from service.transports.base import NOT_SET_UP
from service.transports.http import HttpClient, NoAnswer
from service.words import language

WAYS_OUT = "ways_out"
CONTACTS = {Channel.TEXT: "a telephone number", Channel.EMAIL: "a mailbox", Channel.WEBPUSH: "a phone for notices"}
TICKED_WITHIN = timedelta(minutes=2)
SENT_WITHIN = timedelta(minutes=10)
HANDED_OVER_WITHIN = timedelta(minutes=1)  # a batch is a few calls one after another
OPENED_WITHIN = timedelta(hours=1)
# A plan has at least one weekday, and so has each of its phases: the end of one without its weekday, days between
# without the plan's, and the beginning of the next without its own are six days at most each.
OPENS_AGAIN_WITHIN = timedelta(days=20)
BEGINS_WITHIN = 2.0  # seconds in which a writer's turn comes, whatever else is going on
LEAST_ROOM = 100e6  # bytes: days of an ordinary clinic
A_WRITE = 1e6  # bytes: a transaction of some hundred pages; our own number, no source
SKEW_ALLOWED = timedelta(seconds=5)
TAKEN_WITHIN = timedelta(days=2)
MANY_TRIES = 5
SAID = {
    Found.SILENCE_UNTOLD: "a silence past its threshold has no task",
    Found.SAFETY_UNTOLD: "a check-in with signs of an emergency has no task",
    Found.WRONG_END: "a window has not the end that was recorded for it",
    Found.NOT_ON_REVIEW: "an active patient does not stand on the review",
    Found.CALL_UNTOLD: "a patient in Call today has no task that tells why",
    Found.RECORD_ALTERED: "a sealed record is not as it was written",
    Found.TRAIL_ALTERED: "the audit trail is not as it was written",
}
CHECKED_WITHIN = timedelta(hours=30)
PING_TIMEOUT_SECONDS = 5.0
OPEN_TASKS = text("tasks.state = 'open'")
SET_ASIDE = QuarantinedRow.released_at.is_(None)
MONITORED = Patient.state == PatientState.ACTIVE
NAMED_AT_MOST = 5


class Fares(StrEnum):
    """What a finding comes to. Only the first says that something was looked at and is as it should be."""

    WELL = "well"
    ATTENTION = "attention"
    NOT_KNOWN = (
        "not known"  # it could not be looked at, or somebody else sees to it and what came of that is not told here
    )
    NONE_YET = "none yet"  # nor is it overdue


@dataclass(frozen=True)
class Finding:
    """`name` is stable, for machines; `sentence` is for people; `value` is a number (seconds or a count) or null.

    `ok` is whether nobody has to look; `unlike_well` why that does not say that all is well.
    """

    name: str
    ok: bool
    sentence: str
    value: float | None = None
    unlike_well: Fares | None = None

    @property
    def fares(self) -> Fares:
        return Fares.ATTENTION if not self.ok else self.unlike_well or Fares.WELL

    def as_dict(self) -> dict[str, Any]:
        told = {"name": self.name, "ok": self.ok, "fares": self.fares.value}
        return told | {"sentence": self.sentence, "value": self.value}


def readiness(
    engine: Engine,
    now: datetime,
    *,
    machine_now: datetime | None = None,
    channels: Collection[Channel] | None = None,
) -> list[Finding]:
    """Database, layout, worker, waiting messages; what is not set up, and this machine's clock, where those are given.

    `now` is the service's time, which the demo moves; `machine_now` is this machine's own;
    `channels` are those the service is set up to send by, None where that is not known.
    """
    try:
        if not migrate.is_current(engine):
            return [Finding("layout", False, "Migrations are missing: run `neaptide migrate`.")]
        room = list(_room(engine))
        with read_session(engine) as session:
            findings = [
                Finding("database", True, "The database answers."),
                Finding("layout", True, "The database has the newest layout."),
                _writing(engine, room),
                *room,
                *_worker(session, now),
                held(session, now),
                _unsent(session, now),
                _stuck(session, now),
                _strangers(session, now),
            ]
            if channels is not None:
                findings.append(_ways_out(session, channels))
            if machine_now is not None:
                findings.append(_skew(session, machine_now))
    except SQLAlchemyError as error:
        return [Finding("database", False, f"The database does not answer: {describe_error(error)}.")]
    return findings


def answers(findings: Sequence[Finding]) -> bool:
    """Whether, by what `readiness` found, more can be asked of the database: it is there, in the newest layout."""
    return all(finding.ok for finding in findings if finding.name in {"database", "layout"})


def _months(session: Session, machine_now: datetime) -> Iterator[Finding]:
    """Whether what grows daily lies by month, and has months to go into: by this machine's clock, as the rows' ids."""
    laid = months.look(session)
    short = [one.table for one in laid if (one.last_month or "") < months.month_name(machine_now, months.ENOUGH)]
    astray = [one.table for one in laid if one.astray]
    if short:
        sentence = f"The months of {', '.join(short)} run short: `neaptide migrate` makes more."
        yield Finding("months", False, sentence, len(short))
    elif astray:
        sentence = f"Rows of {', '.join(astray)} lie in no month: `neaptide migrate` lays them where they belong."
        yield Finding("months", False, sentence, len(astray))
    elif laid:
        yield Finding("months", True, f"What grows daily has months up to {min(one.last_month or '' for one in laid)}.")


def _writing(engine: Engine, room: Sequence[Finding]) -> Finding:
    """Whether a writer's turn comes, and finds room: to begin to write takes none yet."""
    if any(one.value is not None and one.value < A_WRITE for one in room):
        return Finding("writing", False, "What is sent may not be taken in: there is no room left to write it.")
    try:
        try_to_write(engine, BEGINS_WITHIN)
    except SQLAlchemyError as error:
        return Finding("writing", False, f"Nothing can be written: {told(error) or describe_error(error)}.")
    return Finding("writing", True, "The database can be written to.")


def _room(engine: Engine) -> Iterator[Finding]:
    """Of a server's disk nothing is known here."""
    if engine.dialect.name == "sqlite":
        folder = Path(str(engine.url.database)).parent
        try:
            free = shutil.disk_usage(folder).free
        except OSError as error:  # it was taken away under a process that still has the file open
            yield Finding("room", False, f"The folder of the database cannot be looked at: {describe_error(error)}.")
            return
        sentence = f"The disk of the database has {free / 1e6:,.1f} MB left."
        yield Finding("room", free >= LEAST_ROOM, sentence, free)


def examine(
    engine: Engine,
    now: datetime,
    *,
    machine_now: datetime | None = None,
    channels: Collection[Channel] | None = None,
    backups_within: timedelta | None = None,
) -> list[Finding]:
    """Everything: what `readiness` says, then set-aside rows, people who cannot be reached, plans that never fire.

    `channels` are those the service is set up to send by; None is all of them. `backups_within` is how old the newest
    backup may be; None where they are made by other means.
    """
    findings = readiness(engine, now, machine_now=machine_now, channels=channels)
    if not answers(findings):
        return findings
    with read_session(engine) as session:
        findings += [
            _set_aside(session),
            _turned_away(session),
            _tasks(session, now),
            *_of_people(
                session,
                [*_people(session, channels), _clinics_untold(session, channels), _silent_plans(session, now)],
            ),
            _trail(session, now),
            _shared_numbers(session),
            *_months(session, machine_now or now),
            nightly(session, now),
            backup(session, now, backups_within),
        ]
    return findings


def settings(misspelt: Mapping[str, str]) -> Finding:
    """`misspelt` are variables that nothing reads, each with the one it may have meant, or nothing."""
    named = ", ".join(f"{name} ({meant}?)" if meant else name for name, meant in misspelt.items())
    sentence = f"Settings that nothing reads, perhaps misspelt: {named}." if named else "Every setting given is read."
    return Finding("settings", not misspelt, sentence, len(misspelt))


def address(base_url: str, opens_elsewhere: bool, channels: Collection[Channel]) -> Finding:
    """Whether links in messages lead somewhere for whoever gets them."""
    if channels and not opens_elsewhere:
        sentence = f"Links in messages begin with {base_url}, which opens on this machine alone: set NEAPTIDE_BASE_URL."
        return Finding("address", False, sentence)
    return Finding("address", True, f"Links in messages begin with {base_url}.")


def private(files: Sequence[Path]) -> Finding:
    """Whether other users of this machine can read what patients and staff have written."""
    loose = sorted({str(one) for one in files if one.stat().st_mode & 0o077})
    sentence = "No other user of this machine may read the data."
    if loose:
        sentence = f"Other users of this machine may read {' and '.join(loose)}: `chmod go=`."
    return Finding("private", not loose, sentence, len(loose))


def deep(engine: Engine, now: datetime, folder: Path) -> list[Finding]:
    """What the nightly check would find now, each with the patient and the day, or the record. Tells nobody else."""
    return [
        *(
            Finding(f"deep.{one.found.value}", False, f"Patient {one.patient_id}, {one.day}: {SAID[one.found]}.")
            for one in look(engine, now)
        ),
        *(
            Finding(f"deep.{one.found.value}", False, f"{of_clinic(one.clinic_id)}: {SAID[one.found]}: {one.sentence}.")
            for one in unaltered.look(engine, folder)
        ),
    ] or [Finding("deep", True, "What must hold was worked out anew, and holds; every seal was compared.")]


def of_clinic(clinic_id: uuid.UUID | None) -> str:
    """Whose record or trail it is."""
    return "Of no clinic" if clinic_id is None else f"Clinic {clinic_id}"


def held(session: Session, now: datetime) -> Finding:
    """Whether what was brought back from a backup waits for an operator; and of what time nothing is known."""
    gap = holds.newest(session, now)
    if gap is None:
        return Finding("held", True, "Nothing was brought back from a backup lately.")
    since = f"brought back from a backup of {gap.backup_at:%Y-%m-%d %H:%M} UTC"
    if gap.resumed_at is not None:
        until = f"{gap.resumed_at:%Y-%m-%d %H:%M} UTC"
        return Finding("held", True, f"This data was {since}; what was sent or came in until {until} is not known.")
    way = "`neaptide resume` lets it go on" if gap.compared_at is not None else holds.NEVER_WHOLE
    return Finding(
        "held",
        False,
        f"Nobody is asked and no message is sent: this data was {since}, and what was sent or came in since is not"
        f" known. {language.sentence(way)}",
        (now - gap.backup_at).total_seconds(),
    )


def backup(session: Session, now: datetime, within: timedelta | None) -> Finding:
    """How old the newest backup is. `within` is how old it may be; None where backups are made by other means."""
    newest = session.scalar(select(func.max(Backup.taken_at)))
    if newest is None:
        sentence = "`neaptide backup` has never made a backup of this data."
        if within is None:
            elsewhere = f"{sentence} Of backups that are made by other means nothing is known here."
            return Finding("backup", True, elsewhere, unlike_well=Fares.NOT_KNOWN)
        begun = session.scalar(select(func.min(Clinic.created_at)))
        late = begun is not None and now - begun > within
        return Finding("backup", not late, sentence, unlike_well=Fares.NONE_YET)
    age = (now - newest).total_seconds()
    sentence = f"The newest backup by `neaptide backup` was taken {lasted(max(age, 0))} ago."
    return Finding("backup", within is None or age <= within.total_seconds(), sentence, age)


def _worker(session: Session, now: datetime) -> Iterator[Finding]:
    seen = last_seen(session)
    if seen is None:
        yield Finding("worker", False, "No worker has ever run: start `neaptide worker`.")
        return
    age = (now - seen).total_seconds()
    yield Finding(
        "worker", age <= TICKED_WITHIN.total_seconds(), f"A worker last ticked {lasted(max(age, 0))} ago.", age
    )
    troubled = last_troubles(session, since=now - TICKED_WITHIN)
    parts = ", ".join(f"{part} ({what})" for part, what in sorted(troubled.items()))
    yield Finding(
        "worker_parts",
        not troubled,
        f"Parts of the last tick failed: {parts}." if troubled else "Every part of the last tick went well.",
        len(troubled),
    )
    longest = longest_batch(session, since=now - TICKED_WITHIN)
    slow = longest > HANDED_OVER_WITHIN.total_seconds()
    yield Finding(
        "hand_over",
        not slow,
        f"A provider answers slowly or not at all: a batch of messages has been with it for {lasted(longest)}."
        if slow
        else "No provider keeps messages waiting.",
        longest,
    )


def _unsent(session: Session, now: datetime) -> Finding:
    due = session.scalar(select(func.min(Message.next_try_at)).where(QUEUED_MESSAGES, Message.next_try_at <= now))
    waits = (now - due).total_seconds() if due is not None else 0.0
    sentence = (
        f"The message that has waited longest was due {lasted(waits)} ago."
        if due is not None
        else "No message that is due waits."
    )
    return Finding("oldest_unsent", waits <= SENT_WITHIN.total_seconds(), sentence, waits)


def _stuck(session: Session, now: datetime) -> Finding:
    # A worker takes lapsed claims back at the start of each pass, so one that stays is a sign that none passes.
    return _counted(
        "stuck_claims",
        how_many(session, Message, LEASED_MESSAGES, lapsed(Message.lease_until, now, grace=TICKED_WITHIN)),
        "No claim on a message is stuck.",
        "One message is claimed by a worker that is gone.",
        "{number} messages are claimed by workers that are gone.",
    )


def _ways_out(session: Session, channels: Collection[Channel]) -> Finding:
    """No provider, no channel: a fault where somebody is to be reached that way, or where there is none at all."""
    missing = [channel for channel in NOT_SET_UP if channel not in channels]
    asked_for = [channel for channel in missing if session.scalar(somebody(channel)) is not None]
    sentence = ", and ".join(NOT_SET_UP[channel] for channel in asked_for or missing)
    sentence = sentence or "every kind of message can be sent"
    if asked_for:
        sentence += f": people whose contact is {_or(asked_for)} are sent nothing there"
    elif not channels:
        sentence += ": nothing can be sent"
    is_well = not asked_for and bool(channels)
    return Finding(WAYS_OUT, is_well, f"{sentence[:1].upper()}{sentence[1:]}.", len(asked_for))


def _or(channels: Collection[Channel]) -> str:
    return " or ".join(CONTACTS[channel] for channel in channels)


def _skew(session: Session, machine_now: datetime) -> Finding:
    if session.get_bind().dialect.name == "sqlite":
        query = select(func.strftime("%Y-%m-%d %H:%M:%f", "now", type_=UTCDateTime()))
    else:
        query = select(func.clock_timestamp(type_=UTCDateTime()))
    theirs = session.execute(query).scalar_one()
    skew = (machine_now - theirs).total_seconds()
    return Finding(
        "clock_skew",
        abs(skew) <= SKEW_ALLOWED.total_seconds(),
        f"This machine's clock and the database's differ by {abs(skew):.1f} seconds.",
        skew,
    )


def _trail(session: Session, now: datetime) -> Finding:
    return _counted(
        "access_trail",
        lost_since(session, now - timedelta(days=1)),
        "No line of who opened what was lost in the last day.",
        "In the last day one line of who opened what could not be kept: look for the cause in the log.",
        "In the last day {number} lines of who opened what could not be kept: look for the cause in the log.",
    )


def _strangers(session: Session, now: datetime) -> Finding:
    """Told, and no fault: anybody may text anything, and no process is unfit for it."""
    came = how_many(
        session, StrangerText, StrangerText.clinic_id.is_(None), StrangerText.taken_at > now - timedelta(days=1)
    )
    finding = _counted(
        "strangers",
        came,
        "In the last day no text from an unknown number came to a line of several clinics.",
        "In the last day a text from an unknown number came to a line of several clinics: give each one of its own.",
        "In the last day {number} texts from unknown numbers came to lines of several clinics: give each its own.",
    )
    return replace(finding, ok=True)


def _set_aside(session: Session) -> Finding:
    return _counted(
        "set_aside",
        how_many(session, QuarantinedRow, SET_ASIDE),
        "No row is set aside.",
        "One row failed unexpectedly and is set aside: see `neaptide quarantine list`.",
        "{number} rows failed unexpectedly and are set aside: see `neaptide quarantine list`.",
    )


def _turned_away(session: Session) -> Finding:
    # Five tries take a quarter of an hour: no busy minute, but a wrong password or an empty account.
    return _counted(
        "turned_away",
        how_many(session, Message, QUEUED_MESSAGES, Message.attempts >= MANY_TRIES),
        "No message is turned away again and again.",
        "A provider has turned one message away five times or more: `neaptide messages show` says why.",
        "Providers have turned {number} messages away five times or more: `neaptide messages show` says why.",
    )


def _tasks(session: Session, now: datetime) -> Finding:
    return _counted(
        "waiting_tasks",
        how_many(session, Task, OPEN_TASKS, Task.raised_at < now - TAKEN_WITHIN),
        "No task has waited for two days.",
        "Nobody has taken one task for more than two days.",
        "Nobody has taken {number} tasks for more than two days.",
    )


def _of_people(session: Session, findings: list[Finding]) -> list[Finding]:
    """The findings; of nobody nothing is well, and that there is nobody is said instead."""
    caring = exists().where(Caregiver.active.is_(True), Patient.id == Caregiver.patient_id, MONITORED)
    nobody = "" if session.scalar(select(exists().where(MONITORED))) else "No patient is looked after."
    no_caregiver = nobody or ("" if session.scalar(select(caring)) else "No caregiver is named.")

    def told(one: Finding) -> Finding:
        said = no_caregiver if "caregivers" in one.name else nobody
        return replace(one, sentence=said, unlike_well=Fares.NONE_YET) if one.ok and said else one

    return [told(one) for one in findings]


def _people(session: Session, channels: Collection[Channel] | None) -> Iterator[Finding]:
    works = exists().where(Contact.patient_id == Patient.id, Contact.state == ContactState.OK)
    if channels is not None:
        works = works.where(Contact.channel.in_(channels))
    yield _counted(
        "unreachable_patients",
        how_many(session, Patient, MONITORED, ~works),
        "Every patient has a contact that works.",
        "One patient has no contact that works.",
        "{number} patients have no contact that works.",
    )
    caring = exists().where(Patient.id == Caregiver.patient_id, MONITORED)
    theirs = exists().where(Contact.caregiver_id == Caregiver.id, Contact.state == ContactState.OK)
    if channels is not None:
        theirs = theirs.where(Contact.channel.in_(channels))
    yield _counted(
        "unreachable_caregivers",
        how_many(session, Caregiver, Caregiver.active.is_(True), caring, ~theirs),
        "No caregiver lacks a contact that works.",
        "One caregiver is never asked: they have no contact that works.",
        "{number} caregivers are never asked: they have no contact that works.",
    )
    yield _counted(
        "patients_without_consent",
        how_many(session, Patient, MONITORED, ~agrees(ConsentKind.MESSAGES, Patient.id)),
        "By the records, every patient has agreed to messages; --deep compares their seals.",
        "One patient has not agreed to messages, and is sent none.",
        "{number} patients have not agreed to messages, and are sent none.",
    )
    both = agrees(ConsentKind.CAREGIVER, Caregiver.patient_id, Caregiver.id)
    both &= agrees(ConsentKind.MESSAGES, Caregiver.patient_id, Caregiver.id)
    yield _counted(
        "caregivers_without_consent",
        how_many(session, Caregiver, Caregiver.active.is_(True), caring, ~both),
        "By the records, every caregiver may be asked: both sides have agreed; --deep compares their seals.",
        "One caregiver is never asked: the patient or they themselves have not agreed.",
        "{number} caregivers are never asked: the patient or they themselves have not agreed.",
    )


def _clinics_untold(session: Session, channels: Collection[Channel] | None) -> Finding:
    """Clinics with patients, of whose nurses and physicians nobody can be sent a notice."""
    reached = exists().where(
        Contact.clinic_id == Clinic.id,
        Contact.state == ContactState.OK,
        Contact.staff_id == Staff.id,
        Staff.active,
        Staff.holds_any(CLINICAL_STAFF),
    )
    if channels is not None:
        reached = reached.where(Contact.channel.in_(channels))
    looks_after = exists().where(Patient.clinic_id == Clinic.id, MONITORED)
    return _counted(
        "clinics_untold",
        how_many(session, Clinic, looks_after, ~reached),
        "At every clinic with patients somebody is told of an emergency by a message.",
        "At one clinic no nurse or physician can be sent a notice: an emergency waits until somebody opens the inbox.",
        "At {number} clinics no nurse or physician can be sent a notice: an emergency waits until the inbox is opened.",
    )


def _silent_plans(session: Session, now: datetime) -> Finding:
    has_plan = exists().where(Plan.patient_id == Patient.id, ACTIVE_PLANS)
    never_fires = or_(
        Plan.weekdays == 0,
        Plan.next_open_at < now - OPENED_WITHIN,
        Plan.next_open_at > now + OPENS_AGAIN_WITHIN,
        is_quarantined("plan", Plan.id),
    )
    return _counted(
        "silent_plans",
        how_many(session, Plan, ACTIVE_PLANS, never_fires) + how_many(session, Patient, MONITORED, ~has_plan),
        "Every patient has a plan that fires.",
        "One patient is never asked: no plan, or one that does not fire.",
        "{number} patients are never asked: no plan, or one that does not fire.",
    )


def _shared_numbers(session: Session) -> Finding:
    """By the ids of the contacts: the numbers themselves are nobody's business here."""
    shared = [[str(one.id) for one in some] for some in shared_numbers(session).values()]
    finding = _counted(
        "shared_numbers",
        len(shared),
        "No telephone number is alive in two clinics.",
        "One telephone number is alive in several clinics; a digit may be wrong.",
        "{number} telephone numbers are alive in several clinics; a digit may be wrong.",
    )
    if not shared:
        return finding
    # Told, not a fault: somebody may well care for patients of two clinics.
    named = "; ".join(", ".join(some) for some in shared[:NAMED_AT_MOST])
    return replace(finding, ok=True, sentence=f"{finding.sentence} Contacts: {named}.")


def nightly(session: Session, now: datetime) -> Finding:
    """How the last nightly check ended, and how long ago."""
    last = last_check(session)
    if last is None or last.finished_at is None:
        return Finding("nightly_check", False, "The nightly check has never come to its end: a worker begins it.")
    age = (now - last.finished_at).total_seconds()
    when = f"The last nightly check ended {lasted(max(age, 0))} ago"
    if last.found:
        found = ", ".join(f"{what} ({number})" for what, number in sorted(last.found.items()))
        return Finding("nightly_check", False, f"{when} and found: {found}. The clinics have tasks of it.", age)
    return Finding("nightly_check", age <= CHECKED_WITHIN.total_seconds(), f"{when} and found nothing broken.", age)


def how_many(session: Session, table: type[Base], *where: ColumnElement[bool] | TextClause) -> int:
    """How many rows of `table` are so."""
    return session.scalar(select(func.count()).select_from(table).where(*where)) or 0


def _counted(name: str, number: int, none: str, one: str, many: str) -> Finding:
    """A finding that is well when there are none. `many` has a {number} in it."""
    sentence = none if number == 0 else one if number == 1 else many.format(number=number)
    return Finding(name, number == 0, sentence, number)


def lasted(seconds: float) -> str:
    """A length of time in the largest unit that says it well."""
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= 2 * length:
            return f"{seconds / length:.0f} {unit}s"
    return f"{seconds:.0f} seconds"


def ping(url: str, proxy: str = "") -> bool:
    """Tell a watcher outside that the worker is alive, by calling `url` once: what raises the alarm is that this stops.

    Whether it answered well; a watcher out of reach is no trouble of ours.
    """
    try:
        return HttpClient(PING_TIMEOUT_SECONDS, proxy).get(url).status < 400
    except NoAnswer:
        return False
