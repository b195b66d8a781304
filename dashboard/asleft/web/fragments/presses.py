"""The list of all valves as one piece of HTML and SVG: a hundred rows paint as quickly as one plot."""

from __future__ import annotations

from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.names import SHORT_LABELS
from asleft.web.fragments.fleet import calm, lines
from asleft.web.fragments.progress import progress_bar
from asleft.web.markup import Markup, el, join
from asleft.web.svg import SMALL, deviation_strip, status_mark
from asleft.web.views.fleet_filter import CHANGED
from asleft.web.views.presses import Change, PressesView, Row
from asleft.web.views.valves import strip_words

NON_BREAKING_HYPHEN = "\N{NON-BREAKING HYPHEN}"


def opening(view: PressesView) -> Markup:
    """The sentence of the plant, and what changed since yesterday."""
    changes = None
    if view.changes and view.many:
        changes = _changes_in_a_line(view)
    elif view.changes:
        items = [
            el(
                "li",
                f"{c.sort} at ",
                el("b", _where(c)),
                f": {c.words}",
            )
            for c in view.changes[:8]
        ]
        more = len(view.changes) - len(items)
        if more > 0:
            items.append(el("li", f"and {more} more"))
        changes = el("div", el("h2", "Since yesterday"), el("ul", *items), class_="since")
    subline = " ".join(part for part in (view.subline, view.note) if part)
    return join(
        el("h1", view.headline.replace("-", NON_BREAKING_HYPHEN)),
        el("p", subline, class_="sub") if subline else None,
        changes,
        progress_bar(view.progress) if view.progress else None,
        _empty() if view.empty else None,
    )


def fleet(view: PressesView) -> Markup:
    """One row per valve, or of many one line."""
    if view.empty or not view.shown:
        return Markup("")
    if view.dense:
        return lines(view)
    return join(_head(), el("ol", *(_row(row) for row in view.shown), class_="fleet", role="list"))


def others(view: PressesView) -> Markup:
    """Of many valves those that have nothing to say: a part of its own, since it hardly ever changes."""
    return calm(view) if view.dense else Markup("")


def _changes_in_a_line(view: PressesView) -> Markup:
    told = [join(f"{c.sort.lower()} at ", el("b", _where(c)), f": {c.words}") for c in view.changes[:2]]
    more = len(view.changes) - len(told)
    words = [piece for one in told for piece in (Markup("; "), one)][1:]
    link = el("a", f"all {len(view.changes)}" if more else "show them", href=f"/?status={CHANGED}", id="changed")
    return el("p", "Since yesterday: ", *words, "; " if more else ". ", link, ".", class_="since")


def _where(change: Change) -> str:
    return ", ".join(part for part in (change.valve.press, change.valve.name) if part)


def _head() -> Markup:
    """Names of the strip's columns, upright once above the list."""
    width = SMALL.column * len(QUANTITY_UNITS)
    labels = [
        el("text", SHORT_LABELS[q], transform=f"translate({SMALL.column * (i + 0.5) + 4:.1f} 92) rotate(-90)")
        for i, q in enumerate(QUANTITY_UNITS)
    ]
    picture = el("svg", *labels, viewBox=f"0 0 {width:.0f} 96", width=width, height=96, class_="names")
    return el(
        "div",
        el("span"),
        el("span", "valve"),
        el("span", "what is said of it"),
        el("span", picture),
        el("span", "data"),
        class_="fleet-head",
        aria_hidden="true",
    )


def _row(row: Row) -> Markup:
    calm = row.status in ("good", "not-judged")
    return el(
        "li",
        el("span", status_mark(row.status), class_="status"),
        el(
            "span",
            el("a", row.name.name, href=row.href, id=f"row-{row.name.id}"),
            el("small", row.name.press) if row.name.press else None,
            class_="who",
        ),
        el("span", el("span", row.sentence, class_="said"), el("small", row.status_words), class_="what"),
        el("span", deviation_strip(row.strip, SMALL, strip_words(row.strip)), class_="how"),
        el(
            "span",
            el("span", f"{row.liveness.word} {row.liveness.age}" if row.liveness.live else row.liveness.word),
            el("small", (row.state or "state not judged yet") if row.liveness.live else row.liveness.age),
            class_="data" if row.liveness.live else "data silent",
        ),
        class_=f"row {row.status}{' calm' if calm else ''}",
    )


def _empty() -> Markup:
    return el(
        "div",
        el("p", "A valve appears here as soon as its first data or its sheet arrives."),
        el("p", el("a", "From nothing to the first sheet, step by step", href="/start", data_load=True)),
        el(
            "p",
            "A logger's file can be judged without any of it: ",
            el("code", "asleft judge LOG.csv --sheet valve.toml"),
            ".",
        ),
        class_="empty",
    )
