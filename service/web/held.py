"""A form that waits while its person shows once more that it is they, or signs in again.

Promises that what was typed is sent on to where it was meant to go, once, by the same person alone, and is kept
nowhere else meanwhile; and that one which was sent when the session had ended, by whoever sat there, goes on only once
its person has looked at it, whichever way they come to it. A file cannot wait, nor a secret, nor what is too long for a
draft (`reviewing.drafts`): it is sent anew.
"""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass
from datetime import datetime

from flask import current_app, request
from sqlalchemy.orm import Session
from werkzeug.exceptions import HTTPException

from service.domain.validation import Refused
from service.reviewing import drafts
from service.store.audit import Act

FORM = "held"  # the one draft that is of no page; also the field by which a form shows that it had waited
# Pages whose forms hold passwords, codes, what a passkey signed, and our secret at a hospital.
WITH_SECRETS = {"signin", "passkeys", "clinic.hospital"}
TOKEN = "csrf_token"  # noqa: S105 - the name of a field; the page that sends the form on has a token of its own


@dataclass(frozen=True)
class Held:
    path: str
    fields: list[tuple[str, str]]
    has_ended: bool  # the session had, when it was sent


def hold(act: Act, staff_id: uuid.UUID, *, has_ended: bool = False) -> bool:
    """Keep the form of this request. Whether it could be kept whole."""
    fields = [(name, value) for name, value in request.form.items(multi=True) if name not in {TOKEN, FORM}]
    if request.files or request.blueprint in WITH_SECRETS:
        return False
    try:
        typed = {"path": request.full_path.rstrip("?"), "fields": json.dumps(fields, ensure_ascii=False)}
        typed |= {"ended": "yes"} if has_ended else {}
        drafts.keep(act, staff_id, FORM, typed)
    except Refused:
        return False
    return True


def held(session: Session, staff_id: uuid.UUID, now: datetime) -> Held | None:
    """The form of this person that waits."""
    found = drafts.of_staff(session, staff_id, now).get(FORM)
    if found is None:
        return None
    return Held(found["path"], [(name, value) for name, value in json.loads(found["fields"])], "ended" in found)


def whose(path: str) -> uuid.UUID | None:
    """Of which patient the form is that goes to this address; None where it is of none."""
    try:
        _, of_address = current_app.url_map.bind("").match(path.partition("?")[0], method="POST")
    except HTTPException:
        return None
    return of_address.get("patient_id")


def let_go(session: Session, staff_id: uuid.UUID) -> None:
    """The form was sent on."""
    drafts.drop(session, staff_id, FORM)
