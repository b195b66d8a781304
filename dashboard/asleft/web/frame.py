"""Pages outside the framework: plain HTML that works without a script, in the same frame as the others.

Everything that is entered is entered on such a page, by a form that is posted and answered with a way back.
"""

from __future__ import annotations

from dataclasses import dataclass

from asleft.store.accounts import Role
from asleft.web import nav, units
from asleft.web.access.visitor import Visitor
from asleft.web.fragments.units import unit_switch
from asleft.web.markup import Child, Markup, el, join
from asleft.web.reach import Unreachable
from asleft.web.source import Source
from flask import Response, request

_HEAD = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<link rel="icon" type="image/svg+xml" href="/assets/mark.svg"><link rel="stylesheet" href="/assets/style.css">'
    '<link rel="stylesheet" href="/assets/desk.css"><link rel="stylesheet" href="/assets/checked.css">'
    '<link rel="stylesheet" href="/assets/units.css"><link rel="stylesheet" href="/assets/tables.css">'
    '<link rel="stylesheet" href="/assets/guide.css">'
    '<script src="/assets/desk.js" defer></script>'
)
SIGN_IN_FIRST = (
    "There are no accounts yet, so nothing can be entered here: a change needs a name. Whoever runs the machine "
    "makes accounts with “asleft users”."
)


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

    def word(self) -> Markup:
        """The token that every form repeats."""
        return el("input", type="hidden", name="_csrf_token", value=self.visitor.csrf)

    def page(self, title: str, *contents: Child, status: int = 200) -> Response:
        """The whole page as an answer."""
        now = self.source.now_ns()
        text = join(
            Markup(_HEAD),
            el("title", f"{title} – Asleft"),
            Markup('</head><body><a class="skip" href="#main">Skip to the page\'s contents</a><header class="top">'),
            el("a", "Asleft", href="/", class_="brand"),
            el("nav", *self._links(), aria_label="Pages", id="nav", data_renew=True),
            el(
                "p",
                f"Plant time, {self.source.time.name} ",
                el("span", self.source.time.full(now), class_="clock", id="clock", data_renew=True),
                class_="time",
            ),
            unit_switch(units.current(), self.visitor.csrf),
            self._account(),
            Markup('</header><div id="stale" class="stale" role="status"></div><main id="main" tabindex="-1">'),
            *contents,
            Markup("</main></body></html>"),
        )
        return Response(text, status, mimetype="text/html")

    def _links(self) -> list[Markup]:
        try:
            waiting = self.source.waiting_alarms()
        except Unreachable:  # the page says so
            waiting = 0
        links = nav.entries(request.path, self.visitor.role, waiting)
        return [el("a", e.words, href=e.href, aria_current=e.here or None) for e in links]

    def _account(self) -> Markup | None:
        if self.visitor.session is None:
            return None
        return el(
            "form",
            self.word(),
            el("a", self.visitor.name, href="/account", title=f"Your account, {self.visitor.role.value}"),
            el("button", "Sign out", type="submit"),
            method="post",
            action="/logout",
            class_="account",
        )


def said(words: str, *, wrong: bool = False) -> Markup | None:
    """What came of the last thing entered."""
    if not words:
        return None
    return el("p", words, class_="wrong" if wrong else "said-so", role="alert" if wrong else "status")


def field(
    name: str,
    label: str,
    *,
    value: str = "",
    hint: str = "",
    fault: str = "",
    kind: str = "text",
    required: bool = False,
    more: Child = None,
    limit: int = 1000,
) -> Markup:
    """One labelled input with its hint, and what is wrong with it."""
    spoken = " ".join(f"{name}-{part}" for part, words in (("hint", hint), ("fault", fault)) if words) or None
    if kind == "area":
        box = el(
            "textarea",
            value,
            id=name,
            name=name,
            rows="3",
            required=required,
            maxlength=str(limit),
            aria_describedby=spoken,
            aria_invalid="true" if fault else None,
        )
    else:
        box = el(
            "input",
            id=name,
            name=name,
            type=kind,
            value=value or None,
            required=required,
            maxlength=str(limit) if kind == "text" else None,
            autocomplete="off",
            aria_describedby=spoken,
            aria_invalid="true" if fault else None,
        )
    return el(
        "div",
        el("label", label, for_=name),
        box,
        more,
        el("small", hint, id=f"{name}-hint") if hint else None,
        el("small", fault, id=f"{name}-fault", class_="wrong") if fault else None,
        class_="field",
    )


def choice(
    name: str, label: str, options: list[tuple[str, str]], chosen: str = "", *, hint: str = "", fault: str = ""
) -> Markup:
    """A labelled list to choose from: (value, words), with its hint and what is wrong with it."""
    spoken = " ".join(f"{name}-{part}" for part, words in (("hint", hint), ("fault", fault)) if words) or None
    return el(
        "div",
        el("label", label, for_=name),
        el(
            "select",
            *(el("option", words, value=value, selected=value == chosen) for value, words in options),
            id=name,
            name=name,
            aria_describedby=spoken,
            aria_invalid="true" if fault else None,
        ),
        el("small", hint, id=f"{name}-hint") if hint else None,
        el("small", fault, id=f"{name}-fault", class_="wrong") if fault else None,
        class_="field",
    )
