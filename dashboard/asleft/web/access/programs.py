"""The door for programs, under `/api/`: a token or a session, so many requests, reading alone, what is wrong."""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from http import HTTPStatus
from threading import Lock

import msgspec
from asleft.web.access import roles
from asleft.web.access.visitor import Access, throttled_as
from asleft.web.availability import Availability, Place
from flask import Flask, Request, Response, g, request

# What is wrong with a request, as RFC 9457 has it (application/problem+json).

PREFIX = "/api/"
MEDIA_TYPE = "application/problem+json"
_AWAY = "Something the answer needs cannot be reached or is taken; ask again later."


class Problem(msgspec.Struct, omit_defaults=True):
    """What is wrong: `title` names the status, `detail` says what is wanted, `field` which choice is meant."""

    type: str
    title: str
    status: int
    detail: str
    field: str = ""


class BadQuestion(ValueError):  # noqa: N818 - reads as what it says
    """Something in the address cannot be used. `field` names it; the message says what is wanted."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__(words)
        self.name = name


class NotThere(LookupError):  # noqa: N818 - reads as what it says
    """What the address names is not there, or not for who asks: the two are answered alike."""


def problem(status: int, detail: str, field: str = "") -> Response:
    """An answer that says what is wrong."""
    found = Problem("about:blank", HTTPStatus(status).phrase, status, detail, field)
    answer = Response(msgspec.json.encode(found), status, mimetype=MEDIA_TYPE)
    answer.headers["Content-Type"] = MEDIA_TYPE  # without a charset, which the type does not have
    return answer


def register(server: Flask) -> None:
    """Have everything that goes wrong under `/api/` said so, whoever noticed it."""

    @server.after_request
    def _said(response: Response) -> Response:
        wrong = request.path.startswith(PREFIX) and response.status_code >= 400
        if not wrong or response.mimetype == MEDIA_TYPE:
            return response
        plain = response.mimetype == "text/plain" and not response.is_streamed
        words = response.get_data(as_text=True).strip() if plain else ""
        status = response.status_code
        made = problem(status, words or (_AWAY if status in (429, 503) else HTTPStatus(status).description))
        for name in ("Retry-After", "Allow"):
            if name in response.headers:
                made.headers[name] = response.headers[name]
        response.close()
        return made


READ = frozenset({"GET", "HEAD"})
ALLOW = "GET, HEAD"
_MOST_KNOWN = 4096


@dataclass
class Rates:
    """So many requests a second and who, after a first `burst`; of whoever was there least lately nothing is known.

    `clock_s` is any clock that only goes forward.
    """

    per_s: float = 10.0
    burst: float = 100.0
    clock_s: Callable[[], float] = time.monotonic
    _known: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)  # who: what is left, when
    _lock: Lock = field(default_factory=Lock)

    def wait_s(self, who: str) -> float:
        """Count a request: 0 lets it in, else it is so long until one is let in."""
        now_s = self.clock_s()
        with self._lock:
            left, then_s = self._known.pop(who, (self.burst, now_s))
            left = min(self.burst, left + (now_s - then_s) * self.per_s)
            enough = left >= 1.0
            self._known[who] = (left - 1.0 if enough else left, now_s)
            while len(self._known) > _MOST_KNOWN:
                self._known.popitem(last=False)
        return 0.0 if enough else (1.0 - left) / self.per_s


def asked_of(path: str) -> bool:
    """Whether an address is of the interface for programs."""
    return path.startswith(PREFIX)


def decide(access: Access, availability: Availability, rates: Rates, asked: Request) -> Response | None:
    """None lets the request in; else this is the answer. Raises `Unreachable` while it cannot be known who asks."""
    if asked.method not in READ:
        refused = problem(405, f"{asked.method[:20]}: this interface only reads, by {ALLOW}.")
        refused.headers["Allow"] = ALLOW
        return refused
    with availability.asking(Place.RECORDS, access.store.accounts.any):
        visitor = access.program(asked)
    if visitor is None:
        # Looked for all the same, so that whoever else sits behind one address with a good token gets in.
        wait_s = rates.wait_s(f"refused {throttled_as(asked.remote_addr or 'unknown')}")
        if wait_s:
            return _later(wait_s)
        refused = problem(
            401, "A token that holds is wanted, as: Authorization: Bearer TOKEN (asleft tokens --help)."
        )
        refused.headers["WWW-Authenticate"] = 'Bearer realm="asleft"'
        return refused
    wait_s = rates.wait_s(visitor.name or f"address {throttled_as(visitor.address)}")
    if wait_s:
        return _later(wait_s)
    g.visitor = visitor
    needed = roles.route_role(asked.url_rule.rule, changes=False) if asked.url_rule is not None else None
    if needed is None or not visitor.role.may(needed):
        return problem(403, "This token or account may not do that.")
    return None


def _later(wait_s: float) -> Response:
    answer = problem(429, "More requests than are answered at a time; ask again later.")
    answer.headers["Retry-After"] = str(max(1, math.ceil(wait_s)))
    return answer
