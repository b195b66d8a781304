"""Choosing the unit that one reads pressure in: a cookie of one's own browser, nothing stored here."""

from __future__ import annotations

from urllib.parse import urlsplit

from asleft.web.addresses import safe_path
from asleft.web.units import CHOICES, COOKIE, KEPT_S
from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

ROUTE = "/units"
FIELD = "pressure"


def register(server: Flask, *, tls: bool) -> None:
    """Add the route; `tls` says that browsers reach us through a proxy that speaks it."""

    @server.post(ROUTE)
    def _units() -> AnyResponse:
        return choose(tls=tls)


def choose(*, tls: bool) -> AnyResponse:
    """Keep the choice that was posted and lead back to the page it was made on."""
    wanted = request.form.get(FIELD, "")
    if wanted not in CHOICES:
        words = f"{FIELD} = {wanted[:40]!r}: pressures are shown in one of {', '.join(CHOICES)}.\n"
        return Response(words, 400, mimetype="text/plain")
    answer = redirect(_where_from(), 303)
    answer.set_cookie(COOKIE, wanted, max_age=KEPT_S, path="/", secure=tls, httponly=True, samesite="Lax")
    return answer


def _where_from() -> str:
    """The page that the form stood on: browsers name it to their own site, and to no other."""
    came = urlsplit(request.headers.get("Referer", ""))
    if came.netloc.lower() != request.host.lower():
        return "/"
    return safe_path(came.path + (f"?{came.query}" if came.query else ""))
