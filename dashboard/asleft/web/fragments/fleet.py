"""Two hundred valves on one page: a line for each that has something to say, the others by name and strip."""

from __future__ import annotations

from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.names import SHORT_LABELS
from asleft.web.markup import Markup, el, join
from asleft.web.svg import CALM, DENSE, deviation_strip, status_mark
from asleft.web.views.presses import PressesView, Row, first_sentence
from asleft.web.views.valves import furthest_words, strip_words
from asleft.web.words import number, plural

_HEAD_PX = 78


def lines(view: PressesView) -> Markup:
    """One line per valve, worst first, and the heading of the others."""
    calm, shown = len(view.calm), view.lines
    if calm:
        verb = plural(calm, "valve is", "valves are")
        words = f"{number(calm, first=True)} {verb} as left, live, and as yesterday"
        more = el("small", " by name; columns as above" if shown else " by name")
        heading = el("h2", words, more, class_="calm-head")
    else:
        heading = None
    if not shown:
        return join(heading)
    return join(_head(), el("ol", *(_line(row) for row in shown), class_="lines", role="list"), heading)


def calm(view: PressesView) -> Markup:
    """Name and strip of each valve that has nothing to say."""
    rows = sorted(view.calm, key=lambda row: row.weight[3])
    if not rows:
        return Markup("")
    return el("ol", *(_cell(row) for row in rows), class_="calm-names", role="list")


def _head() -> Markup:
    width = DENSE.column * len(QUANTITY_UNITS)
    labels = [
        el(
            "text",
            SHORT_LABELS[q],
            transform=f"translate({DENSE.column * (i + 0.5) + 3.5:.1f} {_HEAD_PX - 3}) rotate(-90)",
        )
        for i, q in enumerate(QUANTITY_UNITS)
    ]
    picture = el("svg", *labels, viewBox=f"0 0 {width:.0f} {_HEAD_PX}", width=width, height=_HEAD_PX, class_="names")
    return el(
        "div",
        el("span"),
        el("span", "valve"),
        el("span", "status"),
        el("span", "what is said of it"),
        el("span", picture),
        el("span", "since yesterday"),
        el("span", "data"),
        class_="lines-head",
        aria_hidden="true",
    )


def _line(row: Row) -> Markup:
    live, news = row.liveness, "; ".join(row.changes)
    return el(
        "li",
        el("span", status_mark(row.status), class_="status"),
        _who(row),
        el("span", row.status_words, class_="state"),
        el("span", first_sentence(row.sentence), class_="said", title=row.sentence),
        el("span", deviation_strip(row.strip, DENSE, strip_words(row.strip)), class_="how"),
        el("span", news, class_="news", title=news or None),
        el("span", f"{live.word} {live.age}", class_="data" if live.live else "data silent"),
        class_=f"line {row.status}",
    )


def _cell(row: Row) -> Markup:
    return el("li", _who(row), deviation_strip(row.strip, CALM, furthest_words(row.strip)), class_="cell")


def _who(row: Row) -> Markup:
    title = f"{row.name.press} {row.name.name}".strip()  # there may not be room for all of it
    press = el("small", f"{row.name.press} ") if row.name.press else None
    return el("a", press, row.name.name, href=row.href, id=f"row-{row.name.id}", class_="who", title=title)
