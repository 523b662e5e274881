"""`neaptide clinic …` and `neaptide staff …`: what is needed before anybody can sign in.

Everything else about a clinic is set by its staff, on their pages or by `neaptide api`.
A password is set by its person alone, by a link that is printed here once.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import time
from typing import Any

import click
from sqlalchemy import select

from service.accounts import factors, invitations
from service.accounts.staff import add_staff, close_account
from service.accounts.throttle import forget_everywhere
from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.domain.rights import GRANTED, Right
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, Role
from service.enrolling.clinics import NewClinic, enrol_clinic
from service.enrolling.people import NewContact, add_contact
from service.store.audit import OPERATOR
from service.store.tables import Clinic, Staff
from service.terminal import JSON, tell_items
from service.words.language import codes

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
EMAIL = click.argument("email")


class LocalTime(click.ParamType[time]):
    """A wall time, HH:MM."""

    name = "HH:MM"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> time:
        if isinstance(value, time):
            return value
        try:
            return time.fromisoformat(value)
        except ValueError:
            raise Refused(param.name if param and param.name else "time", value, "a time such as 07:30") from None


@click.group("clinic")
def clinic() -> None:
    """The clinics on this database."""


@clinic.command("add")
@click.option("--name", required=True)
@click.option("--zone", required=True, help="IANA time zone, such as Pacific/Auckland.")
@click.option("--emergency-number", required=True, help="The local emergency number, shown to patients.")
@click.option("--contact-line", required=True, help="The clinic's own telephone number.")
@click.option("--sender-name", required=True, help="How messages are signed; it is read on locked screens.")
@click.option("--language", type=click.Choice(codes()), default="en", show_default=True)
@click.option("--review-weekday", type=click.Choice(WEEKDAYS), default="monday", show_default=True)
@click.option("--quiet-from", type=LocalTime(), default="21:00", show_default=True)
@click.option("--quiet-until", type=LocalTime(), default="08:00", show_default=True)
@click.option("--silent-days", type=int, default=3, show_default=True, help="Missed windows before staff get a task.")
@with_console
def add_clinic(console: Console, /, review_weekday: str, **given: Any) -> None:
    """Add a clinic. Its settings are changed with `neaptide api PATCH /clinic`."""
    new = NewClinic(**given, review_weekday=WEEKDAYS.index(review_weekday))
    with console.write() as session:
        added = enrol_clinic(session, new, OPERATOR, console.now())
        opening.say(clinic=added.id)


@clinic.command("list")
@JSON
@with_console
def list_clinics(console: Console, as_json: bool) -> None:
    """Every clinic by its name, with what `--clinic` takes: the name or the id."""
    with console.read() as session:
        found = session.execute(select(Clinic.id, Clinic.name, Clinic.zone).order_by(Clinic.name, Clinic.id)).all()
    if as_json:
        tell_items(row._asdict() for row in found)
        return
    for row in found:
        click.echo(f"{row.id}  {row.zone:<20}  {row.name}")


@click.group("staff")
def staff() -> None:
    """Accounts of the clinic's staff."""


@staff.command("invite")
@CLINIC
@click.option("--email", required=True)
@click.option("--name", required=True)
@click.option("--role", "roles", required=True, multiple=True, type=click.Choice([role.value for role in Role]))
@click.option("--grant", "grants", multiple=True, type=click.Choice([right.value for right in GRANTED]))
@click.option("--phone", help="Where a nurse or physician is told of open tasks by text, an emergency at any hour.")
@with_console
def invite(
    console: Console,
    clinic: str | None,
    email: str,
    name: str,
    roles: Sequence[str],
    grants: Sequence[str],
    phone: str | None,
) -> None:
    """Make an account of one person, who may hold several roles, and the link by which they set their password."""
    with console.write() as session:
        owner = opening.clinic_of(session, clinic)
        act = console.act(session, owner.id)
        added = add_staff(act, email, name, [Role(one) for one in roles], grants=[Right(one) for one in grants])
        if phone:
            add_contact(act, added, NewContact(Channel.TEXT, phone))
        key = invitations.invite(act, added, console.door_now())
        opening.say(staff=added.id, email=added.email, roles=" ".join(added.roles))
        opening.say(link=console.links().invitation(key))


@staff.command("list")
@CLINIC
@JSON
@with_console
def list_staff(console: Console, clinic: str | None, as_json: bool) -> None:
    """Everybody with an account."""
    with console.read() as session:
        owner = opening.clinic_of(session, clinic)
        query = select(Staff).where(Staff.clinic_id == owner.id, Staff.emergency_until.is_(None)).order_by(Staff.name)
        accounts = session.scalars(query).all()
        if as_json:
            from service.web.api.clinic import StaffOut  # loaded for a machine alone: it takes half a second

            tell_items(StaffOut(many=True).dump(accounts))
            return
        for account in accounts:
            state = "open" if account.active else "closed"
            may = " ".join((*account.roles, *account.grants))
            click.echo(f"{account.id}  {may:<13}  {state:<6}  {account.email}")


@staff.command("unlock")
@EMAIL
@click.option("--second-step", is_flag=True, help="Remove their passkeys and codes too: all is lost.")
@with_console
def unlock(console: Console, email: str, second_step: bool) -> None:
    """Let somebody in again: no wait is left, and a link lets them begin anew. The old password works until then."""
    with console.write() as session:
        account = opening.account_of(session, email)
        forget_everywhere(session, account.email)
        act = console.act(session, account.clinic_id)
        act.note("staff.unlock", account)
        if second_step:
            factors.take_away(act, account)
        key = invitations.invite(act, account, console.door_now())
        opening.say(staff=account.id, link=console.links().invitation(key))


@staff.command("close")
@EMAIL
@with_console
def close(console: Console, email: str) -> None:
    """Close an account; what it signed stays."""
    with console.write() as session:
        account = opening.account_of(session, email)
        close_account(console.act(session, account.clinic_id), account)
