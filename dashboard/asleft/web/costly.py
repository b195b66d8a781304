"""Answers that take long have turns of their own, so that no page waits for them and nobody takes them all.

Three kinds, each with its own turns: documents (a PDF takes a processor for a second), stretches that are graded, and
tables (sent as they are made, so a slow reader holds one for as long as it reads). What they take of the server's
threads is bounded; the others are for pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from math import ceil
from typing import Any
from urllib.parse import quote

from asleft.web.access.visitor import Visitor, current
from asleft.web.availability import HEADER
from asleft.web.frame import Frame
from asleft.web.source import Source
from asleft.web.templates import macro
from asleft.web.turns import Refusal, Turns
from flask import Flask, Response, g, request


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of costly answer: what it is called, and its turns (`Turns`)."""

    one: str
    many: str
    at_a_time: int
    waiting: int
    each: int


PATIENCE_S = 15.0
"""How long an answer waits for its turn."""
DOCUMENT = Kind("report", "reports", at_a_time=1, waiting=3, each=2)
GRADING = Kind("graded stretch", "graded stretches", at_a_time=2, waiting=4, each=2)
TABLE = Kind("table", "tables", at_a_time=4, waiting=2, each=2)

#: Rules of the costly routes.
COSTLY: Mapping[str, Kind] = {
    "/report/<valve>.pdf": DOCUMENT,
    "/report/<valve>.html": DOCUMENT,
    "/retune/<valve>": DOCUMENT,
    "/verification/<valve>/<int:number>.<any(html, pdf, json, csv):kind>": DOCUMENT,
    "/verification/<valve>": GRADING,
    "/verification/<valve>/record": GRADING,
    "/sheets/<valve>/proposal": GRADING,
    "/csv/<valve>/verification": GRADING,
    "/csv/<valve>/window": TABLE,
    "/csv/<valve>/states": TABLE,
    "/csv/<valve>/history": TABLE,
    "/csv/<valve>/curve": TABLE,
    "/csv/<valve>/quantities": TABLE,
    "/csv/presses": TABLE,
    "/csv/alarms": TABLE,
    "/csv/health": TABLE,
    "/csv/night": TABLE,
    "/api/v1/valves/<valve>/history": TABLE,
    "/api/v1/valves/<valve>/readings": TABLE,
}
MOST_THREADS = sum(kind.at_a_time + kind.waiting for kind in (DOCUMENT, GRADING, TABLE))
"""Threads of the server that costly answers take at the most."""


def take_turns(server: Flask, source: Source) -> None:
    """Have the costly routes wait for their turn. To be called after the guard, so that nobody unknown takes one."""
    turns = {kind: Turns(kind.at_a_time, kind.waiting, kind.each, PATIENCE_S) for kind in set(COSTLY.values())}

    @server.before_request
    def _enter() -> Response | None:
        g.pop("turn", None)
        kind = COSTLY.get(request.url_rule.rule) if request.url_rule is not None else None
        if kind is None:
            return None
        who = _who(current())
        refused = turns[kind].enter(who)
        if refused is not None:
            return _answer(source, kind, refused)
        g.turn = _once(lambda: turns[kind].leave(who))
        return None

    @server.after_request
    def _leave_when_sent(response: Response) -> Response:
        leave = g.pop("turn", None)
        if leave is None:
            return response
        if not response.is_streamed:  # it is made; sending it takes no turn
            leave()
            return response
        response.response = _followed(response.response, leave)
        response.call_on_close(leave)  # of one that nobody begins to read, the line above knows nothing
        return response

    @server.teardown_request
    def _leave_without_an_answer(_error: BaseException | None) -> None:
        leave = g.pop("turn", None)
        if leave is not None:
            leave()


def _who(visitor: Visitor) -> str:
    return f"account {visitor.name}" if visitor.name else f"address {visitor.address}"


def _followed(pieces: Iterable[Any], then: Callable[[], None]) -> Iterator[Any]:
    try:
        yield from pieces
    finally:
        then()


def _once(act: Callable[[], None]) -> Callable[[], None]:
    left = [act]

    def call() -> None:
        if left:
            left.pop()()

    return call


def _answer(source: Source, kind: Kind, refused: Refusal) -> Response:
    if refused is Refusal.OWN:
        words = (
            f"You have {kind.each} {kind.many} on their way already. Wait for one of them, then load this page again."
        )
    else:
        words = f"Others wait for their {kind.many} too. Load this page again in a moment."
    head = f"The {kind.one} is not made yet."
    contents, status = macro("common.html", "not_yet", head, words), 429 if refused is Refusal.OWN else 503
    answer = Frame(source, current()).page("Not yet", contents, status=status)
    answer.headers["Retry-After"] = str(ceil(PATIENCE_S / 3))
    answer.headers[HEADER] = quote(f"{head} It goes on by itself.")  # for a page that renews itself
    return answer
