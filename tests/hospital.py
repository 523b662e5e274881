"""A hospital's own sign-in on loopback: a provider made of Authlib's server, with people, and ways to misbehave.

Authlib's half is another's reading of the same standards: it refuses a wrong client, another redirect URI, a code that
was used and a verifier that does not fit, and makes the tokens. What it does not do, and a provider must: say what it
is (Discovery 1.0), show its keys, show who somebody is (user-info), and let people out (RP-Initiated Logout 1.0).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from http.client import HTTPConnection
from typing import Any
from urllib.parse import urlsplit

from authlib.integrations.flask_oauth2 import AuthorizationServer
from authlib.oauth2 import OAuth2Error
from authlib.oauth2.rfc6749 import AuthorizationCodeMixin, ClientMixin
from authlib.oauth2.rfc6749.grants import AuthorizationCodeGrant
from authlib.oauth2.rfc7636 import CodeChallenge
from authlib.oauth2.rfc9207 import IssuerParameter
from authlib.oidc.core import OpenIDCode
from flask import Flask, jsonify, request
from joserfc import jwt
from joserfc.jwk import ECKey
from werkzeug.serving import make_server

from tests.answering import running

CLIENT, SECRET = "neaptide at Fernmoor", "a secret: of 100%"
Distort = Callable[[dict[str, Any], dict[str, Any], Any], str | None]


class Client(ClientMixin):  # type: ignore[misc]
    """Us, as the provider has us on its books."""

    def __init__(self, back: str) -> None:
        self.back = back

    def get_client_id(self) -> str:
        return CLIENT

    def get_default_redirect_uri(self) -> str:
        return self.back

    def get_allowed_scope(self, scope: str) -> str:
        return scope

    def check_redirect_uri(self, uri: str) -> bool:
        return uri == self.back

    def check_client_secret(self, secret: str) -> bool:
        return secret == SECRET

    def check_endpoint_auth_method(self, method: str, endpoint: str) -> bool:
        return method == "client_secret_basic"

    def check_response_type(self, kind: str) -> bool:
        return kind == "code"

    def check_grant_type(self, kind: str) -> bool:
        return kind == "authorization_code"


class Code(AuthorizationCodeMixin):  # type: ignore[misc]
    """One that was given out."""

    def __init__(self, asked: Any, person: dict[str, Any], code: str) -> None:
        given = asked.payload.data
        self.code, self.person = code, person
        self.redirect_uri, self.scope, self.nonce = given["redirect_uri"], given["scope"], given["nonce"]
        self.code_challenge, self.code_challenge_method = given["code_challenge"], given["code_challenge_method"]

    def get_redirect_uri(self) -> str:
        return str(self.redirect_uri)

    def get_scope(self) -> str:
        return str(self.scope)

    def get_nonce(self) -> str:
        return str(self.nonce)

    def get_auth_time(self) -> None:
        return None  # a person's, where they have one

    get_acr = get_amr = get_auth_time


@dataclass
class Hospital:
    """See the module. `person` is whoever sits at the browser, by the claims that go into their token."""

    now: Callable[[], datetime]
    back: str = ""
    person: dict[str, Any] | None = None
    user_info: dict[str, Any] = field(default_factory=dict)
    key: Any = field(default_factory=lambda: new_key("first"))
    shown: list[Any] | None = None  # keys, in place of the one it signs with
    distort: Distort | None = None  # makes another token of a header, claims and key, or changes them
    says: dict[str, Any] = field(default_factory=dict)  # of itself, otherwise
    is_away: bool = False
    asked: list[str] = field(default_factory=list)  # paths, by us
    came: list[dict[str, str]] = field(default_factory=list)  # browsers, with what
    codes: dict[str, Code] = field(default_factory=dict)
    issuer: str = ""

    def sees(self, address: str) -> str:
        """A browser goes there, and its person goes through; returns where it is sent back to."""
        parts = urlsplit(address)
        assert address.startswith(self.issuer)
        connection = HTTPConnection(parts.netloc)
        connection.request("GET", f"{parts.path}?{parts.query}")
        answer = connection.getresponse()
        told = answer.read()
        connection.close()
        assert answer.status == 302, told
        return str(answer.headers["Location"])


def new_key(kid: str) -> ECKey:
    return ECKey.generate_key("P-256", {"kid": kid, "use": "sig"})


@contextmanager
def hospital(now: Callable[[], datetime]) -> Iterator[Hospital]:
    """A provider, as long as it is open."""
    it = Hospital(now)
    with running(make_server("127.0.0.1", 0, application(it), threaded=True)) as it.issuer:
        yield it


def application(it: Hospital) -> Flask:
    """What a hospital's provider does over HTTP."""
    app = Flask("a hospital's own sign-in")
    server = AuthorizationServer()
    server.init_app(app, query_client=lambda name: Client(it.back) if name == CLIENT else None,
                    save_token=lambda token, asked: None)  # fmt: skip
    server.register_grant(grant_of(it), [tokens_of(it), CodeChallenge(required=True)])
    server.register_extension(issuer_of(it))

    @app.before_request
    def note() -> tuple[str, int] | None:
        it.asked.append(request.path)
        return ("down for maintenance", 503) if it.is_away else None

    @app.get("/.well-known/openid-configuration")
    def says() -> Any:
        said = {
            "issuer": it.issuer, "authorization_endpoint": f"{it.issuer}/authorize?tenant=1",
            "token_endpoint": f"{it.issuer}/token", "jwks_uri": f"{it.issuer}/keys",
            "userinfo_endpoint": f"{it.issuer}/person", "end_session_endpoint": f"{it.issuer}/out",
            "response_types_supported": ["code"], "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["ES256"], "authorization_response_iss_parameter_supported": True,
        }  # fmt: skip
        return jsonify(said | it.says)

    @app.get("/keys")
    def keys() -> Any:
        return jsonify(
            keys=[one if isinstance(one, dict) else one.as_dict(private=False) for one in it.shown or [it.key]]
        )

    @app.get("/authorize")
    def authorize() -> Any:
        it.came.append(request.args.to_dict())
        try:
            grant = server.get_consent_grant(end_user=it.person)
        except OAuth2Error as error:
            return server.handle_error_response(server.create_oauth2_request(None), error)
        return server.create_authorization_response(grant_user=it.person, grant=grant)

    @app.post("/token")
    def token() -> Any:
        return server.create_token_response()

    @app.get("/person")
    def person() -> Any:
        return jsonify(it.user_info)

    return app


def grant_of(it: Hospital) -> type[AuthorizationCodeGrant]:
    class Grant(AuthorizationCodeGrant):  # type: ignore[misc]
        TOKEN_ENDPOINT_AUTH_METHODS = ["client_secret_basic"]

        def save_authorization_code(self, code: str, asked: Any) -> None:
            it.codes[code] = Code(asked, asked.user, code)

        def query_authorization_code(self, code: str, client: Client) -> Code | None:
            return it.codes.get(code)

        def delete_authorization_code(self, code: Code) -> None:
            del it.codes[code.code]

        def authenticate_user(self, code: Code) -> dict[str, Any]:
            return code.person

    return Grant


def tokens_of(it: Hospital) -> OpenIDCode:
    class Tokens(OpenIDCode):  # type: ignore[misc]
        def exists_nonce(self, nonce: str, asked: Any) -> bool:
            return False

        def resolve_client_private_key(self, client: Client) -> Any:
            return it.key

        def get_client_algorithm(self, client: Client) -> str:
            return "ES256" if it.key.key_type == "EC" else "RS256"

        def get_client_claims(self, client: Client) -> dict[str, Any]:
            now = int(it.now().timestamp())  # the clock of the test, which is the service's too
            return {"iss": it.issuer, "aud": [CLIENT], "iat": now, "exp": now + 300, "auth_time": now}

        def get_encode_header(self, client: Client) -> dict[str, Any]:
            return {"alg": self.get_client_algorithm(client), "kid": it.key.kid}

        def generate_user_info(self, user: dict[str, Any], scope: str) -> dict[str, Any]:
            return user

        def encode_id_token(self, token: Any, asked: Any) -> str:
            made = str(super().encode_id_token(token, asked))
            if it.distort is None:
                return made
            read = jwt.decode(made, it.key, algorithms=["ES256", "RS256"])
            other = it.distort(read.header, read.claims, it.key)
            return jwt.encode(read.header, read.claims, it.key, algorithms=["ES256"]) if other is None else other

    return Tokens(require_nonce=True)


def issuer_of(it: Hospital) -> IssuerParameter:
    class Issuer(IssuerParameter):  # type: ignore[misc]
        def get_issuer(self) -> str:
            return str(it.says.get("issuer_in_answer", it.issuer))

    return Issuer()
