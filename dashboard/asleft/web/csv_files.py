"""Tables as answers: what a page shows, as CSV for a spreadsheet or a script. They only read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain

from asleft.web.access.visitor import current
from asleft.web.csv_text import Csv, text_of
from asleft.web.frame import Frame
from asleft.web.source import Source
from asleft.web.when import BadStretch, Stretch, stretch_in
from flask import Response, request

MINUTE_NS = 60 * 10**9
DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class Offer:
    """What a table's address may say, how long its stretch is by itself, and at most."""

    known: tuple[str, ...] = ()
    usual_ns: int = DAY_NS
    most_s: float | None = None


STATIC = Offer()


@dataclass(frozen=True, slots=True)
class TableFiles:
    """Tables of what the stores hold."""

    source: Source

    def whole(self, make: Callable[[], Csv]) -> Response:
        """A table of the plant."""
        try:
            stretch_in(request.args, self.source.now_ns(), DAY_NS, known=())
        except BadStretch as fault:
            return self._said(str(fault), 400)
        return self._file(make())

    def of_valve(self, valve: str, offer: Offer, make: Callable[[Stretch], Csv]) -> Response:
        """A table of one valve, of the stretch that the address names within the offer."""
        if valve not in self.source.valves():
            return self._said(f"There is no valve “{valve[:64]}” here.", 404)
        try:
            now = self.source.now_ns()
            stretch = stretch_in(request.args, now, offer.usual_ns, known=offer.known, most_s=offer.most_s)
            return self._file(make(stretch))
        except BadStretch as fault:
            return self._said(str(fault), 400)

    def _file(self, table: Csv) -> Response:
        return file_of(table, self.source.now_ns())

    def _said(self, words: str, status: int) -> Response:
        return Frame(self.source, current()).missing("No table", words, status=status)


def file_of(table: Csv, now_ns: int) -> Response:
    """A table as an answer that is kept as a file."""
    pieces = text_of(table)
    first = next(pieces)  # whatever is wrong with the store shows now, while it can still be said
    made = datetime.fromtimestamp(now_ns // 10**9, UTC)
    answer = Response(_utf8(chain([first], pieces)), mimetype="text/csv")
    answer.headers["Content-Type"] = "text/csv; charset=utf-8; header=present"
    answer.headers["Content-Disposition"] = f'attachment; filename="asleft-{table.name}-{made:%Y%m%dT%H%M%SZ}.csv"'
    return answer


def _utf8(pieces: Iterator[str]) -> Iterator[bytes]:
    return (piece.encode() for piece in pieces)
