"""The files that browsers get: where they are, and addresses under which they may be kept for good."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from flask import Flask, Response

FOLDER = Path(__file__).parent / "assets"
MARK = "m"
"""Names the query that carries a file's time: another file has another address."""
KEPT = "private, max-age=31536000, immutable"
"""For an address with that query, as RFC 8246 has it."""

JOINED = "/styles.css"
"""All of `STYLES` in one answer: twelve take longer to be found among what is kept than one to be read."""
#: Style sheets of every page, in the order in which they override each other.
STYLES = (
    *("palette.css", "style.css", "desk.css", "checked.css", "fleet.css", "guide.css", "tables.css", "units.css"),
    *("valve.css", "evidence.css", "night.css", "narrow.css", "wide.css", "paper.css"),
)


@cache
def address(name: str) -> str:
    """Of one of our files. Raises `FileNotFoundError` for a name that is none."""
    return f"/assets/{name}?{MARK}={(FOLDER / name).stat().st_mtime_ns // 10**6}"


@cache
def joined() -> bytes:
    """The style sheets of every page, one after the other."""
    return b"\n".join((FOLDER / name).read_bytes() for name in STYLES)


@cache
def joined_address() -> str:
    """Of the joined style sheets."""
    return f"{JOINED}?{MARK}={hashlib.sha256(joined()).hexdigest()[:12]}"


def serve_joined(server: Flask) -> None:
    """Answer at `JOINED`."""

    @server.get(JOINED)
    def _styles() -> Response:
        return Response(joined(), mimetype="text/css")
