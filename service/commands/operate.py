"""`neaptide doctor`, `messages`, `quarantine`, `review` and `push key`: what an operator looks after.

Shows ids, states and reasons; never a name, an address or a value.
"""

from __future__ import annotations

import base64
import sys
import time
import uuid
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import click
from cryptography.hazmat.primitives.asymmetric import ec
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import config
from service.commands import opening
from service.commands.opening import Console, with_console
from service.config import Settings
from service.delivery import operating, receiving, trying
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageState
from service.enrolling.people import checked_address
from service.health import checks, servers, soundness
from service.reviewing import refreshing, signing
from service.store import panel, quarantine
from service.store.audit import OPERATOR, note_outside_clinics
from service.store.ids import slices
from service.store.tables import Clinic, Message, Patient, QuarantinedRow
from service.terminal import JSON, Ends, tell, tell_items
from service.transports.base import NOT_SET_UP, Transport, hears_receipts
from service.transports.email import Mail

CLINIC = click.option("--clinic", help="Name or id of a clinic; all of them when left out.")
MESSAGE = click.argument("message", type=click.UUID)
LIMIT = click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True, help="Show so many.")


@click.command("doctor")
@JSON
@click.option("--deep", is_flag=True, help="Work out anew from what was recorded what must hold, as every night.")
@click.option(
    "--send-test",
    "addresses",
    metavar="ADDRESS",
    multiple=True,
    help="Send a test message to this telephone number or e-mail address, which is your own; may be given twice.",
)
@click.option(
    "--wait", type=click.IntRange(0, 600), default=60, show_default=True, help="Seconds to wait for its receipt."
)
@with_console
def doctor(console: Console, as_json: bool, deep: bool, addresses: tuple[str, ...], wait: int) -> None:
    """Say what is well and what needs attention. Exit code 4 when something does.

    --send-test sends a real message by the way that patients' messages go, and says what was heard of it.
    Nobody's consent is asked: the address is your own. It is kept nowhere; the audit tells that you sent one.
    """
    transports = console.transports()
    to = [_way_to(address, transports) for address in addresses]
    found = checks.examine(
        console.engine,
        console.now(),
        machine_now=console.door_now(),
        channels=frozenset(transports),
        backups_within=_backups_within(console.settings),
    )
    found += [checks.settings(config.misspelt()), checks.private(_files(console))]
    base_url = console.settings.base_url
    opens_elsewhere = console.settings.demo or not config.is_here(str(urlsplit(base_url).hostname))
    found.append(checks.address(base_url, opens_elsewhere, transports))
    answers = checks.answers(found)
    if answers:
        found += [soundness.whole(console.engine), soundness.key(console.engine, console.settings.keys)]
        found.append(soundness.opens(console.engine))
        with opening.database(console.settings, console.settings.database_url) as web:
            found += filter(None, [soundness.walled(web), servers.connections(web)])
        if console.settings.standby_database_url:
            standby = opening.opened(console.settings, console.settings.standby_database_url)
            found.append(servers.standby(standby, console.door_now()))
            standby.dispose()
    if deep:
        found += checks.deep(console.engine, console.now(), console.settings.data_dir)
    if answers:
        found += [_try(console, address, channel, transports[channel], wait) for channel, address in to]
    if as_json:
        tell_items(finding.as_dict() for finding in found)
    else:
        for finding in found:
            click.echo(f"{finding.fares:<9}  {finding.name}: {finding.sentence}")
    sys.exit(Ends.DONE if all(finding.ok for finding in found) else Ends.NEEDS_ATTENTION)


def _backups_within(settings: Settings) -> timedelta | None:
    """The demo's people are invented, and need none."""
    return timedelta(hours=settings.backup_hours) if settings.backup_hours and not settings.demo else None


def _files(console: Console) -> list[Path]:
    """Where this installation's data lies on this machine, as far as it does."""
    database = console.engine.url.database if console.engine.dialect.name == "sqlite" else None
    return [one for one in (console.settings.data_dir, Path(database or console.settings.data_dir)) if one.exists()]


def _way_to(given: str, transports: Mapping[Channel, Transport]) -> tuple[Channel, str]:
    """By which channel an address is reached, and the address as it is kept. Raises Refused."""
    channel = Channel.EMAIL if "@" in given else Channel.TEXT
    address = checked_address("send-test", channel, given)
    if channel not in transports:
        raise Refused("send-test", given, f"an address of a channel that is set up; {NOT_SET_UP[channel]}")
    return channel, address


def _try(console: Console, address: str, channel: Channel, transport: Transport, wait: int) -> checks.Finding:
    """Send a test message, wait until it is known to have arrived or not, and say what is known."""
    with console.read() as session:
        lines = list(session.scalars(select(Clinic.text_line)))
    line = lines[0] if len(lines) == 1 and channel is Channel.TEXT else None
    trial = trying.send(console.terminal, transport, channel, address, console.clock, line=line or "")
    if isinstance(transport, Mail):
        transport.close()
    is_told = hears_receipts(transport)
    give_up_at = time.monotonic() + (wait if is_told else 0)
    while True:
        receiving.listen(console.engine, {}, console.clock)  # one that overtook its hand-over, where no worker runs
        state, detail = trying.heard(console.engine, trial)
        if state in {MessageState.DELIVERED, MessageState.FAILED} or time.monotonic() >= give_up_at:
            break
        time.sleep(0.2)
    said = f": {detail}" if detail else ""
    return checks.Finding(f"test_{channel.value}", state is MessageState.DELIVERED, _heard(state, is_told, wait) + said)


def _heard(state: MessageState, is_told: bool, wait: int) -> str:
    match state:
        case MessageState.DELIVERED:
            return "The test message was delivered; its receipt says so"
        case MessageState.FAILED:
            return "The test message was refused, or could not be delivered"
        case MessageState.SENT if is_told:
            return f"The test message was taken; no receipt came within {wait} seconds, so nothing more is known"
        case MessageState.SENT:
            return "The test message was taken; no receipts reach this service, so look yourself whether it arrived"
    return "The test message may not have left; nothing is known of it"


@click.group("messages")
def messages() -> None:
    """Messages to patients, caregivers and staff."""


@messages.command("list")
@CLINIC
@click.option("--state", type=click.Choice([state.value for state in MessageState]), help="Only those.")
@click.option("--patient", type=click.UUID, help="Only what concerns the patient with this id.")
@LIMIT
@JSON
@with_console
def list_messages(
    console: Console, clinic: str | None, state: str | None, patient: uuid.UUID | None, limit: int, as_json: bool
) -> None:
    """The newest messages: id, when, kind, channel, state and why."""
    with console.read() as session:
        found = operating.find(
            session,
            clinic_id=opening.clinic_of(session, clinic).id if clinic else None,
            state=MessageState(state) if state else None,
            patient_id=patient,
            most=limit,
        )
        if as_json:
            tell_items(map(_described, found))
            return
        for message in found:
            click.echo(_line(message))


@messages.command("show")
@MESSAGE
@JSON
@with_console
def show(console: Console, message: uuid.UUID, as_json: bool) -> None:
    """What happened to one message."""
    with console.read() as session:
        held = session.get(Message, message)
        if held is None:
            raise click.ClickException(f"{message} is no message")
        events = operating.history(session, message)
        if as_json:
            told = [{"at": event.at, "event": event.event, "detail": event.detail} for event in events]
            tell({**_described(held), "events": told})
            return
        click.echo(_line(held))
        for event in events:
            click.echo(f"{_at(event.at)}  {event.event}  {event.detail}".rstrip())


@messages.command("retry")
@MESSAGE
@with_console
def retry(console: Console, message: uuid.UUID) -> None:
    """Send MESSAGE again, under the same id: it is rechecked first, like any other."""
    with console.write() as session:
        operating.try_again(session, message, OPERATOR, console.now())
    click.echo(f"queued: {message}")


@messages.command("cancel")
@MESSAGE
@click.option("--reason", required=True, help="Kept with the message; no names, no values.")
@with_console
def cancel(console: Console, message: uuid.UUID, reason: str) -> None:
    """Cancel MESSAGE, which must not have begun to leave."""
    with console.write() as session:
        operating.cancel(session, message, reason, OPERATOR, console.now())
    click.echo(f"cancelled: {message}")


@click.group("quarantine")
def quarantined() -> None:
    """Rows set aside because their handling failed, so that they do not hold up the rest."""


@quarantined.command("list")
@LIMIT
@JSON
@with_console
def list_quarantined(console: Console, limit: int, as_json: bool) -> None:
    """What is set aside: kind, id, when, and the kind and place of the failure."""
    query = (
        select(QuarantinedRow)
        .where(QuarantinedRow.released_at.is_(None))
        .order_by(QuarantinedRow.at.desc())
        .limit(limit)
    )
    with console.read() as session:
        rows = session.scalars(query).all()
        if as_json:
            names = ("subject_kind", "subject_id", "at", "error")
            tell_items({name: getattr(row, name) for name in names} for row in rows)
            return
        for row in rows:
            click.echo(f"{row.subject_kind}  {row.subject_id}  {_at(row.at)}  {row.error}")


@quarantined.command("release")
@click.argument("kind")
@click.argument("row", type=click.UUID)
@with_console
def release(console: Console, kind: str, row: uuid.UUID) -> None:
    """Let ROW of KIND be tried again."""
    with console.write() as session:
        if not quarantine.release(session, (kind, row), console.now()):
            raise click.ClickException(f"{kind} {row} is not set aside")
        note_outside_clinics(session, OPERATOR, "quarantine.release", (kind, row), console.now())
    click.echo(f"released: {kind} {row}")


@click.group("review")
def review() -> None:
    """The rows that the weekly review carries forward."""


@review.command("audit")
@JSON
@with_console
def audit_rows(console: Console, as_json: bool) -> None:
    """Work every carried row out anew and compare; check what was signed, and added to it, against its seal.

    Exit code 4 when a row differs or a seal does not hold. That this version's rules would place a patient
    otherwise than when it was signed is told, and is nothing wrong.
    """
    with console.read() as session:
        clinics = session.scalars(select(Clinic.id).order_by(Clinic.id)).all()
        looked = [_looked_through(session, clinic_id, console.now()) for clinic_id in clinics]
    if as_json:
        tell_items(looked)
    else:
        for one in looked:
            _print_looked_through(one)
    wrong = any(one["rows_differing"] or one["seals_broken"] for one in looked)
    sys.exit(Ends.NEEDS_ATTENTION if wrong else Ends.DONE)


def _looked_through(session: Session, clinic_id: uuid.UUID, now: datetime) -> dict[str, Any]:
    records = list(signing.check_frozen(session, clinic_id))
    return {
        "clinic_id": clinic_id,
        "rows_differing": list(refreshing.differing(session, clinic_id, now)),  # ids of patients
        "signed_records": len(records),
        "seals_broken": [{"kind": one.kind, "id": one.id, "seal": one.seal} for one in records if not one.holds],
        "placed_otherwise": sum(one.differs for one in records if one.holds),
    }


def _print_looked_through(one: Mapping[str, Any]) -> None:
    click.echo(f"clinic {one['clinic_id']}: {len(one['rows_differing'])} rows differ")
    for patient_id in one["rows_differing"]:
        click.echo(f"  patient {patient_id}")
    click.echo(
        f"clinic {one['clinic_id']}: {one['signed_records']} signed records, {len(one['seals_broken'])} whose seal "
        f"does not hold, {one['placed_otherwise']} placed otherwise by the rules of this version"
    )
    for broken in one["seals_broken"]:
        click.echo(f"  {broken['kind']} {broken['id']}: {broken['seal'].value.replace('_', ' ')}")


@review.command("rebuild")
@with_console
def rebuild(console: Console) -> None:
    """Make every row again from the records. Nothing that was signed changes."""
    now = console.now()
    with console.write() as session:
        everyone = list(session.scalars(select(Patient.id)))
        for some in slices(everyone):
            panel.mark_stale(session, some, now, date.min)
        console.note_everywhere(session, "review.rebuild")
    done = refreshing.rebuild(console.engine, now)
    while (tally := refreshing.refresh(console.engine, now)).seen:
        done += tally
    click.echo(f"{done.done} rows made, {done.quarantined} set aside")
    sys.exit(Ends.NEEDS_ATTENTION if done.quarantined else Ends.DONE)


@click.group("push")
def push() -> None:
    """Notices on people's own phones (web push)."""


@push.command("key")
def key() -> None:
    """Make a private key for NEAPTIDE_PUSH_KEY, and print it.

    Keep it like a password, and keep it: phones that were set up with another key get no more notices.
    """
    # RFC 8292 section 2: ECDSA on P-256. The scalar alone, 32 bytes, in base64url.
    secret = ec.generate_private_key(ec.SECP256R1()).private_numbers().private_value.to_bytes(32, "big")
    click.echo(base64.urlsafe_b64encode(secret).rstrip(b"=").decode("ascii"))


def _described(message: Message) -> dict[str, Any]:
    from service.web.api.watching import MessageOut  # loaded for a machine alone: it takes half a second

    described: dict[str, Any] = MessageOut().dump(message)
    return described


def _line(message: Message) -> str:
    why = f" ({message.reason})" if message.reason else ""
    return (
        f"{message.id}  {_at(message.created_at)}  {message.kind.value}  {message.channel.value}"
        f"  {message.state.value}{why}  tries: {message.attempts}"
    )


def _at(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M:%SZ}"
