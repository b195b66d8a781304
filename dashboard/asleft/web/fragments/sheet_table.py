"""A sheet as tables to read."""

from __future__ import annotations

from asleft.web.markup import Child, Markup, el, join, table
from asleft.web.views.sheet_table import Section, SheetTable


def sheet_table(view: SheetTable, words: str) -> Markup:
    """All of a sheet. `words` say which it is."""
    settings: list[list[Child]] = [
        [row.label, row.value, row.tolerance, row.tolerance_from, row.origin] for row in view.settings
    ]
    return join(
        el(
            "section",
            el("h2", "As left ", el("small", words)),
            table(
                "Settings, their tolerances, and where the numbers come from",
                ["setting", "as left", "tolerance", "tolerance from", "where the value comes from"],
                settings,
                numeric=frozenset({1, 2}),
            ),
            el("p", view.not_given, class_="sub") if view.not_given else None,
            class_="sheet-read",
        ),
        el(
            "section",
            el("h2", "What else the sheet says ", el("small", "as it was entered")),
            el("div", *(_section(one) for one in view.sections), _curve(view), class_="parts"),
        ),
    )


def _section(section: Section) -> Markup:
    if not section.rows:
        return el("div", el("h3", section.title), el("p", section.empty, class_="quiet"))
    rows = [el("div", el("dt", what), el("dd", value)) for what, value in section.rows]
    return el("div", el("h3", section.title), el("dl", *rows))


def _curve(view: SheetTable) -> Markup:
    if not view.curve:
        empty = "None is given: hysteresis has nothing to be held against, pressure only its ends."
        return el("div", el("h3", "Characteristic"), el("p", empty, class_="quiet"))
    return el(
        "div",
        el("h3", "Characteristic"),
        table(
            "Pressure against current when left",
            list(view.curve_head),
            [list(row) for row in view.curve],
            numeric=frozenset({1, 2}),
        ),
    )
