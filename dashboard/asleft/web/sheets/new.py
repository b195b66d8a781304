"""The route on which the first sheet of a valve begins: which valve it is for."""

from __future__ import annotations

from asleft.web.access.visitor import current
from asleft.web.frame import Frame
from asleft.web.hrefs import sheet_href
from asleft.web.sheets.view import sheet_rows
from asleft.web.source import Source
from asleft.wire.topics import valid_valve
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

BAD_ID = "must be of a-z, 0-9, - and dots, begin and end with a letter or digit, and have at most 64 characters"


def register(server: Flask, source: Source) -> None:
    """Add the route."""

    @server.get("/sheets/new")
    def _new() -> Response:
        valve = request.args.get("valve", "").strip()
        if valve and valid_valve(valve):
            href = sheet_href(valve)
            return redirect(href if source.records.sheets(valve) else f"{href}/revise", 303)
        seen = [row for row in sheet_rows(source) if row.record is None]
        fault = f"{valve[:64]!r} {BAD_ID}" if valve else ""
        frame, status = Frame(source, current()), 400 if valve else 200
        return frame.filled("A first sheet", "sheets/new.html", status=status, seen=seen, typed=valve, fault=fault)
