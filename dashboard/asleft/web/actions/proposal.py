"""The page of proposals: settings for wanted pressures, read off a recorded sweep. It changes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.judge.propose.propose import propose
from asleft.sheet.model import Sheet
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.figures.checked import steps_figure
from asleft.web.fragments import proposal as fragments
from asleft.web.fragments.checked import pictures, steps_table
from asleft.web.fragments.verification import cautions
from asleft.web.frame import Frame, said
from asleft.web.markup import Child, details, el, join
from asleft.web.plant_times import typed_ns
from asleft.web.source import Source
from asleft.web.stretch import BadStretch, Stretch, time_in
from asleft.web.views import proposal as views
from asleft.web.views.checks import LONGEST_S, LOOK_BACK_NS, Checks
from asleft.web.views.sheets import sheet_href
from asleft.web.views.valves import ValveName, valve_name
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

NO_SHEET = (
    "This valve has no sheet. Proposals need one with its id, its command signal and any one setting; and in the "
    "data the command, coil current and pressure of a sweep 0-100-0 %."
)


@dataclass(frozen=True, slots=True)
class ProposalPage:
    """Proposals, over what the route needs."""

    source: Source
    checks: Checks

    def one(self, valve: str) -> Response:
        """Choose a sweep, say what is wanted, see what would give it."""
        frame, now = Frame(self.source, current()), self.source.now_ns()
        sheet = self.source.sheet(valve, now)
        if sheet is None and valve not in self.source.valves():
            return frame.page(
                "No such valve",
                el("h1", f"Nothing is known of a valve “{valve[:64]}”."),
                el("p", el("a", "All sheets", href="/sheets"), class_="sub"),
                status=404,
            )
        name = valve_name(valve, sheet)
        title = f"Proposals for {name.spoken}"
        if sheet is None:
            make = el("a", "Make its sheet", href=f"{sheet_href(valve)}/revise") if frame.may_enter else frame.why_not
            return frame.page(title, _crumbs(name, valve), el("h1", NO_SHEET), el("p", make, class_="sub"))
        typed = views.typed_in(request.args)
        try:
            return self._page(frame, valve, name, sheet, typed)
        except BadStretch as bad:
            again = el("a", "Begin again", href=views.proposal_href(valve, None, typed))
            return frame.page(
                title, _crumbs(name, valve), said(str(bad), wrong=True),
                el("h1", f"Proposals for the {name.spoken}."), el("p", again), status=400,
            )  # fmt: skip

    def _page(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet, typed: Mapping[str, str]) -> Response:
        now, shown = self.source.now_ns(), units.current()
        looked, chosen = Stretch(now - LOOK_BACK_NS, now), self._chosen()
        if request.args.get("plant_from"):
            looked = self._looked()
            if request.args.get("do") == "take":
                return redirect(views.proposal_href(valve, _short(looked), typed), 303)
        sweeps = self.checks.sweeps(valve, sheet, looked)
        wanted, faults = views.wanted_of(typed, shown)
        opening = f"Which settings would give the {name.spoken} the pressures wanted?"
        contents: list[Child] = []
        if chosen is not None:
            made = self.checks.check(valve, sheet, chosen)
            if made is None:
                opening = "Nothing was recorded in this stretch."
            elif made.sweep is None:
                opening = "There is no sweep 0-100-0 % in this stretch: nothing can be proposed of it."
                contents = [el("ul", *(el("li", text) for text in made.missing))]
            else:
                proposals, steps = propose(sheet, made, wanted), made.as_json()["steps"]
                opening = fragments.opening(proposals)
                why = f"proposed from the sweep of {self.source.time.full(round(made.sweep.from_s * 1e9))}"
                href = views.revise_href(valve, proposals, why)
                picture = steps_figure(steps, sheet, shown, marks=fragments.marks_of(wanted, shown))
                contents = [
                    fragments.proposals_table(proposals),
                    el("div", el("a", "Take these into a revision", href=href, class_="button"), class_="way-on")
                    if href and frame.may_enter
                    else el("p", frame.why_not, class_="sub"),
                    pictures([("Pressure against current", picture)]),
                    details("Every step of the sweep", steps_table(made.as_json(), shown), key="steps"),
                ]
        return frame.page(
            f"Proposals for {name.spoken}",
            _crumbs(name, valve),
            el("h1", opening),
            el("p", fragments.PROPOSES, class_="sub"),
            el("p", shown.note, class_="sub") if shown.note else None,
            cautions(),
            fragments.wanted_form(valve, chosen, typed, faults, shown),
            el("section", el("h2", "What would give it"), join(*contents)) if contents else None,
            fragments.choose(self.source, valve, sweeps, looked, chosen, typed),
            status=400 if faults else 200,
        )

    def _chosen(self) -> Stretch | None:
        if "from" not in request.args and "to" not in request.args:
            return None
        return _short(_ordered(*(time_in(k, request.args.get(k, "")) for k in ("from", "to"))))

    def _looked(self) -> Stretch:
        ends = [typed_ns(self.source.time, key, request.args.get(key, "")) for key in ("plant_from", "plant_to")]
        looked = _ordered(*ends)
        if looked.seconds > 2 * LOOK_BACK_NS / 1e9:
            raise BadStretch("From, to: sweeps are looked for in 16 hours at most.")
        return looked


def register(server: Flask, source: Source, checks: Checks) -> None:
    """Add the route."""
    page = ProposalPage(source, checks)

    @server.get("/sheets/<valve>/proposal")
    def _proposal(valve: str) -> Response:
        return page.one(valve)


def _ordered(from_ns: int, to_ns: int) -> Stretch:
    if not from_ns < to_ns:
        raise BadStretch("from must lie before to.")
    return Stretch(from_ns, to_ns)


def _short(stretch: Stretch) -> Stretch:
    if stretch.seconds > LONGEST_S:
        raise BadStretch(f"from, to: {stretch.seconds / 3600:.1f} hours; a stretch with a sweep takes 2 at most.")
    return stretch


def _crumbs(name: ValveName, valve: str) -> Child:
    return el(
        "p", el("a", "Sheets", href="/sheets"), " / ", f"{name.press} / " if name.press else None,
        el("a", name.name, href=sheet_href(valve)), " / proposals", class_="crumbs",
    )  # fmt: skip
