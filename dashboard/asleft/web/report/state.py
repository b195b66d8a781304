"""The report of a valve's state: as left, as found, what is uncertain, what was not observed and why."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from asleft.sheet.model import Sheet
from asleft.web import units
from asleft.web.figures.checked import ramps_figure
from asleft.web.figures.curve_paper import curve_svg, curve_words
from asleft.web.figures.history import history_svg
from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.report.paper import paper, picture
from asleft.web.source import Source
from asleft.web.stretch import Stretch
from asleft.web.svg import LARGE, deviation_strip
from asleft.web.views.curve import curve_view
from asleft.web.views.history import history_views
from asleft.web.views.ramps import RampsView, ramps_view
from asleft.web.views.valve import ValveView, valve_view
from asleft.web.views.valves import strip_words
from asleft.web.when import age
from asleft.web.words import CAUTIONS, STATE_WORDS, sentence_case
from asleft.web.words_check import DECISION_RULE, REPORT_NO_VALIDATION

DAY_S = 86_400.0
WEEK_NS = 7 * 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class FromFile:
    """What a report of a logger's file says where others speak of the stores. `seconds`: by state of the machine."""

    about: str
    seconds: Mapping[str, float]
    made_ns: int


def state_report(
    source: Source, valve: str, stretch: Stretch, version: str, *, size: str = "a4", told: FromFile | None = None
) -> str | None:
    """The document on paper of a `size`; None if no store has ever heard of the valve. `told`: of a logger's file."""
    view = valve_view(source, valve)
    if view is None:
        return None
    now = source.now_ns()
    record = source.records.sheet_in_force(valve, now)
    title = f"{view.name.spoken}, as found"
    made = source.time.full(now if told is None else told.made_ns)
    foot = f"{valve} · {view.sheet_words} · asleft {version} · made {made}, {source.time.name}"
    digest = hashlib.sha256(record.toml.encode()).hexdigest() if record is not None else ""
    return paper(
        title,
        foot,
        el("h1", view.sentence),
        el("p", _where(view, valve)),
        el("p", _as_of(source, stretch, told, made), class_="sub"),
        _strip(view),
        _table(view),
        _findings(view),
        _unseen(view),
        _diagrams(source, valve),
        _histories(source, valve) if told is None or stretch.seconds > DAY_S else None,  # an hour has no history
        _coverage(source, stretch, _seconds(source, valve, stretch) if told is None else told.seconds),
        el("h2", "How it was decided"),
        el("p", DECISION_RULE),
        *(el("p", remark) for remark in view.remarks),
        el("h2", "What it rests on"),
        el("p", told.about) if told is not None else None,
        el("p", f"Sheet: {view.sheet_words}. SHA-256 of its file: {digest}." if record else "No sheet is filed."),
        el("p", f"Software: asleft {version}. All times in {source.time.name}, 24 h."),
        el("div", el("h2", "Before anyone goes to the press"), el("ul", *(el("li", text) for text in CAUTIONS)),
           el("p", REPORT_NO_VALIDATION), class_="cautions"),
        size=size,
    )  # fmt: skip


def _where(view: ValveView, valve: str) -> str:
    said = [f"{view.name.spoken} ({valve})", f"{view.status_words} {view.since}".strip(), view.judged_until]
    return ". ".join(sentence_case(part) for part in said if part) + "."


def _strip(view: ValveView) -> Markup | None:
    if not view.strip:
        return None
    names = el("div", *(el("span", mark.label) for mark in view.strip), class_="names")
    words = strip_words(view.strip)
    return join(
        el("h2", "Deviation from as left, in percent of tolerance"),
        picture(deviation_strip(view.strip, LARGE, words)),
        names,
        el("p", words, class_="sub"),
    )


def _table(view: ValveView) -> Markup | None:
    if not view.lines:
        return None
    head = ["setting", "as left", "as found", "uncertainty", "tolerance", "used", "verdict"]
    rows = [
        el(
            "tr",
            el("th", line.label, scope="row"),
            *(
                el("td", text, class_="n")
                for text in (line.as_left, line.as_found, line.uncertainty, line.tolerance, line.used)
            ),
            el("td", line.verdict_words),
            class_=line.verdict,
        )
        for line in view.lines
    ]
    header = el(
        "tr", *(el("th", text, scope="col", class_="n" if 0 < k < 6 else None) for k, text in enumerate(head))
    )
    return join(
        el("h2", "As left and as found"),
        el(
            "table",
            el("caption", f"Uncertainty: expanded, 95 %. {units.current().note}".strip()),
            el("thead", header),
            el("tbody", *rows),
        ),
    )


def _findings(view: ValveView) -> Markup:
    if not view.findings:
        return join(el("h2", "Findings"), el("p", "None."))
    items = [
        el(
            "li",
            el("b", f"{finding.title}, {finding.since}. "),
            f"{finding.evidence} {finding.parts} {finding.look_first}",
            el("ul", *(el("li", text) for text in finding.consequences)) if finding.consequences else None,
        )
        for finding in view.findings
    ]
    return join(el("h2", "Findings"), el("ul", *items))


def _unseen(view: ValveView) -> Markup | None:
    rows = [el("li", f"{line.label}: {line.remark}") for line in view.lines if line.verdict == "not-observed"]
    return join(el("h2", "Not observed, and why"), el("ul", *rows)) if rows else None


def _diagrams(source: Source, valve: str) -> Markup | None:
    """Pressure against current and the ramps, as they were in the last production."""
    curve = curve_view(source, valve)
    drawn: list[tuple[str, Markup, str]] = []
    if curve is not None and (picture_of_curve := curve_svg(curve)) is not None:
        drawn.append(("pressure against current", picture_of_curve, curve_words(curve)))
    drawn += _ramps(ramps_view(source, valve), source.sheet(valve, source.now_ns()))
    if not drawn:
        return None
    figures = [
        el("figure", el("figcaption", name), picture(svg), el("p", words, class_="sub")) for name, svg, words in drawn
    ]
    return join(el("h2", "Characteristic and ramps"), el("div", *figures, class_="pictures"))


def _ramps(view: RampsView, sheet: Sheet | None) -> list[tuple[str, Markup, str]]:
    """Ramps as the page of the valve shows them, over the ramps of the sheet."""
    drawn = []
    for way in ("up", "down"):
        strokes = view.of(f"ramp_{way}")
        traces = [
            {"way": way, "time_s": one.time_s.tolist(), "share": (one.way if one.up else 1.0 - one.way).tolist()}
            for one in strokes
        ]
        svg = ramps_figure(traces, sheet, way) if sheet is not None else None
        if svg is not None:
            words = f"{len(strokes)} strokes over one another, scaled to the full span. {view.seen}"
            drawn.append((f"ramp {way}", svg, words))
    return drawn


def _histories(source: Source, valve: str) -> Markup | None:
    views = history_views(source, valve)
    if not views:
        return None
    figures = [
        el(
            "figure",
            el("figcaption", view.label),
            picture(history_svg(view, source.time)),
            el("p", f"{view.words} {view.outlook}".strip(), class_="sub"),
        )
        for view in views
    ]
    return join(el("h2", "History, three weeks"), el("div", *figures, class_="pictures"))


def _as_of(source: Source, stretch: Stretch, told: FromFile | None, made: str) -> str:
    if told is None:
        return f"As found at {made}, when this was made: values, findings and history are of then."
    return (
        f"As found in a recording from {source.time.full(stretch.from_ns)} to {source.time.full(stretch.to_ns)}. "
        "Nothing is known of before and after."
    )


def _seconds(source: Source, valve: str, stretch: Stretch) -> dict[str, float]:
    """Time in the stretch by state of the machine, as judged."""
    hours: dict[str, float] = {}
    for interval in source.records.intervals(valve, stretch.from_ns, stretch.to_ns):
        seen_s = min(interval.to_s, stretch.to_ns / 1e9) - max(interval.from_s, stretch.from_ns / 1e9)
        hours[interval.state.value] = hours.get(interval.state.value, 0.0) + max(seen_s, 0.0)
    return hours


def _coverage(source: Source, stretch: Stretch, hours: Mapping[str, float]) -> Markup:
    whole_s = (stretch.to_ns - stretch.from_ns) / 1e9
    unseen_s = max(whole_s - sum(hours.values()), 0.0)
    rows: list[list[Child]] = [
        [STATE_WORDS.get(state, state), age(seconds), f"{100 * seconds / whole_s:.1f} %"]
        for state, seconds in sorted(hours.items(), key=lambda item: -item[1])
    ]
    rows.append(["no data judged", age(unseen_s), f"{100 * unseen_s / whole_s:.1f} %"])
    words = f"From {source.time.full(stretch.from_ns)} to {source.time.full(stretch.to_ns)}."
    return join(
        el("h2", "Data coverage"),
        el(
            "p",
            words,
            " Only production is judged for pressure and drift, only an enabled driver for current and ramps.",
        ),
        table("Time by state of the machine", ["state", "time", "share"], rows, numeric=frozenset({1, 2})),
    )
