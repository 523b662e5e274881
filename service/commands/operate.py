"""`neaptide doctor`, `messages` and `audit`: how the service is doing, and what became of what it sent."""

from __future__ import annotations

import json
import sys
import uuid
from datetime import datetime

import click
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service import selfcheck
from service.commands import opening
from service.domain.refused import Refused
from service.domain.words import MessageState
from service.store import audit as trail
from service.store import outbox
from service.store.session import reading, writing
from service.store.tables import AuditLine, Message, MessageEvent

SOMETHING_WRONG = 4
STUCK = (MessageState.FAILED, MessageState.UNCERTAIN, MessageState.EXPIRED)


@click.command("doctor")
@click.option("--as-json", is_flag=True)
def doctor(as_json: bool) -> None:
    """Look at everything that could be wrong. Exit code 4 when something is."""
    settings = opening.settings()
    with opening.database(settings) as engine:
        findings = selfcheck.examine(engine, opening.clock_of(settings).now())
    if as_json:
        click.echo(json.dumps([finding.as_dict() for finding in findings], indent=2))
    else:
        for finding in findings:
            click.echo(f"{'well ' if finding.ok else 'WRONG'}  {finding.name:<14}  {finding.sentence}")
    if not all(finding.ok for finding in findings):
        sys.exit(SOMETHING_WRONG)


@click.group("messages")
def messages() -> None:
    """What was sent, or why not."""


@messages.command("list")
@click.option("--state", type=click.Choice([state.value for state in MessageState]))
@click.option("--limit", type=click.IntRange(1, 10_000), default=50, show_default=True)
def list_messages(state: str | None, limit: int) -> None:
    """The newest messages: ids only, never an address."""
    wanted = select(Message).order_by(Message.created_at.desc()).limit(limit)
    if state:
        wanted = wanted.where(Message.state == MessageState(state))
    with opening.database(opening.settings()) as engine, reading(engine) as session:
        for one in session.scalars(wanted):
            click.echo(
                f"{one.id}  {one.created_at:%Y-%m-%dT%H:%MZ}  {one.kind.value:<10}  {one.state.value:<12}  "
                f"{one.reason or ''}"
            )


@messages.command("show")
@click.argument("message_id", type=click.UUID)
def show(message_id: uuid.UUID) -> None:
    """One message and its delivery history."""
    with opening.database(opening.settings()) as engine, reading(engine) as session:
        one = _message(session, message_id)
        opening.say(message=one.id, kind=one.kind.value, state=one.state.value, reason=one.reason, tries=one.attempts)
        for event in session.scalars(
            select(MessageEvent).where(MessageEvent.message_id == one.id).order_by(MessageEvent.at, MessageEvent.id)
        ):
            click.echo(f"{event.at.isoformat()}  {event.event}  {event.detail}")


@messages.command("retry")
@click.argument("message_id", type=click.UUID)
def retry(message_id: uuid.UUID) -> None:
    """Queue a failed or uncertain message again, under the same id; it is rechecked like any other."""
    settings = opening.settings()
    now = opening.clock_of(settings).now()
    with opening.database(settings) as engine, writing(engine) as session:
        one = _message(session, message_id)
        if one.expires_at <= now:
            raise Refused("message", str(message_id), f"one that has not expired; this one did at {one.expires_at}")
        moved = session.scalar(
            update(Message)
            .where(Message.id == message_id, Message.state.in_(STUCK))
            .values(state=MessageState.QUEUED, reason="operator", next_try_at=now, settled_at=None)
            .returning(Message.id)
        )
        if moved is None:
            raise Refused("message", one.state.value, "a message that is " + ", ".join(STUCK))
        outbox.note_events(session, [(message_id, "queued_again", "operator")], now)
        _write_line(session, one, "message.retry", now)


@messages.command("cancel")
@click.argument("message_id", type=click.UUID)
@click.option("--reason", required=True)
def cancel(message_id: uuid.UUID, reason: str) -> None:
    """Cancel a queued message, saying why."""
    settings = opening.settings()
    now = opening.clock_of(settings).now()
    with opening.database(settings) as engine, writing(engine) as session:
        one = _message(session, message_id)
        if not outbox.cancel(session, Message.id == message_id, f"operator: {reason}"[:60], now):
            raise Refused("message", one.state.value, "a message that is still queued")
        _write_line(session, one, "message.cancel", now)


@click.command("audit")
@click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True)
@click.option("--subject", type=click.UUID, help="Only lines about this record.")
def audit(limit: int, subject: uuid.UUID | None) -> None:
    """The newest lines of the audit trail, as JSON, one a line."""
    wanted = select(AuditLine).order_by(AuditLine.at.desc(), AuditLine.id).limit(limit)
    if subject:
        wanted = wanted.where(AuditLine.subject_id == subject)
    with opening.database(opening.settings()) as engine, reading(engine) as session:
        for one in session.scalars(wanted):
            line = {
                "at": one.at.isoformat(), "actor": one.actor_kind.value, "actor_id": str(one.actor_id or ""),
                "action": one.action, "subject": one.subject_kind, "subject_id": str(one.subject_id or ""),
                "detail": one.detail,
            }  # fmt: skip
            click.echo(json.dumps(line))


def _message(session: Session, message_id: uuid.UUID) -> Message:
    found = session.get(Message, message_id)
    if found is None:
        raise Refused("message", str(message_id), "the id of a message")
    return found


def _write_line(session: Session, one: Message, action: str, now: datetime) -> None:
    trail.write_line(session, trail.OPERATOR, action, ("message", one.id), now, clinic_id=one.clinic_id)
