"""`neaptide keys`: what is encrypted with the secret key, and how it comes to the present one."""

from __future__ import annotations

import sys

import click

from service.commands import opening
from service.commands.opening import Console, with_console
from service.store import resealing
from service.terminal import Ends


@click.group("keys")
def keys() -> None:
    """What is encrypted with the secret key."""


@keys.command("reseal")
@with_console
def reseal(console: Console) -> None:
    """Bring what a previous key encrypted to the present one: addresses, push keys, second steps, what is being typed.

    While everything runs, a few rows at a time; broken off, it goes on when it is run again. Says how many were
    changed, how many wait, and how many no key that is named here can open; exit code 4 where there are any of these.
    A worker does the same when it starts and once a day. Once nothing waits, addresses need no previous key any more.
    """
    found = resealing.reseal(console.engine)
    with console.write() as session:
        console.note_everywhere(session, "keys.reseal")
    unreadable = sum(count for _, count in found.lost)
    opening.say(resealed=found.resealed, waiting=found.waiting, unreadable=unreadable)
    for column, count in found.lost:
        click.echo(f"cannot be opened: {count} in {column}")
    sys.exit(Ends.NEEDS_ATTENTION if unreadable else Ends.DONE)
