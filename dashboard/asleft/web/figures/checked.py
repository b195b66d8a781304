"""Pictures of a verification and of a retune: pressure against current, and ramps over each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from asleft.sheet.model import Sheet
from asleft.web.figures.chart import Chart, padded
from asleft.web.markup import Markup
from asleft.web.units import Pressures

Json = Mapping[str, Any]


def steps_figure(
    steps: Sequence[Json],
    sheet: Sheet,
    shown: Pressures,
    *,
    before: Sequence[Json] = (),
    marks: Sequence[tuple[str, float]] = (),
) -> Markup | None:
    """Pressure of each step against its current, over the recorded characteristic; None without both numbers.

    `marks`: words and a pressure (bar) each, drawn as a line across.
    """
    branches = {(label, way): _branch(rows, way, shown) for label, rows in (("now", steps), ("before", before))
                for way in ("up", "down")}  # fmt: skip
    left = sheet.characteristic
    xs = [x for b in branches.values() for x in b[0]] + (list(left.current_a) if left else [])
    ys = [y for b in branches.values() for y in b[1]] + [shown.pressure(bar) for _, bar in marks]
    if not any(b[0] for b in branches.values()):
        return None
    rising, falling = ([], []) if left is None else (
        [shown.pressure(p) for p in left.rising_bar], [shown.pressure(p) for p in left.falling_bar])  # fmt: skip
    chart = Chart(padded(xs), padded([*ys, *rising, *falling]), "coil current, A", f"pressure, {shown.unit}")
    if left is not None:
        chart.line(left.current_a, rising, "left")
        chart.line(left.current_a, falling, "left")
    for words, bar in marks:
        chart.across(shown.pressure(bar), words)
    for (label, way), (x, y) in branches.items():
        if label == "before":
            chart.dots(x, y, f"before {way}")
    for (label, way), (x, y) in branches.items():
        if label == "now":
            chart.line(x, y, "thin")
            chart.dots(x, y, way)
    if left is not None:
        chart.keys.append(("left", "as left"))
    if before:
        chart.keys += [("before up", "before, way up"), ("before down", "before, way down")]
    chart.keys += [
        ("up", "after, way up" if before else "way up"),
        ("down", "after, way down" if before else "way down"),
    ]
    over = " over the characteristic of the sheet" if left is not None else ""
    also = ", with those of before in outline" if before else ""
    marked = "".join(f"; {words}" for words, _ in marks)
    return chart.svg(f"Pressure against coil current, way up and way down{over}{also}{marked}.")


def _branch(steps: Sequence[Json], way: str, shown: Pressures) -> tuple[list[float], list[float]]:
    rows = [
        (step["current_a"]["found"], shown.pressure(step["pressure_bar"]["found"]))
        for step in steps
        if step["way"] == way and step["current_a"]["found"] is not None and step["pressure_bar"]["found"] is not None
    ]
    return [row[0] for row in rows], [row[1] for row in rows]


def ramps_figure(traces: Sequence[Json], sheet: Sheet, way: str, *, before: Sequence[Json] = ()) -> Markup | None:
    """Strokes of one way over each other, over the ramp as left and its tolerance; None without any."""
    now = [t for t in traces if t["way"] == way]
    old = [t for t in before if t["way"] == way]
    if not (now or old):
        return None
    name = f"ramp_{way}"
    ramp_s = sheet.as_left.get(name)
    longest = max(max(t["time_s"], default=0.0) for t in [*now, *old])
    end_s = max(longest, (ramp_s or 0.0) * 1.15, 0.1)
    ends = ((-0.06 * end_s, end_s), (-0.05, 1.08))
    chart = Chart(*ends, "s since the command moved, full span", "share of span", falling=way == "down")
    if ramp_s is not None:
        tolerance = sheet.tolerance.get(name)
        if tolerance is not None:
            shares = [0.0, 1.0]
            quick, slow = max(ramp_s - tolerance.below, 0.0), ramp_s + tolerance.above
            xs = [0.0, quick, slow]
            low = [0.0, quick / slow if slow > 0 else 1.0, 1.0]
            high = [0.0, 1.0, 1.0]
            turned = way == "down"
            chart.area(xs, [1 - y for y in high] if turned else low, [1 - y for y in low] if turned else high)
            chart.line([0.0, ramp_s], shares if way == "up" else shares[::-1], "left")
    for trace in old:
        chart.line(trace["time_s"], trace["share"], "trace before")
    for trace in now:
        chart.line(trace["time_s"], trace["share"], "trace")
    if ramp_s is not None:
        chart.keys.append(("left", "as left"))
    if old:
        chart.keys.append(("trace before", "before"))
    if now:
        chart.keys.append(("trace", "after" if old else "found"))
    words = f"Ramp {way}: {len(now)} strokes over the ramp as left and its tolerance"
    return chart.svg(words + (", those of before dashed." if old else "."))
