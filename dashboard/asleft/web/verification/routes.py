"""The routes of verification: watch one as it is done, find one in what was recorded, grade a stretch."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.judge.verify.published import check_json
from asleft.sheet.model import Sheet
from asleft.store.verifications import VerificationRecord, Verifications
from asleft.web import checked, units
from asleft.web.access.visitor import current
from asleft.web.csv_files import file_of
from asleft.web.csv_text import utc
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import check_href, csv_of_stretch, record_href
from asleft.web.markup import Child
from asleft.web.templates import macro
from asleft.web.verification.records import NO_SHEET, Grading, check_table
from asleft.web.views.checks import LONGEST_S, LOOK_BACK_NS, gradable, typed_in
from asleft.web.views.valves import ValveName, valve_name
from asleft.web.when import BadStretch, Stretch, age, for_field, time_in
from asleft.web.words import HOW_TO, number, plural
from flask import Flask, redirect, request
from werkzeug.wrappers import Response


@dataclass(frozen=True, slots=True)
class VerificationPages:
    """Watching and grading, over what the routes need."""

    grading: Grading
    filed: Verifications

    def all(self) -> Response:
        """Every valve and its newest record."""
        frame, now, newest = Frame(self.grading.source, current()), self.grading.source.now_ns(), self.filed.newest()
        rows: list[list[Child]] = []
        for valve in self.grading.source.valves():
            name = valve_name(valve, self.grading.source.sheet(valve, now))
            last = newest.get(valve)
            words = "never verified here"
            if last is not None:
                at = self.grading.source.time.moment(last[1], now)
                words = f"record {last[0]}, {at}, {'' if last[2] else 'not '}accepted"
            rows.append([macro("common.html", "link", check_href(valve), name.spoken), words])
        done = sum(valve in newest for valve in self.grading.source.valves())
        headline = _verified(done, len(rows))
        return frame.filled("Verification", "verification/list.html", headline=headline, rows=rows)

    def one(self, valve: str) -> Response:
        """Where a verification begins; or, with a stretch, what it says."""
        frame = Frame(self.grading.source, current())
        known = self.grading.known(valve)
        if known is None:
            return self.grading.missing(frame, valve)
        name, sheet, _ = known
        if sheet is None:
            return self.grading.refused(frame, valve, name, "", NO_SHEET)
        try:
            if "from" in request.args:
                return self._graded(frame, valve, name, sheet)
            return self._begin(frame, valve, name, sheet)
        except BadStretch as bad:
            return self.grading.refused(frame, valve, name, str(bad), f"Verify the {name.spoken}.")

    def _begin(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet) -> Response:
        now, before = self.grading.source.now_ns(), self.grading.found_in()
        looked = Stretch(now - LOOK_BACK_NS, now)
        if request.args.get("plant_from"):
            grade = request.args.get("do") == "grade"
            looked = typed_in(self.grading.source.time, request.args, graded=grade)
            if grade:
                return redirect(check_href(valve, looked, before=before), 303)
        sweeps = self.grading.checks.sweeps(valve, sheet, looked)
        filed, time = self.filed.of(valve), self.grading.source.time
        last = f"Last verified {time.full(filed[-1].at_ns)}, record {filed[-1].number}." if filed else ""
        return frame.filled(
            f"Verify {name.spoken}",
            "verification/begin.html",
            valve=valve,
            name=name,
            now_ns=now,
            before=before,
            last=last,
            how_to=HOW_TO,
            sweeps=[
                (one, age(one.lasted_s)) for one in sweeps if before is None or one.stretch.from_ns >= before.to_ns
            ],
            looked=looked,
            kept=() if before is None else (utc(before.from_ns), utc(before.to_ns)),
            typed=[for_field(time, at_ns).replace("T", " ") for at_ns in (looked.from_ns, looked.to_ns)],
            records=[self._filed(valve, one) for one in reversed(filed)],
        )

    def _filed(self, valve: str, one: VerificationRecord) -> list[Child]:
        """A record as a row."""
        link = macro("common.html", "link", record_href(valve, one.number), f"record {one.number}")
        decided = "accepted" if one.accepted else "not accepted"
        return [link, self.grading.source.time.full(one.at_ns), one.who, decided, f"sheet {one.sheet_number}"]

    def _graded(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet) -> Response:
        now, live = self.grading.source.now_ns(), "to" not in request.args
        from_ns = time_in("from", request.args["from"])
        to_ns = now if live else time_in("to", request.args["to"])
        if live and to_ns - from_ns > LONGEST_S * 10**9:
            to_ns, live = from_ns + LONGEST_S * 10**9, False
        stretch = gradable(from_ns, to_ns)
        before, of_then = self.grading.found_in(), self.grading.known(valve, to_ns)
        sheet = of_then[1] if of_then is not None and of_then[1] is not None else sheet
        made = self.grading.checks.check(valve, sheet, stretch)
        shown = None if made is None else check_json(made)
        state = ""
        if made is not None:
            state = f"Graded against sheet {made.sheet_revision}."
            if live:
                state += f" Watching since {self.grading.source.time.moment(from_ns, now)}. {made.progress}"
        return frame.filled(
            f"Verification of {name.spoken}",
            "verification/graded.html",
            valve=valve,
            name=name,
            where="watching" if live else self.grading.source.time.moment(from_ns, now),
            live=live,
            made=made,
            sentence="" if shown is None else checked.sentence(shown),
            state=state,
            done="" if shown is None else checked.done_list(shown),
            graded="" if shown is None else checked.body(shown, sheet, self.grading.source.time, units.current()),
            stretch=stretch,
            before=before,
            csv=csv_of_stretch(valve, "verification", from_ns, to_ns),
        )

    def table(self, valve: str) -> Response:
        """A graded stretch as a table."""
        frame = Frame(self.grading.source, current())
        try:
            stretch = gradable(*(time_in(key, request.args.get(key, "")) for key in ("from", "to")))
            known = self.grading.known(valve, stretch.to_ns)
            if known is None or known[1] is None:
                return self.grading.missing(frame, valve)
            made = self.grading.checks.check(valve, known[1], stretch)
            if made is None:
                raise BadStretch("from, to: nothing was recorded in this stretch.")
        except BadStretch as bad:
            return frame.missing("No table", str(bad), check_href(valve), "Begin again", 400)
        table = check_table(
            f"{valve}-verification", [("", check_json(made))], self.grading.source.time, units.current()
        )
        return file_of(table, self.grading.source.now_ns())


def _verified(done: int, total: int) -> str:
    """How many valves have a record, as people say it."""
    if total == 0:
        return "No valve yet."
    if done == 0:
        return "No valve has a verification record here yet."
    if done == total:
        return "Every valve has a verification record here."
    verb = plural(done, "has", "have")
    return f"{number(done, first=True)} of {number(total)} valves {verb} a verification record here."


def register(server: Flask, grading: Grading, filed: Verifications) -> None:
    """Add the routes."""
    pages = VerificationPages(grading, filed)

    answered(server, "/verification", pages.all)
    answered(server, "/verification/<valve>", pages.one)
    answered(server, "/csv/<valve>/verification", pages.table)
