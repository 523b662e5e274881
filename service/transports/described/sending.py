"""Handing a text over as a description says, and reading what the answer means.

Promises that every value is escaped for where it stands, that the time-out, the proxy and the
connections are those of every other request, and that no redirect is followed. Where the provider
does not say that the same id again is the same message, a request is made once on a connection of
its own, and one whose end was not seen is `Unclear`: trying again could be a second message.
"""

from __future__ import annotations

import base64
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote, urlencode

from service.transports.base import LONGEST_CALL, OutgoingText, PermanentFailure, TemporaryFailure, Unclear
from service.transports.described.description import Description, Meaning, Stencil, Values, in_address, word_at
from service.transports.http import Answer, HttpClient, NoAnswer, asked_to_wait
from service.words.messages import length

TIMEOUT_SECONDS = LONGEST_CALL.total_seconds() / 2  # a connection closed while idle costs a second try
SHORTEST_SECONDS = 60
TYPES = {"json": "application/json", "form": "application/x-www-form-urlencoded"}
RECEIPTS, REPLIES = "/callbacks/text/receipts", "/callbacks/text/replies"
# The provider may have it, for all these say; 503 says that it has not.
PERHAPS_TAKEN = frozenset(range(500, 600)) - {503}


@dataclass(frozen=True)
class Account:
    """What the settings add to a description: who we are there, and what a call from there is proven by."""

    user: str = ""
    token: str = ""
    callback_secret: str = ""


class Described:
    """See the module. `base_url` is where the provider reaches us; `is_called_back`: replies do reach us."""

    def __init__(
        self,
        description: Description,
        account: Account,
        base_url: str,
        now: Callable[[], datetime],
        *,
        proxy: str = "",
        is_called_back: bool = False,
    ) -> None:
        self.description = description
        self.callback_secret = account.callback_secret
        self.is_called_back = is_called_back or description.replies is not None
        self.tells_receipts = is_called_back or description.receipts is not None
        self.reached_at = (description.proof.address if description.proof else "") or base_url
        self._sending = description.sending
        self._now = now
        self._caller = HttpClient(TIMEOUT_SECONDS, proxy)
        self._ours: dict[str, str | int] = {
            "user": account.user,
            "token": account.token,
            "receipts_url": self._called_at(self.reached_at + RECEIPTS),
            "replies_url": self._called_at(self.reached_at + REPLIES),
        }
        self._basic = "Basic " + base64.b64encode(f"{account.user}:{account.token}".encode()).decode("ascii")

    def send(self, text: OutgoingText) -> str:
        url, body, headers = self._request(text)
        once = not self._sending.key_holds
        try:
            answer = self._caller.call(self._sending.method, url, body, headers, once=once)
        except NoAnswer as error:
            if once and error.may_have_left:
                raise Unclear(f"the gateway did not answer ({error})") from None
            raise TemporaryFailure(f"the gateway did not answer ({error})") from None
        return self._meaning(answer)

    def _called_at(self, address: str) -> str:
        """Our address for calls from there: with the secret, where they prove themselves by it. `&…` may follow."""
        proof = self.description.proof
        if proof is None or proof.way != "query":
            return address
        return f"{address}?{urlencode({proof.name: self.callback_secret})}"

    def _request(self, text: OutgoingText) -> tuple[str, bytes | None, dict[str, str]]:
        values = self._values(text)
        sending = self._sending
        headers = {name: _in_header(template.fill(values)) for name, template in sending.headers.items()}
        if sending.signs_in == "basic":
            headers["Authorization"] = self._basic
        url = sending.url.fill(values, in_address)
        if sending.kind == "json":
            body = json.dumps(_filled(sending.body, values)).encode()
            return url, body, {"Content-Type": TYPES["json"], **headers}
        # RFC 3986: %20 is a blank anywhere in an address, + in a form alone.
        fields = urlencode(_filled(sending.body, values), quote_via=quote)
        if sending.kind == "query":
            return f"{url}{'&' if '?' in url else '?'}{fields}", None, headers
        return url, fields.encode("ascii"), {"Content-Type": TYPES["form"], **headers}

    def _values(self, text: OutgoingText) -> Values:
        left: str | int = ""
        minutes: str | int = ""
        if text.lasts_until is not None:
            left = max(SHORTEST_SECONDS, int((text.lasts_until - self._now()).total_seconds()))
            minutes = math.ceil(left / 60)
        gsm7, other = self._sending.alphabets
        return {
            **self._ours,
            "id": str(text.message_id),
            "to": text.to,
            "to_digits": text.to.removeprefix("+"),
            "text": text.body,
            "from": text.line or self._sending.line,
            "alphabet": gsm7 if length(text.body).alphabet == "GSM-7" else other,
            "expires_at": "" if text.lasts_until is None else text.lasts_until.isoformat(),
            "seconds_left": left,
            "minutes_left": minutes,
        }

    def _meaning(self, answer: Answer) -> str:
        said = answer.body.decode("utf-8", "replace")
        held = _read(said) if self._sending.answer == "json" else None
        rule = next((rule for rule in self._sending.rules if _fits(rule, answer.status, said, held)), None)
        means = rule.means if rule is not None else "taken" if answer.status in self._sending.taken else "later"
        if means == "never":
            raise PermanentFailure("the gateway does not know this address, or never sends to it")
        if means == "later":
            if rule is None and not self._sending.key_holds and answer.status in PERHAPS_TAKEN:
                raise Unclear(f"the gateway answered {answer.status}")
            raise TemporaryFailure(f"the gateway answered {answer.status}", asked_to_wait(answer))
        return self._reference(answer.status, said, held)

    def _reference(self, status: int, said: str, held: object) -> str:
        wanted = self._sending.reference
        if not wanted:
            return ""
        if self._sending.answer == "text":
            found = re.search(wanted, said)
            reference = found[1] if found else ""
        else:
            reference = word_at(held, wanted)
        if reference:
            return reference
        # A page of somebody else's answers 200 too: without what was described it is no word that it was taken.
        why = f"the gateway answered {status}, without the reference that was described"
        raise TemporaryFailure(why) if self._sending.key_holds else Unclear(why)


def _filled(part: Any, values: Values) -> Any:
    if isinstance(part, Stencil):
        return part.value(values)
    if isinstance(part, Mapping):
        filled = {name: _filled(one, values) for name, one in part.items()}
        return {name: one for name, one in filled.items() if one != ""}  # what there is nothing to say of is left out
    return [_filled(one, values) for one in part] if isinstance(part, list) else part


def _in_header(value: str) -> str:
    if not (value.isascii() and value.isprintable()):
        raise TemporaryFailure("a value cannot stand in a header")
    return value


def _read(said: str) -> object:
    try:
        return json.loads(said)
    except (ValueError, RecursionError):
        return None


def _fits(rule: Meaning, status: int, said: str, held: object) -> bool:
    return (
        (not rule.status or status in rule.status)
        and (not rule.place or word_at(held, rule.place) in rule.words)
        and (rule.matches is None or rule.matches.search(said) is not None)
    )
