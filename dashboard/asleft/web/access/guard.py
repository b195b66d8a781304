"""The one door: before every request it is decided who asks and whether they may. What is not allowed is refused."""

from __future__ import annotations

import hmac
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote, urlsplit

from asleft.store.accounts import Role
from asleft.web import asset_files
from asleft.web.access import programs, roles
from asleft.web.access.visitor import Access, Visitor
from asleft.web.availability import Availability, Place
from dash import Dash
from flask import Flask, Request, Response, g, redirect, request
from werkzeug.wrappers import Response as AnyResponse

CSRF_COOKIE, CSRF_HEADER = "_csrf_token", "X-CSRFToken"
"""Names the framework's own script uses: it repeats the cookie in the header with every callback."""
_DISPATCH = "/_dash-update-component"
_PAGE_RULES = frozenset({"/", "/<path:path>", "/account", "/account/second-factor", "/logout", *roles.PLAIN_PAGES})
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class UnguardedError(RuntimeError):
    """A route or a callback has no role, so nobody knows who may use it."""


def guard(app: Dash, access: Access, availability: Availability) -> None:
    """Put the door in place. Raises `UnguardedError` if a route or a callback has no role."""
    server: Flask = app.server
    rates = programs.Rates()
    with server.test_request_context("/"):
        server.preprocess_request()  # with which the framework takes in the callbacks made without an application

    @server.before_request
    def _door() -> AnyResponse | None:
        if programs.asked_of(request.path):
            g.pop("visitor", None)
            return programs.decide(access, availability, rates, request)
        return decide(app, access, availability, request)

    @server.after_request
    def _private(response: Response) -> Response:
        own = request.path.startswith("/assets/") or request.path == asset_files.JOINED
        if own and asset_files.MARK in request.args and response.status_code == 200:
            response.headers["Cache-Control"] = asset_files.KEPT
        if own or request.path.startswith("/_dash-component-suites/"):
            return response  # the program's own files, the same for everybody
        # A program keeps its answers and asks whether they still hold; of pages nothing stays.
        program = programs.asked_of(request.path)
        response.headers["Cache-Control"] = "private, no-cache" if program else "no-store"
        return response

    check(app)


def decide(app: Dash, access: Access, availability: Availability, asked: Request) -> AnyResponse | None:
    """None lets the request in; else this is the answer.

    Raises `Unreachable` while it cannot be known who asks.
    """
    g.pop("visitor", None)
    opened = asked.method in roles.OPEN.get(asked.path, ())
    if opened and (asked.path.startswith("/assets/") or asked.path in roles.PROBES):
        return None  # the look of a page that says that nobody can be known, and what asks only whether we live
    if asked.method not in _SAFE and _from_elsewhere(asked):
        return _refuse(403, "This request was sent by a page that is not of this dashboard.")
    with availability.asking(Place.RECORDS, access.store.accounts.any):
        visitor = access.visitor(asked)
    if visitor is not None:
        g.visitor = visitor
        if visitor.session is not None and asked.url_rule is not None and asked.url_rule.rule in _PAGE_RULES:
            access.seen(visitor.session)
    if opened:
        return None
    return _turn_away(asked) if visitor is None else _may(app, asked, visitor)


def _may(app: Dash, asked: Request, visitor: Visitor) -> AnyResponse | None:
    """Whether a visitor may do what is asked: None, or the answer."""
    if asked.url_rule is None:
        return None  # nothing there to protect: the framework answers 404 or 405
    needed = _needed(app, asked)
    if needed is None or not visitor.role.may(needed):
        return _refuse(403, "This account may not do that.")
    if asked.method not in _SAFE and visitor.session is not None and not _repeats_word(asked, visitor):
        return _refuse(403, "The page's token is missing or old: load the page again.")
    return None


def check(app: Dash) -> None:
    """Raises `UnguardedError` naming every route and every callback without a role."""
    known = {*roles.ROUTES, *roles.NEVER}
    roleless = [rule.rule for rule in app.server.url_map.iter_rules() if rule.rule not in known]
    unknown = [f"route {rule}" for rule in sorted(set(roleless))]
    unknown += [f"callback {key}" for key in callbacks(app) if callback_role(app, key) is None]
    if unknown:
        raise UnguardedError(f"no role in asleft.web.access.roles for: {', '.join(unknown)}")


def callbacks(app: Dash) -> list[str]:
    """Keys of the callbacks that run on the server; those in the browser are none of ours to refuse."""
    return [key for key, entry in _entries(app).items() if "callback" in entry]


def callback_role(app: Dash, key: str) -> Role | None:
    """The strictest role of a callback's outputs; None if one of them has none, or there is no such callback."""
    entry = _entries(app).get(key)
    if entry is None or "callback" not in entry or entry["no_output"]:
        return None
    found = [roles.CALLBACKS.get(identity) for identity in _component_ids(entry["output"])]
    needed = [role for role in found if role is not None]
    if not needed or len(needed) < len(found):
        return None
    return max(needed, key=lambda role: role.rank)


def _entries(app: Dash) -> dict[str, Mapping[str, Any]]:
    return app.callback_map


def _component_ids(output: object) -> Iterator[str]:
    if isinstance(output, (list, tuple)):
        for one in output:
            yield from _component_ids(one)
    elif isinstance(output, dict):
        for one in output.values():
            yield from _component_ids(one)
    else:
        identity = getattr(output, "component_id", "")
        yield identity if isinstance(identity, str) else str(identity.get("type", ""))


def _needed(app: Dash, asked: Request) -> Role | None:
    rule = asked.url_rule.rule if asked.url_rule is not None else ""
    needed = roles.route_role(rule, changes=asked.method not in _SAFE)
    if rule != _DISPATCH or asked.method in _SAFE:
        return needed
    try:
        body = asked.get_json(silent=True)
    except RecursionError:  # brackets within brackets within brackets
        return None
    output = body.get("output") if isinstance(body, dict) else None
    return callback_role(app, output) if isinstance(output, str) else None


def _from_elsewhere(asked: Request) -> bool:
    """Whether the browser says that another site's page sent this. Other clients send neither header."""
    if asked.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return True
    origin = asked.headers.get("Origin")
    return origin is not None and urlsplit(origin).netloc.lower() != asked.host.lower()


def _repeats_word(asked: Request, visitor: Visitor) -> bool:
    given = asked.headers.get(CSRF_HEADER) or asked.form.get(CSRF_COOKIE, "")
    return hmac.compare_digest(given.encode(), visitor.csrf.encode())


def _turn_away(asked: Request) -> AnyResponse:
    rule = asked.url_rule.rule if asked.url_rule is not None else ""
    if rule not in _PAGE_RULES:
        return _refuse(401, "Sign in first.")
    if asked.method not in ("GET", "HEAD") or asked.path == "/":
        return redirect("/login", 303)
    return redirect(f"/login?next={quote(asked.full_path.rstrip('?'), safe='')}", 303)


def _refuse(status: int, words: str) -> Response:
    return Response(f"{words}\n", status, mimetype="text/plain")
