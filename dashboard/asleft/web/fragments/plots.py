"""What stands round the plots of a valve: span selector, the same in words and numbers, small histories."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.figures.history import history_svg
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.curve import CurveView
from asleft.web.views.history import HistoryView
from asleft.web.views.spans import SPANS, Choice
from asleft.web.views.window import WindowView
from asleft.web.when import PlantTime

_DIGITS = {"command": 2, "current": 3, "expected": 3, "pressure": 1}


def span_selector(choice: Choice, path: str, time: PlantTime, now_ns: int) -> Markup:
    """Links, so that the address always says what is shown."""
    links: list[Child] = []
    for span in SPANS.values():
        here = span.key == choice.span.key
        target = Choice(span, choice.until_ns)
        words = f"{span.words}, live" if span.key == "1min" and choice.until_ns is None else span.words
        links.append(
            el(
                "a",
                words,
                href=path + target.query(time),
                aria_current="true" if here else None,
                id=f"span-{span.key}",
            )
        )
    _, to_ns = choice.window(now_ns)
    moves: list[Child] = [
        el("a", "← earlier", href=path + choice.shifted(-1, now_ns).query(time), id="span-earlier"),
    ]
    if choice.until_ns is not None:
        moves += [
            el("a", "later →", href=path + choice.shifted(1, now_ns).query(time), id="span-later"),
            el("a", "now", href=path + Choice(choice.span).query(time), id="span-now"),
            el("span", f"until {time.full(to_ns)}", class_="until"),
        ]
    return el(
        "nav",
        el("span", *links, class_="choices"),
        el("span", *moves, class_="moves"),
        class_="spans",
        aria_label="Stretch of time shown",
    )


def window_words(view: WindowView, time: PlantTime) -> Markup:
    """The plot over time in words and as a table."""
    figures = view.figures()
    units = {"command": view.command_unit, "current": "A", "expected": "A", "pressure": "bar"}
    names = {
        "command": "command",
        "current": "coil current, measured",
        "expected": "coil current, expected",
        "pressure": "pressure",
    }
    stretch = f"{time.full(view.from_ns)} to {time.full(view.to_ns)}, {time.name}"
    if view.empty:
        words = f"{stretch}: nothing was recorded."
    else:
        parts = [
            f"{names[k]} {low:.{_DIGITS[k]}f} to {high:.{_DIGITS[k]}f} {units[k]}"
            for k, (low, _, high) in figures.items()
        ]
        words = f"{stretch}: {'; '.join(parts)}."
    if view.onsets:
        words += " " + "; ".join(f"{o.words} from {time.moment(o.at_ns, view.to_ns)}" for o in view.onsets) + "."
    rows: list[list[Child]] = [
        [names[k], units[k], *(f"{value:.{_DIGITS[k]}f}" for value in trio)] for k, trio in figures.items()
    ]
    states: list[list[Child]] = [
        [band.words, time.full(band.from_ns), time.full(band.to_ns)] for band in view.states[-60:]
    ]
    key = (
        "Line: mean. Shaded: from the smallest to the largest."
        if view.envelopes
        else "Line: measured. Dashed: the current expected of the measured command, in the band of its tolerance."
    )
    fold = details(
        "The same in words and numbers",
        el("p", words),
        table(
            "Channels in this stretch",
            ["channel", "unit", "smallest", "mean", "largest"],
            rows,
            numeric=frozenset({2, 3, 4}),
        )
        if rows
        else None,
        table("Machine states in this stretch", ["state", "from", "to"], states) if states else None,
        key="window-words",
    )
    return join(el("p", key, class_="key"), fold)


def curve_words(view: CurveView | None) -> Markup:
    """The curve in words and as a table."""
    if view is None or view.empty:
        return el("p", "Not shown: it needs a current and a pressure reading of this valve.")
    found = view.rising_a.size + view.falling_a.size
    words = f"{view.seen} {view.basis} {view.rising_a.size} dots rising, {view.falling_a.size} falling."
    rows: list[list[Child]] = []
    for branch, at_a, at_bar in (
        ("rising", view.rising_a, view.rising_bar),
        ("falling", view.falling_a, view.falling_bar),
    ):
        step = max(1, at_a.size // 20)
        rows += [[branch, f"{a:.3f}", f"{b:.1f}"] for a, b in zip(at_a[::step], at_bar[::step], strict=True)]
    rows += [
        [f"as left, {branch}", f"{a:.3f}", f"{b:.1f}"]
        for branch, bars in (("rising", view.left_rising_bar), ("falling", view.left_falling_bar))
        for a, b in zip(view.left_a, bars, strict=True)
    ]
    numeric = frozenset({1, 2})
    return join(
        el(
            "p", f"{view.seen} {view.basis} Below the curve the load makes the pressure, not the valve.", class_="key"
        ),
        details(
            "The same in words and numbers",
            el("p", words),
            table("Pressure against current", ["branch", "current, A", "pressure, bar"], rows, numeric=numeric)
            if found or rows
            else None,
            key="curve-words",
        ),
    )


def histories(views: Sequence[HistoryView], time: PlantTime) -> Markup:
    """Small pictures side by side."""
    if not views:
        return el("p", "No history yet: one point is added for each hour of production.")
    figures = []
    for view in views:
        step = max(1, view.values.size // 40)
        rows: list[list[Child]] = [
            [time.full(int(t)), units.current().number(view.quantity, float(v))]
            for t, v in zip(view.time_ns[::step], view.values[::step], strict=True)
        ]
        figures.append(
            el(
                "figure",
                el("figcaption", el("b", _named(view)), el("small", " out") if view.verdict == "out" else None),
                history_svg(view, time),
                details(
                    "Numbers",
                    el("p", view.words),
                    table(
                        f"History of {LABELS[view.quantity]}", ["time", _named(view)], rows, numeric=frozenset({1})
                    ),
                    key=f"history-{view.quantity}",
                ),
            )
        )
    return el("div", *figures, class_="histories")


def _named(view: HistoryView) -> str:
    return f"{view.label}, {units.current().unit_of(view.quantity)}"
