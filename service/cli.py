"""`neaptide …`: everything an operator types.

Subcommands are loaded when they are asked for, so that `neaptide --help` is quick.
How a command may end is `terminal.Ends`: input that cannot be taken ends with 2 and one
line naming the field, the value and what is accepted. Whatever a command writes is its own user's alone.
"""

from __future__ import annotations

import gc
import importlib
import os
import sys
from pathlib import Path

import click

from service import terminal
from service.domain.validation import Refused
from service.terminal import Ends

# name → module and attribute under service.commands, and the line that `--help` shows
COMMANDS = {
    "api": ("api", "api", "Call the API as a member of staff, in this process."),
    "audit": ("trail", "audit", "Who did what to which record, newest first."),
    "backup": ("keeping", "backup", "Write everything to FILE, whole and checked, while the service goes on."),
    "clinic": ("accounts", "clinic", "The clinics on this database."),
    "doctor": ("operate", "doctor", "Say what is well and what needs attention."),
    "export": (
        "keeping",
        "export",
        "Write everything of a clinic into FOLDER, as CSV and NDJSON.",
    ),
    "import": ("importing", "group", "Take in people, readings, check-ins, results or events from a file."),
    "keys": ("keys", "keys", "What is encrypted with the secret key."),
    "messages": ("operate", "messages", "Messages to patients, caregivers and staff."),
    "migrate": ("serve", "migrate", "Bring the database to the newest layout."),
    "move": (
        "moving",
        "move",
        "Move everything from the SQLite file of the settings to PostgreSQL.",
    ),
    "patient": (
        "patients",
        "patient",
        "What one patient may ask: everything that is kept about them.",
    ),
    "plan": ("plans", "plan", "What is expected of a patient and when."),
    "push": ("operate", "push", "Notices on people's own phones (web push)."),
    "quarantine": ("operate", "quarantined", "Rows set aside because their handling failed."),
    "replay": ("replay", "replay", "Run past READINGS (a CSV file) day by day."),
    "restore": (
        "keeping",
        "restore",
        "Bring the backup in FILE back into an empty place.",
    ),
    "resume": ("keeping", "resume", "Let what was brought back from a backup go on."),
    "retention": ("retention", "retention", "Say what is kept for how long and what would go now."),
    "review": ("operate", "review", "The rows that the weekly review carries forward."),
    "roles": (
        "serve",
        "roles",
        "Say which of PostgreSQL's roles are missing.",
    ),
    "seed": ("seed", "seed", "Fill an empty database with an invented clinic."),
    "setup": ("setup", "setup", "Ask for what an installation needs, check it, and write it down."),
    "serve": ("serve", "serve", "Serve the pages and the API."),
    "staff": ("accounts", "staff", "Accounts of the clinic's staff."),
    "worker": ("serve", "worker", "Look for what falls due and do it."),
}


class Lazily(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        gc.disable()  # to look through what only comes in is a fifth of a start
        try:
            command: click.Command = getattr(importlib.import_module(f"service.commands.{module}"), attribute)
        finally:
            gc.enable()
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][2]) for name in self.list_commands(ctx)])


def _say_version(ctx: click.Context, _option: click.Parameter, is_asked: bool) -> None:
    if is_asked:
        from service.build import this_build

        click.echo(f"neaptide {this_build()}")
        ctx.exit()


@click.command(cls=Lazily, epilog=terminal.CODES)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_say_version,
    help="Say which version this is, and which commit it was built from.",
)
@click.option(
    "--settings", type=click.Path(path_type=Path), help="Take the settings from this file, and from nowhere else."
)
@click.option("--user", help="Run as this user; root alone may.")
def cli(settings: Path | None, user: str | None) -> None:
    """Neaptide: reading reminders, symptom diary and weekly review."""
    if settings is None and user is None:
        return
    from service import config  # nothing that `--help` has to wait for

    # The file is root's, so it is read before root is left.
    if settings is not None:
        config.take_file(settings)
    if user is not None:
        config.become(user)


def main() -> None:
    """The entry point."""
    os.umask(0o077)  # database, keys, exports: health data, whatever umask whoever calls has
    try:
        cli.main(standalone_mode=False)
    except Refused as refusal:
        terminal.fail(Ends.CANNOT_TAKE, str(refusal), refusal)
    except click.ClickException as error:
        if terminal.is_for_machine():
            terminal.fail(error.exit_code, error.format_message())
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        terminal.fail(Ends.NOT_DONE, "stopped")
    except BrokenPipeError:
        # Whoever read us has read enough. Python would try to write the rest at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(Ends.NOT_DONE)
    except OSError as error:
        terminal.fail(Ends.CANNOT_TAKE, f"{error.filename or 'a file'} cannot be used: {error.strerror or error}")
