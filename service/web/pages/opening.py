"""How a page opens the link it was tapped from, and the kind pages for links that do not open.

Promises that opening changes nothing, that the page speaks the language of the link's
person, and that whoever comes too late is given the lines to call where they are known.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Protocol, TypeVar

from flask import render_template
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.domain.vocabulary import LinkPurpose
from service.links import Link, read_link
from service.store.session import Where, move_to, objects, read_connection
from service.store.wall import Gate, through
from service.web import frame, trail
from service.web.services import services


class WhomToCall(Protocol):
    """A clinic as these pages name it, with whom to call."""

    @property
    def name(self) -> str: ...
    @property
    def contact_line(self) -> str: ...
    @property
    def emergency_number(self) -> str: ...


class Opens(Protocol):
    """What a link opens: whose page it is, and whether they still take part."""

    @property
    def clinic(self) -> WhomToCall: ...
    @property
    def language(self) -> str: ...
    @property
    def takes_part(self) -> bool: ...


T = TypeVar("T", bound=Opens)


class LinkClosed(Exception):
    """A link that does not open. `page` is what its person reads instead; application-wide, see `service.app`."""

    def __init__(self, title: str, text: str, clinic: WhomToCall | None, status: int) -> None:
        self.title, self.text, self.clinic, self.status = title, text, clinic, status
        super().__init__(title)

    def page(self) -> ResponseReturnValue:
        shown = render_template("phone/closed.html", title=self.title, text=self.text, clinic=self.clinic)
        return shown, self.status


def with_objects(load: Callable[[Session, Link], T | None]) -> Callable[[Where, Link], T | None]:
    """A `load` of `open_link` that reads objects. A patient's own pages do without: a session costs two statements."""

    @wraps(load)
    def loaded(where: Where, link: Link) -> T | None:
        with objects(where) as session:
            return load(session, link)

    return loaded


def open_link(
    token: str, purpose: LinkPurpose, load: Callable[[Where, Link], T | None], *, even_if_over: bool = False
) -> T:
    """What the link of `token` opens, as `load` reads it, in its person's language.

    Raises LinkClosed: 404 for a link that is not whole, not ours, or of nothing we have; 410
    for one that is over (unless `even_if_over`), revoked, or of somebody who no longer takes part.
    """
    with through(Gate.LINK), read_connection(services().engine) as connection:
        try:
            link = read_link(connection, token, purpose)
        except Refused:
            raise _broken() from None
        trail.by_link(link)
        move_to(connection, link.clinic_id)
        found = load(connection, link)
    if found is None:
        raise _broken()
    frame.speak(found.language)
    if link.revoked_at is not None or not found.takes_part:
        raise LinkClosed(
            gettext("This link is no longer in use"),
            gettext("If you did not expect that, please call the clinic."),
            found.clinic,
            410,
        )
    if link.until <= services().clock.now() and not even_if_over:
        raise LinkClosed(
            gettext("This link was for an earlier day"),
            gettext("It has closed, and nothing is needed from you here. The next message brings a new link."),
            found.clinic,
            410,
        )
    return found


def _broken() -> LinkClosed:
    return LinkClosed(
        gettext("This link is not complete"),
        gettext("Part of it may have been cut off. Please tap the link in the message itself, or type all of it."),
        None,
        404,
    )
