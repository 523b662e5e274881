"""`neaptide audit`: who did what to which record, who opened what, and whether the trail is as it was written.

Shows ids, states and reasons; never a name, an address or a value.
"""

from __future__ import annotations

import json
import sys
import uuid
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.commands.operate import LIMIT
from service.domain.vocabulary import Answered, Opened
from service.health import heads
from service.health.checks import of_clinic
from service.store import access, chain
from service.store.access import Access
from service.store.audit import OPERATOR
from service.store.tables import AccessLine, AuditLine

BROKEN = 1


@click.group("audit", invoke_without_command=True)
@CLINIC
@click.option("--subject", type=click.UUID, help="Only what was done to the record with this id.")
@click.option("--opened", is_flag=True, help="Who opened what, or was turned away, in place of who changed what.")
@click.option("--days", type=click.IntRange(1, 3650), default=7, show_default=True, help="How far back.")
@LIMIT
@click.pass_context
def audit(ctx: click.Context, /, **asked: Any) -> None:
    """Who did what to which record, newest first, one JSON object a line. That it was read is a line as well.

    With --opened the subject is a patient, or a colleague or key that opened something.
    """
    if ctx.invoked_subcommand is None:
        _print(**asked)


@with_console
def _print(
    console: Console, clinic: str | None, subject: uuid.UUID | None, opened: bool, days: int, limit: int
) -> None:
    since = console.now() - timedelta(days=days)
    with console.write() as session:
        whose = None if clinic is None else opening.clinic_of(session, clinic).id
        at = f"terminal {console.login}"
        access.write_now(session, Access(console.now(), Opened.TRAIL, Answered.SHOWN, "audit", at, whose, OPERATOR))
    with console.read() as session:
        if opened:
            _print_opened(session, whose, subject, since, limit)
            return
        query = select(AuditLine).where(AuditLine.at >= since)
        if whose is not None:
            query = query.where(AuditLine.clinic_id == whose)
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


def _print_opened(
    session: Session, clinic_id: uuid.UUID | None, subject: uuid.UUID | None, since: datetime, limit: int
) -> None:
    query = select(AccessLine).where(AccessLine.at >= since)
    if clinic_id is not None:
        query = query.where(AccessLine.clinic_id == clinic_id)
    if subject is not None:
        query = query.where(or_(AccessLine.patient_id == subject, AccessLine.actor_id == subject))
    for line in session.scalars(query.order_by(AccessLine.at.desc(), AccessLine.id).limit(limit)):
        told = {
            "at": line.at.isoformat(),
            "actor": line.actor_kind,
            "actor_id": line.actor_id,
            "session": line.session_id,
            "from": line.address,
            "route": line.route,
            "opened": line.opened,
            "answered": line.answered,
            "patient_id": line.patient_id,
            "patients": line.patients,
            "times": line.times,
        }
        click.echo(json.dumps(told, ensure_ascii=False, default=str))


@audit.command("verify")
@click.option(
    "--heads",
    "files",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    multiple=True,
    help="Compare with the heads in this file too, which was copied away from here; may be given twice.",
)
@with_console
def verify(console: Console, files: tuple[Path, ...]) -> None:
    """Read every audit line, and name each that was changed, deleted, moved or slipped in. Exit code 1 for any.

    Lines get their seal from the worker within a minute or so. Those older than the chain stay unsealed: nothing is
    known of them. The heads in the data folder are compared where there are some.
    """
    own = console.settings.data_dir / heads.FILE
    known, wrong = [], 0
    for file in [*([own] if own.exists() else []), *files]:
        found, unreadable = heads.read(file)
        known += found
        wrong += len(unreadable)
        for number in unreadable:
            click.echo(f"{file}: line {number} is no head")
    for one in chain.verify(console.engine, known):
        wrong += len(one.flaws)
        click.echo(
            f"{of_clinic(one.clinic_id)}: {one.sealed} lines compared with their seals, {len(one.flaws)} things wrong; "
            f"{one.waiting} wait for the worker, {one.older} unsealed, dropped up to line {one.dropped}"
        )
        for flaw in one.flaws:
            click.echo(f"  {flaw.wrong.value.replace('_', ' ')}: {flaw.sentence}")
    click.echo(f"{len(known)} heads that were taken outside were compared")
    sys.exit(BROKEN if wrong else 0)


@audit.command("heads")
@with_console
def print_heads(console: Console) -> None:
    """Print the head of each chain as of its last day that is over, a line of JSON each, to be kept elsewhere.

    The worker adds the same to the file audit-heads.jsonl in the data folder, and to its log, once a day.
    """
    now = console.now()
    with console.read() as session:
        for line in heads.as_lines(heads.of_days_over(session, now), now):
            click.echo(line)
