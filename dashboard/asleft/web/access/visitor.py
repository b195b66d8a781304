"""Who is behind a request: the session of its cookie, if that is still good."""

from __future__ import annotations

import hashlib
import ipaddress
import secrets
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from asleft.store.access import AccessStore
from asleft.store.accounts import Role
from asleft.store.actor import Actor
from asleft.store.audit import AuditBound
from asleft.store.sessions import LONGEST_DAYS, Session
from asleft.web.access.passwords import Passwords
from flask import Request, g
from sqlalchemy.exc import SQLAlchemyError

_S = 1_000_000_000
_TOUCH_S = 60
_CLOCK_BACK_S = 3600
LONGEST_TOKEN = 256
"""Characters of a program's token; a longer one is not looked for."""


@dataclass(frozen=True, slots=True)
class Rules:
    """How the door is kept.

    A session ends `idle_s` after the last sign of its person (a key, a click, a page opened; what a page fetches by
    itself is none) and `longest_s` after signing in. Viewers change nothing and their pages may hang on a wall: for
    them an open page is sign enough, and `viewer_longest_s` holds.
    """

    idle_s: float = 1800.0
    longest_s: float = 12 * 3600.0
    viewer_longest_s: float = (LONGEST_DAYS - 1) * 86_400.0
    names: frozenset[str] = frozenset()  # host names it is addressed by, beside loopback
    any_name: bool = False
    proxied: bool = False  # behind a reverse proxy that ends TLS
    notice: str = ""  # shown where people sign in
    second_factor: bool = False  # an administrator without one may only look, until it is set up
    audit: AuditBound | None = None  # how much of the audit trail is kept; None: all of it


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. Without accounts everybody on the machine is a viewer without a name and without a session."""

    name: str
    role: Role
    address: str
    session: Session | None = None
    csrf: str = ""
    held_back: bool = False  # an administrator who may only look until a second factor is set up
    valves: frozenset[str] | None = None  # of a program: the valves it may see; None: every one

    @property
    def label(self) -> str:
        """The name, and whether something happened to the account that its person has not read."""
        unread = self.session.unread if self.session is not None else 0
        return f"{self.name}, {unread} to read" if unread else self.name

    @property
    def actor(self) -> Actor:
        """For the audit trail."""
        return Actor(self.name, self.address)


@dataclass
class Access:
    """Everything the guard and the forms need. `clock_ns` is unix ns."""

    store: AccessStore
    passwords: Passwords
    clock_ns: Callable[[], int]
    rules: Rules = field(default_factory=Rules)
    _closed: bool = False
    _shortened_ns: int = 0

    @property
    def closed(self) -> bool:
        """Whether one has to sign in: as soon as there is an account, and from then on until the next start."""
        if not self._closed and self.store.accounts.any():
            self._closed = True
        return self._closed

    @property
    def cookie(self) -> str:
        """Name of the session's cookie. The prefix binds it to this host and to TLS (RFC 6265bis, 4.1.3.2)."""
        return "__Host-asleft" if self.rules.proxied else "asleft_session"

    def device_cookie(self, account: str) -> str:
        """Name of the cookie by which a browser that has signed in as the account is known again."""
        start = "__Host-asleft-device" if self.rules.proxied else "asleft_device"
        return f"{start}-{hashlib.sha256(account.encode()).hexdigest()[:12]}"

    def device(self, request: Request, account: str) -> str:
        """Digest of the token by which the browser was known as the account's; empty where it has none."""
        token = request.cookies.get(self.device_cookie(account), "")
        return digest_of(token) if token else ""

    def visitor(self, request: Request) -> Visitor | None:
        """Who asks; None if that is not known and has to be."""
        address = request.remote_addr or "unknown"
        if not self.closed:
            return Visitor("", Role.VIEWER, address)
        token = request.cookies.get(self.cookie, "")
        session = self.store.sessions.find(digest_of(token)) if token else None
        if session is None:
            return None
        role, now_ns = Role(session.role), self.clock_ns()
        over = self._over(session, role, now_ns)
        if over is not None:
            with suppress(SQLAlchemyError):  # over it is, whether or not that can be written down
                self.store.sessions.end(session.digest, Actor(session.account, address), now_ns, over)
            return None
        if role is Role.VIEWER:
            self.seen(session)
        self._shorten_audit(now_ns)
        held_back = self.rules.second_factor and role is Role.ADMINISTRATOR and not session.second_factor
        shown = Role.VIEWER if held_back else role
        return Visitor(session.account, shown, address, session, csrf_of(token), held_back)

    def program(self, request: Request) -> Visitor | None:
        """Who asks through the interface for programs: by a token where one is given, else like a page's visitor."""
        given = request.headers.get("Authorization")
        if given is None:
            return self.visitor(request)
        scheme, _, value = given.partition(" ")
        if scheme.lower() != "bearer" or not 0 < len(value) <= LONGEST_TOKEN:
            return None
        token = self.store.tokens.find(digest_of(value))
        now_ns = self.clock_ns()
        if token is None or not token.holds(now_ns):
            return None
        if token.used_at_ns is None or abs(now_ns - token.used_at_ns) > _TOUCH_S * _S:
            with suppress(SQLAlchemyError):  # as on a full disk: what it asks for is answered all the same
                self.store.tokens.used(token.name, now_ns)
        return Visitor(f"token {token.name}", token.role, request.remote_addr or "unknown", valves=token.valves)

    def _shorten_audit(self, now_ns: int) -> None:
        """Once an hour, where a plant has set a bound."""
        if self.rules.audit is None or now_ns - self._shortened_ns < 3600 * _S:
            return
        self._shortened_ns = now_ns
        with suppress(SQLAlchemyError):  # as on a full disk: pages are read all the same
            self.store.audit.shorten(self.rules.audit, Actor("asleft", "dashboard"), now_ns)

    def seen(self, session: Session) -> None:
        """Note a sign of life, once a minute at most."""
        now_ns = self.clock_ns()
        if now_ns - session.seen_at_ns > _TOUCH_S * _S:
            self.store.sessions.touch(session.digest, now_ns)

    def _over(self, session: Session, role: Role, now_ns: int) -> str | None:
        rules = self.rules
        longest_s = rules.viewer_longest_s if role is Role.VIEWER else rules.longest_s
        if now_ns - session.seen_at_ns > rules.idle_s * _S:
            return f"nothing was done for {rules.idle_s / 60:g} min"
        if now_ns - session.started_at_ns > longest_s * _S:
            return f"signed in {longest_s / 3600:g} h ago"
        if session.started_at_ns - now_ns > _CLOCK_BACK_S * _S:
            return "the clock was put back"
        return None


def current() -> Visitor:
    """Who is behind the request being answered. The guard has put it there; without it nobody gets this far."""
    visitor = g.get("visitor")
    if isinstance(visitor, Visitor):
        return visitor
    raise LookupError("no visitor: the guard has not seen this request")


def present() -> Visitor | None:
    """Like `current`, where nobody may be there: the framework makes the frame once by itself, to check it."""
    visitor = g.get("visitor")
    return visitor if isinstance(visitor, Visitor) else None


def new_token() -> str:
    """A token of 256 random bits."""
    return secrets.token_urlsafe(32)


def digest_of(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def csrf_of(token: str) -> str:
    """The word a page must repeat with each change, made from the session's token and not leading back to it."""
    return hashlib.sha256(b"asleft csrf\0" + token.encode()).hexdigest()


def throttled_as(address: str) -> str:
    """What the throttle counts as one address: IPv6 by its /64, which one machine has to itself."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if parsed.version == 4:
        return address
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, 64), strict=False))
