"""What stands before every view of the API: who may call, and what a repeated POST answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, wraps
from typing import Any, Concatenate, ParamSpec, cast

from flask import Response, current_app, g, json, request
from marshmallow import Schema
from sqlalchemy import Connection
from sqlalchemy.orm import Session

from service.domain.rights import SCOPES, Right
from service.domain.vocabulary import ActorKind, Scope
from service.keyring import KeyFor
from service.store import repeats
from service.store.audit import Act
from service.store.session import connect, session_on, write_connection
from service.store.together import write_together
from service.web import gates
from service.web.auth import Caller, machine_or_staff
from service.web.problems import Problem
from service.web.services import services

P = ParamSpec("P")
LONGEST_KEY = 120


@dataclass(frozen=True)
class Check:
    """Stands before a view: lets in a bearer key with `scope`, where there is one, and staff with `right`."""

    right: Right
    scope: Scope | None = None
    asked: str = "A bearer key or a staff session is needed."
    fresh: bool = False  # asks a person to have shown lately that it is they

    def __call__(self) -> None:
        """Set `g.clinic_id`. Raises Problem 401 or 403."""
        found = machine_or_staff()
        if found is None:
            raise Problem(401, self.asked)
        g.caller = found
        gates.stand_in(found.clinic_id)
        # A bearer key beside a session stands for itself: it borrows no rights from the person signed in.
        if found.actor.kind is ActorKind.KEY:
            if self.scope is None:
                raise Problem(403, "For signed-in staff: what a person answers for, a machine may not do.")
            if self.scope not in found.scopes:
                raise Problem(403, f"The key has no scope {self.scope.value!r}.")
        elif self.right not in found.rights:
            raise Problem(403, f"Your account has no right {self.right.value!r}.")
        elif found.lacks_second_step and self.right is not Right.OWN:
            raise Problem(403, "Your clinic asks for a second step at sign-in: set it up at /second-step.")
        elif self.fresh:
            ask_fresh()


def reads(scope: Scope) -> Check:
    """Lets in a bearer key with `scope`, or staff who may read."""
    return Check(Right.READ, scope)


def needs(scope: Scope, asked: str = Check.asked, *, fresh: bool = False) -> Check:
    """Lets in a bearer key with `scope`, or staff who may do the same."""
    return Check(SCOPES[scope], scope, asked, fresh)


def for_staff(right: Right, *, fresh: bool = False) -> Check:
    """Lets in signed-in staff alone."""
    return Check(right, asked="A staff session is needed.", fresh=fresh)


def by_key() -> None:
    """Lets in a machine's key itself, whatever its scopes. Raises Problem 401, or 403 for a person or a token."""
    found = machine_or_staff()
    if found is None:
        raise Problem(401, "A bearer key is needed.")
    if found.actor.kind is not ActorKind.KEY or found.by_token:
        raise Problem(403, "A machine's key gives tokens; a person needs none, and a token gives no other.")
    g.caller, g.clinic_id = found, found.clinic_id


def caller() -> Caller:
    """Who calls, after a `Check`."""
    return cast(Caller, g.caller)


def ask_fresh() -> None:
    """For what reaches far. Raises Problem 403 where a person did not show lately that it is they."""
    if not caller().is_fresh:
        raise Problem(403, "Confirm first that it is you, at /confirm.", kind="confirm-first")


class Call:
    """One write in its transaction: who calls, and when. `status` is what the answer will say."""

    def __init__(self, connection: Connection, status: int) -> None:
        self.connection = connection
        self.status = status
        self.actor = caller().actor
        self.now = services().clock.now()

    @cached_property
    def session(self) -> Session:
        """The transaction with objects, for views that want them."""
        return session_on(self.connection)

    @property
    def act(self) -> Act:
        """The write as use cases take it."""
        return Act(self.session, self.actor, g.clinic_id, self.now)

    def write_out(self) -> None:
        """What the session, if there was one, still holds."""
        if "session" in self.__dict__:
            self.session.flush()
            self.session.close()


def idempotent(
    schema: Schema, status: int, *, kept: bool = True, together: bool = False
) -> Callable[[Callable[Concatenate[Call, P], Any]], Callable[P, Response]]:
    """A write in one transaction, which `Idempotency-Key` makes safe to repeat where it is a POST.

    The view gets its `Call` first and returns what `schema` shapes; it may change `call.status`.
    The key is claimed at the start of the transaction, and the answer is kept with the work: of
    two requests with one key at the same time the second waits, and answers as the first did.
    An answer that is not `kept`, since it holds a secret, is given once: a repeat gets Problem 409.
    With `together` it may share its commit with others, for what comes often: `store.together`.
    Raises Problem 422 when the key was used for something else.
    """

    begin = write_together if together else write_connection

    def decorate(view: Callable[Concatenate[Call, P], Any]) -> Callable[P, Response]:
        @wraps(view)
        def repeated(*args: P.args, **kwargs: P.kwargs) -> Response:
            asked = _asked() if request.method == "POST" else None
            with begin(services().engine) as connection:
                if asked is not None and not repeats.claim(connection, asked, services().clock.now()):
                    return _again(repeats.earlier(connection, asked))
                call = Call(connection, status)
                body = schema.dump(view(call, *args, **kwargs))
                call.write_out()
                if asked is not None and kept:
                    repeats.keep(connection, asked, call.status, body)
            return _response(body, call.status)

        return repeated

    return decorate


def answered_apart() -> Response | None:
    """What a POST answered before, where each of its rows is a transaction of its own. Raises Problem 422.

    Such a call keeps its answer with `keep_apart` once it is done; if it is cut off
    in between, a repeat does the rest, and finds what is there already.
    """
    asked = _asked()
    if asked is None:
        return None
    with connect(services().engine) as connection:
        found = repeats.earlier(connection, asked)
    return None if found is None else _again(found)


def keep_apart(body: Any) -> None:
    """Keep the answer of such a call for a repeat; of two at the same time the first is kept."""
    asked = _asked()
    if asked is not None:
        with write_connection(services().engine) as connection:
            repeats.claim(connection, asked, services().clock.now(), {"status": 200, "body": body})


def _asked() -> repeats.KeyedRequest | None:
    """The request as a repeat of it is known; None for one without a key. Raises Problem 422 for a key that is none."""
    key = request.headers.get("Idempotency-Key")
    if key is None:
        return None
    if not (1 <= len(key) <= LONGEST_KEY and key.isascii() and key.isprintable()):
        accepted = f"1 to {LONGEST_KEY} printable characters of ASCII"
        error = {"field": "Idempotency-Key", "value": key[:LONGEST_KEY], "accepted": accepted}
        raise Problem(422, f"Idempotency-Key: accepted: {accepted}", [error])
    said = f"{request.method} {request.path}\n".encode() + request.get_data()
    keys = services().settings.keys.every(KeyFor.REPEATS)
    return repeats.KeyedRequest(g.clinic_id, str(caller().actor), key, repeats.hashes(keys, said))


def _again(found: repeats.Earlier | None) -> Response:
    """What a repeat is answered. Raises Problem 422 for another request, 409 where the answer was not kept."""
    if found is not None and not found.is_same:
        raise Problem(422, "Idempotency-Key: this key was used for another request.", kind="key-reused")
    if found is None or not found.status:
        done = "Idempotency-Key: this was done already, and its answer was not kept."
        raise Problem(409, done, kind="answer-not-kept")
    return _response(found.body, found.status)


def _response(body: Any, status: int) -> Response:
    return current_app.response_class(json.dumps(body), status, mimetype="application/json")
