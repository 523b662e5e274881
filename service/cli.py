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

# name → module and attribute under service.commands
COMMANDS = {
    "audit": ("operate", "audit"),
    "caregiver": ("people", "caregiver"),
    "clinic": ("enrol", "clinic"),
    "consent": ("people", "consent"),
    "contact": ("people", "contact"),
    "doctor": ("operate", "doctor"),
    "import": ("importing", "group"),
    "key": ("staff", "key"),
    "limits": ("baselines", "limits"),
    "messages": ("operate", "messages"),
    "migrate": ("serve", "migrate"),
    "quarantine": ("operate", "quarantine_group"),
    "patient": ("enrol", "patient"),
    "pause": ("plans", "pause"),
    "plan": ("plans", "plan"),
    "push": ("push", "push"),
    "reference": ("baselines", "reference"),
    "replay": ("replay", "replay"),
    "review": ("review", "review"),
    "seed": ("seed", "seed"),
    "serve": ("serve", "serve"),
    "staff": ("staff", "staff"),
    "wording": ("wordings", "wording"),
    "worker": ("serve", "worker"),
}
CANNOT_TAKE = 2


class Lazily(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name]
        found: click.Command = getattr(importlib.import_module(f"service.commands.{module}"), attribute)
        return found


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
    """Whether the database has not the layout. Told by what drivers say, so that no driver is loaded for `--help`."""
    told = str(error)
    return type(error).__module__.startswith("sqlalchemy") and ("no such" in told or "UndefinedTable" in told)
