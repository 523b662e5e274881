"""From settings to working parts, once for every command.

A command that is wrapped by `with_console` is handed a `Console`: the settings, the
database, the clock (the demo's own where NEAPTIDE_DEMO is set) and the way out. No other
module here opens a database or asks the time. Every audit line that is written through a
console tells the system user who typed the command.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar

import click
import structlog
from sqlalchemy import Engine, make_url, select
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.orm import Session

from service import config, logs
from service.clock import Clock, SharedClock, SystemClock
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import Channel
from service.keyring import KeyFor
from service.links import Links
from service.store import session as sessions
from service.store.audit import OPERATOR, Act
from service.store.tables import Clinic, Patient, Staff
from service.store.troubles import SAID, Trouble, told, trouble_of
from service.store.vault import Vault
from service.transports.base import Transport
from service.transports.described.description import read as read_description
from service.transports.described.sending import Account, Described
from service.transports.email import Mail, MailServer
from service.transports.mock import MockGateway
from service.transports.outside import Guard
from service.transports.textgateway import text_gateway
from service.transports.webpush import WebPush

log = structlog.get_logger(__name__)
P = ParamSpec("P")
R = TypeVar("R")
GATEWAY_FILE = "gateway.sqlite3"
CLOCK_FILE = "clock-offset"
CLINIC = click.option("--clinic", help="Name or id of the clinic; may be left out where there is only one.")
PATIENT = click.argument("named", metavar="PATIENT")


@dataclass(frozen=True)
class Console:
    """What a command works with."""

    settings: Settings
    engine: Engine
    clock: Clock
    login: str  # the system user

    def now(self) -> datetime:
        """The service's time; in the demo this is the time that its pages show."""
        return self.clock.now()

    def door_now(self) -> datetime:
        """The machine's own time, which sign-ins go by: the demo moves its clinic by days, not its visitors."""
        return SystemClock().now()

    @property
    def terminal(self) -> Engine:
        """The database for what is typed here: its audit lines tell by whom."""
        return sessions.at_terminal(self.engine, self.login)

    def read(self) -> AbstractContextManager[Session]:
        return sessions.read_session(self.engine)

    def write(self) -> AbstractContextManager[Session]:
        """One transaction, committed when the block ends well."""
        return sessions.write_session(self.terminal)

    def act(self, session: Session, clinic_id: uuid.UUID) -> Act:
        """What an operator does in this transaction, now."""
        return Act(session, OPERATOR, clinic_id, self.now())

    def note_everywhere(self, session: Session, action: str) -> None:
        """The audit line, at every clinic, of what an operator does to all of them."""
        for clinic_id in session.scalars(select(Clinic.id)):
            self.act(session, clinic_id).note(action, ("clinic", clinic_id))

    def transports(self) -> dict[Channel, Transport]:
        return transports_of(self.settings, self.clock)

    def links(self) -> Links:
        return Links(self.settings.base_url, self.settings.keys)


def with_console(command: Callable[Concatenate[Console, P], R]) -> Callable[P, R]:
    """Hand a command its console, and let go of the database at the end: as the owner of it."""
    return _handed(command, lambda settings: settings.owner_database_url)


def with_console_to_begin(command: Callable[Concatenate[Console, P], R]) -> Callable[P, R]:
    """As `with_console`, for what an installation begins with: it makes folder and key where there are none."""
    return _handed(command, lambda settings: settings.owner_database_url, begins=True)


def with_console_of_web(command: Callable[Concatenate[Console, P], R]) -> Callable[P, R]:
    """The same, with the database as the web's own role."""
    return _handed(command, lambda settings: settings.database_url)


def with_console_of_worker(command: Callable[Concatenate[Console, P], R]) -> Callable[P, R]:
    """The same, as the worker's."""
    return _handed(command, lambda settings: settings.worker_database_url)


def _handed(
    command: Callable[Concatenate[Console, P], R], url_of: Callable[[Settings], str], *, begins: bool = False
) -> Callable[P, R]:
    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        settings = read_settings(begins=begins)
        with database(settings, url_of(settings)) as engine:
            return command(Console(settings, engine, clock_of(settings), config.system_user()), *args, **kwargs)

    return run


def read_settings(*, begins: bool = False) -> Settings:
    """The settings of this process, with logging set up by them. Raises Refused."""
    settings = Settings.from_env(begins=begins)
    logs.configure(settings.log_level)
    for name, meant in config.misspelt().items():
        log.warning("a setting that nothing reads", name=name, meant=meant or "not known")
    return settings


def clock_of(settings: Settings) -> Clock:
    """The machine's clock; in the demo one that its processes share and move forward."""
    if not settings.demo:
        return SystemClock()
    config.ready_folder(settings.data_dir)
    return SharedClock(settings.data_dir / CLOCK_FILE)


def transports_of(settings: Settings, clock: Clock) -> dict[Channel, Transport]:
    """The way out for each channel that is set up; the mock in the demo alone. Raises Refused."""
    out: dict[Channel, Transport] = {}
    if settings.text_url:
        out[Channel.TEXT] = text_gateway(
            settings.text_url,
            settings.text_token,
            clock.now,
            is_called_back=bool(settings.text_callback_secret),
            proxy=settings.proxy,
        )
    elif settings.text_provider:
        out[Channel.TEXT] = _described(settings, clock)
    elif settings.demo:
        out[Channel.TEXT] = MockGateway(settings.data_dir / GATEWAY_FILE, clock.now)
    if settings.mail_server:
        host, _, port = settings.mail_server.rpartition(":")
        server = MailServer(
            host, int(port), settings.mail_security, settings.mail_from, settings.mail_user, settings.mail_password
        )
        out[Channel.EMAIL] = Mail(server)
    if settings.push_key:
        try:
            guard = Guard(only=settings.outgoing_hosts)
            out[Channel.WEBPUSH] = WebPush(settings.push_key, settings.push_contact, clock.now, guard, settings.proxy)
        except ValueError:
            raise Refused(
                "NEAPTIDE_PUSH_KEY",
                "(hidden)",
                "a private key on P-256, as `neaptide push key` makes one",
            ) from None
    return out


def _described(settings: Settings, clock: Clock) -> Described:
    """The provider whose interface a file describes. Raises Refused, naming the place in the file."""
    file = settings.text_provider
    text = config.read_text("NEAPTIDE_TEXT_PROVIDER", Path(file))
    try:
        description = read_description(text)
    except Refused as refused:
        raise refused.of_field(f"{file}: {refused.field}") from None
    for name, given, is_needed in (
        ("NEAPTIDE_TEXT_USER", settings.text_user, "user" in description.secrets),
        ("NEAPTIDE_TEXT_TOKEN", settings.text_token, "token" in description.secrets),
        ("NEAPTIDE_TEXT_CALLBACK_SECRET", settings.text_callback_secret, description.proof is not None),
    ):
        if is_needed and not given:
            raise Refused(name, "", f"what {file} asks for")
    account = Account(settings.text_user, settings.text_token, settings.text_callback_secret)
    return Described(description, account, settings.base_url, clock.now, proxy=settings.proxy)


@contextmanager
def database(
    settings: Settings, url: str = "", *, alone: bool = False, given_as: str = "NEAPTIDE_DATABASE_URL"
) -> Iterator[Engine]:
    """The database, let go of at the end; as its owner, unless another `url` is given. `alone`: see `opened`.

    Raises Refused for an address that is none, and for one in trouble.
    """
    if settings.database_url.startswith("sqlite"):
        config.ready_folder(settings.data_dir)
    engine = opened(settings, url, alone=alone)
    try:
        yield engine
    except SQLAlchemyError as error:
        trouble = trouble_of(error)
        if trouble is Trouble.NO_LAYOUT:
            raise click.ClickException(SAID[trouble]) from None
        if trouble is None:
            raise
        shown = make_url(url or settings.owner_database_url).render_as_string(hide_password=True)
        raise Refused(given_as, shown, f"a database in order; {told(error)}") from None
    finally:
        engine.dispose()


def opened(settings: Settings, url: str = "", *, alone: bool = False) -> Engine:
    """The database, not yet asked anything. Raises Refused for an address that is none, and another user's file.

    `alone` is for what nobody else may work with meanwhile: `store.session.open_engine`.
    """
    try:
        keys = settings.keys
        engine = sessions.open_engine(
            url or settings.owner_database_url,
            sealer=keys.sealer(),
            vault=Vault(keys.every(KeyFor.CONTACTS)),
            wall_key=keys.key(KeyFor.WALL),
            alone=alone,
        )
    except (ValueError, ArgumentError):
        # Not repeated: a password may stand in it.
        raise Refused(
            "NEAPTIDE_DATABASE_URL", "(hidden)", "sqlite:////FILE, from the root on, or postgresql://…"
        ) from None
    if engine.dialect.name == "sqlite":
        config.checked_own("NEAPTIDE_DATABASE_URL", Path(str(engine.url.database)))
    return engine


def clinic_of(session: Session, named: str | None) -> Clinic:
    """The clinic by name or id; the only one where none is named. Raises Refused."""
    clinics = session.scalars(select(Clinic).order_by(Clinic.name)).all()
    if named is None and len(clinics) == 1:
        return clinics[0]
    for clinic in clinics:
        if named in {clinic.name, str(clinic.id)}:
            return clinic
    raise Refused("clinic", named, " or ".join(repr(clinic.name) for clinic in clinics) or "a clinic: add one first")


def patient_of(session: Session, clinic: str | None, named: str) -> Patient:
    """The patient by the clinic's own reference or by id; `clinic` as `clinic_of` takes it. Raises Refused."""
    which = Patient.clinic_ref == named
    with suppress(ValueError):
        which |= Patient.id == uuid.UUID(named)
    patient = session.scalar(select(Patient).where(Patient.clinic_id == clinic_of(session, clinic).id, which))
    if patient is None:
        raise Refused("patient", named, "the clinic's reference or the id of one of its patients")
    return patient


def account_of(session: Session, email: str) -> Staff:
    """The staff account with this address, or with this id where several clinics have one of it. Raises Refused."""
    which = Staff.email == email.strip().lower()
    with suppress(ValueError):
        which |= Staff.id == uuid.UUID(email)
    accounts = session.scalars(select(Staff).where(which)).all()
    if len(accounts) != 1:
        ids = ", ".join(str(one.id) for one in accounts)
        raise Refused("email", email, f"one of the ids {ids}" if accounts else "the address of an account")
    return accounts[0]


def say(**values: object) -> None:
    """A short record on standard output, one `name: value` a line."""
    for name, value in values.items():
        click.echo(f"{name}: {value}")
