"""A retune as HTML: the page and the paper show the same."""

from __future__ import annotations

from asleft.sheet.names import format_uncertainty
from asleft.web.figures.checked import ramps_figure, steps_figure
from asleft.web.fragments.checked import pictures, ramp_numbers
from asleft.web.frame import field
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.plant_times import for_field
from asleft.web.source import Source
from asleft.web.units import Pressures
from asleft.web.views.retune import MARGIN_SHARE, RetuneView, retune_href
from asleft.web.words import VERDICT_WORDS
from asleft.web.words_check import DECISION_RULE

HOW = (
    f"“The same” is a test of its own: two one-sided tests at 5 % against a quarter "
    f"({MARGIN_SHARE:g}) of the tolerance. "
    "“Changed”: Student's test at 5 %, in pairs of the same hour of the day where there are enough, else Welch's. "
    "Changes are seen through one and the same chain, so calibration does not enter them; it does enter the verdict."
)


def contents(source: Source, view: RetuneView, shown: Pressures) -> Markup:
    """Sentence, table, pictures, rule."""
    time = source.time
    spans = [f"{time.full(s.from_ns)} to {time.full(s.to_ns)}" for s in (view.before, view.after)]
    return join(
        el("h1", view.sentence),
        el(
            "p",
            f"Before: {spans[0]}, {view.hours[0]:.1f} hours of production. "
            f"After: {spans[1]}, {view.hours[1]:.1f} hours. "
            f"Judged by sheet {view.record.number}, “{view.record.why}”.",
            class_="sub",
        ),
        el("h2", "Before and after"),
        _table(view, shown),
        pictures(
            [
                ("Pressure against current", steps_figure(
                    view.steps_after, view.sheet, shown, before=view.steps_before)),
                ("Ramp up", ramps_figure(view.traces_after, view.sheet, "up", before=view.traces_before)),
                ("Ramp down", ramps_figure(view.traces_after, view.sheet, "down", before=view.traces_before)),
            ]
        ),
        *(details(title, inner, key=title) for title, inner in _numbers(view, shown) if inner is not None),
        el("h2", "How it was decided"),
        el("p", HOW),
        el("p", DECISION_RULE),
    )  # fmt: skip


def _numbers(view: RetuneView, shown: Pressures) -> list[tuple[str, Markup | None]]:
    """What the pictures show, as tables."""
    levels: list[list[Child]] = [
        [f"{of}, {step['way']}", f"{step['current_a']['found']:.3f}", shown.figure(step["pressure_bar"]["found"])]
        for of, steps in (("before", view.steps_before), ("after", view.steps_after))
        for step in steps
        if step["current_a"]["found"] is not None and step["pressure_bar"]["found"] is not None
    ]
    head = ["branch", "coil current, A", f"pressure, {shown.unit}"]
    return [
        ("Pressure against current in numbers",
         table("Levels before and after", head, levels, numeric=frozenset({1, 2})) if levels else None),
        ("The ramps in numbers", ramp_numbers(view.traces_after, view.traces_before)),
    ]  # fmt: skip


def _table(view: RetuneView, shown: Pressures) -> Markup:
    rows: list[list[Child]] = []
    bases = {line.basis for line in view.lines if line.change is not None}
    for line in view.lines:
        name, change = line.quantity, line.change
        numbers = ["–"] * 4
        test = line.basis
        if change is not None:
            numbers = [
                shown.number(name, change.before),
                shown.number(name, change.after),
                _signed(name, change.change, change.before, shown),
                " to ".join(_signed(name, one, change.before, shown) for one in (change.low, change.high)),
            ]
            p = "below 0.001" if change.p_different < 1e-3 else f"{change.p_different:.3f}"
            margin = format_uncertainty(shown.shown(name, change.margin))
            same = "below 0.001" if change.p_same < 1e-3 else f"{change.p_same:.3f}"
            test = f"{change.test}, p {p}; the same within {margin}: p {same}"
            test += f"; {line.basis}" if len(bases) > 1 else ""
        rows.append(
            [
                f"{line.label}, {shown.unit_of(name)}", *numbers, line.word,
                "–" if line.as_left is None else shown.number(name, line.as_left),
                VERDICT_WORDS[line.verdict], test,
            ]
        )  # fmt: skip
    head = ["setting", "before", "after", "change", "95 % interval", "in a word", "as left", "after it is", "test"]
    made = table("Means of history's points; the change with its interval", head, rows,
                 numeric=frozenset({1, 2, 3, 4, 6}),
                 marked={k: "out" for k, line in enumerate(view.lines) if line.verdict == "out"})  # fmt: skip
    said = f"Compared by {next(iter(bases))}." if len(bases) == 1 else ""
    return join(made, el("p", said, class_="sub") if said else None)


def _signed(name: str, value: float, beside: float, shown: Pressures) -> str:
    """A difference with its sign, one digit finer than the value `beside` it is shown."""
    text = f"{shown.shown(name, value):+.{shown.decimals(name, beside) + 1}f}"
    return "0" if float(text) == 0.0 else text.replace("-", "−")


def windows_form(source: Source, view: RetuneView) -> Markup:
    """Both stretches, to be moved; by the plant's clock."""
    ends = (
        ("plant_before_from", "Before, from", view.before.from_ns), ("plant_before_to", "to", view.before.to_ns),
        ("plant_after_from", "After, from", view.after.from_ns), ("plant_after_to", "to", view.after.to_ns),
    )  # fmt: skip
    return el(
        "form",
        el(
            "div",
            *(field(name, label, value=for_field(source.time, at).replace("T", " "), hint=source.time.name)
              for name, label, at in ends),
            class_="fields",
        ),
        el("button", "Compare these", type="submit"),
        method="get",
        action=retune_href(view.valve),
    )  # fmt: skip


def other_revisions(source: Source, valve: str, number: int) -> Markup | None:
    """Links to the comparison round each revision."""
    now = source.now_ns()
    items = [
        el("li", el("a", f"round revision {one.number}", href=f"{retune_href(valve)}?revision={one.number}"),
           f", {source.time.moment(one.at_ns, now)}, {one.by}: {one.why}")
        for one in source.records.sheets(valve)
        if one.at_ns < now and one.number != number
    ]  # fmt: skip
    return join(el("h2", "Other revisions"), el("ul", *items, class_="choices")) if items else None
