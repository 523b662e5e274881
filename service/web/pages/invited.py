"""The pages that the link of an invitation opens: what is asked and why, what somebody agrees to, how to reach them.

Promises that whoever finds the paper reads nothing of anybody: a question that the right person can answer stands
before all else, and a few wrong answers close it; that opening a page changes nothing; that it works without script,
in the reader's language, at their own pace, since every step is kept; and that no is as easy to say as yes.
Who has answered at the door is known again for a while by a signed cookie of this browser.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from functools import wraps
from typing import Any

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from itsdangerous import BadSignature, URLSafeSerializer
from sqlalchemy.orm import Session

from service.accounts import throttle
from service.domain.localtime import local_date
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, InvitationState, LinkPurpose
from service.enrolling import invited, people
from service.enrolling.invited import HelperSaid
from service.keyring import KeyFor
from service.links import Link
from service.store.audit import Act
from service.store.session import write_session
from service.store.tables import Clinic, Invitation
from service.web import forms
from service.web.auth import cookie_name, origin
from service.web.frame import page_language
from service.web.pages.opening import LinkClosed, open_link, with_objects
from service.web.services import services
from service.words import countries
from service.words.language import codes, load_language

blueprint = Blueprint("invited", __name__, url_prefix="/i")
EARLIEST_YEAR = 1880
KNOWN_FOR = timedelta(hours=1)  # after the last page that was opened; our own number
ALIVE = frozenset({InvitationState.OPEN, InvitationState.ANSWERED, InvitationState.DECLINED, InvitationState.ENROLLED})
Inside = Callable[..., ResponseReturnValue]


@dataclass(frozen=True)
class InvitedPage:
    """What a link opens: an invitation, and who invites."""

    invitation: Invitation
    clinic: Clinic

    @property
    def language(self) -> str:
        return self.invitation.language

    @property
    def takes_part(self) -> bool:
        return self.invitation.state in ALIVE and self.invitation.wrong_tries < invited.MOST_WRONG

    @property
    def is_open(self) -> bool:
        return self.invitation.state is InvitationState.OPEN


@dataclass(frozen=True)
class StepFilled:
    """A form as it was sent or kept, and what is wrong with it: field → a sentence for the person."""

    typed: Mapping[str, Any]
    problems: Mapping[str, str] = field(default_factory=dict)


def inside(view: Inside) -> Inside:
    """A page behind the door: whoever has not answered there is led to it."""

    @wraps(view)
    def guarded(token: str, **where: str) -> ResponseReturnValue:
        asked = _open(token)
        if not _is_known(asked.invitation.id):
            return redirect(url_for("invited.door", token=token), 303)
        return _remembering(make_response(view(token, asked, **where)), asked.invitation.id)

    return guarded


# --- the door --------------------------------------------------------------------------------


@blueprint.get("/<token>")
def door(token: str) -> ResponseReturnValue:
    """Who asks, and the question that only the right person can answer; for who has answered it, where they were."""
    asked = _open(token)
    if _is_known(asked.invitation.id):
        return _to(token, "read")
    return _door(token, asked)


@blueprint.post("/<token>")
def knock(token: str) -> ResponseReturnValue:
    """Open the door, or count a wrong answer."""
    asked, now = _open(token), services().door_clock.now()
    try:
        born_on = _born_on()
    except ValueError:
        return _door(
            token, asked, gettext("Please write the day, the month and the year as numbers, all four of the year.")
        ), 422
    with write_session(services().engine) as session:
        act, invitation = _held(session, asked)
        place = throttle.place_of_link(origin(), invitation.id)
        if throttle.wait_of(session, place, now):
            return _door(token, asked, gettext("Please wait a little before you try again.")), 429
        knows = invitation.wrong_tries < invited.MOST_WRONG and invited.knows(
            invitation, born_on, forms.text("clinic_ref")
        )
        if not knows:
            throttle.count_failure(session, place, now)
            invited.count_wrong(act, invitation)
    if not knows:
        _open(token)  # that may have been the last one
        return _door(token, asked, gettext("That is not what the clinic has. Please look at it again.")), 422
    return _remembering(make_response(_to(token, "read")), asked.invitation.id)


@blueprint.post("/<token>/language")
def speak(token: str) -> ResponseReturnValue:
    """Go on in another language."""
    asked = _open(token)
    if asked.is_open and forms.text("language") in codes():
        with write_session(services().engine) as session:
            act, invitation = _held(session, asked)
            invited.speak(act, invitation, forms.text("language"))
    return redirect(url_for("invited.door", token=token), 303)


# --- behind it -------------------------------------------------------------------------------


@blueprint.get("/<token>/<any(read, agree, reach, helper, check, no, end):step>")
@inside
def page(token: str, asked: InvitedPage, step: str) -> ResponseReturnValue:
    """One step, with what was chosen before; or how it ended."""
    if asked.is_open is (step == "end"):
        return _to(token, "read" if asked.is_open else "end")
    if step == "check" and (lacking := invited.missing(asked.invitation)) is not None:
        return _to(token, lacking)
    return _step(token, asked, step, StepFilled(_kept(asked, step)))


@blueprint.post("/<token>/<any(agree, reach, helper):step>")
@inside
def choose(token: str, asked: InvitedPage, step: str) -> ResponseReturnValue:
    """Keep what was chosen at a step, and go on; or show it again with what is wrong."""
    if not asked.is_open:
        return _to(token, "end")
    typed = {name: given for name, given in request.form.items() if len(given) <= 400}
    if step == "agree" and typed.get("messages") == "no":
        return _to(token, "no")
    try:
        with write_session(services().engine) as session:
            act, invitation = _held(session, asked)
            CHOOSES[step](act, invitation, typed)
            following = invited.missing(invitation) or "check"
    except Refused as refused:
        return _step(token, asked, step, StepFilled(typed, {refused.field: _sentence(refused)})), 422
    return _to(token, following)


@blueprint.post("/<token>/code")
@inside
def code(token: str, asked: InvitedPage) -> ResponseReturnValue:
    """Send a code to the address they chose; or take the one that they read there."""
    if not asked.is_open or invited.missing(asked.invitation) is not None:
        return _to(token, "check")
    with write_session(services().engine) as session:
        act, invitation = _held(session, asked)
        try:
            if forms.text("do") == "send":
                invited.send_code(act, invitation)
                return _to(token, "check", "code")
            is_right = invited.enter_code(act, invitation, forms.text("code")[:40])
        except Refused as refused:
            problem = {"code": _sentence(refused)}
        else:
            if is_right:
                return _to(token, "check", "code")
            problem = {"code": gettext("That is not the code, or it is too old. You can have another one.")}
    return _step(token, _open(token), "check", StepFilled({}, problem)), 422


@blueprint.post("/<token>/check")
@inside
def send(token: str, asked: InvitedPage) -> ResponseReturnValue:
    """Send it all to the clinic."""
    return _done(token, asked, invited.send)


@blueprint.post("/<token>/no")
@inside
def decline(token: str, asked: InvitedPage) -> ResponseReturnValue:
    """Say no. The clinic is told, and nobody asks why."""
    return _done(token, asked, invited.decline)


@blueprint.post("/<token>/back")
@inside
def take_back(token: str, asked: InvitedPage) -> ResponseReturnValue:
    """Go on after an answer or a no: it counts no more."""
    return _done(token, asked, invited.take_back)


# --- helpers ---------------------------------------------------------------------------------


def _open(token: str) -> InvitedPage:
    """Raises LinkClosed for one that is over, whatever the reason."""
    asked = open_link(token, LinkPurpose.INVITATION, _load, even_if_over=True)
    is_over = asked.invitation.until <= services().clock.now()
    if is_over and asked.invitation.state is not InvitationState.ENROLLED:
        raise LinkClosed(
            gettext("This invitation has run out"),
            gettext("If you would like another one, please call the clinic."),
            asked.clinic,
            410,
        )
    return asked


@with_objects
def _load(session: Session, link: Link) -> InvitedPage | None:
    if link.invitation_id is None:
        return None
    invitation = session.get_one(Invitation, link.invitation_id)
    return InvitedPage(invitation, session.get_one(Clinic, invitation.clinic_id))


def _held(session: Session, asked: InvitedPage) -> tuple[Act, Invitation]:
    """The invitation in a writing transaction: nobody else changes it meanwhile."""
    invitation = session.get_one(Invitation, asked.invitation.id, with_for_update=True)
    return invited.act_by(session, invitation, services().clock.now()), invitation


def _done(token: str, asked: InvitedPage, what: Callable[[Act, Invitation], None]) -> ResponseReturnValue:
    try:
        with write_session(services().engine) as session:
            what(*_held(session, asked))
    except Refused:
        pass  # it was said already, or is not whole: the page that this leads to shows how it stands
    return redirect(url_for("invited.page", token=token, step="check" if what is invited.send else "end"), 303)


def _to(token: str, step: str, anchor: str | None = None) -> ResponseReturnValue:
    return redirect(url_for("invited.page", token=token, step=step, _anchor=anchor), 303)


def _door(token: str, asked: InvitedPage, problem: str = "") -> str:
    return render_template(
        "invited/door.html",
        token=token,
        clinic=asked.clinic,
        problem=problem,
        by_number=asked.invitation.born_on is None,
        typed=request.form,
        languages=_languages(asked),
    )


def _step(token: str, asked: InvitedPage, step: str, filled: StepFilled) -> str:
    clinic, invitation, now = asked.clinic, asked.invitation, services().clock.now()
    region = people.region_of(clinic)
    return render_template(
        f"invited/{step}.html",
        token=token,
        clinic=clinic,
        invitation=invitation,
        filled=filled,
        until=local_date(invitation.until, clinic.zone),
        languages=_languages(asked),
        channels=invited.channels_offered(services().transports.keys()),
        hours=invited.hours_offered(clinic),
        country=countries.name(page_language(), region) if region else "",
        chosen=invited.said(invitation) if invited.missing(invitation) is None else None,
        code_is_out=_code_is_out(invitation, now),
        may_have_code=invitation.codes_sent < invited.MOST_CODES,
    )


def _code_is_out(invitation: Invitation, now: datetime) -> bool:
    is_for_it = invitation.code_to == (invitation.said.get("reach") or {}).get("address")
    return bool(invitation.code_hash and is_for_it and invitation.code_until and invitation.code_until > now)


def _kept(asked: InvitedPage, step: str) -> Mapping[str, Any]:
    """What stands in the form of a step: what was chosen before, or what the clinic begins with."""
    invitation = asked.invitation
    said: Mapping[str, Mapping[str, Any]] = invitation.said
    if step == "agree":
        return {"messages": "yes"} if "agree" in said else {}
    if step == "reach":
        start = {"channel": "text", "address": invitation.number or "", "opens": f"{asked.clinic.start_opens:%H:%M}"}
        return said.get("reach", start)
    if step == "helper" and "helper" in said:
        helper = said["helper"]
        told = {name: "yes" if helper.get(name) else "no" for name in ("told", "sees")}
        return {**helper, **told, "is_there": "yes"} if helper else {"is_there": "no"}
    return {}


def _languages(asked: InvitedPage) -> list[tuple[str, str]]:
    """The other languages there are, each in its own words."""
    if not asked.is_open:
        return []
    return [(one, load_language(one).own_name) for one in codes() if one != asked.language]


def _born_on() -> date | None:
    """The date of birth that was typed; None where the question is another. Raises ValueError."""
    given = [forms.text(name).strip() for name in ("day", "month", "year")]
    if not any(given):
        if "day" in request.form:
            raise ValueError
        return None
    day, month, year = (int(one) if one.isascii() and len(one) <= 4 else 0 for one in given)
    if year < EARLIEST_YEAR:  # two digits of it, perhaps: not a wrong answer, but none
        raise ValueError
    return date(year, month, day)


def _choose_agree(act: Act, invitation: Invitation, typed: Mapping[str, str]) -> None:
    if typed.get("messages") != "yes":
        raise Refused("messages", typed.get("messages"), "one of the list")
    invited.agree(act, invitation)


def _choose_reach(act: Act, invitation: Invitation, typed: Mapping[str, str]) -> None:
    try:
        channel = Channel(typed.get("channel", Channel.TEXT.value))
    except ValueError:
        raise Refused("channel", typed.get("channel"), "one of the list") from None
    try:
        opens = time.fromisoformat(typed.get("opens", ""))
    except ValueError:
        raise Refused("opens", typed.get("opens"), "one of the list") from None
    invited.choose_reach(act, invitation, channel, typed.get("address", ""), opens, services().transports.keys())


def _choose_helper(act: Act, invitation: Invitation, typed: Mapping[str, str]) -> None:
    if typed.get("is_there") not in {"yes", "no"}:
        raise Refused("is_there", typed.get("is_there"), "one of the list")
    if typed["is_there"] == "no":
        return invited.choose_helper(act, invitation, None)
    for name in ("told", "sees"):
        if typed.get(name) not in {"yes", "no"}:
            raise Refused(name, typed.get(name), "one of the list")
    helper = HelperSaid(
        typed.get("name", ""),
        typed.get("relation", ""),
        typed.get("address", ""),
        typed["told"] == "yes",
        typed["sees"] == "yes",
    )
    return invited.choose_helper(act, invitation, helper)


CHOOSES: Mapping[str, Callable[[Act, Invitation, Mapping[str, str]], None]] = {
    "agree": _choose_agree,
    "reach": _choose_reach,
    "helper": _choose_helper,
}


def _sentence(refused: Refused) -> str:
    """What would have been taken, for somebody who does not know our words."""
    match refused.field:
        case "address" if "@" in str(refused.value) or request.form.get("channel") == Channel.EMAIL:
            words: str = gettext("Please look at the e-mail address again.")
        case "address":
            words = gettext("Please look at the number again. From another country, begin it with + and its code.")
        case "name":
            words = gettext("Please write their name.")
        case "relation":
            words = gettext("Please keep it to a few words.")
        case "code":
            words = gettext("No more codes can be sent there. You can go on without one.")
        case _:
            words = gettext("Please choose one of the answers.")
    return words


# --- who has answered at the door ------------------------------------------------------------


def _cookie() -> str:
    return f"{cookie_name(services().settings.base_url)}-invited"


def _signer() -> URLSafeSerializer:
    return services().settings.keys.signer(KeyFor.INVITED)


def _is_known(invitation_id: uuid.UUID) -> bool:
    try:
        whose, at = _signer().loads(request.cookies.get(_cookie(), ""))
    except (BadSignature, TypeError, ValueError):
        return False
    since = services().door_clock.now().timestamp() - at
    return bool(whose == invitation_id.hex and 0 <= since <= KNOWN_FOR.total_seconds())


def _remembering(response: Response, invitation_id: uuid.UUID) -> Response:
    value = _signer().dumps([invitation_id.hex, services().door_clock.now().timestamp()])
    is_https = services().settings.base_url.startswith("https://")
    response.set_cookie(_cookie(), value, KNOWN_FOR, httponly=True, samesite="Lax", secure=is_https)
    return response
