"""The two pages outside the framework, plain HTML that needs no script: signing in, and one's own account."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.web.access.passwords import LONGEST, LONGEST_NAME, SHORTEST
from asleft.web.access.visitor import Visitor
from asleft.web.markup import Child, Markup, el, join

_HEAD = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<link rel="icon" type="image/svg+xml" href="/assets/mark.svg"><link rel="stylesheet" href="/assets/style.css">'
)


def sign_in(*, word: str, following: str, name: str = "", wrong: str = "", notice: str = "", said: str = "") -> str:
    """The page to sign in on. `word` is the token the form repeats, `following` where to go afterwards."""
    return _page(
        "Sign in",
        el("h1", "Sign in"),
        el("p", said, class_="sub", role="status") if said else None,
        el("p", notice, class_="notice") if notice else None,
        _wrong(wrong),
        el(
            "form",
            _hidden("_csrf_token", word),
            _hidden("next", following),
            _field("name", "Name", value=name, autocomplete="username", limit=LONGEST_NAME, first=not name),
            _field("password", "Password", kind="password", autocomplete="current-password", first=bool(name)),
            el("button", "Sign in", type="submit"),
            method="post",
            action="/login",
            aria_describedby="wrong" if wrong else None,
        ),
        el(
            "p",
            "No account, or the password is forgotten? Whoever runs the machine gives you one with ",
            el("code", "asleft users"),
            ".",
            class_="sub",
        ),
    )


def account(visitor: Visitor, since: str, faults: Sequence[str] = ()) -> str:
    """The page of one's own account: who one is, another password, signing out."""
    word = _hidden("_csrf_token", visitor.csrf)
    return _page(
        "Your account",
        el("p", el("a", "All presses", href="/"), class_="crumbs"),
        el("h1", f"You are signed in as {visitor.name}."),
        el("p", f"Your role is {visitor.role.value}. Signed in since {since}, from {visitor.address}.", class_="sub"),
        el("form", word, el("button", "Sign out", type="submit"), method="post", action="/logout"),
        el(
            "section",
            el("h2", "Another password"),
            el(
                "p",
                f"At least {SHORTEST} characters, without your name in it. Three or four words that have nothing to "
                "do with one another are easy to type. Everything signed in as you is signed out by the change.",
                class_="sub",
            ),
            _wrong(*faults),
            el(
                "form",
                word,
                _field("current", "Password until now", kind="password", autocomplete="current-password"),
                _field("new", "New password", kind="password", autocomplete="new-password"),
                _field("again", "New password, once more", kind="password", autocomplete="new-password"),
                el("button", "Change password", type="submit"),
                method="post",
                action="/account",
            ),
        ),
    )


def _page(title: str, *contents: Child) -> str:
    return join(
        Markup(_HEAD),
        el("title", f"{title} – Asleft"),
        Markup('</head><body><header class="top">'),
        el("a", "Asleft", href="/", class_="brand"),
        Markup('</header><main id="main" class="door">'),
        *contents,
        Markup("</main></body></html>"),
    )


def _field(
    name: str,
    label: str,
    *,
    kind: str = "text",
    value: str = "",
    autocomplete: str = "off",
    limit: int = LONGEST,
    first: bool = False,
) -> Markup:
    return el(
        "p",
        el("label", label, for_=name),
        el(
            "input",
            id=name,
            name=name,
            type=kind,
            value=value or None,
            autocomplete=autocomplete,
            autocapitalize="none",
            spellcheck="false",
            maxlength=str(limit),
            required=True,
            autofocus=first,
        ),
        class_="field",
    )


def _hidden(name: str, value: str) -> Markup:
    return el("input", type="hidden", name=name, value=value)


def _wrong(*sentences: str) -> Markup | None:
    said = [sentence for sentence in sentences if sentence]
    if not said:
        return None
    inner = el("ul", *(el("li", sentence) for sentence in said)) if len(said) > 1 else join(said[0])
    return el("div", inner, id="wrong", class_="wrong", role="alert")
