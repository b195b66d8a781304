"""Answers while a store cannot be reached: 503 with words, in a frame of its own.

Who asks may not be known now, so the frame shows what is no secret, and asks only for files open to everybody.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from asleft.store.accounts import Role
from asleft.store.trouble import TROUBLE, is_away, plain
from asleft.web.access.roles import PROBES
from asleft.web.access.visitor import present
from asleft.web.availability import HEADER, Availability, Place, Unreachable, place_of
from asleft.web.frame import document, links
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.when import PlantTime
from flask import Flask, Response, request

_DISPATCH = "/_dash-update-component"


def register(server: Flask, source: Source, availability: Availability) -> None:
    """Handle what the stores raise, and have every answer to an open page say what is away."""

    def _answer(error: Exception) -> Response:
        return answer(source, availability, error)

    server.register_error_handler(Unreachable, _answer)
    for kind in TROUBLE:
        if kind is not OSError:  # of the stores only what says so: other files are no business of this page
            server.register_error_handler(kind, _answer)

    @server.after_request
    def _head(response: Response) -> Response:
        lost = availability.away()
        if lost and request.path not in PROBES:
            words = away_words(lost, source.time, source.now_ns(), known=present() is not None)
            response.headers[HEADER] = quote(words)
        return response


def answer(source: Source, availability: Availability, error: Exception) -> Response:
    """503 for a store that cannot be reached. Raises what is no such thing."""
    if not isinstance(error, Unreachable):
        if not is_away(error):
            raise error
        error = Unreachable(place_of(error, Place.SAMPLES), source.now_ns(), plain(error))
    if request.path == _DISPATCH:
        made = Response(f"{error}\n" if present() is not None else "", 503, mimetype="text/plain")
    else:
        made = _page(source, error)
    made.headers["Retry-After"] = str(round(availability.retry_s) or 1)
    return made


def _page(source: Source, lost: Unreachable) -> Response:
    visitor, sent = present(), request.method not in ("GET", "HEAD")
    view = away_view(lost, source.time, source.now_ns(), known=visitor is not None)
    contents = filled("away/away.html", view=view, sent=sent, not_known=NOT_KNOWN, by_itself=BY_ITSELF)
    text = document(
        "Cannot be reached",
        contents,
        scripts=("away.js",),
        nav=links(request.path, visitor.role if visitor is not None else Role.VIEWER),
        time=source.time,
        now_ns=source.now_ns(),
    )
    return Response(text, 503, mimetype="text/html")


NOT_KNOWN = "What the presses do is not known here meanwhile: no news is no good news."
BY_ITSELF = "This page comes back by itself as soon as they can be."
_WHAT = {Place.SAMPLES: "The readings", Place.RECORDS: "The records (sheets, judgements, alarms, accounts)"}
_KEPT = {
    Place.SAMPLES: (
        "Nothing is lost by this page: agents keep every block until the recorder has stored it. Sheets, judgements "
        "and alarms are kept elsewhere and stay as they are."
    ),
    Place.RECORDS: (
        "Nothing is lost by this page: agents keep every block until the recorder has stored it, and what was stored "
        "before is judged as soon as the records are back."
    ),
}


@dataclass(frozen=True, slots=True)
class AwayView:
    """The page."""

    headline: str
    why: str
    look: list[str]
    kept: str


def away_view(lost: Unreachable, time: PlantTime, now_ns: int, *, known: bool) -> AwayView:
    """In words. `known`: whether it is known who looks; whoever is not signed in learns no address and no path."""
    since = f" since {time.moment(lost.since_ns, now_ns)}"
    return AwayView(
        headline=f"{_WHAT[lost.place]} cannot be reached{since}.",
        why=f"What came back: {lost.why.rstrip('.')}." if known else "",
        look=_look(lost) if known else ["Tell whoever runs the machine that the dashboard is on."],
        kept=_KEPT[lost.place],
    )


def away_words(lost: Sequence[Unreachable], time: PlantTime, now_ns: int, *, known: bool) -> str:
    """One line for the head of an open page; empty where nothing is away. `known` as above."""
    if not lost:
        return ""
    first = lost[0]
    what = " and ".join([_WHAT[first.place].split(" (")[0], *(one.place.value for one in lost[1:])])
    why = f" ({first.why[:120].rstrip('.')})" if known else ""
    return (
        f"{what} cannot be reached since {time.moment(first.since_ns, now_ns)}{why}. What you see may be "
        "that old; it goes on by itself."
    )


def _look(lost: Unreachable) -> list[str]:
    if "locked" in lost.why:
        return [
            "Another program holds the database: is a backup or a copy of the data folder being made?",
            "Does somebody have the file open in another program? Close it there; nothing else is needed.",
        ]
    if "disk" in lost.why or "malformed" in lost.why or "not a database" in lost.why:
        return [
            "Is the disk of the data folder full, or failing? Its fill and the system's log say so.",
            "Do not delete or move anything in the data folder before there is a copy of all of it.",
        ]
    if lost.place is Place.SAMPLES and "http" in lost.why:
        return [
            "Does the server that keeps the readings run, and has its disk room?",
            "Does the network between it and this machine work? Has its address, token or certificate changed?",
            "If the recorder cannot reach it either, the health page says so.",
        ]
    if "unable to open" in lost.why or "No such file" in lost.why or "Permission" in lost.why:
        return ["Is the data folder still there, its disk mounted, and may the dashboard still read it?"]
    return [
        "Does the database server run, and has its disk room? If the data are in files: is the data folder there?",
        "Does the network between it and this machine work? Has its address, password or certificate changed?",
    ]
