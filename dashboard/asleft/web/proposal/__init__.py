"""Settings proposed for wanted pressures, read off a recorded sweep. It changes nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from asleft.judge.propose import Proposed, Wanted, propose
from asleft.judge.verify.published import check_json
from asleft.sheet.model import Sheet
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.checked import steps_figure, steps_table
from asleft.web.csv_text import utc
from asleft.web.frame import Frame, answered
from asleft.web.hrefs import proposal_href, sheet_href
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.units import Pressures, plus_minus
from asleft.web.views.checks import LOOK_BACK_NS, Checks, gradable, typed_in
from asleft.web.views.valves import ValveName, valve_name
from asleft.web.when import BadStretch, Stretch, age, for_field, time_in
from asleft.web.words import sentence_case
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

# What somebody wants of a valve, as an address says it in their unit, and the way from proposals to a revision.

#: What is taken for a pressure (bar), and for a change of pressure (bar/s, above zero).
LOWEST_BAR, HIGHEST_BAR = 0.0, 1000.0
FIELDS: Mapping[str, str] = {
    "zero": "Pressure at zero command",
    "full": "Pressure at full command",
    "rate": "Fastest change of pressure",
}
_LONGEST_TEXT = 40
_DIGITS: Mapping[str, int] = {"A": 4, "s": 3}


def wanted_in(args: Mapping[str, str]) -> dict[str, str]:
    """What is wanted, as it was typed; empty text where nothing was."""
    return {name: args.get(name, "").strip()[: _LONGEST_TEXT + 1] for name in FIELDS}


def wanted_of(typed: Mapping[str, str], shown: Pressures) -> tuple[Wanted, dict[str, str]]:
    """What is wanted, in bar and bar/s, and what is wrong by field: in words. What is wrong is not asked for."""
    bar: dict[str, float | None] = {}
    faults = {}
    per_bar = shown.pressure(1.0)
    for name in FIELDS:
        text, unit = typed.get(name, ""), f"{shown.unit} per second" if name == "rate" else shown.unit
        bar[name] = None
        if not text:
            continue
        number = _number(text)
        if number is None:
            faults[name] = f"{text[:_LONGEST_TEXT]!r} is no number, as {100.0 * per_bar:.6g}"
            continue
        # A limit as it is printed in another unit is still inside.
        if not LOWEST_BAR <= number / per_bar <= HIGHEST_BAR * (1.0 + 1e-5) or (name == "rate" and number <= 0.0):
            low = "above 0" if name == "rate" else "0"
            faults[name] = f"{text[:_LONGEST_TEXT]} {unit}: wanted is {low} to {HIGHEST_BAR * per_bar:.6g} {unit}"
            continue
        bar[name] = number / per_bar
    zero, full = bar["zero"], bar["full"]
    if zero is not None and full is not None and not zero < full:
        faults["full"] = "it must be higher than the pressure at zero command"
        bar["full"] = None
    return Wanted(bar["zero"], bar["full"], bar["rate"]), faults


def _number(text: str) -> float | None:
    """A number with a point or a comma for decimals; None for anything else."""
    try:
        value = float(text.replace(",", ".")) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def revise_href(valve: str, proposals: Sequence[Proposed], why: str) -> str:
    """Address of the form of the next revision with what was proposed in it; empty where nothing was."""
    values = {
        one.quantity: f"{one.value:.{_DIGITS[one.unit]}f}"
        for one in proposals
        if one.quantity and one.value is not None
    }
    return f"{sheet_href(valve)}/revise?{urlencode({**values, 'why': why})}" if values else ""


NO_SHEET = (
    "This valve has no sheet. Proposals need one with its id, its command signal and any one setting; and in the "
    "data the command, coil current and pressure of a sweep 0-100-0 %."
)

_DECIMALS: Mapping[str, int] = {"A": 3, "s": 2, "%": 1}


@dataclass(frozen=True, slots=True)
class Ready:
    """What is proposed: rows, the address of a revision with it (or None), the sweep drawn and as a table."""

    rows: list[list[str]]
    href: str | None
    picture: Markup | None
    steps: Markup


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
            return frame.missing(
                "No such valve", f"Nothing is known of a valve “{valve[:64]}”.", "/sheets", "All sheets"
            )
        name = valve_name(valve, sheet)
        title = f"Proposals for {name.spoken}"
        if sheet is None:
            return _none(frame, title, valve, name, NO_SHEET)
        typed = wanted_in(request.args)
        try:
            return self._page(frame, valve, name, sheet, typed)
        except BadStretch as bad:
            again = proposal_href(valve, None, typed)
            return _none(frame, title, valve, name, f"Proposals for the {name.spoken}.", str(bad), again)

    def _page(self, frame: Frame, valve: str, name: ValveName, sheet: Sheet, typed: Mapping[str, str]) -> Response:
        now, shown = self.source.now_ns(), units.current()
        looked, chosen = Stretch(now - LOOK_BACK_NS, now), self._chosen()
        if request.args.get("plant_from"):
            take = request.args.get("do") == "take"
            looked = typed_in(self.source.time, request.args, graded=take)
            if take:
                return redirect(proposal_href(valve, looked, typed), 303)
        sweeps = self.checks.sweeps(valve, sheet, looked)
        wanted, faults = wanted_of(typed, shown)
        opening = f"Which settings would give the {name.spoken} the pressures wanted?"
        ready: Ready | None = None
        missing: Sequence[str] = ()
        if chosen is not None:
            made = self.checks.check(valve, sheet, chosen)
            if made is None:
                opening = "Nothing was recorded in this stretch."
            elif made.sweep is None:
                opening = "There is no sweep 0-100-0 % in this stretch: nothing can be proposed of it."
                missing = made.missing
            else:
                proposals = propose(sheet, made, wanted)
                opening = opening_of(proposals)
                why = f"proposed from the sweep of {self.source.time.full(round(made.sweep.from_s * 1e9))}"
                ready = Ready(
                    [_row(one) for one in proposals],
                    revise_href(valve, proposals, why),
                    steps_figure(check_json(made)["steps"], sheet, shown, marks=marks_of(wanted, shown)),
                    steps_table(check_json(made), shown),
                )
        return frame.filled(
            f"Proposals for {name.spoken}",
            "proposal/proposal.html",
            status=400 if faults else 200,
            valve=valve,
            name=name,
            now_ns=now,
            opening=opening,
            shown=shown,
            fields=FIELDS,
            kept={} if chosen is None else {"from": utc(chosen.from_ns), "to": utc(chosen.to_ns)},
            typed=typed,
            faults=faults,
            made=ready,
            missing=missing,
            sweeps=[(one, age(one.lasted_s), _same(one.stretch, chosen)) for one in sweeps],
            looked=looked,
            ends=[for_field(self.source.time, at_ns).replace("T", " ") for at_ns in (looked.from_ns, looked.to_ns)],
        )

    def _chosen(self) -> Stretch | None:
        if "from" not in request.args and "to" not in request.args:
            return None
        return gradable(*(time_in(k, request.args.get(k, "")) for k in ("from", "to")))


def register(server: Flask, source: Source, checks: Checks) -> None:
    """Add the route."""
    page = ProposalPage(source, checks)

    answered(server, "/sheets/<valve>/proposal", page.one)


def _none(
    frame: Frame, title: str, valve: str, name: ValveName, words: str, wrong: str = "", again: str = ""
) -> Response:
    given = {"valve": valve, "name": name, "words": words, "wrong": wrong, "again": again}
    return frame.filled(title, "proposal/none.html", status=400 if wrong else 200, **given)


def _row(one: Proposed) -> list[str]:
    """A number with its uncertainty and where it comes from, or why there is none."""
    value = "–" if one.value is None else f"{one.value:.{_DECIMALS[one.unit]}f} {one.unit}"
    uncertainty = "–" if one.value is None else plus_minus(one.uncertainty)
    return [sentence_case(one.label), value, uncertainty, sentence_case(one.basis)]


def _same(one: Stretch, chosen: Stretch | None) -> bool:
    """Whether they are one, to the millisecond that an address keeps."""
    return chosen is not None and [utc(t) for t in (one.from_ns, one.to_ns)] == [
        utc(t) for t in (chosen.from_ns, chosen.to_ns)
    ]


def opening_of(proposals: Sequence[Proposed]) -> str:
    """What a colleague would say of them."""
    found = {one.quantity: one.value for one in proposals if one.quantity and one.value is not None}
    words = {"current_at_zero": "{:.3f} A at zero", "current_at_full": "{:.3f} A at full command",
             "ramp_up": "{:.2f} s up", "ramp_down": "{:.2f} s down"}  # fmt: skip
    said = [text.format(found[name]) for name, text in words.items() if name in found]
    return f"Proposed: {', '.join(said)}." if said else "Nothing can be proposed of this yet."


def marks_of(wanted: Wanted, shown: Pressures) -> list[tuple[str, float]]:
    """What the picture marks: words and bar."""
    both = (("at zero", wanted.zero_bar), ("at full", wanted.full_bar))
    return [(f"wanted {words}: {shown.text(bar)}", bar) for words, bar in both if bar is not None]
