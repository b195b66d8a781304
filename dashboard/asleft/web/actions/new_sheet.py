"""The route on which the first sheet of a valve begins: which valve it is for."""

from __future__ import annotations

from asleft.sheet.identity import is_valve_id
from asleft.web.access.visitor import current
from asleft.web.frame import Frame, field
from asleft.web.markup import el
from asleft.web.source import Source
from asleft.web.views.sheets import sheet_href, sheet_rows
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

BAD_ID = "must be of a-z, 0-9, - and dots, begin and end with a letter or digit, and have at most 64 characters"


def register(server: Flask, source: Source) -> None:
    """Add the route."""

    @server.get("/sheets/new")
    def _new() -> Response:
        valve = request.args.get("valve", "").strip()
        if valve and is_valve_id(valve):
            href = sheet_href(valve)
            return redirect(href if source.records.sheets(valve) else f"{href}/revise", 303)
        return _page(Frame(source, current()), source, valve)


def _page(frame: Frame, source: Source, typed: str) -> Response:
    seen = [row for row in sheet_rows(source) if row.record is None]
    known = el(
        "section",
        el("h2", "Valves that send and have no sheet"),
        el("ul", *(el("li", el("a", row.name.id, href=row.revise_href), f" – {row.words}") for row in seen)),
    )
    form = el(
        "form",
        field(
            "valve",
            "Valve id",
            value=typed[:80],
            hint="As the agent's settings have it, as press-1.platen: of a-z, 0-9, - and dots. Never used again for "
            "another valve.",
            fault=f"{typed[:64]!r} {BAD_ID}" if typed else "",
            required=True,
            limit=64,
        ),
        el("button", "Begin its first sheet", type="submit"),
        method="get",
        action="/sheets/new",
        novalidate=True,
    )
    return frame.page(
        "A first sheet",
        el("p", el("a", "Sheets", href="/sheets"), class_="crumbs"),
        el("h1", "Of which valve is the first sheet?"),
        el("p", "A sheet may be filed before its valve has sent anything.", class_="sub"),
        known if seen else None,
        el("section", el("h2", "Another one") if seen else None, form),
        status=400 if typed else 200,
    )
