"""Recheck what was claimed, and stamp the hand-over of what may go.

Promises that what is no longer wanted, agreed to or true is settled here with its
reason; that several messages to one person become one; and that a message which
cannot be understood or worded is set aside alone. Calls no provider.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import structlog
from sqlalchemy import Engine, update
from sqlalchemy.orm import Session

from service.delivery import settling
from service.delivery.facts import MessageFacts, load
from service.delivery.settling import held
from service.domain.sending import ANSWERS, TO_STAFF, Ready, SendAction, SendReason, Verdict, bundle, recheck
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageState
from service.store import outbox
from service.store.due import LEASE
from service.store.guarded import Tally, guarded
from service.store.quarantine import describe_error, quarantine
from service.store.session import write_session
from service.store.tables import Message
from service.transports.base import OutgoingText, Transport, hears_replies
from service.words import messages
from service.words.language import load_language

log = structlog.get_logger(__name__)

LinkMaker = Callable[[MessageFacts], str]


@dataclass
class Stamped:
    """What may be handed over now, worded and addressed; and what became of the rest."""

    ready: list[tuple[MessageFacts, OutgoingText]] = field(default_factory=list)
    stopped: Tally = field(default_factory=Tally)


def stamp(
    engine: Engine,
    token: uuid.UUID,
    links: LinkMaker,
    channels: Mapping[Channel, Transport],
    now: datetime,
    before_commit: Callable[[], None] = lambda: None,
) -> Stamped:
    """Everything claimed under `token`, in one transaction; one by one when the database refuses the whole."""
    claimed: list[uuid.UUID] = []

    def whole(session: Session) -> Stamped:
        claimed.extend(held(session, token, MessageState.CLAIMED))
        stamped = _stamp(session, token, claimed, links, channels, now)
        before_commit()
        return stamped

    def alone(session: Session, message_id: uuid.UUID) -> Stamped:
        mine = held(session, token, MessageState.CLAIMED) & {message_id}
        return _stamp(session, token, mine, links, channels, now)

    outcome = guarded(engine, claimed, whole=whole, alone=alone)
    for message_id, error in outcome.failed:
        with write_session(engine) as session:
            set_aside(session, message_id, error, now)
    stamped = Stamped(stopped=Tally(quarantined=len(outcome.failed)))
    for part in outcome.done:
        stamped.ready += part.ready
        stamped.stopped += part.stopped
    return stamped


def set_aside(session: Session, message_id: uuid.UUID, error: Exception, now: datetime) -> None:
    """A message whose handling failed unexpectedly: never tried again in a loop, and reported."""
    settling.settle(session, message_id, MessageState.FAILED, "set_aside", now)
    quarantine(session, ("message", message_id), error, now)


def _stamp(
    session: Session,
    token: uuid.UUID,
    mine: Collection[uuid.UUID],
    links: LinkMaker,
    channels: Mapping[Channel, Transport],
    now: datetime,
) -> Stamped:
    stamped = Stamped()
    loaded = load(session, mine)
    for message_id, error in loaded.failed:
        set_aside(session, message_id, error, now)
    may_go = []
    for facts in loaded.facts:
        look = replace(facts.last_look, channel_is_set_up=facts.channel in channels)
        verdict = recheck(look, now)
        if verdict.action is SendAction.GO:
            may_go.append(_wordable(session, replace(facts, last_look=look), now))
        else:
            _stop(session, facts, verdict, now)
            stamped.stopped += Tally(passed=1)
    # What cannot wait is carried by nothing else: it says so itself.
    alike = [facts for facts in may_go if not facts.last_look.cannot_wait]
    carried = bundle([Ready(facts.id, facts.contact_id, facts.kind, facts.expires_at) for facts in alike])
    unworded = 0
    for facts in may_go:
        if (by := carried.get(facts.id)) is not None:
            settling.settle(session, facts.id, MessageState.CANCELLED, "bundled", now, detail=f"carried by {by}")
            stamped.stopped += Tally(passed=1)
            continue
        try:
            stamped.ready.append((facts, _word(facts, links, channels[facts.channel])))
        except Exception as error:
            # A message that cannot be worded is set aside and said so; the others go on.
            log.exception("message could not be worded", message=str(facts.id))
            settling.fail_unworded(session, facts, describe_error(error), now)
            unworded += 1
    stamped.stopped += Tally(quarantined=unworded + len(loaded.failed))
    if stamped.ready:
        ids = [facts.id for facts, _ in stamped.ready]
        session.execute(
            update(Message)
            .where(Message.id.in_(ids), Message.claim_token == token, Message.state == MessageState.CLAIMED)
            .values(
                state=MessageState.HANDING_OVER,
                handed_over_at=now,
                attempts=Message.attempts + 1,
                lease_until=now + LEASE,
            )
            .execution_options(synchronize_session=False)
        )
        outbox.note_events(session, [(message_id, "handing_over", "") for message_id in ids], now)
    return stamped


def _stop(session: Session, facts: MessageFacts, verdict: Verdict, now: datetime) -> None:
    why = verdict.why.value
    if verdict.action is SendAction.DEFER and verdict.until is not None:
        settling.queue_again(session, facts.id, why, verdict.until, now)
    elif verdict.action is SendAction.REROUTE:
        settling.settle(session, facts.id, MessageState.FAILED, why, now)
        if verdict.why is SendReason.CHANNEL_NOT_SET_UP:
            settling.tell_not_set_up(session, facts, now)
        settling.try_next_contact(session, facts, now)
    elif verdict.action is SendAction.EXPIRE:
        settling.settle(session, facts.id, MessageState.EXPIRED, why, now)
    else:
        settling.settle(session, facts.id, MessageState.CANCELLED, why, now)


def _wordable(session: Session, facts: MessageFacts, now: datetime) -> MessageFacts:
    """Answers, and what tells staff, do not wait until a clinic's wording is mended: our own is used."""
    if facts.own_wording is not None and facts.kind in ANSWERS | TO_STAFF:
        try:
            messages.checked_wording(facts.own_wording, facts.kind)
        except Refused as refused:
            log.error("wording cannot be used", message=str(facts.id), error=describe_error(refused))
            settling.tell_unworded(session, facts, now)
            return replace(facts, own_wording=None)
    return facts


def _word(facts: MessageFacts, links: LinkMaker, transport: Transport) -> OutgoingText:
    values = {
        "sender": facts.sender,
        "number": facts.emergency_number,
        "phone": facts.contact_line,
        "link": "",
        **{name: str(value) for name, value in facts.params.items()},
    }
    language = load_language(facts.language)
    body = facts.own_wording or messages.wording(language, facts.kind)
    if "{link}" in body:
        values["link"] = links(facts)
    is_notice = facts.channel is Channel.WEBPUSH
    if is_notice:
        said = messages.notice(language, facts.kind, facts.own_wording, values)
    elif facts.own_wording is not None:
        said = messages.render(body, facts.kind, values)
    else:
        hears, asks = hears_replies(transport), facts.params.get("asks", ())
        urgent = facts.last_look.cannot_wait
        said = messages.written(language, facts.kind, values, hears_replies=hears, asks=asks, cannot_wait=urgent)
    return OutgoingText(
        message_id=facts.id,
        to=facts.address,
        body=said,
        subject=facts.sender,
        secret=facts.secret,
        lasts_until=facts.expires_at,
        link=values["link"] if is_notice else "",
    )
