"""`neaptide seed`: fill an empty database with the invented clinic of the demo.

Only where the settings say that this is a demo, and only into an empty database:
invented people must never stand among real ones. The clinic itself is part of a
checkout (`fixtures/`), not of an installed package. What was made is noted in
`demo.json` beside the data, last of all: without it the seeding was not finished,
and beside a database that holds none of it, such as a new one, it says nothing.
"""

from __future__ import annotations

import importlib
import json
import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click
from sqlalchemy import select

from service.commands.opening import Console, with_console_to_begin
from service.store.tables import Clinic
from service.terminal import progress

CHECKOUT = Path(__file__).resolve().parents[2]
NOTES = "demo.json"


@click.command("seed")
@click.option("--quiet", is_flag=True, help="Say nothing while it works.")
@with_console_to_begin
def seed(console: Console, quiet: bool) -> None:
    """Fill an empty database with an invented clinic. For the demo only."""
    settings = console.settings
    if not settings.demo:
        raise click.ClickException("invented people are for the demo only: NEAPTIDE_DEMO is not set")
    notes = settings.data_dir / NOTES
    if notes.exists() and _is_made(console):
        return
    try:
        with nullcontext(_nothing) if quiet else progress("Inventing a clinic with four months behind it …") as step:
            made = _fixtures().fill(console.engine, settings, console.now(), step)
    except ValueError as error:
        raise click.ClickException(str(error)) from error
    part = notes.with_suffix(".part")
    part.write_text(json.dumps(made, indent=2, ensure_ascii=False), encoding="utf-8")
    part.replace(notes)


def _is_made(console: Console) -> bool:
    with console.read() as session:
        return session.scalar(select(Clinic.id).where(Clinic.is_invented).limit(1)) is not None


def _nothing(done: int, of: int) -> None:
    """Say nothing of it."""


def _fixtures() -> Any:
    if not (CHECKOUT / "fixtures" / "demo.py").exists():
        raise click.ClickException("the invented clinic is part of a checkout, and this is an installed package")
    if str(CHECKOUT) not in sys.path:
        sys.path.insert(0, str(CHECKOUT))
    return importlib.import_module("fixtures.demo")
