"""Headers that keep a page to itself: what it may load, who may frame it, what it tells others.

Everything comes from our own origin, under a strict policy without `unsafe-eval`; the check-in
works without JavaScript.
"""

from __future__ import annotations

import secrets

import secure
from flask import Flask, Response, g, make_response, request
from flask.typing import ResponseReturnValue

_headers = secure.Secure(
    xcto=secure.XContentTypeOptions().nosniff(),
    xfo=secure.XFrameOptions().deny(),
    referrer=secure.ReferrerPolicy().no_referrer(),
    permissions=secure.PermissionsPolicy().camera("()").microphone("()").geolocation("()"),
    coop=secure.CrossOriginOpenerPolicy().same_origin(),
)


def csp_nonce() -> str:
    """This request's nonce, for the few inline scripts there are."""
    if "csp_nonce" not in g:
        g.csp_nonce = secrets.token_urlsafe(16)
    nonce: str = g.csp_nonce
    return nonce


def policy(nonce: str = "") -> str:
    """Everything from our own origin, nothing inline but what carries the nonce, no framing, no plug-ins."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' 'nonce-{nonce}'" if nonce else "script-src 'self'",
            "style-src 'self'",
            "img-src 'self' data:",
            "font-src 'self'",
            "connect-src 'self'",
            "manifest-src 'self'",
            "worker-src 'self'",
            "form-action 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
        )
    )


def forgotten(answer: ResponseReturnValue) -> Response:
    """The answer, after which the browser keeps no page that it showed (W3C Clear Site Data, section 3.1).

    Not "storage", which would end the notices that somebody in the family has on this device, and which holds nothing
    else of ours but a time; and not "cookies", by which the sign-in knows a colleague's browser.
    """
    response = make_response(answer)
    response.headers["Clear-Site-Data"] = '"cache"'
    return response


def install(app: Flask) -> None:
    """Put the headers on every answer."""
    app.jinja_env.globals["csp_nonce"] = csp_nonce
    always = {**_headers.headers, "Content-Security-Policy": policy()}

    @app.after_request
    def protect(response: Response) -> Response:
        wanted = always.copy()
        if "csp_nonce" in g:  # an answer that holds no inline script has never asked for one
            wanted["Content-Security-Policy"] = policy(g.csp_nonce)
        if request.is_secure:
            wanted["Strict-Transport-Security"] = "max-age=31536000; includeSubDomains"
        if request.endpoint != "static" or response.status_code >= 400:
            # Answers hold health facts: no shared or disk cache keeps them. A missing file may be there tomorrow.
            wanted["Cache-Control"] = "no-store"
        own = {name.lower() for name in response.headers.keys()}  # noqa: SIM118 - headers are not a dict
        response.headers.extend([(name, value) for name, value in wanted.items() if name.lower() not in own])
        return response
