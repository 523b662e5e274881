"""`neaptide move`: from a file of SQLite to PostgreSQL, and back to the file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Set
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine

from service import config
from service.commands import opening
from service.config import Settings
from service.domain.validation import Refused
from service.health import unaltered
from service.health.unaltered import Unlike
from service.keeping import moving
from service.keeping.moving import CameOver, NotMoved
from service.keyring import KeyFor
from service.store import migrate, months
from service.store import session as sessions
from service.terminal import JSON, progress, tell

REPORT = ".moved.json"
EMPTY = "nobody works with the file, and the database is empty: it can be moved"
BEGUN = "a move was broken off before its last step, and every row is what it is in the file: move again ends it"
NEXT = """\
Next, in every process's settings: NEAPTIDE_DATABASE_URL is the new address (the file is not opened any more), and all
others stay as they are, NEAPTIDE_SECRET_KEY and NEAPTIDE_DATA above all. Then start the worker and the web, and look
at `neaptide doctor`. Nothing is held: whatever fell due meanwhile is done as after any pause."""
BACK = """\
What was taken in, signed or sent on PostgreSQL since {since} is not in the file, and stays unknown here.
Stop what runs there first: one of the two may serve."""


@click.command("move")
@click.option("--to", metavar="postgresql://…", help="The empty database, as the owner of it.")
@click.option("--check", is_flag=True, help="Only say whether it can be done, and what would be moved.")
@click.option("--undo", is_flag=True, help="Let the file that was moved be opened again.")
@click.option("--yes", is_flag=True, help="With --undo: do not ask, you know what the file does not know.")
@JSON
def move(to: str | None, check: bool, undo: bool, yes: bool, as_json: bool) -> None:
    """Move everything from the SQLite file of the settings to PostgreSQL, into an empty database.

    Stop `neaptide serve` and `worker` before. Every table is copied in one transaction and compared row by row, then
    the seals of what was signed and the audit trail. The file stays as it was, marked, so that nothing opens it any
    more; beside it stands a report (.moved.json). A password is best given as PGPASSWORD, or in a file .pgpass.

    --undo opens the file again, held as a restored backup is: run `neaptide resume` after it.
    """
    settings = opening.read_settings()
    now = opening.clock_of(settings).now()
    with opening.database(settings, alone=True) as source:
        if source.dialect.name != "sqlite":
            raise Refused("NEAPTIDE_DATABASE_URL", moving.address(source), "a file of SQLite, which can be moved")
        if undo == (to is not None):
            raise Refused("to", to, "postgresql://…, or else --undo")
        if to is None:
            _undo(source, now, is_sure=yes)
            return
        if not to.startswith("postgresql:"):
            raise Refused("to", "(hidden)", "postgresql://…, as the owner of an empty database")  # a password, perhaps
        config.checked_server("to", to, is_unverified=settings.database_unverified)
        try:
            report = _move(settings, source, to, now, is_look=check)
        except NotMoved as why:
            raise click.ClickException(f"not moved, and the file serves on; {why}") from None
        tell(report) if as_json else _say(report)


def _move(settings: Settings, source: Engine, to: str, now: datetime, *, is_look: bool) -> dict[str, Any]:
    """What was done, or can be. Steps: look, bring over, report, mark, let go; of one that was broken off, the last."""
    report: dict[str, Any] = {"file": str(source.url.database)}
    with opening.database(settings, to, given_as="to") as target:
        came = moving.left_held(source, target)
        tables = moving.look(source, target) if came is None else {name: of.rows for name, of in came.tables.items()}
        report |= {"to": moving.address(target), "was_begun": came is not None}
        if is_look:
            return report | {"rows": sum(tables.values()), "tables": tables, "moved": None}
        altered = set(unaltered.look(source, settings.data_dir))
        moved = moving.moved_at(source)
        if came is None:
            came = _bring(settings, source, target, now, altered)
        report |= _as_told(came) | {"moved": (moved or now).isoformat(), "altered": len(altered)}
        Path(f"{source.url.database}{REPORT}").write_text(json.dumps(report, indent=1), encoding="utf-8")
        if moved is None:
            moving.mark(source, now)
        moving.let_go(sessions.at_terminal(target, config.system_user()), came, now)
        return report


def _bring(settings: Settings, source: Engine, target: Engine, now: datetime, altered: Set[Unlike]) -> CameOver:
    """Everything into the empty database, held. Steps: layout, bring over, look at the seals there."""
    migrate.upgrade(target)
    migrate.raise_wall(target, settings.keys.every(KeyFor.WALL))
    with progress("moving") as step:
        came = moving.bring_over(source, target, now, step)
    months.make_ahead(target)  # for what is older than this one
    if set(unaltered.look(target, settings.data_dir)) != altered:
        raise NotMoved("what is sealed does not show there as it does here: empty that database")
    return came


def _as_told(came: CameOver) -> dict[str, Any]:
    return {"rows": came.rows, "tables": {name: vars(one) for name, one in came.tables.items()}}


def _say(report: Mapping[str, Any]) -> None:
    is_done = report["moved"] is not None
    opening.say(file=report["file"], to=report["to"], rows=report["rows"], tables=len(report["tables"]))
    if not is_done:
        opening.say(checked=BEGUN if report["was_begun"] else EMPTY)
        return
    sealed = "every seal and the audit trail show as they did"
    if report["altered"]:
        sealed += f", {report['altered']} of them altered before: see `neaptide doctor --deep`"
    opening.say(compared="every row is what it was in the file", sealed=sealed, report=f"{report['file']}{REPORT}")
    click.echo(NEXT)


def _undo(source: Engine, now: datetime, *, is_sure: bool) -> None:
    moved = moving.moved_at(source)
    if moved is not None and not is_sure:
        click.echo(BACK.format(since=f"{moved:%Y-%m-%d %H:%M} UTC"))
        click.confirm("Open the file again?", abort=True)
    moving.undo(source, now)
    with suppress(FileNotFoundError):
        Path(f"{source.url.database}{REPORT}").unlink()
    opening.say(opened=source.url.database, held="nothing is asked and nothing is sent until `neaptide resume`")
