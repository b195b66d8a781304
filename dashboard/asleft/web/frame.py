"""What surrounds every page: one template for the framework's live pages and for plain pages with forms.

Everything that is entered is entered on a plain page, by a form that is posted and answered with a way back.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from asleft.store.accounts import Role
from asleft.web import asset_files, units
from asleft.web.access.roles import page_role
from asleft.web.access.visitor import Visitor
from asleft.web.availability import Unreachable
from asleft.web.markup import Child, Markup, join
from asleft.web.secure import safe_path
from asleft.web.source import Source
from asleft.web.templates import filled, macro
from asleft.web.units import CHOICES, COOKIE, KEPT_S
from flask import Flask, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

# The pages there are, in one place: the frame of the framework's pages and that of the plain ones show the same.


@dataclass(frozen=True, slots=True)
class Entry:
    """One link of the navigation. `plain`: a page outside the framework, which is loaded anew."""

    href: str
    words: str
    plain: bool
    here: str = ""  # "", "page" or "true": whether this is the page, or one below it


_ENTRIES = (
    Entry("/", "Presses", False),
    Entry("/alarms", "Alarms", True),
    Entry("/night", "Night", True),
    Entry("/sheets", "Sheets", True),
    Entry("/verification", "Verification", True),
    Entry("/health", "Health", False),
    Entry("/audit", "Audit", False),
    Entry("/sessions", "Sessions", True),
)


def entries(path: str, role: Role, waiting: int = 0) -> list[Entry]:
    """The links that somebody of that role may follow; `waiting`: alarms that nobody has acknowledged."""
    out = []
    for entry in _ENTRIES:
        needed = page_role(entry.href)
        if needed is None or not role.may(needed):
            continue
        below = path.startswith("/valve/" if entry.href == "/" else f"{entry.href}/")
        here = "page" if path == entry.href else "true" if below else ""
        words = f"{entry.words} {waiting}" if entry.href == "/alarms" and waiting else entry.words
        out.append(Entry(entry.href, words, entry.plain, here))
    return out


_LIVE_SCRIPTS, _PLAIN_SCRIPTS = ("asleft.js", "live.js", "away.js", "evidence.js"), ("asleft.js", "evidence.js")
_OPEN_STYLES = ("palette.css", "style.css", "away.css")
SIGN_IN_FIRST = (
    "There are no accounts yet, so nothing can be entered here: a change needs a name. Whoever runs the machine "
    "makes accounts with “asleft users”."
)


@dataclass(frozen=True, slots=True)
class Live:
    """What the framework adds to a page that renews itself.

    `app_entry` is where it renders, `framework` its configuration and scripts as tags, which the page's own script
    runs once the contents are painted. `hidden` are the page's components as plain values: stores, clocks, plots.
    """

    app_entry: str
    framework: str
    hidden: Sequence[Any]
    plots: bool

    @property
    def hidden_parts(self) -> Markup:
        """As JSON that can stand within a script element."""
        parts = {"parts": self.hidden, "plots": self.plots}
        return Markup(json.dumps(parts, separators=(",", ":")).replace("<", "\\u003c"))


@dataclass(frozen=True, slots=True)
class Frame:
    """Who looks at what, and what a page needs beside its contents."""

    source: Source
    visitor: Visitor

    @property
    def may_enter(self) -> bool:
        """Whether this visitor may change anything."""
        return self.visitor.session is not None and self.visitor.role.may(Role.TECHNICIAN)

    @property
    def why_not(self) -> str:
        """Why they may not, in a sentence; empty where they may."""
        if self.may_enter:
            return ""
        return SIGN_IN_FIRST if self.visitor.session is None else "Your account may look, and change nothing."

    @property
    def csrf_field(self) -> Markup:
        """The hidden field with the token that every form repeats."""
        return macro("common.html", "csrf_field", self.visitor.csrf)

    def page(self, title: str, *contents: Child, status: int = 200) -> Response:
        """The whole page as an answer."""
        return Response(self.text(title, join(*contents)), status, mimetype="text/html")

    def filled(self, title: str, template: str, /, *, status: int = 200, **given: object) -> Response:
        """The whole page as an answer, its contents by a template, which is given the frame too."""
        return Response(self.text(title, filled(template, frame=self, **given)), status, mimetype="text/html")

    def missing(
        self, title: str, words: str, href: str = "/", way: str = "All presses", status: int = 404
    ) -> Response:
        """Instead of a page: why there is none, and a way on."""
        return Response(
            self.text(title, macro("common.html", "instead", words, href, way)), status, mimetype="text/html"
        )

    def refused(
        self, title: str, wrong: str, words: str, href: str, way: str = "Begin again", status: int = 400
    ) -> Response:
        """Instead of a page: what was wrong with what was asked for, and a way to begin again."""
        text = self.text(title, macro("common.html", "refused", wrong, words, href, way))
        return Response(text, status, mimetype="text/html")

    def text(self, title: str, contents: Markup, live: Live | None = None) -> str:
        """The whole page. `live`: for a page of the framework."""
        return document(
            title,
            contents,
            styles=[asset_files.joined_address()],
            scripts=_LIVE_SCRIPTS if live else _PLAIN_SCRIPTS,
            nav=self.links(),
            time=self.source.time,
            now_ns=self.source.now_ns(),
            unit_switch=unit_switch(units.current(), self.visitor.csrf),
            account=self.visitor if self.visitor.session is not None else None,
            csrf_field=self.csrf_field,
            live=live,
        )

    def links(self) -> Markup:
        """The navigation, with the number of alarms that wait."""
        try:
            waiting = self.source.waiting_alarms()
        except Unreachable:  # the page says so
            waiting = 0
        return links(request.path, self.visitor.role, waiting)


def answered(server: Flask, rule: str, answer: Callable[..., AnyResponse], method: str = "GET") -> None:
    """Have an address answered by a function, which gets the variables of the rule by name."""
    server.add_url_rule(rule, f"{method} {rule}".replace(".", " "), answer, methods=[method])


def document(
    title: str,
    contents: Markup,
    *,
    styles: Sequence[str] = (),
    scripts: Sequence[str] = (),
    **more: object,
) -> str:
    """A whole page, by the template alone; `more` is what it shows beside title and contents.

    `styles`: addresses, else those that a page for strangers may ask for.
    """
    styles = styles or [asset_files.address(name) for name in _OPEN_STYLES]
    given: dict[str, object] = {"nav": None, "unit_switch": "", "account": None, "kind": "", "live": None, **more}
    return filled(
        "frame.html",
        title=title,
        contents=contents,
        file=asset_files.address,
        styles=styles,
        scripts=scripts,
        **given,
    )


def links(path: str, role: Role, waiting: int = 0) -> Markup:
    """The pages that somebody of that role may see, as links."""
    return macro("common.html", "nav_links", entries(path, role, waiting))


def unit_switch(shown: units.Pressures, token: str) -> Markup:
    """The switch of pressure units: buttons of one form, which needs no script."""
    return macro("common.html", "unit_switch", shown, units.CHOICES, token)


def said(words: str, *, wrong: bool = False) -> Markup:
    """What came of the last thing entered."""
    return macro("common.html", "said", words, wrong)


def faults_at(faults: Mapping[str, str], labels: Mapping[str, str], opening: str) -> Markup:
    """All faults of a form at its head, each with a link to its field. `faults` and `labels`: by field."""
    return macro("common.html", "faults_at", faults, labels, opening)


def field(name: str, label: str, **more: object) -> Markup:
    """One labelled input with its hint, and what is wrong with it."""
    return macro("common.html", "field", name, label, **more)


def choice(name: str, label: str, options: list[tuple[str, str]], chosen: str = "", **more: object) -> Markup:
    """A labelled list to choose from: (value, words), with its hint and what is wrong with it."""
    return macro("common.html", "choice", name, label, options, chosen, **more)


# Choosing the unit that one reads pressure in: a cookie of one's own browser, nothing stored here.

ROUTE = "/units"
FIELD = "pressure"


def register_unit_choice(server: Flask, *, tls: bool) -> None:
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
