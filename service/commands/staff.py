"""`neaptide staff …` and `neaptide key …`: who may come in. Passwords and secrets never stand in an argument."""

from __future__ import annotations

import sys
import uuid

import click
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.accounts import keys
from service.accounts.staff import add_staff, close_account, set_password
from service.clock import SystemClock
from service.commands import opening
from service.domain.validation import Refused
from service.domain.vocabulary import Role, Scope
from service.store.audit import OPERATOR
from service.store.session import read_session, write_session
from service.store.tables import ApiKey, Staff

CLINIC = click.option("--clinic", help="Name or id of the clinic; may be left out where there is only one.")


@click.group("staff")
def staff() -> None:
    """Accounts of the clinic's staff."""


@staff.command("add")
@CLINIC
@click.option("--email", required=True)
@click.option("--name", required=True)
@click.option("--role", required=True, type=click.Choice([role.value for role in Role]))
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input instead of asking.")
def add(clinic: str | None, email: str, name: str, role: str, password_stdin: bool) -> None:
    """Add an account of one person."""
    password = _password(password_stdin)
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        added = add_staff(session, owner.id, email, name, Role(role), password, OPERATOR, SystemClock().now())
        opening.say(staff=added.id, email=added.email, role=added.role.value)


@staff.command("list")
@CLINIC
def list_staff(clinic: str | None) -> None:
    """Everybody with an account."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        for one in session.scalars(select(Staff).where(Staff.clinic_id == owner.id).order_by(Staff.name)):
            click.echo(f"{one.id}  {one.role.value:<13}  {'open' if one.active else 'closed':<6}  {one.email}")


@staff.command("password")
@click.argument("email")
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input instead of asking.")
def password(email: str, password_stdin: bool) -> None:
    """Set a new password; every open session of the account ends."""
    given = _password(password_stdin)
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        set_password(session, _account(session, email), given, OPERATOR, SystemClock().now())


@staff.command("close")
@click.argument("email")
def close(email: str) -> None:
    """Close an account; what it signed stays."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        close_account(session, _account(session, email), OPERATOR, SystemClock().now())


@click.group("key")
def key() -> None:
    """Bearer keys of machines."""


@key.command("issue")
@CLINIC
@click.option("--name", required=True, help="What the key is for.")
@click.option("--scope", "scopes", required=True, multiple=True, type=click.Choice([scope.value for scope in Scope]))
def issue(clinic: str | None, name: str, scopes: tuple[str, ...]) -> None:
    """Issue a key. Its secret is shown this once."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        issued, secret = keys.issue_key(
            session, owner.id, name, [Scope(scope) for scope in scopes], OPERATOR, SystemClock().now()
        )
        opening.say(key=issued.id, secret=secret)


@key.command("list")
@CLINIC
def list_keys(clinic: str | None) -> None:
    """Every key, without its secret."""
    with opening.database(opening.settings()) as engine, read_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        for one in session.scalars(select(ApiKey).where(ApiKey.clinic_id == owner.id).order_by(ApiKey.created_at)):
            click.echo(f"{one.id}  {'revoked' if one.revoked_at else 'good':<7}  {','.join(one.scopes)}  {one.name}")


@key.command("revoke")
@click.argument("key_id", type=click.UUID)
def revoke(key_id: uuid.UUID) -> None:
    """Revoke a key at once."""
    with opening.database(opening.settings()) as engine, write_session(engine) as session:
        held = session.get(ApiKey, key_id)
        if held is None:
            raise Refused("key", str(key_id), "the id of a key")
        keys.revoke_key(session, held, OPERATOR, SystemClock().now())


def _account(session: Session, email: str) -> Staff:
    found = session.scalar(select(Staff).where(Staff.email == email.strip().lower()))
    if found is None:
        raise Refused("email", email, "the address of an account")
    return found


def _password(from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\n")
    given: str = click.prompt("Password", hide_input=True, confirmation_prompt=True)
    return given
