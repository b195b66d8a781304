"""The drawn-by-the-server parts of a valve's page."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.sheet.names import LABELS, format_number
from asleft.web.figures.history import history_svg
from asleft.web.fragments.progress import progress_bar
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.svg import LARGE, deviation_strip, status_mark
from asleft.web.views.curve import CurveView
from asleft.web.views.history import HistoryView
from asleft.web.views.spans import SPANS, Choice
from asleft.web.views.valve import FindingView, SheetLine, ValveView
from asleft.web.views.valves import strip_words
from asleft.web.views.window import WindowView
from asleft.web.when import PlantTime
from asleft.web.words import CAUTIONS

_DIGITS = {"command": 2, "current": 3, "expected": 3, "pressure": 1}


def opening(view: ValveView) -> Markup:
    """Where we are, the sentence, the state."""
    crumbs = el(
        "p",
        el("a", "Presses", href="/", id="crumb-presses"),
        " / ",
        f"{view.name.press} / " if view.name.press else None,
        el("b", view.name.name),
        " · ",
        view.sheet_words,
        class_="crumbs",
    )
    state = " · ".join(p for p in (view.state and f"Machine: {view.state}", view.judged_until) if p)
    return join(
        crumbs,
        el(
            "div",
            status_mark(view.status),
            el("h1", view.sentence),
            class_=f"lead {view.status}",
        ),
        el("p", el("b", f"{view.status_words} {view.since}".strip()), f" · {state}" if state else None, class_="sub"),
        progress_bar(view.progress) if view.progress else None,
    )


def data_age(view: ValveView) -> Markup:
    """Live or how old, refreshed apart because it changes all the time."""
    return el(
        "span", f"{view.liveness.word}, {view.liveness.age}", class_="data" if view.liveness.live else "data silent"
    )


def strip(view: ValveView) -> Markup:
    """The large strip with its labels under it; on narrow screens it scrolls within itself."""
    if not view.strip:
        return Markup("")
    count = len(view.strip)
    names = el(
        "div",
        *(el("span", mark.label) for mark in view.strip),
        class_="strip-names",
        style=f"grid-template-columns:repeat({count},1fr)",
        aria_hidden="true",
    )
    picture = deviation_strip(view.strip, LARGE, strip_words(view.strip))
    return join(
        el("h2", "Deviation ", el("small", "from as left (line), in percent of tolerance (pale band)")),
        el(
            "div",
            el(
                "div",
                picture,
                names,
                class_="strip-large",
                style=f"min-width:{3.8 * count:.1f}rem;max-width:{5.2 * count:.1f}rem",
            ),
            class_="scroll",
            tabindex="0",
            role="region",
            aria_label="Deviation strip",
        ),
        el(
            "p",
            "Dot: as found. Whisker: its uncertainty. Diamond: out. Ring: undecided. Arrow: beyond the scale, with "
            "its figure. Open dash: not observed.",
            class_="key",
        ),
    )


def sheet_table(view: ValveView) -> Markup:
    """As left, as found, why not."""
    if not view.lines:
        return join(
            el("h2", "Sheet"),
            el(
                "p",
                "This valve has no sheet, so there is nothing to compare with. Enter one with ",
                el("code", "asleft sheet put SHEET.toml --data DIR"),
                ".",
            ),
        )
    head = ["setting", "as left", "as found", "uncertainty", "tolerance", "used", "verdict", "why, and what is known"]
    body = [_line(line) for line in view.lines]
    header = el("tr", *(el("th", t, scope="col", class_="n" if 0 < i < 6 else None) for i, t in enumerate(head)))
    inner = el(
        "table",
        el("caption", "Settings, as left and as found"),
        el("thead", header),
        el("tbody", *body),
        class_="sheet",
    )
    return join(
        el("h2", "Sheet ", el("small", "as left, as found")),
        el("div", inner, class_="scroll", tabindex="0", role="region", aria_label="Settings, as left and as found"),
        el("ul", *(el("li", remark) for remark in view.remarks), class_="remarks") if view.remarks else None,
    )


def findings(view: ValveView) -> Markup:
    """Why we think so, which part, what to look at first."""
    if not view.findings:
        said = "Nothing has departed from as left." if view.status == "good" else "No finding at present."
        return join(el("h2", "Findings"), el("p", said), _hours(view))
    return join(
        el("h2", "Findings"),
        *(_finding(finding) for finding in view.findings),
        details("Before anyone goes to the press", el("ul", *(el("li", text) for text in CAUTIONS)), key="cautions"),
        _hours(view),
    )


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
            [time.full(int(t)), format_number(view.quantity, float(v))]
            for t, v in zip(view.time_ns[::step], view.values[::step], strict=True)
        ]
        figures.append(
            el(
                "figure",
                el("figcaption", el("b", view.label), el("small", " out") if view.verdict == "out" else None),
                history_svg(view, time),
                details(
                    "Numbers",
                    el("p", view.words),
                    table(f"History of {LABELS[view.quantity]}", ["time", view.label], rows, numeric=frozenset({1})),
                    key=f"history-{view.quantity}",
                ),
            )
        )
    return el("div", *figures, class_="histories")


def _line(line: SheetLine) -> Markup:
    number = {"class_": "n"}
    return el(
        "tr",
        el("th", line.label, scope="row"),
        el("td", line.as_left, **number),
        el("td", line.as_found, **number),
        el("td", line.uncertainty, **number),
        el("td", line.tolerance, **number),
        el("td", line.used, **number),
        el("td", line.verdict_words),
        el("td", line.remark, class_="why"),
        class_=line.verdict,
    )


def _finding(finding: FindingView) -> Markup:
    under = None
    if finding.consequences:
        under = join(
            el("p", "What follows from it:", class_="under"),
            el("ul", *(el("li", text) for text in finding.consequences)),
        )
    return el(
        "article",
        el("h3", finding.title),
        el("p", f"{finding.since} · {finding.severity_words}", class_=f"when s{finding.severity}"),
        el("p", finding.evidence),
        el("p", el("b", finding.parts)),
        el("p", finding.look_first) if finding.look_first else None,
        under,
        class_="finding",
    )


def _hours(view: ValveView) -> Markup | None:
    if not view.hours and not view.basis:
        return None
    return details(
        "How the machine's state is known",
        el("p", f"Time seen: {view.hours}.") if view.hours else None,
        el("p", view.basis) if view.basis else None,
        key="basis",
    )
