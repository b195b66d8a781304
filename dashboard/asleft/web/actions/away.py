"""Answers while a store cannot be reached: 503 with words, in a frame of its own.

Who asks may not be known now, so the frame shows what is no secret, and asks only for files open to everybody.
"""

from __future__ import annotations

from urllib.parse import quote

from asleft.store.accounts import Role
from asleft.web import nav
from asleft.web.access.visitor import present
from asleft.web.markup import Markup, el, join
from asleft.web.reach import TROUBLE, Place, Reach, Unreachable, is_away, place_of, plain
from asleft.web.source import Source
from asleft.web.views.away import BY_ITSELF, NOT_KNOWN, away_view, away_words
from flask import Flask, Response, request

HEADER = "X-Asleft-Away"
"""Carries the line for the head of an open page, percent-encoded; the pages' scripts show it."""
_DISPATCH = "/_dash-update-component"
_HEAD_OF_PAGE = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<link rel="icon" type="image/svg+xml" href="/assets/mark.svg"><link rel="stylesheet" href="/assets/style.css">'
    '<link rel="stylesheet" href="/assets/away.css"><script src="/assets/away.js" defer></script>'
)


def register(server: Flask, source: Source, reach: Reach) -> None:
    """Handle what the stores raise, and have every answer to an open page say what is away."""

    def _answer(error: Exception) -> Response:
        return answer(source, reach, error)

    server.register_error_handler(Unreachable, _answer)
    for kind in TROUBLE:
        if kind is not OSError:  # of the stores only what says so: other files are no business of this page
            server.register_error_handler(kind, _answer)

    @server.after_request
    def _head(response: Response) -> Response:
        lost = reach.away()
        if lost:
            words = away_words(lost, source.time, source.now_ns(), known=present() is not None)
            response.headers[HEADER] = quote(words)
        return response


def answer(source: Source, reach: Reach, error: Exception) -> Response:
    """503 for a store that cannot be reached. Raises what is no such thing."""
    if not isinstance(error, Unreachable):
        if not is_away(error):
            raise error
        error = Unreachable(place_of(error, Place.SAMPLES), source.now_ns(), plain(error))
    if request.path == _DISPATCH:
        made = Response(f"{error}\n" if present() is not None else "", 503, mimetype="text/plain")
    else:
        made = _page(source, error)
    made.headers["Retry-After"] = str(round(reach.retry_s) or 1)
    return made


def _page(source: Source, lost: Unreachable) -> Response:
    visitor, sent = present(), request.method not in ("GET", "HEAD")
    view = away_view(lost, source.time, source.now_ns(), known=visitor is not None)
    contents = el(
        "div",
        el("h1", view.headline),
        el("p", view.why, class_="sub") if view.why else None,
        el(
            "p",
            "What you sent was not kept. Go back in the browser: what you typed is still there. Send it once more "
            "when the pages are back.",
            class_="wrong",
            role="alert",
        )
        if sent
        else None,
        el("h2", "What to look at"),
        el("ul", *(el("li", text) for text in view.look)),
        el("p", view.kept),
        el("p", NOT_KNOWN if sent else f"{NOT_KNOWN} {BY_ITSELF}"),
        class_="away",
        data_away=None if sent else True,
    )
    role = visitor.role if visitor is not None else Role.VIEWER
    links = [el("a", e.words, href=e.href, aria_current=e.here or None) for e in nav.entries(request.path, role)]
    text = join(
        Markup(_HEAD_OF_PAGE),
        el("title", "Cannot be reached – Asleft"),
        Markup('</head><body><header class="top">'),
        el("a", "Asleft", href="/", class_="brand"),
        el("nav", *links, aria_label="Pages"),
        el("p", f"Plant time, {source.time.name} {source.time.full(source.now_ns())}", class_="time"),
        Markup('</header><main id="main">'),
        contents,
        Markup("</main></body></html>"),
    )
    return Response(text, 503, mimetype="text/html")
