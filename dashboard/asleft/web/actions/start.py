"""The route of the first-run guide."""

from __future__ import annotations

from asleft.web.access.visitor import Access, current
from asleft.web.fragments.start import steps
from asleft.web.frame import Frame
from asleft.web.markup import el
from asleft.web.source import Source
from asleft.web.views.start import start_view
from flask import Flask
from werkzeug.wrappers import Response


def register(server: Flask, source: Source, access: Access) -> None:
    """Add the route."""

    @server.get("/start")
    def _start() -> Response:
        view = start_view(source, accounts=access.closed)
        frame = Frame(source, current())
        return frame.page(
            "From nothing to the first sheet",
            el(
                "div",
                el("h1", view.headline),
                el("p", "This page follows by itself what has arrived.", class_="sub"),
                id="opening",
                class_="opening",
                data_renew=True,
            ),
            el("div", steps(view, frame.why_not), id="steps", data_renew=True),
        )
