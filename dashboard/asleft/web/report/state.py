"""The report of a valve's state: as left, as found, what is uncertain, what was not observed and why."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from asleft.sheet.model import Sheet
from asleft.web import units
from asleft.web.checked import ramps_figure
from asleft.web.control_chart import history_svg
from asleft.web.evidence.screen import on_paper
from asleft.web.figures import Chart
from asleft.web.markup import LARGE, Markup, deviation_strip
from asleft.web.paper import paper, picture
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.valve.view import ValveView, valve_view
from asleft.web.views.curve import CurveView, curve_view
from asleft.web.views.history import history_views
from asleft.web.views.ramps import RampsView, ramps_view
from asleft.web.views.valves import strip_words
from asleft.web.when import Stretch, age
from asleft.web.words import DECISION_RULE, REPORT_NO_VALIDATION, STATE_WORDS, sentence_case

DAY_S = 86_400.0
DASH = "–"
WEEK_NS = 7 * 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class FromFile:
    """What a report of a logger's file says where others speak of the stores. `seconds`: by state of the machine."""

    about: str
    seconds: Mapping[str, float]
    made_ns: int
    readings: str = ""  # which file, in short


def state_report(
    source: Source, valve: str, stretch: Stretch, version: str, *, size: str = "a4", told: FromFile | None = None
) -> str | None:
    """The document on paper of a `size`; None if no store has ever heard of the valve. `told`: of a logger's file."""
    view = valve_view(source, valve)
    if view is None:
        return None
    now = source.now_ns()
    record = source.records.effective_sheet(valve, now)
    title = f"{view.name.spoken}, as found"
    made = source.time.full(now if told is None else told.made_ns)
    foot = f"{valve} · {view.sheet_words} · asleft {version} · made {made}, {source.time.name}"
    digest = hashlib.sha256(record.toml.encode()).hexdigest() if record is not None else ""
    seconds = _seconds(source, valve, stretch) if told is None else told.seconds
    inner = filled(
        "report/state.html",
        view=view,
        where=_where(view, valve),
        as_of=_as_of(source, stretch, told, made),
        strip=picture(deviation_strip(view.strip, LARGE, strip_words(view.strip))) if view.strip else "",
        basis=_basis(view, told, digest),
        lines=[line for line in view.lines if line.as_left != DASH or line.as_found != DASH],  # else listed below
        note=units.current().note,
        pictures=[on_paper(finding.picture) for finding in view.findings],
        diagrams=_diagrams(source, valve),
        # an hour has no history
        histories=_histories(source, valve) if told is None or stretch.seconds > DAY_S else [],
        covered=f"From {source.time.full(stretch.from_ns)} to {source.time.full(stretch.to_ns)}.",
        coverage=_coverage(stretch, seconds),
        decision_rule=DECISION_RULE,
        about="" if told is None else told.about,
        digest=digest,
        version=version,
        zone=source.time.name,
        no_validation=REPORT_NO_VALIDATION,
    )
    return paper(title, foot, inner, size=size)


def _where(view: ValveView, valve: str) -> str:
    said = [f"{view.name.spoken} ({valve})", f"{view.status_words} {view.since}".strip(), view.judged_until]
    return ". ".join(sentence_case(part) for part in said if part) + "."


def _diagrams(source: Source, valve: str) -> list[tuple[str, Markup, str]]:
    """Pressure against current and the ramps, as they were in the last production."""
    curve = curve_view(source, valve)
    drawn: list[tuple[str, Markup, str]] = []
    if curve is not None and (picture_of_curve := curve_svg(curve)) is not None:
        drawn.append(("pressure against current", picture_of_curve, curve_words(curve)))
    drawn += _ramps(ramps_view(source, valve), source.sheet(valve, source.now_ns()))
    return [(name, picture(svg), words) for name, svg, words in drawn]


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


def _histories(source: Source, valve: str) -> list[tuple[str, Markup, str]]:
    return [
        (view.label, picture(history_svg(view, source.time)), f"{view.words} {view.outlook}".strip())
        for view in history_views(source, valve)
    ]


def _as_of(source: Source, stretch: Stretch, told: FromFile | None, made: str) -> str:
    if told is None:
        return f"As found at {made}, when this was made: values, findings and history are of then."
    return (
        f"As found in a recording from {source.time.full(stretch.from_ns)} to {source.time.full(stretch.to_ns)}. "
        "Nothing is known of before and after."
    )


def _basis(view: ValveView, told: FromFile | None, digest: str) -> str:
    """What the verdicts above rest on, in short; all of it stands at the end."""
    readings = f"the readings of {told.readings}" if told is not None and told.readings else "the readings recorded"
    sheet = f"{view.sheet_words} (SHA-256 {digest[:12]}…)" if digest else "no sheet"
    return (
        f"Rests on {readings}, held against {sheet}. In: the deviation and all of its uncertainty (95 %) lie within "
        "the tolerance; out: all of it lies beyond; else undecided."
    )


def _seconds(source: Source, valve: str, stretch: Stretch) -> dict[str, float]:
    """Time in the stretch by state of the machine, as judged."""
    hours: dict[str, float] = {}
    for interval in source.records.intervals(valve, stretch.from_ns, stretch.to_ns):
        seen_s = min(interval.to_s, stretch.to_ns / 1e9) - max(interval.from_s, stretch.from_ns / 1e9)
        hours[interval.state.value] = hours.get(interval.state.value, 0.0) + max(seen_s, 0.0)
    return hours


def _coverage(stretch: Stretch, hours: Mapping[str, float]) -> list[list[str]]:
    whole_s = (stretch.to_ns - stretch.from_ns) / 1e9
    unseen_s = max(whole_s - sum(hours.values()), 0.0)
    rows = [
        [STATE_WORDS.get(state, state), age(seconds), f"{100 * seconds / whole_s:.1f} %"]
        for state, seconds in sorted(hours.items(), key=lambda item: -item[1])
    ]
    return [*rows, ["no data judged", age(unseen_s), f"{100 * unseen_s / whole_s:.1f} %"]]


def curve_svg(view: CurveView) -> Markup | None:
    """The picture; None where there are neither dots nor a curve. Rising: filled, up; falling: open, down."""
    currents = np.concatenate([view.rising_a, view.falling_a, view.left_a])
    if currents.size == 0:
        return None
    bars = units.current()
    left = np.concatenate([view.left_rising_bar, view.left_falling_bar])
    pressures = np.concatenate([view.rising_bar, view.falling_bar, left])
    top = float(pressures.max()) + (view.tolerance_bar[1] if view.tolerance_bar is not None else 0.0)
    room_a = max(float(np.ptp(currents)) * 0.04, 0.005)
    chart = Chart(
        (float(currents.min()) - room_a, float(currents.max()) + room_a),
        (min(0.0, bars.pressure(float(pressures.min()))), bars.pressure(max(top * 1.06, 1.0))),
        "coil current, A",
        f"pressure, {bars.unit}",
    )

    def shown(at_bar: np.ndarray) -> list[float]:
        return [bars.pressure(value) for value in at_bar.tolist()]

    if view.left_a.size:
        at_a = view.left_a.tolist()
        if view.band_bar is not None:
            low, high = view.band_bar
            chart.area(at_a, shown(low), shown(high))
        chart.line(at_a, shown(view.left_rising_bar), "left")
        chart.line(at_a, shown(view.left_falling_bar), "left")
    chart.dots(view.rising_a.tolist(), shown(view.rising_bar), "up")
    chart.dots(view.falling_a.tolist(), shown(view.falling_bar), "before down")
    return chart.svg(curve_words(view))


def curve_words(view: CurveView) -> str:
    """The picture in words."""
    return (
        f"Pressure against coil current. {view.seen} {view.basis} {view.rising_a.size} dots rising (filled), "
        f"{view.falling_a.size} falling (open)."
    )
