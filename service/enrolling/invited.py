"""A patient invited to read, choose and agree by themselves: what they do on the page that their link opens.

Promises that nothing of the person is told before the question at the door was answered, that few wrong answers
close it, that what was chosen is kept from step to step until it is sent or refused, that each purpose is agreed to
apart, and that a caregiver who is named is written to only once they have agreed themselves, to staff. Saying no is
an end like any other, and either answer can be taken back until staff have confirmed.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.care.tasks import close_tasks, raise_task
from service.domain import validation
from service.domain.sending import INVITATION
from service.domain.tasks import InvitationTold, InvitedOutcome
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, Channel, ContactState, InvitationState, MessageKind, TaskSettled
from service.enrolling import people
from service.store import outbox
from service.store.audit import Act, Actor
from service.store.tables import Clinic, Invitation, LinkKey, Task
from service.store.types import begins
from service.words.language import checked_language, load_language
from service.words.messages import line_code

# Our own numbers; no source. NIST SP 800-63B-4 asks for a limit on guesses at a secret of few values.
MOST_WRONG = 10
MOST_CODES, MOST_CODE_TRIES = 5, 5
CODE_LASTS = timedelta(minutes=15)
EARLIEST, LATEST = time(6), time(21)  # outside, a prompt is one of the night (`plans.set_plan`)
HALF_AN_HOUR = 30
INVITED = Actor(ActorKind.PATIENT)  # who they are is known once they are enrolled
STEPS = ("agree", "reach", "helper")  # those at which something is chosen, in order


@dataclass(frozen=True)
class HelperSaid:
    """The caregiver who was named: `told` of a missed reading, and `sees` values, each agreed to apart."""

    name: str
    relation: str
    address: str
    told: bool
    sees: bool


@dataclass(frozen=True)
class Chosen:
    """All that was chosen."""

    channel: Channel
    address: str
    opens: time
    helper: HelperSaid | None


def act_by(session: Session, invitation: Invitation, now: datetime) -> Act:
    """What whoever was invited does."""
    return Act(session, INVITED, invitation.clinic_id, now)


def knows(invitation: Invitation, born_on: date | None, clinic_ref: str) -> bool:
    """Whether the question at the door is answered rightly."""
    if invitation.born_on is not None:
        return born_on == invitation.born_on
    return _bare(clinic_ref) == _bare(invitation.clinic_ref or "") != ""


def count_wrong(act: Act, invitation: Invitation) -> None:
    """Count a wrong answer at the door. The last one that is taken closes it for good, and staff are told."""
    act.session.refresh(invitation, with_for_update=True)
    invitation.wrong_tries += 1
    act.session.flush()
    act.note("invitation.wrong_try", invitation)
    if invitation.wrong_tries >= MOST_WRONG and invitation.state is InvitationState.OPEN:
        end(act, invitation, InvitationState.LOCKED)
        tell(act, invitation, InvitedOutcome.LOCKED)
        act.note("invitation.lock", invitation)


def speak(act: Act, invitation: Invitation, language: str) -> None:
    """Go on in another language, messages too. Raises Refused."""
    invitation.language = checked_language("language", language)
    act.note("invitation.language", invitation)


def missing(invitation: Invitation) -> str | None:
    """The first step that is still to be filled in; None once all are."""
    return next((step for step in STEPS if step not in invitation.said), None)


def said(invitation: Invitation) -> Chosen:
    """What was chosen, once nothing is missing."""
    reach, helper = invitation.said["reach"], invitation.said["helper"]
    return Chosen(
        Channel(reach["channel"]),
        reach["address"],
        time.fromisoformat(reach["opens"]),
        HelperSaid(**helper) if helper else None,
    )


def agree(act: Act, invitation: Invitation) -> None:
    """They agree to be written to. (Who does not: `decline`.)"""
    _keep(act, invitation, "agree", {"messages": True})


def choose_reach(
    act: Act, invitation: Invitation, channel: Channel, address: str, opens: time, channels: Collection[Channel]
) -> None:
    """How and when they want to be asked. Raises Refused; `channels` are those that are set up."""
    clinic = act.session.get_one(Clinic, invitation.clinic_id)
    if channel not in channels_offered(channels):
        raise Refused("channel", channel.value, "one of the list")
    if opens not in hours_offered(clinic):
        raise Refused("opens", f"{opens:%H:%M}", "one of the list")
    kept = people.checked_address("address", channel, address.strip(), people.region_of(clinic))
    if kept != invitation.shown_to_read:
        invitation.shown_to_read = None
    reach = {"channel": channel.value, "address": kept, "opens": f"{opens:%H:%M}"}
    _keep(act, invitation, "reach", reach)


def choose_helper(act: Act, invitation: Invitation, helper: HelperSaid | None) -> None:
    """Who looks out for them; None is nobody. Raises Refused."""
    if helper is None:
        return _keep(act, invitation, "helper", {})
    clinic = act.session.get_one(Clinic, invitation.clinic_id)
    address = ""
    if helper.address.strip():
        address = people.checked_address("address", Channel.TEXT, helper.address.strip(), people.region_of(clinic))
    kept = {
        "name": validation.text("name", helper.name, longest=120),
        "relation": validation.text("relation", helper.relation, longest=40, shortest=0),
        "address": address,
        "told": helper.told,
        "sees": helper.sees,
    }
    return _keep(act, invitation, "helper", kept)


def send_code(act: Act, invitation: Invitation) -> None:
    """Send a code to the address they chose, as they asked just now. Raises Refused for one too many."""
    must_be_open(invitation, act.now)
    address, channel = invitation.said["reach"]["address"], Channel(invitation.said["reach"]["channel"])
    if invitation.codes_sent >= MOST_CODES:
        raise Refused("code", None, "no more than %(most)s codes", most=MOST_CODES)
    contact = contacts.of_nobody(act, channel, address)
    if contact.state is not ContactState.OK:
        raise Refused("code", None, "an address that takes messages")
    code = f"{secrets.randbelow(10**6):06d}"
    invitation.codes_sent += 1
    invitation.code_hash, invitation.code_to = _digest(invitation, code), address
    invitation.code_until, invitation.code_tries = act.now + CODE_LASTS, 0
    act.session.flush()
    outbox.enqueue(
        act.session,
        outbox.NewMessage(
            clinic_id=act.clinic_id,
            contact_id=contact.id,
            kind=MessageKind.REPLY,
            channel=channel,
            dedupe_key=f"invitation:{invitation.id}:code:{invitation.codes_sent}",
            due_at=act.now,
            expires_at=invitation.code_until,
            params={INVITATION: str(invitation.id), "text": line_code(load_language(invitation.language), code)},
        ),
        act.now,
    )
    act.note("invitation.code", invitation)


def enter_code(act: Act, invitation: Invitation, given: str) -> bool:
    """Whether it is the code that was sent to the address they chose; a few tries, and then another code."""
    act.session.refresh(invitation, with_for_update=True)
    must_be_open(invitation, act.now)
    is_out = invitation.code_until is not None and invitation.code_until > act.now
    if not is_out or invitation.code_hash is None or invitation.code_to != invitation.said["reach"]["address"]:
        return False
    invitation.code_tries += 1
    tried = _digest(invitation, "".join(sign for sign in given if sign.isascii() and sign.isdigit()))
    is_right = hmac.compare_digest(tried, invitation.code_hash)
    if is_right:
        invitation.shown_to_read = invitation.code_to
        act.note("invitation.number_shown", invitation)
    if is_right or invitation.code_tries >= MOST_CODE_TRIES:
        invitation.code_hash = None
    act.session.flush()
    return is_right


def send(act: Act, invitation: Invitation) -> None:
    """Send what was chosen to the clinic. Raises Refused while something is missing."""
    must_be_open(invitation, act.now)
    if (step := missing(invitation)) is not None:
        raise Refused(step, None, "something: it is needed")
    invitation.state, invitation.said_at = InvitationState.ANSWERED, act.now
    invitation.code_hash = None
    tell(act, invitation, InvitedOutcome.ANSWERED)
    act.note("invitation.answer", invitation)


def decline(act: Act, invitation: Invitation) -> None:
    """They said no; what they had chosen until then is not kept."""
    must_be_open(invitation, act.now)
    invitation.state, invitation.said_at, invitation.said = InvitationState.DECLINED, act.now, {}
    invitation.ended_at, invitation.code_hash = act.now, None
    tell(act, invitation, InvitedOutcome.DECLINED)
    act.note("invitation.decline", invitation)


def take_back(act: Act, invitation: Invitation) -> None:
    """Go on where an answer, or a no, was given: it counts no more. Raises Refused once staff have confirmed."""
    act.session.refresh(invitation, with_for_update=True)
    if invitation.state not in {InvitationState.ANSWERED, InvitationState.DECLINED} or invitation.until <= act.now:
        raise Refused("invitation", str(invitation.id), "an invitation that can still be answered")
    invitation.state, invitation.said_at, invitation.ended_at = InvitationState.OPEN, None, None
    act.session.flush()
    settle(act, invitation)
    act.note("invitation.take_back", invitation)


# --- what staff are told, and the end of it --------------------------------------------------


def tell(act: Act, invitation: Invitation, outcome: InvitedOutcome) -> None:
    """A task for staff; what they were told of it before says nothing more."""
    act.session.flush()
    settle(act, invitation)
    facts = InvitationTold(invitation.id, invitation.name, outcome)
    raised = select(func.count(Task.id)).where(begins(Task.dedupe_key, key(invitation)))
    occurrence = f"{key(invitation)}{outcome.value}:{act.session.scalar(raised)}"
    raise_task(act.session, act.clinic_id, None, facts, occurrence, act.now)


def settle(act: Act, invitation: Invitation) -> None:
    """Whatever staff were told of it is settled."""
    its = begins(Task.dedupe_key, key(invitation)) & (Task.clinic_id == act.clinic_id)
    close_tasks(act.session, its, TaskSettled.INVITATION_SETTLED, act.now, also_taken=True)


def end(act: Act, invitation: Invitation, state: InvitationState) -> None:
    """It can no longer be answered. Its links open nothing, but where it became an enrolment: there they tell so."""
    session = act.session
    invitation.state, invitation.ended_at = state, act.now
    invitation.code_hash = None
    session.flush()
    if state is not InvitationState.ENROLLED:
        of_it = update(LinkKey).where(LinkKey.invitation_id == invitation.id, LinkKey.revoked_at.is_(None))
        session.execute(of_it.values(revoked_at=act.now))
    outbox.cancel(session, outbox.keyed(key(invitation)), state.value, act.now)
    settle(act, invitation)


def must_be_open(invitation: Invitation, now: datetime) -> None:
    """Raises Refused where it can no longer be answered."""
    if invitation.state is not InvitationState.OPEN or invitation.until <= now:
        raise Refused("invitation", str(invitation.id), "an invitation that can still be answered")


def key(invitation: Invitation) -> str:
    """With what the keys of its tasks and messages begin."""
    return f"invitation:{invitation.id}:"


# --- what there is to choose from ------------------------------------------------------------


def channels_offered(channels: Collection[Channel]) -> list[Channel]:
    """What somebody may choose from: notices on a phone are set up later, on a page of their own."""
    return [one for one in (Channel.TEXT, Channel.EMAIL) if one in channels]


def hours_offered(clinic: Clinic) -> list[time]:
    """The hours at which somebody may wish to be asked: every half hour by day whose window, as long as the clinic's
    own, lies outside its quiet hours; and the hour that the clinic begins with."""
    offered = {clinic.start_opens}
    for minutes in range(_minutes(EARLIEST), _minutes(LATEST) + 1, HALF_AN_HOUR):
        opens = _wall(minutes)
        last = minutes + _minutes(clinic.start_closes) - _minutes(clinic.start_opens)
        if last < 24 * 60 and not (_is_quiet(clinic, opens) or _is_quiet(clinic, _wall(last))):
            offered.add(opens)
    return sorted(offered)


def window_from(clinic: Clinic, opens: time) -> tuple[time, time]:
    """When somebody asked at `opens` is reminded, and when their window ends: as long after as the clinic's own."""
    later = _minutes(opens) - _minutes(clinic.start_opens)
    return _wall(_minutes(clinic.start_due) + later), _wall(_minutes(clinic.start_closes) + later)


def _is_quiet(clinic: Clinic, wall: time) -> bool:
    start, end = clinic.quiet_from, clinic.quiet_until
    return start <= wall < end if start <= end else wall >= start or wall < end


def _minutes(wall: time) -> int:
    return wall.hour * 60 + wall.minute


def _wall(minutes: int) -> time:
    return time(*divmod(min(minutes, 24 * 60 - 1), 60))


def _keep(act: Act, invitation: Invitation, step: str, chosen: Mapping[str, Any]) -> None:
    must_be_open(invitation, act.now)
    invitation.said = {**invitation.said, step: dict(chosen)}
    act.session.flush()
    act.note("invitation.keep", invitation, step=step)


def _bare(ref: str) -> str:
    return "".join(sign for sign in ref.casefold() if sign.isalnum())


def _digest(invitation: Invitation, code: str) -> str:
    return hashlib.sha256(f"{invitation.id}:{code}".encode()).hexdigest()
