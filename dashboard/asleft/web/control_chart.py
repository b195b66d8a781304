"""The history of one quantity as a small control chart in SVG.

Dots with whiskers, as left in steps of the revisions, tolerance, dead zone, onset, and the trend with its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.web import units
from asleft.web.markup import Markup, el
from asleft.web.views.history import HistoryView
from asleft.web.when import PlantTime

WIDTH, HEIGHT = 400.0, 176.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 10.0, 14.0, 24.0
#: Of the picture's span: how far into the future a trend is drawn.
AHEAD = 0.5
TICKS = 4


def history_svg(view: HistoryView, time: PlantTime) -> Markup:
    """The picture; its words are its accessible name."""
    scale = Scale(view.from_ns, view.to_ns, _until(view), *_limits(view))
    pieces = [*_left(view, scale), *_trend(view, scale), *_points(view, scale), _onset(view, scale)]
    levels = [(value, strong) for value, strong in ((view.as_left, True), (view.high, False), (view.low, False))]
    told = [(v, units.current().number(view.quantity, v), strong) for v, strong in levels if v is not None]
    pieces += [*labels(scale, told), *_ticks(scale, time)]
    return drawn(scale, pieces, f"{view.words} {view.outlook}".strip())


def drawn(scale: Scale, pieces: Sequence[Markup | None], words: str) -> Markup:
    """The picture; `words` are its accessible name."""
    box = f"0 0 {WIDTH:.0f} {scale.height:.0f}"
    return el("svg", *pieces, viewBox=box, class_="history", role="img", aria_label=words)


@dataclass(frozen=True, slots=True)
class Scale:
    """From moments (unix ns) and values to places. `to_ns` lies beyond `now_ns` where a trend is drawn."""

    from_ns: int
    now_ns: int
    to_ns: int
    low: float
    high: float
    height: float = HEIGHT

    @property
    def right(self) -> float:
        """Where the present, or the end of the trend, is drawn."""
        return WIDTH - RIGHT

    @property
    def bottom(self) -> float:
        """Where the lowest value is drawn."""
        return self.height - BOTTOM

    def x(self, at_ns: float) -> float:
        """Pixels from the left."""
        return LEFT + (at_ns - self.from_ns) / (self.to_ns - self.from_ns) * (self.right - LEFT)

    def y(self, value: float) -> float:
        """Pixels from the top, kept within the picture."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.bottom - share * (self.bottom - TOP)


def _left(view: HistoryView, scale: Scale) -> list[Markup]:
    """Tolerance and as left of each revision, the latest also for what is still to come; marks where one began."""
    bands, lines, marks = "", "", ""
    for step in view.steps:
        a, b = scale.x(step.from_ns), scale.x(step.to_ns if step is not view.steps[-1] else scale.to_ns)
        if step.low is not None or step.high is not None:
            top = scale.y(step.high) if step.high is not None else TOP
            base = scale.y(step.low) if step.low is not None else scale.bottom
            bands += f"M{a:.1f} {top:.1f}H{b:.1f}V{base:.1f}H{a:.1f}Z"
        if step.as_left is not None:
            lines += f"M{a:.1f} {scale.y(step.as_left):.1f}H{b:.1f}"
        if step.from_ns > view.from_ns:
            marks += f"M{a:.1f} {TOP - 4:.1f}V{scale.bottom:.1f}"
    zone = ""
    if view.zone is not None:
        a = scale.x(view.steps[-1].from_ns)
        zone = "".join(f"M{a:.1f} {scale.y(edge):.1f}H{scale.right:.1f}" for edge in view.zone)
    shown = ((bands, "band"), (zone, "zone"), (lines, "left"), (marks, "revised"))
    return [el("path", d=d, class_=name) for d, name in shown if d]


def _points(view: HistoryView, scale: Scale) -> list[Markup]:
    whiskers, dots, out = "", "", ""
    rows = zip(view.time_ns.tolist(), view.values.tolist(), view.spread.tolist(), view.beyond.tolist(), strict=True)
    for at_ns, value, spread, beyond in rows:
        x, y = scale.x(at_ns), scale.y(value)
        top, base = scale.y(value + 2 * spread), scale.y(value - 2 * spread)
        if np.isfinite(spread) and base - top > 4:
            whiskers += f"M{x:.1f} {top:.1f}V{base:.1f}"
        if beyond:
            out += f"M{x:.1f} {y - 3.4:.1f}l3.4 3.4l-3.4 3.4l-3.4 -3.4Z"
        else:
            dots += f"M{x:.1f} {y:.1f}h0"
    shown = ((whiskers, "whisker"), (dots, "dot"), (out, "beyond"))
    return [el("path", d=d, class_=name) for d, name in shown if d]


def _trend(view: HistoryView, scale: Scale) -> list[Markup]:
    """The line over the points it rests on and into the future, in the fan of its interval; where it gets out."""
    trend = view.trend
    if trend is None:
        return []
    start, end = max(trend.from_ns, view.from_ns), scale.to_ns
    marks = []
    if trend.low_per_day is not None and trend.high_per_day is not None:
        middle = f"{scale.x(trend.at_ns):.1f} {scale.y(trend.value):.1f}"
        ends = [scale.y(trend.value_at(end, slope)) for slope in (trend.low_per_day, trend.high_per_day)]
        fan = f"M{middle}L{scale.x(end):.1f} {ends[0]:.1f}V{ends[1]:.1f}Z"
        marks.append(el("path", d=fan, class_="fan"))
    line = "".join(
        f"{'ML'[i]}{scale.x(at):.1f} {scale.y(trend.value_at(at)):.1f}" for i, at in enumerate((start, end))
    )
    marks.append(el("path", d=line, class_="trend"))
    if trend.reaches_ns is not None and scale.now_ns < trend.reaches_ns <= scale.to_ns:
        x = scale.x(trend.reaches_ns)
        marks.append(el("path", d=f"M{x:.1f} {TOP - 2}V{scale.bottom:.1f}", class_="reach"))
    return marks


def _onset(view: HistoryView, scale: Scale) -> Markup | None:
    if view.onset_ns is None or not view.from_ns <= view.onset_ns <= view.to_ns:
        return None
    x, bottom = scale.x(view.onset_ns), scale.bottom
    return el("path", d=f"M{x:.1f} {TOP - 2}V{bottom}M{x - 4:.1f} {bottom + 7:.1f}l4 -6l4 6Z", class_="onset")


def labels(scale: Scale, levels: Sequence[tuple[float, str, bool]]) -> list[Markup]:
    """Values with their words beside the axis, the first first: what would lie over another is left out."""
    out: list[Markup] = []
    taken: list[float] = []
    for value, text, strong in levels:
        y = scale.y(value)
        if all(abs(y - other) > 12 for other in taken):
            taken.append(y)
            out.append(el("text", text, x=LEFT - 6, y=y + 4, text_anchor="end", class_="strong" if strong else None))
    return out


def _ticks(scale: Scale, time: PlantTime) -> list[Markup]:
    """Days along the foot; what lies right of "now" is the future."""
    ahead = scale.to_ns > scale.now_ns
    ticks = []
    for part in range(TICKS):
        at_ns = scale.from_ns + (scale.now_ns - scale.from_ns) * part // (TICKS - 1)
        anchor = "start" if part == 0 else "end" if part == TICKS - 1 and not ahead else "middle"
        words = "now" if ahead and part == TICKS - 1 else time.day(at_ns)
        ticks.append(el("text", words, x=scale.x(at_ns), y=HEIGHT - 5, text_anchor=anchor))
    if ahead:
        ticks.append(el("text", time.day(scale.to_ns), x=scale.right, y=HEIGHT - 5, text_anchor="end"))
        x = f"{scale.x(scale.now_ns):.1f}"
        ticks.append(el("path", d=f"M{x} {scale.bottom:.1f}v4", class_="left"))
    return ticks


def _until(view: HistoryView) -> int:
    """The present; where a trend reaches the tolerance, some way beyond that day, within reason."""
    if view.trend is None or view.trend.reaches_ns is None:
        return view.to_ns
    span = view.to_ns - view.from_ns
    wanted = view.trend.reaches_ns + span // 20
    return min(max(wanted, view.to_ns + span // 6), view.to_ns + round(span * AHEAD))


def _limits(view: HistoryView) -> tuple[float, float]:
    """Of the vertical axis: all points, and the whole tolerance, with a little room."""
    ends = [float(np.min(view.values)), float(np.max(view.values))]
    ends += [v for step in view.steps for v in (step.as_left, step.low, step.high) if v is not None]
    low, high = min(ends), max(ends)
    room = (high - low) * 0.12 or max(abs(high) * 0.05, 1e-6)
    return low - room, high + room
