"""Messages of the whole clinic: what became of each, to try again or to cancel with a reason. Shows no text."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import func, select

from service.delivery import operating
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import MessageState
from service.store.audit import Act
from service.store.outbox import histories
from service.store.session import read_session
from service.store.tables import Caregiver, Message, MessageEvent, Patient, Staff
from service.web import forms, trail
from service.web.auth import own, own_clinic, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.pages.clinic.stretches import stretch_of
from service.web.services import services

blueprint = Blueprint("sent", __name__, url_prefix="/messages")
ON_A_PAGE = 50


@blueprint.get("")
@staff_only(Right.READ)
def page() -> ResponseReturnValue:
    """The newest messages, of one state where that is asked for, each with its history."""
    asked = request.args.get("state", "")
    state = MessageState(asked) if asked in set(MessageState) else None
    now = services().clock.now()
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        query = (
            select(Message, func.coalesce(Staff.name, Caregiver.name, Patient.name, ""))
            .outerjoin(Patient, Patient.id == Message.patient_id)
            .outerjoin(Caregiver, Caregiver.id == Message.caregiver_id)
            .outerjoin(Staff, Staff.id == Message.staff_id)
        )
        if state is not None:
            query = query.where(Message.state == state)
        shown = stretch_of(session, query, Message, Message.created_at, ON_A_PAGE)
        history: dict[uuid.UUID, list[MessageEvent]] = defaultdict(list)
        theirs = histories([message for message, _ in shown.rows])
        events = select(MessageEvent).where(theirs).order_by(MessageEvent.at, MessageEvent.id)
        for event in session.scalars(events):
            history[event.message_id].append(event)
    trail.of_many(len({message.patient_id for message, _ in shown.rows} - {None}))
    return render_template(
        "clinic/sent.html",
        messages=shown.rows,
        stretch=shown,
        history=history,
        states=list(MessageState),
        state=state,
        may_be_tried=[message.id for message, _ in shown.rows if _may_be_tried(message) and message.expires_at > now],
        may_be_cancelled=(MessageState.QUEUED, MessageState.CLAIMED),
        zone=clinic.zone,
    )


@blueprint.post("/<uuid:message_id>/retry")
@staff_only(Right.CARE)
def retry(message_id: uuid.UUID) -> ResponseReturnValue:
    """Queue it for now; it is rechecked like any other."""
    return _done(
        message_id,
        lambda act: operating.try_again(act.session, message_id, act.actor, act.now),
        gettext("It is tried again."),
    )


@blueprint.post("/<uuid:message_id>/cancel")
@staff_only(Right.CARE)
def cancel(message_id: uuid.UUID) -> ResponseReturnValue:
    """Cancel it, with the reason."""
    return _done(
        message_id,
        lambda act: operating.cancel(act.session, message_id, forms.text("reason"), act.actor, act.now),
        gettext("Cancelled."),
    )


def _done(message_id: uuid.UUID, do: Callable[[Act], None], told: str) -> ResponseReturnValue:
    try:
        with staff_act() as act:
            own(act.session, Message, message_id)
            do(act)
    except Refused as refused:
        called = {"reason": gettext("Reason"), "message": gettext("Message")}
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, called)), "wrong")
    else:
        flash(told, "good")
    return redirect(url_for("clinic.sent.page", state=forms.text("state") or None), 303)


def _may_be_tried(message: Message) -> bool:
    return message.state in operating.MAY_BE_TRIED
