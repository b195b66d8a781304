"""Routes outside the framework: signing in and out, one's own account, and the sign of life of a page in use."""

from __future__ import annotations

import hmac
import math
from urllib.parse import urlsplit

from asleft.store.actor import Actor
from asleft.web.access import forms
from asleft.web.access.guard import CSRF_COOKIE
from asleft.web.access.passwords import LONGEST, LONGEST_NAME, Busy, clean_name, faults_of_password
from asleft.web.access.visitor import (
    Access,
    Visitor,
    csrf_of,
    current,
    digest_of,
    new_token,
    throttled_as,
)
from asleft.web.when import PlantTime
from flask import Flask, Response, g, redirect, request
from werkzeug.wrappers import Response as AnyResponse

WRONG = "Name or password is not right."
_SAID = {"password": "Your password is changed. Sign in with the new one."}
_TOO_OLD = "This page was open for too long, or cookies are switched off. Try again."
_BUSY = "Too many people are signing in at this moment. Try again."


def register(server: Flask, access: Access, time: PlantTime) -> None:
    """Add the routes. Whether one may come here at all is the guard's business."""

    @server.get("/login")
    def _login_page() -> AnyResponse:
        return login_page(access)

    @server.post("/login")
    def _login() -> AnyResponse:
        return login(access)

    @server.post("/logout")
    def _logout() -> AnyResponse:
        return logout(access)

    @server.get("/account")
    def _account_page() -> AnyResponse:
        return account_page(time)

    @server.post("/account")
    def _account() -> AnyResponse:
        return change_password(access, time)

    @server.post("/here")
    def _here() -> AnyResponse:
        session = current().session
        if session is not None:
            access.seen(session)
        return Response(status=204)


def login_page(access: Access) -> AnyResponse:
    """The form; where there is nothing to sign in for, or it is done, the pages themselves."""
    following = safe_path(request.args.get("next", "/"))
    if isinstance(g.get("visitor"), Visitor):
        return redirect(following, 303)
    return _form(access, 200, following=following, said=_SAID.get(request.args.get("said", ""), ""))


def login(access: Access) -> AnyResponse:
    """Check name and password; a new session and its cookie, or the form again with what is wrong."""
    following = safe_path(request.form.get("next", "/"))
    if not access.closed:
        return redirect(following, 303)
    word, kept = request.form.get(CSRF_COOKIE, ""), request.cookies.get(CSRF_COOKIE, "")
    typed = request.form.get("name", "")
    if not kept or not hmac.compare_digest(word.encode(), kept.encode()):
        return _form(access, 400, following=following, name=typed, wrong=_TOO_OLD)
    name, password = clean_name(typed)[: LONGEST_NAME + 1], request.form.get("password", "")
    actor = Actor(name, _address())
    try:
        outcome = check(access, actor, password)
    except Busy:
        return _form(access, 503, following=following, name=typed, wrong=_BUSY)
    if isinstance(outcome, float):
        return _wait(access, outcome, following, typed)
    token = new_token()
    replaced = request.cookies.get(access.cookie)
    if outcome is None or not access.store.sessions.open(
        digest_of(token), name, outcome, actor, access.clock_ns(), digest_of(replaced) if replaced else None
    ):
        return _form(access, 403, following=following, name=typed, wrong=WRONG)
    answer = redirect(following, 303)
    _set(access, answer, access.cookie, token, script=False)
    _set(access, answer, CSRF_COOKIE, csrf_of(token), script=True)
    return answer


def check(access: Access, actor: Actor, password: str) -> str | float | None:
    """The account's hash if the password is right, None if not, or the seconds to wait before the next try.

    The same is done, and takes as long, whether or not there is such an account. Raises `Busy`.
    """
    store, now_ns = access.store, access.clock_ns()
    attempt = store.throttle.attempt(actor.who, throttled_as(actor.address), now_ns)
    if attempt.wait_s > 0:
        return attempt.wait_s
    found = store.accounts.find(actor.who)
    usable = found if found is not None and not found.disabled else None
    right = access.passwords.right(usable.password if usable else None, password)
    if usable is None or not right:
        # What is no account's name may be a password typed into the wrong field: it is written nowhere.
        who = actor if found is not None else Actor("", actor.address)
        tries = f"{attempt.failures} in a row" if attempt.failures > 1 else ""
        store.audit.add(who, access.clock_ns(), "sign-in failed", who.who or "no account of that name", tries)
        return None
    store.throttle.succeeded(attempt, now_ns)
    if not access.passwords.outdated(usable.password):
        return usable.password
    renewed = access.passwords.hash(password)
    store.accounts.renew_hash(usable, renewed)
    return renewed


def logout(access: Access) -> AnyResponse:
    """End the session on the server, whatever copies of its cookie there are."""
    visitor = current()
    if visitor.session is not None:
        access.store.sessions.end(visitor.session.digest, visitor.actor, access.clock_ns(), "by the button")
    answer = redirect("/login" if visitor.session is not None else "/", 303)
    for name in (access.cookie, CSRF_COOKIE):
        answer.delete_cookie(name, path="/", secure=access.rules.proxied, samesite="Lax")
    return answer


def account_page(time: PlantTime, faults: list[str] | None = None, status: int = 200) -> AnyResponse:
    """Who one is; without a session there is nothing to show."""
    visitor = current()
    if visitor.session is None:
        return redirect("/", 303)
    g.holds_secret = True
    return Response(forms.account(visitor, time.full(visitor.session.started_at_ns), faults or []), status)


def change_password(access: Access, time: PlantTime) -> AnyResponse:
    """Another password for oneself: the one until now is asked for, and every session ends."""
    visitor = current()
    if visitor.session is None:
        return redirect("/", 303)
    new, again = request.form.get("new", ""), request.form.get("again", "")
    faults = [f"The new password will not do: {fault}." for fault in faults_of_password(visitor.name, new)]
    if new != again:
        faults.append("The two new passwords differ.")
    if faults:
        return account_page(time, faults, 400)
    try:
        outcome = check(access, visitor.actor, request.form.get("current", "")[:LONGEST])
        if isinstance(outcome, float):
            return account_page(time, [_later(outcome)], 429)
        if outcome is None:
            return account_page(time, ["The password until now is not right."], 403)
        hashed = access.passwords.hash(new)
    except Busy:
        return account_page(time, [_BUSY], 503)
    access.store.accounts.set_password(visitor.name, hashed, visitor.actor, access.clock_ns())
    return redirect("/login?said=password", 303)


def safe_path(text: str) -> str:
    """A path of this dashboard, with its query; "/" for whatever might lead anywhere else."""
    parts = urlsplit(text)
    plain = text.isascii() and text.isprintable() and " " not in text and "\\" not in text
    if not plain or parts.scheme or parts.netloc or not text.startswith("/") or text.startswith(("//", "/login")):
        return "/"
    return text


def _form(
    access: Access, status: int, *, following: str, name: str = "", wrong: str = "", said: str = ""
) -> Response:
    word = request.cookies.get(CSRF_COOKIE) or new_token()
    g.holds_secret = True
    text = forms.sign_in(
        word=word, following=following, name=name[:LONGEST_NAME], wrong=wrong, said=said, notice=access.rules.notice
    )
    answer = Response(text, status)
    if CSRF_COOKIE not in request.cookies:
        _set(access, answer, CSRF_COOKIE, word, script=True)
    return answer


def _wait(access: Access, wait_s: float, following: str, name: str) -> Response:
    answer = _form(access, 429, following=following, name=name, wrong=_later(wait_s))
    answer.headers["Retry-After"] = str(math.ceil(wait_s))
    return answer


def _later(wait_s: float) -> str:
    return f"Too many tries that were not right. The next one is possible in {math.ceil(wait_s)} s."


def _set(access: Access, answer: AnyResponse, name: str, value: str, *, script: bool) -> None:
    """A cookie for this host, until the browser is closed; readable by the page's script only where it must be."""
    answer.set_cookie(
        name,
        value,
        path="/",
        secure=access.rules.proxied,
        httponly=not script,
        samesite="Strict" if script else "Lax",  # a link in a message must find the session, and no more
    )


def _address() -> str:
    return request.remote_addr or "unknown"
