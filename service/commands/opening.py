"""From settings to working parts: the one place where commands open the database, the clock and the transports."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import click
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service import logs
from service.clock import Clock, SharedClock, SystemClock
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import Channel
from service.store.session import open_engine
from service.store.tables import Clinic, Patient
from service.transports.base import Transport
from service.transports.email import Mail, MailServer
from service.transports.mock import MockGateway
from service.transports.textgateway import TextGateway
from service.transports.webpush import WebPush

GATEWAY_FILE = "gateway.sqlite3"
CLOCK_FILE = "clock-offset"


def settings() -> Settings:
    """The settings of this process, with logging set up by them."""
    read = Settings.from_env()
    logs.configure(read.log_level)
    return read


def clock_of(read: Settings) -> Clock:
    """The machine's clock; in the demo one that its processes share and move forward."""
    if not read.demo:
        return SystemClock()
    read.data_dir.mkdir(parents=True, exist_ok=True)
    return SharedClock(read.data_dir / CLOCK_FILE)


def transports_of(read: Settings, clock: Clock) -> dict[Channel, Transport]:
    """The way out for each channel that is set up. Raises Refused for a key that is none."""
    out: dict[Channel, Transport] = {}
    if read.text_url:
        out[Channel.TEXT] = TextGateway(
            read.text_url,
            read.text_token,
            is_called_back=bool(read.text_callback_secret),
            proxy=read.proxy,
        )
    else:
        out[Channel.TEXT] = MockGateway(read.data_dir / GATEWAY_FILE, clock.now)
    if read.mail_server:
        host, _, port = read.mail_server.rpartition(":")
        server = MailServer(host, int(port), read.mail_security, read.mail_from, read.mail_user, read.mail_password)
        out[Channel.EMAIL] = Mail(server)
    if read.push_key:
        try:
            out[Channel.WEBPUSH] = WebPush(read.push_key, read.push_contact, clock.now, proxy=read.proxy)
        except ValueError:
            raise Refused("NEAPTIDE_PUSH_KEY", "(hidden)", "a private key on P-256 in base64url") from None
    return out


@contextmanager
def database(read: Settings) -> Iterator[Engine]:
    """The database, let go of at the end."""
    if read.database_url.startswith("sqlite"):
        read.data_dir.mkdir(parents=True, exist_ok=True)
    engine = open_engine(read.database_url)
    try:
        yield engine
    finally:
        engine.dispose()


def clinic_of(session: Session, named: str | None) -> Clinic:
    """The clinic by name or id; the only one where none is named. Raises Refused."""
    clinics = session.scalars(select(Clinic).order_by(Clinic.name)).all()
    if named is None and len(clinics) == 1:
        return clinics[0]
    for clinic in clinics:
        if named in {clinic.name, str(clinic.id)}:
            return clinic
    raise Refused("clinic", named, " or ".join(repr(clinic.name) for clinic in clinics) or "a clinic: add one first")


def patient_of(session: Session, clinic: Clinic, named: str) -> Patient:
    """The clinic's patient by its own reference or by id. Raises Refused."""
    which = Patient.clinic_ref == named
    with suppress(ValueError):
        which |= Patient.id == uuid.UUID(named)
    patient = session.scalar(select(Patient).where(Patient.clinic_id == clinic.id, which))
    if patient is None:
        raise Refused("patient", named, "the clinic's reference or the id of one of its patients")
    return patient


def say(**told: object) -> None:
    """A short record on standard output, one `name: value` a line."""
    for name, value in told.items():
        click.echo(f"{name}: {value}")
