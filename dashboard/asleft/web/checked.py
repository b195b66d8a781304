"""A verification as HTML and pictures, from its JSON: the same on the page that watches it, on a record, on paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from asleft.catalogue.quantities import QUANTITIES
from asleft.sheet.model import Sheet, Tolerance
from asleft.sheet.names import LABELS, format_quantity, unit_symbol
from asleft.web.figures import Chart, padded
from asleft.web.markup import Markup
from asleft.web.templates import macro, table
from asleft.web.units import Pressures, plus_minus
from asleft.web.when import PlantTime, age, parse_iso_ns
from asleft.web.words import CHANNEL_WORDS, OUTCOME_WORDS, VERDICT_WORDS, kind_words, part_words, sentence_case

# Pictures of a verification and of a retune: pressure against current, ramps over each other, readings over time.

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


def courses_figures(check: Json, shown: Pressures, time: PlantTime) -> list[tuple[str, Markup | None]]:
    """Each channel over the stretch. Of records that were filed before this was kept there is nothing."""
    since = f"{time.local(parse_iso_ns(check['from']) or 0):%H:%M:%S}"
    out: list[tuple[str, Markup | None]] = []
    for one in check.get("courses", ()):
        bar = one["unit"] == "bar"
        values = [math.nan if y is None else shown.pressure(y) if bar else y for y in one["values"]]
        long = one["time_s"][-1] > 600.0
        times = [t / 60.0 for t in one["time_s"]] if long else one["time_s"]
        unit = shown.unit if bar else unit_symbol(one["unit"])
        title = sentence_case(CHANNEL_WORDS.get(one["channel"], one["channel"]))
        chart = Chart((0.0, max(times)), padded([y for y in values if math.isfinite(y)]),
                      f"{'min' if long else 's'} since {since}", unit)  # fmt: skip
        chart.line(times, values, "thin")
        out.append((f"{title} over time", chart.svg(f"{title} over the whole stretch, {unit}.")))
    return out


def sentence(check: Json) -> str:
    """What a colleague would say of it."""
    out = outs(check)
    if check["outcome"] == "not-as-left":
        return "Not as left: " + "; ".join(out) + "."
    if check["outcome"] == "incomplete":
        count = len(check["missing"])
        return f"Not complete yet: {count} {'thing is' if count == 1 else 'things are'} missing."
    return OUTCOME_WORDS[check["outcome"]]


def outs(check: Json) -> list[str]:
    """What is out, in words, quantities before single steps."""
    said = [
        f"{LABELS[q['id']]} is {format_quantity(q['id'], q['as_found'])}, "
        f"left at {format_quantity(q['id'], q['as_left'])}"
        for q in check["quantities"]
        if q["verdict"] == "out" and q["as_found"] is not None
    ]
    steps = sum(s["current_a"]["verdict"] == "out" for s in check["steps"])
    bars = sum(s["pressure_bar"]["verdict"] == "out" for s in check["steps"])
    for count, what in ((steps, "current"), (bars, "pressure")):
        if count:
            said.append(f"{what} is out on {count} {'step' if count == 1 else 'steps'} of the sweep")
    return said


def done_list(check: Json) -> Markup:
    """What is done and what is missing."""
    lines: list[tuple[bool, str]] = [(True, text) for text in check["missing"]]
    if check["conditioning_cycles"]:
        count = check["conditioning_cycles"]
        lines.append((False, f"{count} full {'cycle' if count == 1 else 'cycles'} before the sweep."))
    if check["sweep"] is not None:
        sweep = check["sweep"]
        rate = f"{sweep['up_pct_s']:.1f} % a second up, {sweep['down_pct_s']:.1f} % down"
        lines.append((False, f"A sweep 0-100-0 %, {len(check['steps'])} levels graded, {rate}."))
    for way in ("up", "down"):
        full = [r for r in check["ramp_steps"] if r["way"] == way and _full(r)]
        if full:
            lines.append((False, f"{len(full)} full {'stroke' if len(full) == 1 else 'strokes'} {way}."))
    return macro("checked.html", "done_list", lines)


def _full(step: Json) -> bool:
    """Whether a step counts as a full stroke; records filed before strokes were measured count as they did then."""
    size = abs(step["to_pct"] - step["from_pct"])
    return size >= 80.0 and step["ramp_s"]["found"] is not None and step.get("seen_pct", size) >= size - 2.0


@dataclass(frozen=True, slots=True)
class Noted:
    """A table whose last column, the remarks, is a number there and a note below, once for all rows that share it.

    So a table of many columns fits a page however long its remarks are.
    """

    caption: str
    head: list[str]
    rows: list[list[str]]
    numeric: list[int]
    notes: list[str]


@dataclass(frozen=True, slots=True)
class Body:
    """A verification as its tables and pictures say it."""

    quantities: list[list[str]]
    out: dict[int, str]
    pictures: list[tuple[str, Markup | None]]
    courses: list[tuple[str, Markup | None]]
    numbers: Markup | None
    steps: Noted | None
    ramps: Noted | None
    findings: list[tuple[str, str]]
    when: str
    conditions: list[list[str]]
    remarks: list[str]


def body(check: Json, sheet: Sheet, time: PlantTime, shown: Pressures, *, folds: bool = True, of: str = "") -> Markup:
    """Tables and pictures. `folds`: long tables behind a fold, as on a page; on paper all is open.

    `of`: what its tables are of, where a page shows two.
    """
    of = f", {of}" if of else ""
    from_ns, to_ns = parse_iso_ns(check["from"]) or 0, parse_iso_ns(check["to"]) or 0
    made = Body(
        quantities=_quantities(check, shown),
        out={number: "out" for number, q in enumerate(check["quantities"]) if q["verdict"] == "out"},
        pictures=[
            ("Pressure against current", steps_figure(check["steps"], sheet, shown)),
            ("Ramp up", ramps_figure(check["ramp_traces"], sheet, "up")),
            ("Ramp down", ramps_figure(check["ramp_traces"], sheet, "down")),
        ],
        courses=courses_figures(check, shown, time),
        numbers=ramp_numbers(check["ramp_traces"]) if folds else None,
        steps=_steps(check, shown, of) if check["steps"] else None,
        ramps=_ramps(check, time, of) if check["ramp_steps"] else None,
        findings=[
            (sentence_case(kind_words(f["kind"])), f"{f['evidence']} Likely {part_words(f['part'])}.")
            for f in check["findings"]
        ],
        when=f"From {time.full(from_ns)} to {time.full(to_ns)}, {age((to_ns - from_ns) / 1e9)}.",
        conditions=_conditions(check, shown),
        remarks=check["remarks"],
    )
    return macro("checked.html", "body", made, folds, of)


def _quantities(check: Json, shown: Pressures) -> list[list[str]]:
    """The sheet's lines, as left against as found."""
    rows: list[list[str]] = []
    for q in check["quantities"]:
        name = q["id"]
        seen = q["verdict"] != "not-observed"
        reason = q["reason"] or ""
        if q["bound"]:
            sides = [
                f"{'below' if side == 'below' else 'above'} {shown.quantity(name, value)}"
                for side, value in q["bound"].items()
            ]
            reason = f"{reason} ({', '.join(sides)})"
        rows.append(
            [
                LABELS[name],
                shown.quantity(name, q["as_left"]),
                shown.quantity(name, q["as_found"]) if seen else "–",
                shown.uncertainty(name, q["uncertainty"]) if seen else "–",
                _tolerance(name, q["tolerance"], shown),
                VERDICT_WORDS[q["verdict"]],
                sentence_case(reason) if reason else "",
            ]
        )
    return rows


def _tolerance(name: str, tolerance: float | list[float | None] | None, shown: Pressures) -> str:
    if tolerance is None:
        return "–"
    if QUANTITIES[name].limits is None and isinstance(tolerance, list) and tolerance[0] is not None:
        # absolute: nothing was left that it could depart from
        return f"≥ {-tolerance[0]:.3g} {unit_symbol(QUANTITIES[name].unit)}"
    low, high = (-tolerance, tolerance) if isinstance(tolerance, (int, float)) else tolerance
    below = float("inf") if low is None else -low
    return shown.tolerance(name, Tolerance(below, float("inf") if high is None else high))


def steps_table(check: Json, shown: Pressures) -> Markup:
    """Each level of the sweep."""
    return macro("checked.html", "noted", _steps(check, shown))


def _steps(check: Json, shown: Pressures, of: str = "") -> Noted:
    rows: list[list[str]] = []
    for step in check["steps"]:
        current, pressure = step["current_a"], step["pressure_bar"]
        reasons = {r for r in (current["reason"], pressure["reason"]) if r}
        rows.append(
            [
                f"{step['way']} {max(step['command_pct'], 0.0):.1f} %",
                _plain(current["wanted"], 3), _plain(current["found"], 3), plus_minus(current["uncertainty"]),
                VERDICT_WORDS[current["verdict"]],
                shown.figure(pressure["wanted"]), shown.figure(pressure["found"]),
                shown.uncertainty("pressure_at_full", pressure["uncertainty"]),
                VERDICT_WORDS[pressure["verdict"]],
                sentence_case("; ".join(sorted(reasons))),
            ]
        )  # fmt: skip
    head = [
        "way and command", "current wanted, A", "found, A", "uncertainty", "verdict",
        f"pressure wanted, {shown.unit}", f"found, {shown.unit}", "uncertainty", "verdict", "remark",
    ]  # fmt: skip
    return _noted(f"Levels of the graded sweep{of}", head, rows, [1, 2, 3, 5, 6, 7])


def _ramps(check: Json, time: PlantTime, of: str) -> Noted:
    """Each step of the command that a ramp held back: how much of it was seen, and why it does not count."""
    rows: list[list[str]] = []
    for step in check["ramp_steps"]:
        ramp, at_ns = step["ramp_s"], parse_iso_ns(step["at"])
        rows.append(
            [
                f"{step['way']} {max(step['from_pct'], 0):.0f} to {max(step['to_pct'], 0):.0f} %",
                f"{time.local(at_ns):%H:%M:%S}" if at_ns is not None else "–",
                _plain(step.get("stayed_s"), 1), _plain(step.get("seen_pct"), 0),
                _plain(ramp["wanted"], 2), _plain(ramp["found"], 2), plus_minus(ramp["uncertainty"]),
                VERDICT_WORDS[ramp["verdict"]],
                sentence_case(ramp["reason"] or ""),
            ]
        )  # fmt: skip
    head = [
        "step", "at", "command stayed, s", "of the ramp seen, % of the span", "ramp as left, s", "found, s",
        "uncertainty", "verdict", "remark",
    ]  # fmt: skip
    return _noted(f"Ramps in seconds over the full span{of}", head, rows, [2, 3, 4, 5, 6])


def _noted(caption: str, head: list[str], rows: list[list[str]], numeric: list[int]) -> Noted:
    """`rows` with their remarks in the last column. A column in which nothing stands is left out."""
    filled = [k for k in range(len(head)) if k == len(head) - 1 or any(row[k] != "–" for row in rows)]
    head, rows = [head[k] for k in filled], [[row[k] for k in filled] for row in rows]
    numeric = [new for new, old in enumerate(filled) if old in numeric]
    notes: dict[str, int] = {}
    shown: list[list[str]] = []
    for *cells, remark in rows:
        number = notes.setdefault(remark, len(notes) + 1) if remark else None
        shown.append([*cells, f"({number})" if number is not None else ""])
    if not notes:
        return Noted(caption, head[:-1], [row[:-1] for row in shown], numeric, [])
    return Noted(caption, [*head[:-1], "note"], shown, numeric, list(notes))


def _plain(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:.{decimals}f}"


def ramp_numbers(traces: Sequence[Json], before: Sequence[Json] = ()) -> Markup | None:
    """Times at which the strokes of the pictures pass 10, 50 and 90 % of the span; None without any."""
    rows: list[list[str]] = []
    for of, some in (("after" if before else "as found", traces), ("before", before)):
        for number, trace in enumerate(some, 1):
            share = trace["share"] if trace["way"] == "up" else [1.0 - y for y in trace["share"]]
            times = [_passes(trace["time_s"], share, level) for level in (0.1, 0.5, 0.9)]
            rows.append([f"{trace['way']}, {of}, stroke {number}", *times])
    if not rows:
        return None
    head = ["stroke", "10 % of the way, s", "50 %, s", "90 %, s"]
    return table("Ramps of the pictures, seconds since the command moved, over the full span", head, rows,
                 numeric=[1, 2, 3])  # fmt: skip


def _passes(time_s: Sequence[float], share: Sequence[float], level: float) -> str:
    for k in range(1, len(share)):
        if share[k - 1] < level <= share[k]:
            part = (level - share[k - 1]) / (share[k] - share[k - 1])
            return f"{time_s[k - 1] + part * (time_s[k] - time_s[k - 1]):.2f}"
    return "–"


def _conditions(check: Json, shown: Pressures) -> list[list[str]]:
    """What else was read meanwhile."""
    rows: list[list[str]] = []
    for one in check["conditions"]:
        pressure = one["unit"] == "bar"
        unit = shown.unit if pressure else unit_symbol(one["unit"])
        numbers = [shown.figure(one[k]) if pressure else f"{one[k]:.3g}" for k in ("low", "mean", "high")]
        rows.append([f"{CHANNEL_WORDS.get(one['channel'], one['channel'])}, {unit}", *numbers])
    return rows
