"""Kind pages for links that do not open, with the lines to call where they are known."""

from __future__ import annotations

from flask import render_template
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.store.tables import Clinic


def broken() -> ResponseReturnValue:
    """A link that is not whole, or not ours."""
    return _page(
        gettext("This link is not complete"),
        gettext("Part of it may have been cut off. Please tap the link in the message itself, or type all of it."),
        None,
        404,
    )


def over(clinic: Clinic) -> ResponseReturnValue:
    """A link whose day has passed."""
    return _page(
        gettext("This link was for an earlier day"),
        gettext("It has closed, and nothing is needed from you here. The next message brings a new link."),
        clinic,
        410,
    )


def ended(clinic: Clinic) -> ResponseReturnValue:
    """A link of somebody who no longer takes part."""
    return _page(
        gettext("This link is no longer in use"),
        gettext("If you did not expect that, please call the clinic."),
        clinic,
        410,
    )


def _page(title: str, text: str, clinic: Clinic | None, status: int) -> ResponseReturnValue:
    return render_template("phone/closed.html", title=title, text=text, clinic=clinic), status
