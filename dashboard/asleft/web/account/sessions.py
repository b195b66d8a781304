"""Who is signed in where, for administrators, and the end of any one session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.store.accounts import Account
from asleft.store.sessions import Session
from asleft.web.access.visitor import Access, current
from asleft.web.frame import Frame
from asleft.web.source import Source
from asleft.web.when import PlantTime
from asleft.web.words import number, plural
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

_SAID = {"ended": "That session has ended.", "gone": "That session had ended already."}


def register(server: Flask, source: Source, access: Access) -> None:
    """Add the routes."""
    store = access.store

    @server.get("/sessions")
    def _sessions() -> Response:
        visitor = current()
        own = visitor.session.digest if visitor.session is not None else ""
        view = sessions_view(store.accounts.all(), store.sessions.of(None), own, source.time)
        frame = Frame(source, visitor)
        words = _SAID.get(request.args.get("said", ""), "")
        return frame.filled("Sessions", "account/sessions.html", view=view, words=words)

    @server.post("/sessions")
    def _end() -> Response:
        account, short = request.form.get("account", ""), request.form.get("session", "")
        found = [one.digest for one in store.sessions.of(account) if one.short == short]
        why = "ended by an administrator"
        done = bool(found) and store.sessions.end(found[0], current().actor, access.clock_ns(), why)
        return redirect(f"/sessions?said={'ended' if done else 'gone'}", 303)


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session, times in words. `short` names it in the form; `here`: it is that of who looks."""

    account: str
    role: str
    short: str
    started: str
    seen: str
    address: str
    here: bool


@dataclass(frozen=True, slots=True)
class SessionsView:
    """`away`: accounts without a session."""

    headline: str
    rows: list[SessionRow]
    away: list[str]


def session_rows(sessions: Sequence[Session], own: str, time: PlantTime) -> list[SessionRow]:
    """In the order given; `own` is the digest of who looks."""
    return [
        SessionRow(
            one.account, one.role, one.short, time.full(one.started_at_ns), time.full(one.seen_at_ns), one.address,
            one.digest == own,
        )
        for one in sessions
    ]  # fmt: skip


def sessions_view(
    accounts: Sequence[Account], sessions: Sequence[Session], own: str, time: PlantTime
) -> SessionsView:
    """Sessions by account, the newest of each first; `own` is the digest of who looks."""
    rows = session_rows(sorted(sessions, key=lambda one: one.account), own, time)
    inside = {row.account for row in rows}
    people = f"{number(len(inside), first=True)} {plural(len(inside), 'person is', 'people are')}"
    return SessionsView(
        headline=f"{people} signed in, in {number(len(rows))} {plural(len(rows), 'browser')}.",
        rows=rows,
        away=sorted({account.name for account in accounts} - inside),
    )
