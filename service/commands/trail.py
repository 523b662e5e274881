"""`neaptide audit`: who did what to which record, who opened what, and whether the trail is as it was written.

Shows ids, states and reasons; never a name, an address or a value.
"""

from __future__ import annotations

import json
import sys
import uuid
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Select, or_, select

from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.commands.operate import LIMIT
from service.domain.validation import Refused
from service.domain.vocabulary import Answered, Opened
from service.health import heads
from service.health.checks import of_clinic
from service.store import access, chain
from service.store.access import Access
from service.store.audit import OPERATOR
from service.store.chain import ChainRead, Head
from service.store.tables import AccessLine, AuditLine
from service.terminal import JSON, Ends, tell, tell_items


@click.group("audit", invoke_without_command=True)
@CLINIC
@click.option("--subject", type=click.UUID, help="Only what was done to the record with this id.")
@click.option("--opened", is_flag=True, help="Who opened what, or was turned away, in place of who changed what.")
@click.option("--days", type=click.IntRange(1, 3650), default=7, show_default=True, help="How far back.")
@LIMIT
@JSON
@click.pass_context
def audit(ctx: click.Context, /, **asked: Any) -> None:
    """Who did what to which record, newest first, one JSON object a line; with --json all in one document.

    That it was read is a line as well.
    With --opened the subject is a patient, or a colleague or key that opened something.
    """
    if ctx.invoked_subcommand is None:
        _print(**asked)


@with_console
def _print(
    console: Console,
    clinic: str | None,
    subject: uuid.UUID | None,
    opened: bool,
    days: int,
    limit: int,
    as_json: bool,
) -> None:
    from service.web.api.openings import AccessOut  # not waited for by the other commands of this module
    from service.web.api.watching import AuditOut

    since = console.now() - timedelta(days=days)
    with console.write() as session:
        whose = None if clinic is None else opening.clinic_of(session, clinic).id
        at = f"terminal {console.login}"
        access.write_now(session, Access(console.now(), Opened.TRAIL, Answered.SHOWN, "audit", at, whose, OPERATOR))
    with console.read() as session:
        if opened:
            told = AccessOut(many=True).dump(session.scalars(_opened(whose, subject, since).limit(limit)))
        else:
            told = AuditOut(many=True).dump(session.scalars(_done(whose, subject, since).limit(limit)))
    if as_json:
        tell_items(told)
        return
    for line in told:
        click.echo(json.dumps(line, ensure_ascii=False))


def _done(clinic_id: uuid.UUID | None, subject: uuid.UUID | None, since: datetime) -> Select[AuditLine]:
    query = select(AuditLine).where(AuditLine.at >= since)
    if clinic_id is not None:
        query = query.where(AuditLine.clinic_id == clinic_id)
    if subject is not None:
        query = query.where(AuditLine.subject_id == subject)
    return query.order_by(AuditLine.at.desc(), AuditLine.id)


def _opened(clinic_id: uuid.UUID | None, subject: uuid.UUID | None, since: datetime) -> Select[AccessLine]:
    query = select(AccessLine).where(AccessLine.at >= since)
    if clinic_id is not None:
        query = query.where(AccessLine.clinic_id == clinic_id)
    if subject is not None:
        query = query.where(or_(AccessLine.patient_id == subject, AccessLine.actor_id == subject))
    return query.order_by(AccessLine.at.desc(), AccessLine.id)


@audit.command("verify")
@click.option(
    "--heads",
    "files",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    multiple=True,
    help="Compare with the heads in this file too, which was copied away from here; may be given twice.",
)
@JSON
@with_console
def verify(console: Console, files: tuple[Path, ...], as_json: bool) -> None:
    """Read every audit line, and name each that was changed, deleted, moved or slipped in. Exit code 4 for any.

    Lines get their seal from the worker within a minute or so. Those older than the chain stay unsealed: nothing is
    known of them. The heads in the data folder are compared where there are some.
    """
    own = console.settings.data_dir / heads.FILE
    known: list[Head] = []
    unreadable: list[dict[str, Any]] = []
    for file in [*([own] if own.exists() else []), *files]:
        found, lines = heads.read(file)
        if file in files and not found:
            raise Refused("heads", str(file), "a file with heads, as `neaptide audit heads` prints them")
        known += found
        unreadable += [{"file": file, "line": number} for number in lines]
    chains = list(chain.verify(console.engine, known))
    if as_json:
        tell({"heads": len(known), "no_heads": unreadable, "items": [asdict(one) for one in chains]})
    else:
        for wrong in unreadable:
            click.echo(f"{wrong['file']}: line {wrong['line']} is no head")
        for one in chains:
            _print_chain(one)
        click.echo(f"{len(known)} heads that were taken outside were compared")
    sys.exit(Ends.NEEDS_ATTENTION if unreadable or any(one.flaws for one in chains) else Ends.DONE)


def _print_chain(one: ChainRead) -> None:
    click.echo(
        f"{of_clinic(one.clinic_id)}: {one.sealed} lines compared with their seals, {len(one.flaws)} things wrong; "
        f"{one.waiting} wait for the worker, {one.older} unsealed, dropped up to line {one.dropped}"
    )
    for flaw in one.flaws:
        click.echo(f"  {flaw.wrong.value.replace('_', ' ')}: {flaw.sentence}")


@audit.command("heads")
@JSON
@with_console
def print_heads(console: Console, as_json: bool) -> None:
    """Print the head of each chain as of its last day that is over, a line of JSON each, to be kept elsewhere.

    The worker adds the same to the file audit-heads.jsonl in the data folder, and to its log, once a day.
    """
    now = console.now()
    with console.read() as session:
        lines = heads.as_lines(heads.of_days_over(session, now), now)
    if as_json:
        tell_items(map(json.loads, lines))
        return
    for line in lines:
        click.echo(line)
