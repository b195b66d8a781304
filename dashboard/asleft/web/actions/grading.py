"""What the pages of verification and of its records have in common: which sheet, which stretch, graded once."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.sheet.model import Sheet
from asleft.store.protocols import SheetRecord
from asleft.web.frame import Frame
from asleft.web.markup import el
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch, time_in
from asleft.web.views.checks import LONGEST_S, Checks
from asleft.web.views.valves import ValveName, valve_name
from flask import request
from werkzeug.wrappers import Response

NO_SHEET = "This valve has no sheet: nothing can be graded before there is one."


@dataclass(frozen=True, slots=True)
class Grading:
    """Over the stores, and what was graded a moment ago."""

    source: Source
    checks: Checks

    def known(
        self, valve: str, at_ns: int | None = None
    ) -> tuple[ValveName, Sheet | None, SheetRecord | None] | None:
        """Name and sheet of a valve; None for a valve nobody knows.

        The sheet is that in force at `at_ns`, or now; where none was yet, the one of now, which came of that sweep.
        """
        now = self.source.now_ns()
        record = self.source.records.sheet_in_force(valve, now if at_ns is None else at_ns)
        record = record or self.source.records.sheet_in_force(valve, now)
        if record is None and valve not in self.source.valves():
            return None
        sheet = None if record is None else self.source.parsed(record)
        return valve_name(valve, sheet), sheet, record

    def stretch(self, from_ns: int, to_ns: int) -> Stretch:
        """A stretch that can be graded. Raises `BadStretch`."""
        if not from_ns < to_ns:
            raise BadStretch("from must lie before to.")
        if to_ns - from_ns > LONGEST_S * 10**9:
            raise BadStretch(f"from, to: {(to_ns - from_ns) / 3.6e12:.1f} hours; a verification takes 2 at most.")
        return Stretch(from_ns, to_ns)

    def found_in(self) -> Stretch | None:
        """The stretch that the address names as found, if it names one. Raises `BadStretch`."""
        if "found_from" not in request.args:
            return None
        return self.stretch(*(time_in(k, request.args.get(k, "")) for k in ("found_from", "found_to")))

    def missing(self, frame: Frame, valve: str) -> Response:
        """The answer for a valve that nobody knows."""
        return frame.page(
            "No such valve",
            el("h1", f"Nothing is known of a valve “{valve[:64]}”."),
            el("p", el("a", "All presses", href="/"), class_="sub"),
            status=404,
        )
