"""Recheck what was claimed; and stamp, a few at a time, the hand-over of what may go.

Promises that what is no longer wanted, agreed to or true is settled here with its
reason; that several messages to one person become one; that a message which
cannot be understood or worded is set aside alone; that only what is still claimed
is rechecked; and that one id at a provider is one text to one address: where another try
would say something else, or go elsewhere, because staff have changed it meanwhile, it is
another message. Calls no provider.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import structlog
from sqlalchemy import Engine, case, select, update
from sqlalchemy.orm import Session

from service.care import contacts
from service.delivery import settling
from service.delivery.facts import MessageFacts, load
from service.delivery.settling import held
from service.domain.sending import ANSWERS, TO_STAFF, Ready, SendAction, SendReason, Verdict, bundle, recheck
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, MessageKind, MessageState
from service.store import outbox
from service.store.due import LEASE
from service.store.guarded import Tally, guarded
from service.store.quarantine import describe_error, quarantine
from service.store.session import is_away, write_session
from service.store.tables import Message
from service.transports.base import NOT_SET_UP, OutgoingText, Transport, hears_replies
from service.words import messages
from service.words.language import load_language

log = structlog.get_logger(__name__)

LinkMaker = Callable[[Session, MessageFacts, datetime], str]  # the message's link, kept in the same transaction


@dataclass
class Rechecked:
    """What may be handed over now, worded and addressed; and what became of the rest."""

    ready: list[tuple[MessageFacts, OutgoingText]] = field(default_factory=list)
    stopped: Tally = field(default_factory=Tally)


def recheck_claimed(
    engine: Engine,
    token: uuid.UUID,
    claimed: Collection[uuid.UUID],
    links: LinkMaker,
    channels: Mapping[Channel, Transport],
    now: datetime,
    before_commit: Callable[[], None] = lambda: None,
) -> Rechecked:
    """What was claimed under `token`, in one transaction; one by one when the database refuses the whole."""

    def whole(session: Session) -> Rechecked:
        rechecked = _recheck(session, held(session, token, claimed, MessageState.CLAIMED), links, channels, now)
        before_commit()
        return rechecked

    def alone(session: Session, message_id: uuid.UUID) -> Rechecked:
        return _recheck(session, held(session, token, [message_id], MessageState.CLAIMED), links, channels, now)

    outcome = guarded(engine, claimed, kind="message", whole=whole, alone=alone)
    for message_id, error in outcome.failed:
        with write_session(engine) as session:
            set_aside(session, message_id, error, now)
    rechecked = Rechecked(stopped=Tally(quarantined=len(outcome.failed)))
    for part in outcome.done:
        rechecked.ready += part.ready
        rechecked.stopped += part.stopped
    return rechecked


def set_aside(session: Session, message_id: uuid.UUID, error: Exception, now: datetime) -> None:
    """A message whose handling failed unexpectedly: never tried again in a loop, and reported."""
    settling.settle(session, message_id, MessageState.FAILED, "set_aside", now)
    quarantine(session, ("message", message_id), error, now)


def _recheck(
    session: Session,
    mine: Collection[uuid.UUID],
    links: LinkMaker,
    channels: Mapping[Channel, Transport],
    now: datetime,
) -> Rechecked:
    rechecked = Rechecked()
    loaded = load(session, mine)
    for message_id, error in loaded.failed:
        set_aside(session, message_id, error, now)
    may_go: list[MessageFacts] = []
    missing: set[tuple[uuid.UUID, Channel]] = set()
    for facts in loaded.facts:
        look = replace(facts.last_look, channel_is_set_up=facts.channel in channels)
        verdict = recheck(look, now)
        if verdict.action is SendAction.GO:
            may_go.append(_wordable(session, replace(facts, last_look=look), now))
            continue
        _stop(session, facts, verdict, now)
        rechecked.stopped += Tally(passed=1)
        if verdict.why is SendReason.CHANNEL_NOT_SET_UP:
            missing.add((facts.clinic_id, facts.channel))
    for clinic_id, channel in sorted(missing):
        settling.tell_not_set_up(session, clinic_id, channel, now)
    # What cannot wait is carried by nothing else: it says so itself.
    alike = [facts for facts in may_go if not facts.last_look.cannot_wait]
    carried = bundle([Ready(facts.id, facts.contact_id, facts.kind, facts.expires_at) for facts in alike])
    unworded = 0
    for facts in may_go:
        if (by := carried.get(facts.id)) is not None:
            settling.settle(session, facts.id, MessageState.CANCELLED, "bundled", now, detail=f"carried by {by}")
            rechecked.stopped += Tally(passed=1)
            continue
        try:
            text = _word(session, facts, links, channels[facts.channel], now)
        except Exception as error:
            if is_away(error):  # its link is written: no wording is to blame
                raise
            # A message that cannot be worded is set aside and said so; the others go on.
            log.exception("message could not be worded", message=str(facts.id))
            settling.fail_unworded(session, facts, describe_error(error), now)
            unworded += 1
            continue
        said = outbox.digest(text.to, text.line, text.subject, text.body, text.link)
        if facts.attempts > 0 and facts.said != said:
            settling.say_otherwise(session, facts, now)
            rechecked.stopped += Tally(passed=1)
        else:
            rechecked.ready.append((replace(facts, said=said), text))
    rechecked.stopped += Tally(quarantined=unworded + len(loaded.failed))
    return rechecked


def stamp(session: Session, token: uuid.UUID, some: Sequence[MessageFacts], now: datetime) -> Collection[uuid.UUID]:
    """Stamp the hand-over of these, just before their calls. Returns those that were still claimed under `token`."""
    ours = (
        Message.id.in_([facts.id for facts in some]),
        Message.claim_token == token,
        Message.state
        == MessageState.CLAIMED,  # else what asked for it has been answered meanwhile, or it was cancelled
    )
    stamped = session.execute(
        update(Message)
        # Locked in one order, as whoever cancels several does.
        .where(*ours, Message.id.in_(select(Message.id).where(*ours).order_by(Message.id).with_for_update()))
        .values(
            state=MessageState.HANDING_OVER,
            handed_over_at=now,
            attempts=Message.attempts + 1,
            lease_until=now + LEASE,
            said=case(*[(Message.id == facts.id, facts.said) for facts in some]),
        )
        .returning(Message.clinic_id, Message.id)
    ).all()
    outbox.note_events(session, [outbox.HistoryLine(*which, "handing_over") for which in stamped], now)
    ids = {message_id for _, message_id in stamped}
    contacts.introduce(session, {facts.contact_id: facts.id for facts in some if facts.introduces and facts.id in ids})
    return ids


def _stop(session: Session, facts: MessageFacts, verdict: Verdict, now: datetime) -> None:
    why = verdict.why.value
    if verdict.action is SendAction.DEFER and verdict.until is not None:
        settling.defer(session, facts, why, verdict.until, now)
    elif verdict.action is SendAction.REROUTE:
        named = NOT_SET_UP[facts.channel] if verdict.why is SendReason.CHANNEL_NOT_SET_UP else ""
        settling.settle(session, facts.id, MessageState.FAILED, why, now, detail=named)
        settling.try_next_contact(session, facts, now)
    elif verdict.action is SendAction.EXPIRE:
        settling.expire(session, facts, why, now)
    elif verdict.why is SendReason.CONSENT_IN_DOUBT:
        settling.stop_doubted(session, facts, why, now)
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


def _word(session: Session, facts: MessageFacts, links: LinkMaker, transport: Transport, now: datetime) -> OutgoingText:
    values = {
        "sender": facts.sender,
        "number": facts.emergency_number,
        "phone": facts.contact_line,
        "link": "",
        **{name: str(value) for name, value in facts.params.items()},
    }
    language = load_language(facts.language)
    asks = facts.params.get("asks", ())
    greets_at = facts.greets_at or now
    values |= messages.of_the_day(language, asks, greets_at.astimezone(facts.last_look.zone).time())
    body = facts.own_wording or messages.wording(language, facts.kind)
    if "{link}" in body:
        values["link"] = links(session, facts, now)
    is_notice = facts.channel is Channel.WEBPUSH
    if is_notice:
        said = messages.notice(language, facts.kind, facts.own_wording, values)
    elif facts.own_wording is not None:
        said = messages.render(body, facts.kind, values)
    else:
        hears = hears_replies(transport)
        urgent = facts.last_look.cannot_wait
        said = messages.written(language, facts.kind, values, hears_replies=hears, asks=asks, cannot_wait=urgent)
    if facts.introduces:
        kind = facts.kind if facts.caregiver_id is None else MessageKind.NUDGE  # what a caregiver agreed to
        said = f"{messages.introduction(language, kind, values)}\n{said}"
    return OutgoingText(
        message_id=facts.id,
        to=facts.address,
        body=said,
        subject=facts.sender,
        secret=facts.secret,
        lasts_until=facts.expires_at,
        link=values["link"] if is_notice else "",
        line=facts.line,
    )
