"""`neaptide doctor`, `messages`, `quarantine`, `audit`, `review` and `push key`: what an operator looks after.

Shows ids, states and reasons; never a name, an address or a value.
"""

from __future__ import annotations

import base64
import json
import sys
import uuid
from datetime import date, datetime, timedelta

import click
from cryptography.hazmat.primitives.asymmetric import ec
from sqlalchemy import select

from service.commands import opening
from service.commands.opening import Console, with_console
from service.delivery import operating
from service.domain.vocabulary import MessageState
from service.health import checks
from service.reviewing import refreshing
from service.store import panel, quarantine
from service.store.audit import OPERATOR, note_outside_clinics
from service.store.tables import AuditLine, Clinic, Message, Patient, QuarantinedRow

SOMETHING_WRONG = 4
PORTION = 200
CLINIC = click.option("--clinic", help="Name or id of a clinic; all of them when left out.")
LIMIT = click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True, help="Show so many.")


@click.command("doctor")
@click.option("--as-json", is_flag=True, help="For a machine.")
@with_console
def doctor(console: Console, as_json: bool) -> None:
    """Say what is well and what needs attention. Exit code 4 when something does."""
    channels = frozenset(console.transports())
    found = checks.examine(console.engine, console.now(), machine_now=console.door_now(), channels=channels)
    if as_json:
        click.echo(json.dumps([finding.as_dict() for finding in found], indent=2))
    else:
        for finding in found:
            click.echo(f"{'well     ' if finding.ok else 'attention'}  {finding.name}: {finding.sentence}")
    sys.exit(0 if all(finding.ok for finding in found) else SOMETHING_WRONG)


@click.group("messages")
def messages() -> None:
    """Messages to patients, caregivers and staff."""


@messages.command("list")
@CLINIC
@click.option("--state", type=click.Choice([state.value for state in MessageState]), help="Only those.")
@click.option("--patient", type=click.UUID, help="Only what concerns the patient with this id.")
@LIMIT
@with_console
def list_messages(
    console: Console, clinic: str | None, state: str | None, patient: uuid.UUID | None, limit: int
) -> None:
    """The newest messages: id, when, kind, channel, state and why."""
    with console.read() as session:
        found = operating.find(
            session,
            clinic_id=opening.clinic_of(session, clinic).id if clinic else None,
            state=MessageState(state) if state else None,
            patient_id=patient,
            most=limit,
        )
        for message in found:
            click.echo(_line(message))


@messages.command("show")
@click.argument("message", type=click.UUID)
@with_console
def show(console: Console, message: uuid.UUID) -> None:
    """What happened to one message."""
    with console.read() as session:
        held = session.get(Message, message)
        if held is None:
            raise click.ClickException(f"{message} is no message")
        click.echo(_line(held))
        for event in operating.history(session, message):
            click.echo(f"{_at(event.at)}  {event.event}  {event.detail}".rstrip())


@messages.command("retry")
@click.argument("message", type=click.UUID)
@with_console
def retry(console: Console, message: uuid.UUID) -> None:
    """Send MESSAGE again, under the same id: it is rechecked first, like any other."""
    with console.write() as session:
        operating.try_again(session, message, OPERATOR, console.now())
    click.echo(f"queued: {message}")


@messages.command("cancel")
@click.argument("message", type=click.UUID)
@click.option("--reason", required=True, help="Kept with the message; no names, no values.")
@with_console
def cancel(console: Console, message: uuid.UUID, reason: str) -> None:
    """Cancel MESSAGE, which must still be queued."""
    with console.write() as session:
        operating.cancel(session, message, reason, OPERATOR, console.now())
    click.echo(f"cancelled: {message}")


@click.group("quarantine")
def quarantined() -> None:
    """Rows set aside because their handling failed, so that they do not hold up the rest."""


@quarantined.command("list")
@LIMIT
@with_console
def list_quarantined(console: Console, limit: int) -> None:
    """What is set aside: kind, id, when, and the kind and place of the failure."""
    query = (
        select(QuarantinedRow)
        .where(QuarantinedRow.released_at.is_(None))
        .order_by(QuarantinedRow.at.desc())
        .limit(limit)
    )
    with console.read() as session:
        for row in session.scalars(query):
            click.echo(f"{row.subject_kind}  {row.subject_id}  {_at(row.at)}  {row.error}")


@quarantined.command("release")
@click.argument("kind")
@click.argument("row", type=click.UUID)
@with_console
def release(console: Console, kind: str, row: uuid.UUID) -> None:
    """Let ROW of KIND be tried again."""
    with console.write() as session:
        if not quarantine.release(session, (kind, row), console.now()):
            raise click.ClickException(f"{kind} {row} is not set aside")
        note_outside_clinics(session, OPERATOR, "quarantine.release", (kind, row), console.now())
    click.echo(f"released: {kind} {row}")


@click.command("audit")
@CLINIC
@click.option("--subject", type=click.UUID, help="Only what was done to the record with this id.")
@click.option("--days", type=click.IntRange(1, 3650), default=7, show_default=True, help="How far back.")
@LIMIT
@with_console
def audit(console: Console, clinic: str | None, subject: uuid.UUID | None, days: int, limit: int) -> None:
    """Who did what to which record, newest first, one JSON object a line."""
    since = console.now() - timedelta(days=days)
    with console.read() as session:
        query = select(AuditLine).where(AuditLine.at >= since)
        if clinic is not None:
            query = query.where(AuditLine.clinic_id == opening.clinic_of(session, clinic).id)
        if subject is not None:
            query = query.where(AuditLine.subject_id == subject)
        for line in session.scalars(query.order_by(AuditLine.at.desc(), AuditLine.id).limit(limit)):
            told = {
                "at": line.at.isoformat(),
                "actor": line.actor_kind.value,
                "actor_id": str(line.actor_id) if line.actor_id else None,
                "action": line.action,
                "subject": line.subject_kind,
                "subject_id": str(line.subject_id) if line.subject_id else None,
                "detail": line.detail,
            }
            click.echo(json.dumps(told, ensure_ascii=False))


@click.group("review")
def review() -> None:
    """The rows that the weekly review carries forward."""


@review.command("audit")
@with_console
def audit_rows(console: Console) -> None:
    """Work every carried row out anew and compare. Exit code 4 when one differs."""
    wrong = 0
    with console.read() as session:
        for clinic in session.scalars(select(Clinic).order_by(Clinic.id)):
            differing = refreshing.differing(session, clinic.id, console.now())
            wrong += len(differing)
            click.echo(f"clinic {clinic.id}: {len(differing)} rows differ")
            for patient_id in differing:
                click.echo(f"  patient {patient_id}")
    sys.exit(SOMETHING_WRONG if wrong else 0)


@review.command("rebuild")
@with_console
def rebuild(console: Console) -> None:
    """Make every row again from the records. Nothing that was signed changes."""
    now = console.now()
    with console.write() as session:
        everyone = list(session.scalars(select(Patient.id)))
        for first in range(0, len(everyone), PORTION):
            panel.mark_stale(session, everyone[first : first + PORTION], now, date.min)
    done = refreshing.rebuild(console.engine, now)
    while (tally := refreshing.refresh(console.engine, now)).seen:
        done += tally
    click.echo(f"{done.done} rows made, {done.quarantined} set aside")
    sys.exit(SOMETHING_WRONG if done.quarantined else 0)


@click.group("push")
def push() -> None:
    """Notices on people's own phones (web push)."""


@push.command("key")
def key() -> None:
    """Make a private key for NEAPTIDE_PUSH_KEY, and print it.

    Keep it like a password, and keep it: phones that were set up with another key get no more notices.
    """
    # RFC 8292 section 2: ECDSA on P-256. The scalar alone, 32 bytes, in base64url.
    secret = ec.generate_private_key(ec.SECP256R1()).private_numbers().private_value.to_bytes(32, "big")
    click.echo(base64.urlsafe_b64encode(secret).rstrip(b"=").decode("ascii"))


def _line(message: Message) -> str:
    why = f" ({message.reason})" if message.reason else ""
    return (
        f"{message.id}  {_at(message.created_at)}  {message.kind.value}  {message.channel.value}"
        f"  {message.state.value}{why}  tries: {message.attempts}"
    )


def _at(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M:%SZ}"
