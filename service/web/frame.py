"""What every page shares: its language, the words of its templates, its frame, and kind pages for what goes wrong.

Promises that a page opened by a link speaks the language on that person's record,
and that staff pages speak that of the account, and follow the browser where it has
chosen none. Words are made from facts in the reader's language when the page is made;
none is kept, but for what is nobody's: a check-in's questions before anybody has answered,
and its thanks before link and weight are filled in (`pages.phone`).
Does not decide who may see a page.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time
from typing import Any

from babel.support import NullTranslations
from flask import Flask, g, render_template, request
from flask.typing import ResponseReturnValue
from flask_babel import Babel, Domain, get_locale, gettext, refresh
from flask_wtf.csrf import generate_csrf
from markupsafe import Markup
from phonenumbers import NumberParseException
from werkzeug.exceptions import HTTPException

from service.accounts.sessions import IDLE
from service.build import this_build
from service.domain import localtime
from service.domain.review import TO_DECIDE
from service.domain.rights import ROLES
from service.domain.summary import Summary
from service.domain.vocabulary import AdjustmentKind, Channel, ContactWay, Knowledge, Lane, Outcome
from service.enrolling import people
from service.reports import strip
from service.store.troubles import Trouble
from service.transports.mock import MockGateway
from service.web import problems
from service.web.forms import WRITTEN
from service.web.held import WITH_SECRETS
from service.web.services import services
from service.words import labels
from service.words.language import FALLBACK, Language, codes, load_language, staff_codes
from service.words.sentences import brief, diary, openings, reaching, record, review, seals, signals, tasks, week

STAFF_PAGES = "clinic."
WITH_PASSWORDS = WITH_SECRETS | {"emergency"}
# What templates make of facts: each gets the page's language first.
IN_WORDS: dict[str, Callable[..., Any]] = {
    "strip": lambda say, known, adjusted_on=(): _strip(say, known, adjusted_on),
    "label": labels.label,
    "titled": labels.title,
    "why_held": labels.why_held,
    "explanation": labels.explanation,
    "advice": labels.advice,
    "brief": lambda say, entry: brief.reasons(
        say,
        [*entry.since, *(one for one in entry.reasons if one not in entry.since)],
        entry.facts.picture and entry.facts.picture.last_known_on,
    ),
    "week_words": week.week,
    "reasons": lambda say, entry, news=(): review.reasons(
        say, [one for one in entry.reasons if one not in entry.since], news
    ),
    "since": lambda say, entry: review.since(say, entry.reviewed_on, entry.since),
    "came_since": lambda say, entry: review.came_since(say, entry.signed.stood[-1], entry.summary, entry.lane),
    "seal_warning": seals.warning,
    "cannot_leave": reaching.cannot_leave,
    "leaves": lambda say, until, zone: reaching.leaves(say, until, localtime.zone(zone)),
    "response": signals.response,
    "noticed": openings.noticed,
    "opener": lambda say, one: openings.who(say, one.actor, one.by, one.roles, is_known=one.is_known),
    "diary_week": diary.diary_week,
    "weight_week": diary.weight_week,
    "later_day": review.later_day,
    "remarks": review.remarks,
    "in_range": record.in_range,
    "between": lambda say, reach: record.between(say, reach.lower, reach.upper),
    "task": tasks.task,
    "task_brief": brief.task,
    "close_reason": tasks.close_reason,
    "hours": review.hours,
    "usual_follow_up": review.usual_follow_up,
    "born": Language.dated,
    "follow_up_source": lambda say, _kind: review.follow_up_source(say),
    "on_day": lambda say, instant, zone: localtime.local_date(instant, zone),
    "at_clock": lambda say, instant, zone: at_clock(say, instant, zone),
    "day_in_words": Language.weekday_day,
    "spoken_day": Language.day,
    "short_day": Language.short_day,
    "dated": Language.dated,
    "full_day": Language.full_day,
    "figure": Language.figure,
    "percent": Language.percent,
    "change": Language.change,
}


def install(app: Flask) -> None:
    """Give the application its languages, what templates may use, and its error pages."""
    app.config.setdefault("BABEL_DEFAULT_LOCALE", FALLBACK)
    _Languages(app, locale_selector=_language)
    # As its library installs them, without finding out the catalogue anew for each word.
    app.jinja_env.install_gettext_callables(  # type: ignore[attr-defined]
        gettext=lambda one: page_language().translations.ugettext(one),
        ngettext=lambda one, many, number: page_language().translations.ungettext(one, many, number),
        pgettext=lambda context, one: page_language().translations.upgettext(context, one),
        npgettext=lambda context, one, many, number: page_language().translations.unpgettext(
            context, one, many, number
        ),
        newstyle=True,
    )
    app.jinja_env.globals |= {
        "get_locale": get_locale,
        "build": str(this_build()),
        "call": call,
        "csrf_field": csrf_field,
        "Knowledge": Knowledge,
        "Lane": Lane,
        "TO_DECIDE": TO_DECIDE,
        "Outcome": Outcome,
        "AdjustmentKind": AdjustmentKind,
        "ContactWay": ContactWay,
    }
    app.jinja_env.filters |= {"dialled": dialled, "tel": tel, "time_of_day": time_of_day, "clock_in": clock_in}
    app.jinja_env.filters |= {name: _spoken(make) for name, make in IN_WORDS.items()}

    @app.context_processor
    def frame() -> dict[str, Any]:
        # `staff` is there only where a view has asked who is signed in: other pages cost no query.
        return {
            "demo": services().settings.demo,
            "is_mock": isinstance(services().transports.get(Channel.TEXT), MockGateway),
            "staff": g.get("staff_now"),
            "site": services().site,
            "idle_seconds": int(IDLE.total_seconds()),
        }


def speak(language: str) -> None:
    """Answer this request in `language`, whatever the browser says."""
    g.language = language
    _ask_again()


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Say something meanwhile in a language that is not the answer's: a letter's."""
    before = g.get("language")
    speak(language)
    try:
        yield
    finally:
        g.pop("language")
        if before is not None:
            g.language = before
        _ask_again()


def _ask_again() -> None:
    g.pop("page_language", None)
    refresh()


def page_language() -> Language:
    """The language of the page that is being made: asked for at each of its words, and so looked up once."""
    known: Language | None = g.get("page_language")
    if known is None:
        known = g.page_language = load_language(_language())
    return known


def tel(number: str) -> str:
    """A telephone number as a `tel:` link carries it (RFC 3966, without visual separators)."""
    return "tel:" + re.sub(r"[^0-9+*#]", "", number)


def dialled(address: str) -> str:
    """A telephone number in groups of digits; a mailbox as it is."""
    try:
        return people.as_dialled(address)[0] if address.startswith("+") else address
    except NumberParseException:  # a clinic's own, which is kept as it was typed
        return address


def call(number: str) -> Markup:
    """A telephone number that can be tapped."""
    return Markup('<a class="nowrap" href="{}">{}</a>').format(tel(number), number)


def csrf_field() -> Markup:
    """What a form carries to show that a page of ours sent it."""
    return Markup('<input type="hidden" name="csrf_token" value="{}">').format(generate_csrf())


def time_of_day(at: datetime | time) -> str:
    """`14:05`, of a wall time."""
    return f"{at:%H:%M}"


def clock_in(instant: datetime, zone: str) -> str:
    """`14:05`, on the clock of `zone`."""
    return f"{instant.astimezone(localtime.zone(zone)):%H:%M}"


def at_clock(say: Language, instant: datetime, zone: str) -> str:
    """`25 Nov, 14:05`, on the clock of `zone`."""
    shown = instant.astimezone(localtime.zone(zone))
    return f"{say.short_day(shown.date())}, {shown:%H:%M}"


def sorry(error: HTTPException) -> ResponseReturnValue:
    """A page in plain words for an error, without anything of the error itself; what staff had written is on it."""
    code = error.code or 500
    words = {
        400: (
            gettext("That did not work"),
            gettext("Something was missing in what was sent. Please go back and try again."),
        ),
        401: (
            gettext("You had been signed out"),
            gettext("Nothing of it was taken in. Please copy what you had written, and sign in again."),
        ),
        403: (gettext("This is not for your account"), _whom_to_ask()),
        404: (gettext("There is nothing here"), gettext("The address may have been cut short or mistyped.")),
        405: (
            gettext("There is nothing to look at here"),
            gettext("This address only takes what a form sends. Nothing was changed."),
        ),
        409: (gettext("This is only read"), gettext("The patient was erased. Nothing was changed.")),
        413: (
            gettext("This is too large"),
            gettext("More was sent than is taken here at once; of a file, at most 2 MB. Nothing of it was kept."),
        ),
        429: (gettext("Too many tries"), gettext("Please wait a few minutes and try again.")),
    }
    title, text = words.get(
        code, (gettext("Something went wrong on our side"), gettext("Please try again in a few minutes."))
    )
    sent = {} if code == 413 else request.form  # what is too large is not read again
    written = [value for name, value in sent.items() if name in WRITTEN and value.strip()]
    staffs = request.path.startswith("/clinic")
    return render_template("errors/page.html", title=title, text=text, written=written, staffs=staffs), code


def _whom_to_ask() -> str:
    """By role, who of the clinic may do what this account may not."""
    lacks, say = g.get("lacks"), page_language()
    carry = [labels.label(say, role) for role, rights in ROLES.items() if lacks in rights]
    if carry:
        return str(gettext("Whose role carries it: %(roles)s. Please ask one of them.", roles=say.listed(carry)))
    if lacks is not None:
        return str(gettext("An administrator of your clinic can allow it for your account."))
    return str(gettext("Another member of staff can open it."))


def no_room() -> str:
    """Why nothing is kept, on a full disk."""
    words: str = gettext("There is no room left to keep anything.")
    return words


def not_saved(trouble: Trouble | None) -> ResponseReturnValue:
    """A page for when the database cannot take anything: what was typed is on it, with a button to send it again.

    A secret is not put into a page.
    """
    status = problems.status_of(trouble)
    headers = {"Retry-After": problems.RETRY_AFTER_SECONDS}
    why = no_room() if trouble is Trouble.FULL else ""
    if request.method != "POST":
        title, text = gettext("Not at the moment"), gettext("Please try again in a few minutes.")
        return render_template("errors/page.html", title=title, text=f"{why} {text}".strip()), status, headers
    title = gettext("Not saved yet")
    if request.blueprint in WITH_PASSWORDS or request.files:
        text = gettext("Please go back and try again in a few minutes.")
        return render_template("errors/page.html", title=title, text=f"{why} {text}".strip()), status, headers
    text = gettext("Nothing you typed is lost: it is still on this page. Please wait a moment and press the button.")
    shown = render_template(
        "errors/again.html",
        title=title,
        text=f"{why} {text}".strip(),
        path=request.full_path.rstrip("?"),
        sent=list(request.form.items(multi=True)),
    )
    return shown, status, headers


def _spoken(make: Callable[..., Any]) -> Callable[..., Any]:
    """A filter that makes words of what it is given, in the page's language."""

    def made(value: Any, *more: Any) -> Any:
        return make(page_language(), value, *more)

    return made


def _strip(say: Language, known: Summary, adjusted_on: Sequence[date]) -> Markup:
    # The strip is made of numbers and of text it has escaped itself.
    drawn = strip.svg(say, known.strip, strip.lines_of(known, adjusted_on))
    return Markup(drawn)  # noqa: S704


def _language() -> str:
    if "language" in g:
        return str(g.language)
    staff = g.get("staff_now")
    if staff is not None and staff.language in staff_codes():
        return str(staff.language)
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
