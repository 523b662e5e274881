"""What every page shares: its language, its frame, and kind pages for what goes wrong.

Promises that a page opened by a link speaks the language on that person's record,
and that staff pages follow the browser. Does not decide who may see a page.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time
from typing import Any

from babel.support import NullTranslations
from flask import Flask, g, render_template, request
from flask.typing import ResponseReturnValue
from flask_babel import Babel, Domain, get_locale, gettext, refresh
from markupsafe import Markup
from werkzeug.exceptions import HTTPException

from service.web.auth import IDLE
from service.web.services import services
from service.words.language import FALLBACK, Language, codes, load_language, staff_codes

STAFF_PAGES = "clinic."


def install(app: Flask) -> None:
    """Give the application its languages, what templates may use, and its error pages."""
    app.config.setdefault("BABEL_DEFAULT_LOCALE", FALLBACK)
    _Languages(app, locale_selector=_language)
    app.jinja_env.globals["get_locale"] = get_locale
    app.jinja_env.globals["call"] = call
    app.jinja_env.filters["tel"] = tel
    app.jinja_env.filters["day_in_words"] = day_in_words
    app.jinja_env.filters["time_of_day"] = time_of_day

    @app.context_processor
    def frame() -> dict[str, Any]:
        # `staff` is there only where a view has asked who is signed in: other pages cost no query.
        return {
            "demo": services().settings.demo,
            "staff": g.get("staff_now"),
            "idle_seconds": int(IDLE.total_seconds()),
        }


def speak(language: str) -> None:
    """Answer this request in `language`, whatever the browser says."""
    g.language = language
    refresh()


def page_language() -> Language:
    """The language of the page that is being made."""
    return load_language(str(get_locale()))


def tel(number: str) -> str:
    """A telephone number as a `tel:` link carries it (RFC 3966, without visual separators)."""
    return "tel:" + re.sub(r"[^0-9+*#]", "", number)


def call(number: str) -> Markup:
    """A telephone number that can be tapped."""
    return Markup('<a class="nowrap" href="{}">{}</a>').format(tel(number), number)


def day_in_words(day: date) -> str:
    """`Wednesday 25 November`, in the page's language."""
    return page_language().weekday_day(day)


def time_of_day(at: datetime | time) -> str:
    """`14:05`, of a wall time."""
    return f"{at:%H:%M}"


def sorry(error: HTTPException) -> ResponseReturnValue:
    """A page in plain words for an error, without anything of the error itself."""
    code = error.code or 500
    words = {
        400: (
            gettext("That did not work"),
            gettext("Something was missing in what was sent. Please go back and try again."),
        ),
        403: (gettext("This is not for your account"), gettext("Another member of staff can open it.")),
        404: (gettext("There is nothing here"), gettext("The address may have been cut short or mistyped.")),
        429: (gettext("Too many tries"), gettext("Please wait a quarter of an hour and try again.")),
    }
    title, text = words.get(
        code, (gettext("Something went wrong on our side"), gettext("Please try again in a few minutes."))
    )
    return render_template("errors/page.html", title=title, text=text), code


def _language() -> str:
    if "language" in g:
        return str(g.language)
    known = staff_codes() if (request.endpoint or "").startswith(STAFF_PAGES) else codes()
    return request.accept_languages.best_match(known) or FALLBACK


class _Words(Domain):  # type: ignore[misc]
    """The same catalogues as everywhere else, loaded once."""

    def get_translations(self) -> NullTranslations:
        return page_language().translations


class _Languages(Babel):  # type: ignore[misc]
    @property
    def domain_instance(self) -> _Words:
        return _Words()
