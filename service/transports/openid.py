"""A hospital's own sign-in: what its provider says of who has signed in there, and whether that is to be believed.

OpenID Connect Core 1.0 with Discovery 1.0, the authorization code flow alone, with PKCE (RFC 7636, S256). Promises
that nobody is believed but whoever the provider's own key signed for us, for this browser and for this one try: the
state, issuer (RFC 9207), signature, audience, time and nonce are looked at before anything is told. A key is a public
one, signed with by an algorithm of `SIGNED_BY`.

Calls go to addresses that `outside.Guard` takes, wherever the provider says they lead; no redirect is followed, and
time and size are bounded (`transports.http`). No more than `AT_ONCE` run in a process, so that a slow provider takes
no threads from patients' pages. What a provider says of itself is kept for an hour; a key that is not known yet is
asked for anew once, and once a minute at most. Knows no account, and keeps no token.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cached_property
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

from service.domain.validation import Refused, checked_url
from service.transports.http import Answer, HttpClient, NoAnswer
from service.transports.outside import Guard, NotOutside

SIGNED_BY = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512")
FAMILY = {"RS": "RSA", "PS": "RSA", "ES": "EC"}
LEAST_RSA_BYTES = 256  # RFC 7518, section 3.3
LONGEST_HEADER = 8192
LONGEST_SUBJECT = 255  # OpenID Connect Core 1.0, section 2
LEEWAY = timedelta(seconds=60)  # between two clocks; this and the next ones are our own numbers
KEPT_FOR = timedelta(hours=1)
ASKED_ANEW_AFTER = timedelta(minutes=1)
AWAY_FOR = timedelta(seconds=15)  # whoever did not answer is not asked again so soon
TIMEOUT_SECONDS = 5.0
AT_ONCE = 2
MOST_KEPT = 200  # issuers


class Lack(StrEnum):
    """What cannot be had from a provider."""

    ANSWER = "answer"
    ADDRESS = "address"  # one that we may call
    NAME = "name"  # it calls itself otherwise
    TLS = "tls"
    KEYS = "keys"
    TOKENS = "tokens"


class Away(Exception):
    """The provider did not answer, or with nothing that can be used: `lacks` is what."""

    def __init__(self, lacks: Lack) -> None:
        self.lacks = lacks
        super().__init__(lacks)


class Crowded(Exception):
    """As many are signing in by a provider as may at once."""


class NotBelieved(Exception):
    """What came back is not the provider's word for us and this try; `why` is a word for the audit trail."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(why)


@dataclass(frozen=True)
class Us:
    """Who we are at a provider, and where it sends a browser back to."""

    issuer: str
    client_id: str
    back: str
    client_secret: str = field(repr=False)


@dataclass(frozen=True)
class Ask:
    """What a browser is sent off with; it stays with that browser, and is good for one return."""

    state: str
    nonce: str
    verifier: str = field(repr=False)

    @classmethod
    def new(cls) -> Ask:
        return cls(*(secrets.token_urlsafe(32) for _ in range(3)))  # 43 characters each: RFC 7636, section 4.1


@dataclass(frozen=True)
class Provider:
    """What a provider says of itself (Discovery 1.0, section 3), as far as it is of use here."""

    issuer: str
    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    userinfo_endpoint: str = ""
    end_session_endpoint: str = ""
    names_itself: bool = False  # in every answer: RFC 9207
    takes_secret_in_body: bool = False

    @property
    def host(self) -> str:
        return urlsplit(self.authorization_endpoint).netloc


@dataclass(frozen=True)
class Vouched:
    """Who signed in at the provider: its own name for them, and what else its token holds."""

    issuer: str
    subject: str
    claims: Mapping[str, Any]
    access_token: str = field(repr=False, default="")


class OpenId:
    """Asks providers. `now` is the clock that tokens are judged by; `guard` says which hosts are asked."""

    def __init__(self, now: Callable[[], datetime], guard: Guard | None = None, proxy: str = "") -> None:
        self._now, self._guard, self._proxy = now, guard or Guard(), proxy
        self._slots = threading.BoundedSemaphore(AT_ONCE)
        self._providers: dict[str, tuple[Provider | None, datetime]] = {}  # None did not answer
        self._keys: dict[str, tuple[Sequence[Any], datetime]] = {}

    @cached_property
    def _client(self) -> HttpClient:
        return HttpClient(TIMEOUT_SECONDS, self._proxy, guard=self._guard)

    def provider(self, issuer: str, *, anew: bool = False) -> Provider:
        """What this provider says of itself. Raises Away and Crowded."""
        with self._slot():
            return self._provider(issuer, anew=anew)

    def leads_to(self, us: Us, ask: Ask, *, surely: bool = False, acr: str = "") -> str:
        """Where to send a browser; `surely`, so that its person shows anew who they are. Raises Away and Crowded."""
        challenge = base64.urlsafe_b64encode(hashlib.sha256(ask.verifier.encode()).digest()).rstrip(b"=").decode()
        asked = {
            "response_type": "code", "scope": "openid email profile",
            "client_id": us.client_id, "redirect_uri": us.back, "state": ask.state, "nonce": ask.nonce,
            "code_challenge": challenge, "code_challenge_method": "S256",
        }  # fmt: skip
        asked |= {"prompt": "login", "max_age": "0"} if surely else {}
        asked |= {"acr_values": acr} if acr else {}
        return _with(self.provider(us.issuer).authorization_endpoint, asked)

    def answered(self, us: Us, ask: Ask, given: Mapping[str, str]) -> Vouched:
        """Who has signed in, from what a browser came back with. Raises NotBelieved, Away and Crowded."""
        with self._slot():
            provider = self._provider(us.issuer)
            # RFC 6749, section 10.12; then the mix-up of RFC 9207, section 2.4, before any code leaves us.
            if not hmac.compare_digest(given.get("state", "").encode(), ask.state.encode()):
                raise NotBelieved("state")
            if given.get("iss", us.issuer) != us.issuer or (provider.names_itself and "iss" not in given):
                raise NotBelieved("issuer")
            if "error" in given:
                raise NotBelieved("said_no")
            if not given.get("code"):
                raise NotBelieved("code")
            taken = self._exchanged(us, ask, provider, given["code"])
            claims = self._signed(provider, str(taken["id_token"]))
            return self._checked(us, ask, claims, str(taken.get("access_token", "")))

    def address(self, said: Vouched, claim: str) -> str | None:
        """The address that the provider vouches for, from the token or its user-info; `email` only where verified.

        Raises Away, Crowded, and NotBelieved for the facts of somebody else.
        """
        if claim in said.claims:
            return _address_in(said.claims, claim)
        with self._slot():
            provider = self._provider(said.issuer)
            if not provider.userinfo_endpoint or not said.access_token:
                return None
            answer = self._call("GET", provider.userinfo_endpoint, {"Authorization": f"Bearer {said.access_token}"})
        facts = _object(answer) if answer.status == 200 else {}
        if facts and facts.get("sub") != said.subject:
            raise NotBelieved("user_info")  # Core 1.0, section 5.3.2: not to be used
        return _address_in(facts, claim)

    def way_out(self, us: Us, back: str) -> str | None:
        """Where a browser is signed out of the provider too, if it offers that (RP-Initiated Logout 1.0, section 2)."""
        try:
            address = self.provider(us.issuer).end_session_endpoint
        except (Away, Crowded):
            return None
        return _with(address, {"client_id": us.client_id, "post_logout_redirect_uri": back}) if address else None

    # --- what is asked of a provider ---------------------------------------------------------------

    def _provider(self, issuer: str, *, anew: bool = False) -> Provider:
        now = self._now()
        found, at = self._providers.get(issuer, (None, None))
        if at is not None and not anew and now - at < (KEPT_FOR if found else AWAY_FOR):
            if found is None:
                raise Away(Lack.ANSWER)
            return found
        _make_room(self._providers)
        try:
            read = self._read_provider(issuer)
        except Away:
            self._providers[issuer] = (None, now)
            raise
        self._providers[issuer] = (read, now)
        return read

    def _read_provider(self, issuer: str) -> Provider:
        answer = self._call("GET", f"{issuer.rstrip('/')}/.well-known/openid-configuration")
        told = _object(answer) if answer.status == 200 else {}
        if told.get("issuer") != issuer:  # Discovery 1.0, section 4.3: exactly the same
            raise Away(Lack.NAME if told else Lack.ANSWER)
        addresses = {}
        for name in (
            "authorization_endpoint",
            "token_endpoint",
            "jwks_uri",
            "userinfo_endpoint",
            "end_session_endpoint",
        ):
            is_needed = name in {"authorization_endpoint", "token_endpoint", "jwks_uri"}
            if is_needed or told.get(name):
                try:
                    addresses[name] = checked_url(name, str(told.get(name, "")))
                except Refused:
                    raise Away(Lack.TLS) from None
        # Core 1.0, section 9: where nothing is said it is `client_secret_basic`.
        ways = told.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
        in_body = "client_secret_basic" not in ways and "client_secret_post" in ways
        names_itself = told.get("authorization_response_iss_parameter_supported") is True
        return Provider(issuer, **addresses, names_itself=names_itself, takes_secret_in_body=in_body)

    def _exchanged(self, us: Us, ask: Ask, provider: Provider, code: str) -> Mapping[str, Any]:
        sent = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": us.back,
            "code_verifier": ask.verifier,
        }
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        if provider.takes_secret_in_body:
            sent |= {"client_id": us.client_id, "client_secret": us.client_secret}
        else:  # RFC 6749, section 2.3.1: each encoded as in a form
            who = f"{quote(us.client_id, safe='')}:{quote(us.client_secret, safe='')}"
            headers["Authorization"] = f"Basic {base64.b64encode(who.encode()).decode()}"
        answer = self._call("POST", provider.token_endpoint, headers, urlencode(sent).encode())
        if answer.status == 401:
            raise NotBelieved("client_secret")
        if 400 <= answer.status < 500:
            raise NotBelieved("code")
        told = _object(answer) if answer.status == 200 else {}
        if not isinstance(told.get("id_token"), str) or str(told.get("token_type", "")).lower() != "bearer":
            raise Away(Lack.TOKENS)
        return told

    def _call(
        self, method: str, address: str, headers: Mapping[str, str] | None = None, body: bytes | None = None
    ) -> Answer:
        try:
            return self._client.call(method, address, body, headers or {}, once=body is not None)  # a code is good once
        except NotOutside:
            raise Away(Lack.ADDRESS) from None
        except NoAnswer:
            raise Away(Lack.ANSWER) from None

    @contextmanager
    def _slot(self) -> Iterator[None]:
        if not self._slots.acquire(blocking=False):
            raise Crowded
        try:
            yield
        finally:
            self._slots.release()

    # --- whether it is to be believed ---------------------------------------------------------------

    def _signed(self, provider: Provider, token: str) -> Mapping[str, Any]:
        """What the token holds, if one of the provider's keys signed it (Core 1.0, section 3.1.3.7, 6 to 8)."""
        from joserfc import jws, jwt  # here alone, and for whoever comes back from a provider
        from joserfc.errors import BadSignatureError, JoseError

        registry = jws.JWSRegistry(algorithms=list(SIGNED_BY), strict_check_header=False)  # RFC 7515, section 4
        registry.max_header_length = LONGEST_HEADER
        why = "key"
        try:
            header = jws.extract_compact(token.encode(), registry=registry).headers()
            if header.get("alg") not in SIGNED_BY:
                raise NotBelieved("algorithm")
            for anew in (False, True):
                key = _one_of(self._keys_of(provider, anew=anew), header)
                if key is None:
                    continue
                try:
                    return jwt.decode(token, key, registry=registry).claims
                except BadSignatureError:
                    why = "signature"
                    if "kid" in header:  # without a name, it may be a new key in place of the old one
                        break
        except (JoseError, ValueError, TypeError, RecursionError):
            raise NotBelieved("token") from None
        raise NotBelieved(why)

    def _keys_of(self, provider: Provider, *, anew: bool) -> Sequence[Any]:
        now = self._now()
        keys, at = self._keys.get(provider.issuer, ((), None))
        if at is not None and now - at < (ASKED_ANEW_AFTER if anew else KEPT_FOR):
            return keys
        answer = self._call("GET", provider.jwks_uri)
        read = _object(answer).get("keys") if answer.status == 200 else None
        if not isinstance(read, list):
            raise Away(Lack.KEYS)
        _make_room(self._keys)
        self._keys[provider.issuer] = (read, now)
        return read

    def _checked(self, us: Us, ask: Ask, claims: Mapping[str, Any], access_token: str) -> Vouched:
        """Core 1.0, section 3.1.3.7: 2 to 5 and 9 to 11."""
        from joserfc.errors import JoseError
        from joserfc.jwt import ClaimsOption, JWTClaimsRegistry

        needed = {name: ClaimsOption(essential=True) for name in ("iss", "sub", "aud", "exp", "iat")}
        try:
            registry = JWTClaimsRegistry(int(self._now().timestamp()), int(LEEWAY.total_seconds()), **needed)
            registry.validate(dict(claims))
        except (JoseError, TypeError, ValueError, OverflowError):
            raise NotBelieved("claims") from None
        if claims["iss"] != us.issuer:
            raise NotBelieved("issuer")
        if claims["aud"] not in (us.client_id, [us.client_id]) or claims.get("azp", us.client_id) != us.client_id:
            raise NotBelieved("audience")  # nor do we trust another that it is meant for too
        if claims.get("nonce") != ask.nonce:
            raise NotBelieved("nonce")
        subject = claims["sub"]
        if not isinstance(subject, str) or not 0 < len(subject) <= LONGEST_SUBJECT or not subject.isprintable():
            raise NotBelieved("subject")
        return Vouched(us.issuer, subject, claims, access_token)


def _one_of(keys: Sequence[Any], header: Mapping[str, Any]) -> Any:
    """The one key that may have signed this, None where there is none, or more than one (Core 1.0, section 10.1)."""
    from joserfc import jwk

    alg, named = str(header["alg"]), header.get("kid")
    fit = [
        one for one in keys
        if isinstance(one, dict) and one.get("kty") == FAMILY[alg[:2]] and one.get("use", "sig") == "sig"
        and one.get("alg", alg) == alg and (named is None or one.get("kid") == named)
    ]  # fmt: skip
    if len(fit) != 1:
        return None
    if fit[0]["kty"] == "RSA" and _length(fit[0].get("n")) < LEAST_RSA_BYTES:
        raise NotBelieved("short_key")
    return jwk.import_key({name: value for name, value in fit[0].items() if name in {"kty", "n", "e", "crv", "x", "y"}})


def _length(given: object) -> int:
    return len(base64.urlsafe_b64decode(given + "=" * (-len(given) % 4)).lstrip(b"\0")) if isinstance(given, str) else 0


def _address_in(facts: Mapping[str, Any], claim: str) -> str | None:
    """Core 1.0, section 5.7: an address is nobody's name, and here it counts only as far as the provider looked."""
    found = facts.get(claim)
    if not isinstance(found, str) or (claim == "email" and facts.get("email_verified") is not True):
        return None
    return found.strip().lower()


def _object(answer: Answer) -> Mapping[str, Any]:
    try:
        read = json.loads(answer.body)
    except (ValueError, RecursionError):
        read = None
    return read if isinstance(read, dict) else {}


def _with(address: str, asked: Mapping[str, str]) -> str:
    """RFC 6749, section 3.1: a query that the address has already is kept."""
    return f"{address}{'&' if urlsplit(address).query else '?'}{urlencode(asked)}"


def _make_room(kept: dict[str, Any]) -> None:
    if len(kept) >= MOST_KEPT:
        kept.clear()
