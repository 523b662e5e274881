"""`neaptide …`: everything an operator types.

Subcommands are loaded when they are asked for, so that `neaptide --help` is quick.
Input that cannot be taken ends with exit code 2 and one line naming the field, the
value and what is accepted.
"""

from __future__ import annotations

import importlib
import sys

import click

from service.domain.validation import Refused

# name → module and attribute under service.commands, and the line that `--help` shows
COMMANDS = {
    "api": ("api", "api", "Call the API as a member of staff, in this process."),
    "audit": ("operate", "audit", "Who did what to which record, newest first."),
    "clinic": ("accounts", "clinic", "The clinics on this database."),
    "doctor": ("operate", "doctor", "Say what is well and what needs attention."),
    "import": ("importing", "group", "Take in readings or check-ins from a CSV file."),
    "messages": ("operate", "messages", "Messages to patients, caregivers and staff."),
    "migrate": ("serve", "migrate", "Bring the database to the newest layout."),
    "plan": ("plans", "plan", "What is expected of a patient and when."),
    "push": ("operate", "push", "Notices on people's own phones (web push)."),
    "quarantine": ("operate", "quarantined", "Rows set aside because their handling failed."),
    "replay": ("replay", "replay", "Run past READINGS (a CSV file) day by day."),
    "review": ("operate", "review", "The rows that the weekly review carries forward."),
    "seed": ("seed", "seed", "Fill an empty database with an invented clinic."),
    "serve": ("serve", "serve", "Serve the pages and the API."),
    "staff": ("accounts", "staff", "Accounts of the clinic's staff."),
    "worker": ("serve", "worker", "Look for what falls due and do it."),
}
CANNOT_TAKE = 2


class Lazily(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(f"service.commands.{module}"), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][2]) for name in self.list_commands(ctx)])


@click.command(cls=Lazily)
@click.version_option(package_name="neaptide")
def cli() -> None:
    """Neaptide: reading reminders, symptom diary and weekly review."""


def main() -> None:
    """The entry point."""
    try:
        cli.main(standalone_mode=False)
    except Refused as refusal:
        click.echo(f"neaptide: {refusal}", err=True)
        sys.exit(CANNOT_TAKE)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        click.echo("neaptide: stopped", err=True)
        sys.exit(1)
    except Exception as error:
        if not _lacks_tables(error):
            raise
        click.echo("neaptide: the database lacks what this needs; run `neaptide migrate` first", err=True)
        sys.exit(1)


def _lacks_tables(error: Exception) -> bool:
    """Whether the database has not the layout. Known by what drivers say, so that no driver is loaded for `--help`."""
    says = str(error)
    return type(error).__module__.startswith("sqlalchemy") and ("no such" in says or "UndefinedTable" in says)
