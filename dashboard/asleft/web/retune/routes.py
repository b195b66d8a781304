"""The routes of a retune, before against after, adjusted, as a page and on paper; and what both show."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

from asleft.judge.compare import Change
from asleft.sheet.names import format_uncertainty
from asleft.web import units
from asleft.web.access.visitor import current
from asleft.web.checked import ramp_numbers, ramps_figure, steps_figure
from asleft.web.csv_files import file_of
from asleft.web.csv_text import Cell, Csv
from asleft.web.frame import Frame
from asleft.web.hrefs import RETUNE_ENDS, retune_href
from asleft.web.markup import Markup
from asleft.web.paper import document, paper, styled
from asleft.web.retune.view import (
    MARGIN_SHARE,
    Line,
    RetuneView,
    around_onset,
    checked_stretches,
    has_production,
    proposed,
    retune_view,
    stretches_in,
)
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.units import BAR, Pressures
from asleft.web.when import BadStretch, Stretch, for_field, typed_ns
from asleft.web.words import DECISION_RULE, REPORT_NO_VALIDATION, VERDICT_WORDS
from flask import Flask, redirect, request
from werkzeug.wrappers import Response

# What the page of a retune and its paper show: sentence, table, pictures, rule.

_FINEST = 6
"""Digits after the point at the most."""


def contents(source: Source, view: RetuneView, shown: Pressures) -> Markup:
    """Sentence, table, pictures, rule."""
    time = source.time
    spans = [f"{time.full(s.from_ns)} to {time.full(s.to_ns)}" for s in (view.before, view.after)]
    bases = {line.basis for line in view.lines if line.change is not None}
    return filled(
        "retune/contents.html",
        view=view,
        subline=f"Before: {spans[0]}, {view.hours[0]:.1f} hours of production. "
        f"After: {spans[1]}, {view.hours[1]:.1f} hours. "
        f"Judged by sheet {view.record.number}, “{view.record.why}”.",
        rows=[_row(line, shown, told=len(bases) > 1) for line in view.lines],
        out={k: "out" for k, line in enumerate(view.lines) if line.verdict == "out"},
        compared_by=next(iter(bases)) if len(bases) == 1 else "",
        drawn=[
            ("Pressure against current",
             steps_figure(view.steps_after, view.sheet, shown, before=view.steps_before)),
            ("Ramp up", ramps_figure(view.traces_after, view.sheet, "up", before=view.traces_before)),
            ("Ramp down", ramps_figure(view.traces_after, view.sheet, "down", before=view.traces_before)),
        ],
        levels=_levels(view, shown),
        unit=shown.unit,
        ramps=ramp_numbers(view.traces_after, view.traces_before),
        margin_share=f"{MARGIN_SHARE:g}",
        decision_rule=DECISION_RULE,
    )  # fmt: skip


def _levels(view: RetuneView, shown: Pressures) -> list[list[str]]:
    """What the picture of pressure against current shows."""
    return [
        [f"{of}, {step['way']}", f"{step['current_a']['found']:.3f}", shown.figure(step["pressure_bar"]["found"])]
        for of, steps in (("before", view.steps_before), ("after", view.steps_after))
        for step in steps
        if step["current_a"]["found"] is not None and step["pressure_bar"]["found"] is not None
    ]


def _row(line: Line, shown: Pressures, *, told: bool) -> list[str]:
    """One setting; `told`: not all were compared by the same."""
    name, change = line.quantity, line.change
    numbers, test = ["–"] * 4, line.basis
    if change is not None:
        numbers = [
            shown.number(name, change.before),
            shown.number(name, change.after),
            _signed(name, change.change, change, shown),
            _interval(name, change, shown),
        ]
        p = "below 0.001" if change.p_different < 1e-3 else f"{change.p_different:.3f}"
        margin = format_uncertainty(shown.shown(name, change.margin))
        same = "below 0.001" if change.p_same < 1e-3 else f"{change.p_same:.3f}"
        test = f"{change.test}, p {p}; the same within {margin}: p {same}"
        test += f"; {line.basis}" if told else ""
    left = "–" if line.as_left is None else shown.number(name, line.as_left)
    named = f"{line.label}, {shown.unit_of(name)}"
    return [named, *numbers, line.word, left, VERDICT_WORDS[line.verdict], test]


def _signed(name: str, value: float, change: Change, shown: Pressures) -> str:
    """A difference with its sign, so fine that both ends of its interval can be told apart, with two digits of it."""
    text = f"{shown.shown(name, value):+.{_decimals(name, change, shown)}f}"
    return "0" if float(text) == 0.0 else text.replace("-", "−")


def _decimals(name: str, change: Change, shown: Pressures) -> int:
    usual = shown.decimals(name, change.before) + 1
    reach = shown.shown(name, change.high - change.low) / 2.0
    needed = 1 - math.floor(math.log10(reach)) if reach > 0.0 and math.isfinite(reach) else usual
    return min(max(usual, needed), _FINEST)


def _interval(name: str, change: Change, shown: Pressures) -> str:
    """Both ends; of readings that never moved by a count the digit within which that is known."""
    low, high = (_signed(name, one, change, shown) for one in (change.low, change.high))
    if low != high:
        return f"{low} to {high}"
    least = f"±{10.0 ** -_decimals(name, change, shown):g}"
    return f"within {least}" if low == "0" else f"{low} {least}"


def retune_report(source: Source, view: RetuneView, version: str, shown: Pressures = BAR, *, size: str = "a4") -> str:
    """The whole document, for reading, printing and keeping. `size`: of its pages, "a4" or "letter"."""
    now = source.now_ns()
    title = f"Retune of {view.name.spoken}"
    foot = f"{view.valve} · sheet {view.record.number} · asleft {version} · made {source.time.full(now)}"
    digest = hashlib.sha256(view.record.toml.encode()).hexdigest()
    inner = filled(
        "retune/paper.html",
        title=title,
        contents=styled(contents(source, view, shown)),
        record=view.record,
        digest=digest,
        version=version,
        zone=source.time.name,
        no_validation=REPORT_NO_VALIDATION,
    )
    return paper(title, foot, inner, size=size)


RETUNE_COLUMNS = (
    "name", "before", "after", "change", "change_low", "change_high", "unit", "in_a_word", "test", "p_different",
    "p_same", "margin", "as_left", "verdict_after", "basis",
)  # fmt: skip


def retune_table(view: RetuneView, shown: Pressures) -> Csv:
    """A row per setting; the interval is for 95 %."""
    rows: list[list[Cell]] = []
    for line in view.lines:
        name, change = line.quantity, line.change
        if change is None:
            rows.append([name, *[None] * 5, shown.unit_of(name), line.word, *[None] * 4,
                         None if line.as_left is None else shown.shown(name, line.as_left), line.verdict,
                         line.basis])  # fmt: skip
            continue
        numbers = [
            shown.shown(name, v) for v in (change.before, change.after, change.change, change.low, change.high)
        ]
        rows.append(
            [
                name, *numbers, shown.unit_of(name), line.word, change.test, change.p_different, change.p_same,
                shown.shown(name, change.margin), None if line.as_left is None else shown.shown(name, line.as_left),
                line.verdict, line.basis,
            ]
        )  # fmt: skip
    return Csv(f"{view.valve}-retune", RETUNE_COLUMNS, rows)


PAPERS = (("Report to print", "html"), ("Report as PDF", "pdf"), ("CSV", "csv"))
SINCE = "the leading finding stands"


@dataclass(frozen=True, slots=True)
class RetunePages:
    """Comparing, over what the routes need."""

    source: Source
    version: str

    def one(self, valve: str, kind: str = "") -> Response:
        """The comparison, round a revision unless the address says other."""
        frame = Frame(self.source, current())
        if valve not in self.source.valves():
            return self._said(frame, f"Nothing is known of a valve “{valve[:64]}”.", 404)
        try:
            typed = self._typed()
            if typed is not None:
                return redirect(retune_href(valve, *typed), 303)
            both, note = stretches_in(request.args), ""
            if both is None:
                both, note = self._proposed(valve)
        except BadStretch as bad:
            return self._said(frame, str(bad), 400, valve)
        if both is None:
            return self._said(frame, "This valve has no sheet: there is no retune to compare round.", 404, valve)
        view = retune_view(self.source, valve, *both)
        if view is None:
            return self._said(frame, "No sheet was in force at the end of these stretches.", 404, valve)
        shown = units.current()
        if kind == "csv":
            return file_of(retune_table(view, shown), self.source.now_ns())
        if kind:
            text = retune_report(self.source, view, self.version, shown)
            return document(text, kind, f"{valve}-retune", frame)
        return self._page(frame, view, shown, note)

    def _page(self, frame: Frame, view: RetuneView, shown: units.Pressures, note: str) -> Response:
        now, time = self.source.now_ns(), self.source.time
        ends = (
            ("plant_before_from", "Before, from", view.before.from_ns), ("plant_before_to", "to", view.before.to_ns),
            ("plant_after_from", "After, from", view.after.from_ns), ("plant_after_to", "to", view.after.to_ns),
        )  # fmt: skip
        return frame.filled(
            f"Retune of {view.name.spoken}",
            "retune/retune.html",
            view=view,
            note=note,
            contents=contents(self.source, view, shown),
            papers=PAPERS,
            ends=[(name, label, for_field(time, at).replace("T", " ")) for name, label, at in ends],
            others=[
                (one, time.moment(one.at_ns, now))
                for one in self.source.records.sheets(view.valve)
                if one.at_ns < now and one.number != view.record.number
            ],
        )

    def _typed(self) -> tuple[Stretch, Stretch] | None:
        names = [f"plant_{key}" for key in RETUNE_ENDS]
        if not any(name in request.args for name in names):
            return None
        return checked_stretches(*(typed_ns(self.source.time, name, request.args.get(name, "")) for name in names))

    def _proposed(self, valve: str) -> tuple[tuple[Stretch, Stretch] | None, str]:
        """Round a revision; where nothing was produced round the newest, round since when something is found."""
        text = request.args.get("revision")
        if text is not None and not (text.isascii() and text.isdigit() and len(text) < 9):
            raise BadStretch(f"revision = {text[:40]!r}: wanted is the number of a revision.")
        number = None if text is None else int(text)
        both = proposed(self.source, valve, number)
        if both is None and number is not None:
            raise BadStretch(f"revision = {number}: this valve has no such revision in force yet.")
        if number is None and both is not None and not has_production(self.source, valve, both):
            onset = around_onset(self.source, valve)
            if onset is not None:
                at = self.source.time.moment(onset[1].from_ns, self.source.now_ns())
                return (
                    onset,
                    f"Nothing was produced round the newest revision: this is round {at}, since when {SINCE}.",
                )
        return both, ""

    def _said(self, frame: Frame, words: str, status: int, valve: str = "") -> Response:
        href, text = (retune_href(valve), "Begin again") if valve and status == 400 else ("/", "All presses")
        return frame.refused("Retune", words, "There is nothing to compare here.", href, text, status)


def register(server: Flask, source: Source, version: str) -> None:
    """Add the routes."""
    pages = RetunePages(source, version)

    @server.get("/retune/<valve>")
    def _retune(valve: str) -> Response:
        kind = next(
            (k for k in ("html", "pdf", "csv") if valve.endswith(f".{k}") and valve not in source.valves()), ""
        )
        return pages.one(valve.removesuffix(f".{kind}") if kind else valve, kind)
