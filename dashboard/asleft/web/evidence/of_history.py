"""A quantity before and after: points with uncertainty, as left with tolerance, onset, forecast to the limit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from asleft.judge.decide import coverage_factor
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.evidence.picture import (
    Axis,
    Band,
    Curve,
    FloatArray,
    Level,
    Mark,
    NoPicture,
    Picture,
    Role,
    Row,
    Shape,
    Upright,
    ends,
)
from asleft.web.evidence.subject import Subject, judged
from asleft.web.source import Source
from asleft.web.views.history import HistoryView, TrendLine, history_view, sheets_in
from asleft.web.views.valves import Json
from asleft.web.words import sentence_case

DAY_NS = 86_400 * 10**9
#: Shown before the onset, as a share of what came since, and at least and at most.
_BEFORE_SHARE, _BEFORE_NS = 0.6, (DAY_NS // 2, 14 * DAY_NS)
_USUAL_NS, _LONGEST_NS = 14 * DAY_NS, 60 * DAY_NS
#: Of the stretch: how far into the future a forecast is drawn.
_AHEAD = 0.6
_ROOM_NS = 60 * 10**9
_FEWEST = 3  # points that a mean with an uncertainty rests on


def history_picture(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """The history of the quantity that has used most of its tolerance, of those of which the finding speaks."""
    stretch = _stretch(source, subject)
    pieces = sheets_in(source, subject.valve, *stretch)
    # A cut current leaves the setting where it was: only the headroom has moved then.
    cut = subject.kind == "current-clipped"
    names = [name for name in subject.quantities if not cut or name == "headroom"]
    views = [history_view(source, subject.valve, name, stretch, judgement, pieces) for name in names]
    known = [view for view in views if view is not None]
    if not known:
        return NoPicture("No history of it is kept in this stretch.")
    view = max(known, key=lambda one: _used(judgement, one.quantity))
    return _picture(source, subject, view, judgement)


def _stretch(source: Source, subject: Subject) -> tuple[int, int]:
    to_ns = source.now_ns() if subject.until_ns is None else min(subject.until_ns + DAY_NS, source.now_ns())
    if subject.onset_ns is None or subject.onset_ns >= to_ns:
        return to_ns - _USUAL_NS, to_ns
    before = round((to_ns - subject.onset_ns) * _BEFORE_SHARE)
    from_ns = subject.onset_ns - min(max(before, _BEFORE_NS[0]), _BEFORE_NS[1])
    return max(from_ns, to_ns - _LONGEST_NS), to_ns


def _used(judgement: Json | None, quantity: str) -> float:
    found = judged(judgement, quantity)
    return abs(float(found.get("tolerance_used") or 0.0))


def _picture(source: Source, subject: Subject, view: HistoryView, judgement: Json | None) -> Picture:
    shown, time, name = units.current(), source.time, view.quantity
    first = int(view.time_ns[0])
    view = replace(view, from_ns=max(view.from_ns, first - max((view.to_ns - first) // 20, _ROOM_NS)))
    factor = shown.shown(name, 1.0)
    at = time.plot_ms(view.time_ns)
    values, spread = view.values * factor, 2.0 * view.spread * factor
    onset = subject.onset_ns
    until = view.to_ns if subject.until_ns is None else subject.until_ns
    old = view.time_ns < onset if onset is not None else np.zeros(at.size, dtype=bool)
    out = view.beyond
    curves = [
        Curve(Role.BEFORE, at[old], values[old], Mark.DOTS, spread=spread[old]),
        Curve(Role.FOUND, at[~old & ~out], values[~old & ~out], Mark.DOTS, spread=spread[~old & ~out]),
        Curve(Role.OUT, at[~old & out], values[~old & out], Mark.DOTS, spread=spread[~old & out]),
    ]
    stands = (view.time_ns >= (onset or 0)) & (view.time_ns <= until)
    was = _mean(view.values[old])
    found = judged(judgement, name)
    now: tuple[float, float] | None = None
    if subject.until_ns is None and found.get("as_found") is not None:
        now = float(found["as_found"]), float(found.get("uncertainty") or math.nan)
    else:
        now = _mean(view.values[stands])
    to_ns, trend_bands, trend_curves, uprights = _trend(source, view, factor)
    bands, levels, left_line = _left(source, view, factor, to_ns)
    said = []
    for role, words, value, from_ns, end_ns in (
        (Role.BEFORE, "before", was, view.from_ns, onset or view.from_ns),
        (Role.OUT if found.get("verdict") == "out" else Role.FOUND, "now" if subject.until_ns is None else "then",
         now, max(onset or view.from_ns, view.from_ns), until),
    ):  # fmt: skip
        if value is None or end_ns <= from_ns:
            continue
        text = _value(shown, name, *value)
        said.append(f"{words} {text} {shown.unit_of(name)}")
        ends_ms = np.array([time.plot_ms_one(from_ns), time.plot_ms_one(end_ns)])
        if words == "before" or view.trend is None:
            curves.append(Curve(role, ends_ms, np.full(2, value[0] * factor), label=f"{words} {text}"))
        else:  # a drift has no one value since its onset: where it is now stands at the newest point
            u = np.array([0.0 if math.isnan(value[1]) else value[1] * factor])
            curves.append(Curve(role, ends_ms[1:], np.array([value[0] * factor]), Mark.DOTS, f"{words} {text}", u))
    if onset is not None and view.from_ns <= onset <= view.to_ns:
        words = f"▲ since {time.moment(onset, source.now_ns())}"
        uprights.append(Upright(Role.ONSET, time.plot_ms_one(onset), words))
        said.append(words.removeprefix("▲ "))
    if subject.until_ns is not None and subject.until_ns <= view.to_ns:
        gone = f"gone {time.moment(subject.until_ns, source.now_ns())}"
        uprights.append(Upright(Role.LEFT, time.plot_ms_one(subject.until_ns), gone))
    edges = [edge for band in bands for edge in (band.low, band.high)]
    y_low, y_high = ends(values, left_line.y, [one.y for one in levels], *edges, *(one.y for one in curves))
    left = f"left at {shown.quantity(name, view.as_left)}" if view.as_left is not None else ""
    title = sentence_case(f"{LABELS[name]}: {', '.join(part for part in (left, *said) if part)}.")
    x = Axis("plant time", time.name, time.plot_ms_one(view.from_ns), time.plot_ms_one(to_ns), clock=True)
    row = Row(Axis(LABELS[name], shown.unit_of(name), y_low, y_high), [left_line, *trend_curves, *curves],
              [*bands, *trend_bands], levels)  # fmt: skip
    return Picture(
        Shape.HISTORY, title, f"{title} {view.words} {view.outlook}".strip(), x, [row], uprights,
        tuple(values.tolist()), _spark_ends(view, factor, values),
    )  # fmt: skip


def _spark_ends(view: HistoryView, factor: float, values: FloatArray) -> tuple[float, float]:
    """The row of a line spans the tolerance at least, or it would make a drama of noise."""
    marks = [v * factor for v in (view.low, view.high, view.as_left) if v is not None]
    return min([*marks, float(values.min())]), max([*marks, float(values.max())])


def _mean(values: FloatArray) -> tuple[float, float] | None:
    """Mean and its expanded uncertainty by scatter; None of too few."""
    if values.size < _FEWEST:
        return None
    u = coverage_factor(values.size - 1.0) * float(np.std(values, ddof=1)) / math.sqrt(values.size)
    return float(np.mean(values)), u


def _value(shown: units.Pressures, name: str, value: float | None, u: float | None) -> str:
    number = shown.number(name, value)
    if value is None or u is None or not math.isfinite(u):
        return number
    spread = f"{shown.shown(name, u):.{shown.decimals(name, value) + 1}f}"  # one digit finer than the value
    return f"{number} ±{spread}" if float(spread) > 0.0 else number


def _left(source: Source, view: HistoryView, factor: float, to_ns: int) -> tuple[list[Band], list[Level], Curve]:
    """Tolerance of each revision as a band, as left as a line in steps; the newest reach to the end."""
    bands, levels = [], []
    lines_x: list[float] = []
    lines_y: list[float] = []
    for step in view.steps:
        if step.to_ns <= view.from_ns:
            continue
        last = step is view.steps[-1]
        x = source.time.plot_ms(
            np.array([max(step.from_ns, view.from_ns), to_ns if last else step.to_ns], dtype=np.int64)
        )
        if step.low is not None and step.high is not None:
            bands.append(Band(Role.TOLERANCE, x, np.full(2, step.low * factor), np.full(2, step.high * factor),
                              "tolerance" if last else ""))  # fmt: skip
        elif last and (step.low is not None or step.high is not None):
            edge = step.low if step.low is not None else step.high
            words = "least allowed" if step.low is not None else "most allowed"
            levels.append(Level(Role.LIMIT, (edge or 0.0) * factor, words))
        lines_x += [*x.tolist(), math.nan]
        lines_y += [math.nan if step.as_left is None else step.as_left * factor] * 2 + [math.nan]
    label = "" if view.as_left is None else f"as left {units.current().number(view.quantity, view.as_left)}"
    return bands, levels, Curve(Role.LEFT, np.array(lines_x), np.array(lines_y), label=label)


def _trend(source: Source, view: HistoryView, factor: float) -> tuple[int, list[Band], list[Curve], list[Upright]]:
    """Where the picture ends, the fan and line of the trend, and when it reaches the tolerance."""
    trend = view.trend
    if trend is None:
        return view.to_ns, [], [], []
    to_ns = _until(view, trend)
    at = np.array([max(trend.from_ns, view.from_ns), to_ns], dtype=np.int64)
    x = source.time.plot_ms(at)
    line = np.array([trend.value_at(float(one)) for one in at]) * factor
    curves = [Curve(Role.TREND, x, line, label="trend")]
    bands = []
    if trend.low_per_day is not None and trend.high_per_day is not None:
        ahead = np.array([trend.at_ns, to_ns], dtype=np.int64)
        sides = [np.array([trend.value_at(float(one), slope) for one in ahead]) * factor
                 for slope in (trend.low_per_day, trend.high_per_day)]  # fmt: skip
        bands.append(Band(Role.TREND, source.time.plot_ms(ahead), np.minimum(*sides), np.maximum(*sides)))
    uprights = []
    if trend.reaches_ns is not None and view.to_ns < trend.reaches_ns <= to_ns:
        uprights.append(Upright(Role.TREND, source.time.plot_ms_one(trend.reaches_ns),
                                f"limit about {source.time.day(trend.reaches_ns)}"))  # fmt: skip
    if to_ns > view.to_ns:
        uprights.append(Upright(Role.LEFT, source.time.plot_ms_one(view.to_ns), "now"))
    return to_ns, bands, curves, uprights


def _until(view: HistoryView, trend: TrendLine) -> int:
    if trend.reaches_ns is None or trend.reaches_ns <= view.to_ns:
        return view.to_ns
    span = view.to_ns - view.from_ns
    return min(trend.reaches_ns + span // 20, view.to_ns + round(span * _AHEAD))
