"""A browser that staff are already signed in on, without the slow hash of a real sign-in."""

from __future__ import annotations

import uuid
from datetime import datetime

from flask.testing import FlaskClient

from service.accounts import sessions
from service.accounts.throttle import Origin
from service.store.session import write_session
from service.store.tables import Staff
from service.store.wall import Gate, through


def sign_in_as(client: FlaskClient, staff_id: uuid.UUID, at: datetime) -> None:
    """Begin a session of this person in place of whatever the browser held."""
    with through(Gate.SIGN_IN), write_session(client.application.extensions["neaptide"].engine) as db:
        begun = sessions.begin_session(db, db.get_one(Staff, staff_id), at, Origin("127.0.0.1"))
    with client.session_transaction() as kept:
        kept.clear()
        kept["session"] = begun.session_id.hex
