"""`neaptide retention`: what is kept for how long, and letting go of what is over."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

import click

from service.accounts import sessions
from service.commands.opening import Console, with_console
from service.domain.retention import Retained
from service.enrolling import enrolment, inviting
from service.filing import imports
from service.intake.texts import clinics, strangers
from service.keeping import retention as keeping
from service.links import REMEMBERED
from service.reviewing import drafts
from service.store import heartbeats, repeats
from service.store.audit import OPERATOR
from service.terminal import JSON, tell

# What the worker lets go of by itself; each length stands where it is kept.
BY_ITSELF: tuple[tuple[str, timedelta], ...] = (
    ("answers to calls of the API, for repeats", repeats.KEPT),
    ("files sent to be looked at", imports.KEPT),
    ("forms typed and not sent", drafts.LASTS),
    ("enrolments begun and not finished", enrolment.DRAFT_LASTS),
    ("texts from strangers, and their numbers", strangers.KEPT),
    ("which clinic somebody meant", clinics.MEANT_REMEMBERED),
    ("links in messages, after their end", REMEMBERED),
    ("invitations that came to nothing", inviting.KEPT),
    ("signs of life of workers", heartbeats.FORGET_AFTER),
    ("sessions: over", sessions.LONGEST),
)


@click.command("retention")
@click.option("--apply", "is_meant", is_flag=True, help="Do it. Without it, only say what would go.")
@JSON
@with_console
def retention(console: Console, is_meant: bool, as_json: bool) -> None:
    """Say what is kept for how long and what would go now; with --apply, let go of it, as a worker does every night.

    NEAPTIDE_KEEP says after how many months; what it does not name is kept. Nothing clinical goes by this.
    """
    keep, now = console.settings.keep, console.now()
    due = {one.kind: one for one in keeping.look(console.engine, keep, now)}
    if as_json:
        went = keeping.apply(console.terminal, keep, OPERATOR, now).done if is_meant else 0
        tell({"items": list(_facts(console, due)), "gone": went})
        return
    for kind in Retained:
        found = due.get(kind)
        when = "kept, as NEAPTIDE_KEEP does not name it"
        if found is not None:
            oldest = "" if found.oldest is None else f", the oldest of {found.oldest:%Y-%m-%d}"
            when = f"{keep[kind]} months: {found.rows} rows are over{oldest}"
        click.echo(f"{kind.value:<9} {when}. {keeping.KINDS[kind].what}")
    click.echo(f"trail     {console.settings.trail_months} months (NEAPTIDE_TRAIL_MONTHS). who opened what")
    for what, lasts in BY_ITSELF:
        click.echo(f"by itself {_in_words(lasts)}. {what}")
    if is_meant:
        gone = keeping.apply(console.terminal, keep, OPERATOR, now)
        click.echo(f"gone: {gone.done} rows")


def _facts(console: Console, due: Mapping[Retained, keeping.IsOver]) -> Iterator[dict[str, Any]]:
    for kind in Retained:
        found = due.get(kind)
        over = {"rows": 0, "oldest": None} if found is None else {"rows": found.rows, "oldest": found.oldest}
        yield {"kind": kind, "what": keeping.KINDS[kind].what, "months": console.settings.keep.get(kind), **over}
    yield {"kind": "trail", "what": "who opened what", "months": console.settings.trail_months}
    for what, lasts in BY_ITSELF:
        yield {"kind": "by_itself", "what": what, "hours": int(lasts / timedelta(hours=1))}


def _in_words(lasts: timedelta) -> str:
    days = lasts.days
    return f"{days} days" if days else f"{lasts.seconds // 3600} hours"
