"""`neaptide patient …`: what one patient may ask of whoever keeps their data."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands import opening
from service.commands.opening import CLINIC, PATIENT, Console, with_console
from service.domain.validation import Refused
from service.domain.vocabulary import Answered, EraseWhy, Opened
from service.keeping import erasing
from service.store import access
from service.store.access import Access
from service.store.audit import OPERATOR
from service.store.session import write_through
from service.transports import base
from service.web import handing
from service.words.language import load_language
from service.words.sentences import keeping


@click.group("patient")
def patient() -> None:
    """What one patient may ask: everything that is kept about them, or that what tells who they were goes."""


@patient.command("export")
@CLINIC
@PATIENT
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@with_console
def export(console: Console, clinic: str | None, named: str, file: Path) -> None:
    """Write everything that is kept about PATIENT into FILE, a new ZIP archive; that it left is a line of the trail.

    In it: JSON, a CSV a table, a dictionary of both, and a PDF in the patient's language.
    """
    if file.exists():
        raise Refused("file", str(file), "the name of a file that is not there yet")
    with console.read() as session:
        whose = opening.patient_of(session, clinic, named)
    whole, _name = handing.whole_copy(console.engine, whose.clinic_id, whose.id, console.now())
    at = f"terminal {console.login}"
    line = Access(console.now(), Opened.EXPORT, Answered.SHOWN, "patient export", at, whose.clinic_id, OPERATOR,
                  patient_id=whose.id, patients=1)  # fmt: skip
    out = file.open("xb")
    try:
        with out:
            with console.write() as session:
                access.write_now(session, line)
            out.write(whole)
    except BaseException:  # also where the last of it found no room, which closing the file tells
        file.unlink()
        raise
    click.echo(f"written: {file}, {len(whole)} bytes")


@patient.command("erase")
@CLINIC
@PATIENT
@click.option("--why", required=True, type=click.Choice([why.value for why in EraseWhy]), help="Kept in the audit.")
@click.option("--confirm", help="The clinic's number for PATIENT once more: then it is done. Without it nothing is.")
@with_console
def erase(console: Console, clinic: str | None, named: str, why: str, confirm: str | None) -> None:
    """Take out for good what tells who PATIENT was, whose care has ended. Without --confirm, say what would become.

    Measured and coded data stay, under the id that is printed. No backup is reached, and nothing can be undone.
    """
    say = load_language("en")
    with console.write() as session:
        whose = opening.patient_of(session, clinic, named)
        seen = erasing.look(session, whose)
        for one in keeping.goes(say):
            click.echo(f"goes: {one}")
        for one, reason in keeping.stays(say):
            click.echo(f"stays: {one}. {reason}")
        click.echo(keeping.reaches_not(say))
        rows = {"rows_gone": sum(seen.goes.values()), "rows_left": sum(seen.stays.values())}
        if confirm is None:
            opening.say(patient=whose.id, **rows, erased="no: give --confirm")
            return
        act = console.act(session, whose.clinic_id)
        transports = console.transports()
        called = erasing.erase(act, whose, EraseWhy(why), confirm, lambda some: base.forget(transports, some))
        opening.say(patient=seen.patient_id, **rows, erased="yes", called=called)
    if not write_through(console.engine):
        click.echo("somebody is reading: the database's log lets go of it with one of the next writes")
