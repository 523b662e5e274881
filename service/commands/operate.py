"""`neaptide doctor`, `messages`, `quarantined` and `audit`: what an operator looks at and may set right.

Shows ids, states and reasons; never a name, an address or a value.
"""

from __future__ import annotations

import json
import sys
import uuid
from datetime import datetime, timedelta

import click
from sqlalchemy import select

from service.clock import SystemClock
from service.commands import opening
from service.delivery import operating
from service.domain.vocabulary import MessageState
from service.health import checks
from service.store import quarantine
from service.store.audit import OPERATOR
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Message, QuarantinedRow

SOMETHING_WRONG = 4
CLINIC = click.option("--clinic", help="Name or id of a clinic; all of them when left out.")
LIMIT = click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True, help="Show so many.")


@click.command("doctor")
@click.option("--as-json", is_flag=True, help="For a machine.")
def doctor(as_json: bool) -> None:
    """Say what is well and what needs attention. Exit code 4 when something does."""
    settings = opening.settings()
    clock = opening.clock_of(settings)
    channels = frozenset(opening.transports_of(settings, clock))
    with opening.database(settings) as engine:
        found = checks.examine(engine, clock.now(), machine_now=SystemClock().now(), channels=channels)
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
@click.option("--state", type=click.Choice([state.value for state in MessageState]))
@click.option("--patient", type=click.UUID, help="Only what concerns the patient with this id.")
@LIMIT
def list_messages(clinic: str | None, state: str | None, patient: uuid.UUID | None, limit: int) -> None:
    """The newest messages: id, when, kind, channel, state and why."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
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
def show(message: uuid.UUID) -> None:
    """What happened to one message."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        held = session.get(Message, message)
        if held is None:
            raise click.ClickException(f"{message} is no message")
        click.echo(_line(held))
        for event in operating.history(session, message):
            click.echo(f"{_at(event.at)}  {event.event}  {event.detail}".rstrip())


@messages.command("retry")
@click.argument("message", type=click.UUID)
def retry(message: uuid.UUID) -> None:
    """Send MESSAGE again, under the same id: it is rechecked first, like any other."""
    settings = opening.settings()
    with opening.database(settings) as engine, write_session(engine) as session:
        operating.try_again(session, message, OPERATOR, opening.clock_of(settings).now())
    click.echo(f"queued: {message}")


@messages.command("cancel")
@click.argument("message", type=click.UUID)
@click.option("--reason", required=True, help="Kept with the message; no names, no values.")
def cancel(message: uuid.UUID, reason: str) -> None:
    """Cancel MESSAGE, which must still be queued."""
    settings = opening.settings()
    with opening.database(settings) as engine, write_session(engine) as session:
        operating.cancel(session, message, reason, OPERATOR, opening.clock_of(settings).now())
    click.echo(f"cancelled: {message}")


@click.group("quarantine")
def quarantine_group() -> None:
    """Rows whose handling failed unexpectedly, set aside so that they do not hold up the rest."""


@quarantine_group.command("list")
@LIMIT
def list_quarantined(limit: int) -> None:
    """What is set aside: kind, id, when, and the kind and place of the failure."""
    query = (
        select(QuarantinedRow)
        .where(QuarantinedRow.released_at.is_(None))
        .order_by(QuarantinedRow.at.desc())
        .limit(limit)
    )
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        for row in session.scalars(query):
            click.echo(f"{row.subject_kind}  {row.subject_id}  {_at(row.at)}  {row.error}")


@quarantine_group.command("release")
@click.argument("kind")
@click.argument("row", type=click.UUID)
def release(kind: str, row: uuid.UUID) -> None:
    """Let ROW of KIND be tried again."""
    settings = opening.settings()
    with opening.database(settings) as engine, write_session(engine) as session:
        if not quarantine.release(session, (kind, row), opening.clock_of(settings).now()):
            raise click.ClickException(f"{kind} {row} is not set aside")
    click.echo(f"released: {kind} {row}")


@click.command("audit")
@CLINIC
@click.option("--subject", type=click.UUID, help="Only what was done to the record with this id.")
@click.option("--days", type=click.IntRange(1, 3650), default=7, show_default=True, help="How far back.")
@LIMIT
def audit(clinic: str | None, subject: uuid.UUID | None, days: int, limit: int) -> None:
    """Who did what to which record, newest first, one JSON object a line."""
    settings = opening.settings()
    since = opening.clock_of(settings).now() - timedelta(days=days)
    with opening.database(settings) as engine, read_session(engine) as session:
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


def _line(message: Message) -> str:
    why = f" ({message.reason})" if message.reason else ""
    return (
        f"{message.id}  {_at(message.created_at)}  {message.kind.value}  {message.channel.value}"
        f"  {message.state.value}{why}  tries: {message.attempts}"
    )


def _at(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M:%SZ}"
