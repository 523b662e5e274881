"""What every view may use: handed to the application once, read from it here."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from flask import current_app
from sqlalchemy import Engine

from service.accounts.challenges import Site, site_of
from service.clock import Clock
from service.config import Settings
from service.domain.vocabulary import Channel
from service.enrolling.wordings import SampleLinks
from service.links import Links
from service.store.access import Trail
from service.store.standby import ReadFrom, source
from service.transports.base import Transport
from service.transports.openid import OpenId


@dataclass(frozen=True)
class Services:
    settings: Settings
    engine: Engine
    clock: Clock
    door_clock: Clock  # counts sign-ins and idle sessions: the demo moves `clock` by days, not its visitors
    machine_clock: Clock  # this machine's own, never steered: what is compared with the database's
    transports: Mapping[Channel, Transport]
    links: Links
    trail: Trail
    openid: OpenId
    standby: Engine | None = None  # of the database
    at_terminal: uuid.UUID | None = None  # whose account every request is, in `neaptide api`; None where we listen
    counts_in: Path | None = None  # the folder in which a server's processes count; None where there is one process

    def for_long_reads(self) -> ReadFrom:
        """Where what is long and decides nothing is read."""
        return source(self.engine, self.standby)

    @property
    def site(self) -> Site | None:
        """Where passkeys work; None where no browser makes one."""
        return site_of(self.settings.base_url)

    @property
    def sample_links(self) -> SampleLinks:
        """What the preview of a wording carries in place of a person's links."""
        return self.links.samples()


def services() -> Services:
    """The services of the application that handles this request."""
    return cast(Services, current_app.extensions["neaptide"])
