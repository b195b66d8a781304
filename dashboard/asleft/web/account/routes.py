"""Routes outside the framework: signing in and out, one's own account, and the sign of life of a page in use."""

from __future__ import annotations

import hmac
import math
from dataclasses import dataclass
from functools import partial

from asleft.store.accounts import Account
from asleft.store.actor import Actor
from asleft.store.devices import KEPT_DAYS
from asleft.store.sessions import NEW_DEVICE, TOLD
from asleft.web.access.guard import CSRF_COOKIE
from asleft.web.access.passwords import (
    LONGEST,
    LONGEST_NAME,
    SHORTEST,
    Busy,
    address_of,
    clean_name,
    faults_of_password,
    is_secret,
    new_secret,
    step_of,
)
from asleft.web.access.visitor import (
    Access,
    Visitor,
    csrf_of,
    current,
    digest_of,
    new_token,
    throttled_as,
)
from asleft.web.account.sessions import session_rows
from asleft.web.frame import answered, document
from asleft.web.secure import safe_path
from asleft.web.templates import filled
from asleft.web.when import PlantTime
from flask import Flask, Response, g, redirect, request
from werkzeug.wrappers import Response as AnyResponse

WRONG = "Name or password is not right."
WRONG_CODE = "Name, password or code is not right."
_SAID = {"password": "Your password is changed. Sign in with the new one."}
_DONE = {
    "ended": "That session has ended.",
    "gone": "That session had ended already.",
    "read": "Nothing more to read.",
    "set": "From now on signing in asks for a code of your app.",
    "removed": "Signing in asks for no code any more.",
}
#: What a person is told of their account, by the action of the audit trail; its details in the braces.
TOLD_WORDS = {
    "new device": "Signed in from a browser that had not signed in before.",
    "password changed": "The password was changed; {}.",
    "second factor set": "A second factor was set up.",
    "second factor removed": "The second factor was taken away.",
    "role changed": "The role was changed, {}.",
}
_TOO_OLD = "This page was open for too long, or cookies are switched off. Try again."
_BUSY = "Too many people are signing in at this moment. Try again."


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that was done to the account: the line of the audit trail, when, what, by whom and from where."""

    number: int
    when: str
    words: str
    who: str
    address: str


def register(server: Flask, access: Access, time: PlantTime) -> None:
    """Add the routes. Whether one may come here at all is the guard's business."""
    answered(server, "/login", partial(login_page, access))
    answered(server, "/login", partial(login, access), "POST")
    answered(server, "/logout", partial(logout, access), "POST")
    answered(server, "/here", partial(here, access), "POST")
    answered(server, "/account", partial(account_page, access, time))
    answered(server, "/account", partial(change_password, access, time), "POST")
    answered(server, "/account/session", partial(end_session, access), "POST")
    answered(server, "/account/read", partial(read, access), "POST")
    answered(server, "/account/second-factor", second_factor_page)
    answered(server, "/account/second-factor", partial(change_second_factor, access), "POST")


def here(access: Access) -> AnyResponse:
    """Note that somebody is at a page."""
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
    name, password = clean_name(typed), request.form.get("password", "")
    actor = Actor(name, _address())
    token, device = new_token(), new_token()
    try:
        outcome = check(access, actor, password, request.form.get("code", ""))
    except Busy:
        return _form(access, 503, following=following, name=typed, wrong=_BUSY)
    if isinstance(outcome, float):
        return _wait(access, outcome, following, typed)
    replaced = request.cookies.get(access.cookie)
    if outcome is None or not access.store.sessions.open(
        digest_of(token),
        name,
        outcome,
        actor,
        access.clock_ns(),
        digest_of(replaced) if replaced else None,
        (access.device(request, name), digest_of(device)),
    ):
        wrong = WRONG_CODE if access.store.accounts.any_second_factor() else WRONG
        return _form(access, 403, following=following, name=typed, wrong=wrong)
    answer = redirect(following, 303)
    _set(access, answer, access.cookie, token, script=False)
    _set(access, answer, CSRF_COOKIE, csrf_of(token), script=True)
    _set(access, answer, access.device_cookie(name), device, script=False, kept_s=KEPT_DAYS * 86_400)
    return answer


def check(access: Access, actor: Actor, password: str, code: str | None = None) -> str | float | None:
    """The account's hash if the password is right, None if not, or the seconds to wait before the next try.

    With a `code`, that has to be right too where the account has a second factor; a wrong one counts as a wrong
    password does. The same is done, and takes as long, whether or not there is such an account. Raises `Busy`.
    """
    store, now_ns = access.store, access.clock_ns()
    device = access.device(request, actor.who)
    known = device if device and store.devices.known(device, actor.who, now_ns) else ""
    attempt = store.throttle.attempt(actor.who, throttled_as(actor.address), now_ns, known)
    if attempt.wait_s > 0:
        return attempt.wait_s
    found = store.accounts.find(actor.who)
    usable = found if found is not None and not found.disabled else None
    right = access.passwords.right(usable.password if usable else None, password)
    lacks = "" if usable is None or not right or code is None else _code_fault(access, usable, code)
    if usable is None or not right or lacks:
        # What is no account's name may be a password typed into the wrong field: it is written nowhere.
        who = actor if found is not None else Actor("", actor.address)
        tries = f"{attempt.failures} in a row" if attempt.failures > 1 else ""
        more = "; ".join(part for part in (lacks, tries) if part)
        store.audit.add(who, access.clock_ns(), "sign-in failed", who.who or "no account of that name", more)
        return None
    store.throttle.succeeded(attempt, now_ns)
    if not access.passwords.outdated(usable.password):
        return usable.password
    renewed = access.passwords.hash(password)
    store.accounts.renew_hash(usable, renewed)
    return renewed


def _code_fault(access: Access, account: Account, code: str) -> str:
    """What is wrong with the code of an account with a second factor, for the trail; empty if nothing is."""
    if not account.totp_secret:
        return ""
    step = step_of(account.totp_secret, code, access.clock_ns())
    if step is None:
        return "the code was not right" if code.strip() else "without the code"
    return "" if access.store.accounts.take_step(account.name, step) else "the code had been used before"


def logout(access: Access) -> AnyResponse:
    """End the session on the server, whatever copies of its cookie there are."""
    visitor = current()
    if visitor.session is not None:
        access.store.sessions.end(visitor.session.digest, visitor.actor, access.clock_ns(), "by the button")
    answer = redirect("/login" if visitor.session is not None else "/", 303)
    for name in (access.cookie, CSRF_COOKIE):
        answer.delete_cookie(name, path="/", secure=access.rules.proxied, samesite="Lax")
    return answer


def account_page(access: Access, time: PlantTime, faults: list[str] | None = None, status: int = 200) -> AnyResponse:
    """Who one is, where one is signed in, what happened to the account; without a session nothing is to be shown."""
    visitor, store = current(), access.store
    if visitor.session is None:
        return redirect("/", 303)
    own, account = visitor.session, store.accounts.find(visitor.name)
    unread = [
        Happening(
            entry.number,
            time.full(entry.at_ns),
            TOLD_WORDS[entry.action].format(entry.details),
            entry.who,
            entry.address,
        )
        for entry in store.audit.upon(visitor.name, TOLD, account.told_number if account else 0)
        if entry.action != NEW_DEVICE or entry.at_ns != own.started_at_ns
    ]
    g.holds_secret = True
    return _page(
        "Your account",
        "account",
        status,
        faults=faults or [],
        visitor=visitor,
        places=session_rows(store.sessions.of(visitor.name), own.digest, time),
        unread=unread,
        said=_DONE.get(request.args.get("said", ""), "") if not faults else "",
        shortest=SHORTEST,
    )


def end_session(access: Access) -> AnyResponse:
    """End one of one's own sessions, by its short name."""
    visitor, short = current(), request.form.get("session", "")
    found = [one for one in access.store.sessions.of(visitor.name) if one.short == short] if visitor.session else []
    if not found:
        return redirect("/account?said=gone", 303)
    access.store.sessions.end(found[0].digest, visitor.actor, access.clock_ns(), "ended on the account's page")
    return redirect("/account?said=ended", 303)


def read(access: Access) -> AnyResponse:
    """Note that what happened to the account has been read, up to the line that was shown last."""
    visitor, number = current(), request.form.get("number", "")
    if visitor.session is not None and number.isascii() and number.isdigit() and len(number) < 19:
        access.store.accounts.read_up_to(visitor.name, int(number))
    return redirect("/account?said=read", 303)


def second_factor_page(faults: list[str] | None = None, status: int = 200) -> AnyResponse:
    """The form to set up a second factor, or to take it away."""
    visitor = current()
    if visitor.session is None:
        return redirect("/", 303)
    g.holds_secret = True
    sent = request.form.get("secret", "")
    secret = "" if visitor.session.second_factor else sent if is_secret(sent) else new_secret()
    return _page(
        "Second factor",
        "second_factor",
        status,
        faults=faults or [],
        visitor=visitor,
        secret=secret,  # none: it is taken away
        grouped=" ".join(secret[k : k + 4] for k in range(0, len(secret), 4)),
        address=address_of(visitor.name, secret) if secret else "",
    )


def change_second_factor(access: Access) -> AnyResponse:
    """Set a second factor up, by its first code, or take it away; either asks for the password."""
    visitor = current()
    if visitor.session is None:
        return redirect("/", 303)
    has, secret = visitor.session.second_factor, request.form.get("secret", "")
    code, password = request.form.get("code", ""), request.form.get("password", "")
    if not code.strip() or not password:
        return second_factor_page(["Password and code are both needed."], 400)
    try:
        outcome = check(access, visitor.actor, password, code if has else None)
    except Busy:
        return second_factor_page([_BUSY], 503)
    if isinstance(outcome, float):
        return second_factor_page([_later(outcome)], 429)
    if outcome is None:
        words = "Password or code is not right." if has else "The password is not right."
        return second_factor_page([words], 403)
    now_ns = access.clock_ns()
    if has:
        access.store.accounts.set_second_factor(visitor.name, "", visitor.actor, now_ns)
        return redirect("/account?said=removed", 303)
    step = step_of(secret, code, now_ns) if is_secret(secret) else None
    if step is None:
        words = "The code does not belong to this key. Is the clock of your phone right?"
        return second_factor_page([words], 400)
    access.store.accounts.set_second_factor(visitor.name, secret, visitor.actor, now_ns)
    access.store.accounts.take_step(visitor.name, step)
    return redirect("/account?said=set", 303)


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
        return account_page(access, time, faults, 400)
    try:
        outcome = check(access, visitor.actor, request.form.get("current", ""))
        if isinstance(outcome, float):
            return account_page(access, time, [_later(outcome)], 429)
        if outcome is None:
            return account_page(access, time, ["The password until now is not right."], 403)
        hashed = access.passwords.hash(new)
    except Busy:
        return account_page(access, time, [_BUSY], 503)
    device = access.device(request, visitor.name)
    access.store.accounts.set_password(visitor.name, hashed, visitor.actor, access.clock_ns(), device)
    return redirect("/login?said=password", 303)


def _form(
    access: Access, status: int, *, following: str, name: str = "", wrong: str = "", said: str = ""
) -> Response:
    word = request.cookies.get(CSRF_COOKIE) or new_token()
    g.holds_secret = True
    answer = _page(
        "Sign in",
        "sign_in",
        status,
        faults=[wrong] if wrong else [],
        token=word,
        following=following,
        name=name[:LONGEST_NAME],
        notice=access.rules.notice,
        said=said,
        with_code=access.store.accounts.any_second_factor(),
        longest_name=LONGEST_NAME,
    )
    if CSRF_COOKIE not in request.cookies:
        _set(access, answer, CSRF_COOKIE, word, script=True)
    return answer


def _page(title: str, template: str, status: int, /, **given: object) -> Response:
    """In a frame that asks only for files open to everybody."""
    contents = filled(f"account/{template}.html", longest=LONGEST, **given)
    return Response(document(title, contents, kind="door"), status)


def _wait(access: Access, wait_s: float, following: str, name: str) -> Response:
    answer = _form(access, 429, following=following, name=name, wrong=_later(wait_s))
    answer.headers["Retry-After"] = str(math.ceil(wait_s))
    return answer


def _later(wait_s: float) -> str:
    return f"Too many tries that were not right. The next one is possible in {math.ceil(wait_s)} s."


def _set(
    access: Access, answer: AnyResponse, name: str, value: str, *, script: bool, kept_s: int | None = None
) -> None:
    """A cookie for this host, until the browser is closed; readable by the page's script only where it must be."""
    answer.set_cookie(
        name,
        value,
        max_age=kept_s,
        path="/",
        secure=access.rules.proxied,
        httponly=not script,
        samesite="Strict" if script else "Lax",  # a link in a message must find the session, and no more
    )


def _address() -> str:
    return request.remote_addr or "unknown"
