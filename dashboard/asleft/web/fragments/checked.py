"""A verification as HTML, from its JSON: the same on the page that watches it, on a record and on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from asleft.sheet.model import Sheet, Tolerance
from asleft.sheet.names import LABELS, format_quantity, format_uncertainty, unit_symbol
from asleft.web.figures.checked import ramps_figure, steps_figure
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.units import Pressures
from asleft.web.when import PlantTime, age, parse_iso_ns
from asleft.web.words import VERDICT_WORDS, kind_words, part_words, sentence_case
from asleft.web.words_check import CHANNEL_WORDS, OUTCOME_WORDS

Json = Mapping[str, Any]


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
    """What is done and what is missing: words, not colour alone."""
    items: list[Markup] = [el("li", el("b", "Missing. "), text, class_="open") for text in check["missing"]]
    if check["conditioning_cycles"]:
        count = check["conditioning_cycles"]
        items.append(
            el("li", el("b", "Done. "), f"{count} full {'cycle' if count == 1 else 'cycles'} before the sweep.")
        )
    if check["sweep"] is not None:
        sweep = check["sweep"]
        rate = f"{sweep['up_pct_s']:.1f} % a second up, {sweep['down_pct_s']:.1f} % down"
        steps = len(check["steps"])
        items.append(el("li", el("b", "Done. "), f"A sweep 0-100-0 %, {steps} levels graded, {rate}."))
    for way in ("up", "down"):
        full = [r for r in check["ramp_steps"] if r["way"] == way and _full(r)]
        if full:
            items.append(
                el("li", el("b", "Done. "), f"{len(full)} full {'stroke' if len(full) == 1 else 'strokes'} {way}.")
            )
    return el("ul", *items, class_="done")


def _full(step: Json) -> bool:
    return abs(step["to_pct"] - step["from_pct"]) >= 80.0 and step["ramp_s"]["found"] is not None


def body(check: Json, sheet: Sheet, time: PlantTime, shown: Pressures, *, folds: bool = True, of: str = "") -> Markup:
    """Tables and pictures. `folds`: long tables behind a fold, as on a page; on paper all is open.

    `of`: what its tables are of, where a page shows two.
    """
    of = f", {of}" if of else ""

    def fold(title: str, key: str, inner: Markup) -> Markup:
        return details(title, inner, key=key + of) if folds else inner

    numbers = ramp_numbers(check["ramp_traces"]) if folds else None
    return join(
        el("h2", f"Setting by setting{of}"),
        quantities(check, shown, of),
        _figures(check, sheet, shown),
        fold("The ramps in numbers", "ramp-numbers", numbers) if numbers is not None else None,
        el("h2", "The sweep, step by step") if check["steps"] else None,
        fold("Every step", "steps", steps_table(check, shown, of)) if check["steps"] else None,
        el("h2", "Ramp steps") if check["ramp_steps"] else None,
        fold("Every step that a ramp held back", "ramps", ramps_table(check, time, of))
        if check["ramp_steps"]
        else None,
        findings(check),
        conditions(check, time, shown, of),
    )


def quantities(check: Json, shown: Pressures, of: str = "") -> Markup:
    """The sheet's lines, as left against as found."""
    rows: list[list[Child]] = []
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
    head = ["setting", "as left", "as found", "uncertainty", "tolerance", "verdict", "remark"]
    return table(
        f"As left and as found{of}. Uncertainty: expanded, 95 %.",
        head,
        rows,
        numeric=frozenset({1, 2, 3, 4}),
        marked=_out(check["quantities"]),
    )


def _out(quantities: Sequence[Json]) -> dict[int, str]:
    """Rows of what is out, by their number."""
    return {number: "out" for number, q in enumerate(quantities) if q["verdict"] == "out"}


def _tolerance(name: str, tolerance: float | list[float | None] | None, shown: Pressures) -> str:
    if tolerance is None:
        return "–"
    low, high = (-tolerance, tolerance) if isinstance(tolerance, (int, float)) else tolerance
    below = float("inf") if low is None else -low
    return shown.tolerance(name, Tolerance(below, float("inf") if high is None else high))


def steps_table(check: Json, shown: Pressures, of: str = "") -> Markup:
    """Each level of the sweep."""
    rows: list[list[Child]] = []
    for step in check["steps"]:
        current, pressure = step["current_a"], step["pressure_bar"]
        reasons = {r for r in (current["reason"], pressure["reason"]) if r}
        rows.append(
            [
                f"{step['way']} {max(step['command_pct'], 0.0):.1f} %",
                _plain(current["wanted"], 3), _plain(current["found"], 3), format_uncertainty(current["uncertainty"]),
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
    return table(f"Levels of the graded sweep{of}", head, rows, numeric=frozenset({1, 2, 3, 5, 6, 7}))


def ramps_table(check: Json, time: PlantTime, of: str = "") -> Markup:
    """Each step of the command that a ramp held back."""
    rows: list[list[Child]] = []
    for step in check["ramp_steps"]:
        ramp, at_ns = step["ramp_s"], parse_iso_ns(step["at"])
        rows.append(
            [
                f"{step['way']} {max(step['from_pct'], 0):.0f} to {max(step['to_pct'], 0):.0f} %",
                f"{time.local(at_ns):%H:%M:%S}" if at_ns is not None else "–",
                _plain(ramp["wanted"], 2), _plain(ramp["found"], 2), format_uncertainty(ramp["uncertainty"]),
                VERDICT_WORDS[ramp["verdict"]],
            ]
        )  # fmt: skip
    head = ["step", "at", "ramp as left, s", "found, s", "uncertainty", "verdict"]
    return table(f"Ramps in seconds over the full span{of}", head, rows, numeric=frozenset({2, 3, 4}))


def _plain(value: float | None, decimals: int) -> str:
    return "–" if value is None else f"{value:.{decimals}f}"


def _figures(check: Json, sheet: Sheet, shown: Pressures) -> Markup | None:
    made = [
        ("Pressure against current", steps_figure(check["steps"], sheet, shown)),
        ("Ramp up", ramps_figure(check["ramp_traces"], sheet, "up")),
        ("Ramp down", ramps_figure(check["ramp_traces"], sheet, "down")),
    ]
    return pictures(made)


def ramp_numbers(traces: Sequence[Json], before: Sequence[Json] = ()) -> Markup | None:
    """Times at which the strokes of the pictures pass 10, 50 and 90 % of the span; None without any."""
    rows: list[list[Child]] = []
    for of, some in (("after" if before else "as found", traces), ("before", before)):
        for number, trace in enumerate(some, 1):
            share = trace["share"] if trace["way"] == "up" else [1.0 - y for y in trace["share"]]
            times = [_passes(trace["time_s"], share, level) for level in (0.1, 0.5, 0.9)]
            rows.append([f"{trace['way']}, {of}, stroke {number}", *times])
    if not rows:
        return None
    head = ["stroke", "10 % of the way, s", "50 %, s", "90 %, s"]
    return table("Ramps of the pictures, seconds since the command moved, over the full span", head, rows,
                 numeric=frozenset({1, 2, 3}))  # fmt: skip


def _passes(time_s: Sequence[float], share: Sequence[float], level: float) -> str:
    for k in range(1, len(share)):
        if share[k - 1] < level <= share[k]:
            part = (level - share[k - 1]) / (share[k] - share[k - 1])
            return f"{time_s[k - 1] + part * (time_s[k] - time_s[k - 1]):.2f}"
    return "–"


def pictures(made: Sequence[tuple[str, Markup | None]]) -> Markup | None:
    """Those there are, side by side, with their titles."""
    kept = [el("figure", el("figcaption", title), svg) for title, svg in made if svg is not None]
    return el("div", *kept, class_="pictures") if kept else None


def findings(check: Json) -> Markup | None:
    """What the judge found besides."""
    if not check["findings"]:
        return None
    items = [
        el(
            "li",
            el("b", f"{sentence_case(kind_words(f['kind']))}. "),
            f"{f['evidence']} Likely {part_words(f['part'])}.",
        )
        for f in check["findings"]
    ]
    return join(el("h2", "Seen besides"), el("ul", *items))


def conditions(check: Json, time: PlantTime, shown: Pressures, of: str = "") -> Markup:
    """When, how long, and what else was read meanwhile."""
    from_ns, to_ns = parse_iso_ns(check["from"]) or 0, parse_iso_ns(check["to"]) or 0
    rows: list[list[Child]] = []
    for one in check["conditions"]:
        pressure = one["unit"] == "bar"
        unit = shown.unit if pressure else unit_symbol(one["unit"])
        numbers = [shown.figure(one[k]) if pressure else f"{one[k]:.3g}" for k in ("low", "mean", "high")]
        rows.append([f"{CHANNEL_WORDS.get(one['channel'], one['channel'])}, {unit}", *numbers])
    words = f"From {time.full(from_ns)} to {time.full(to_ns)}, {age((to_ns - from_ns) / 1e9)}."
    return join(
        el("h2", "Conditions"),
        el("p", words),
        table(f"Read meanwhile{of}", ["channel", "lowest", "mean", "highest"], rows, numeric=frozenset({1, 2, 3}))
        if rows
        else None,
        *(el("p", remark, class_="sub") for remark in check["remarks"]),
    )
