"""Choosing among many valves: statuses as links with their counts, press and text as a form. All of it an address."""

from __future__ import annotations

from asleft.catalogue.statuses import STATUS_ORDER
from asleft.web.markup import Markup, el, join
from asleft.web.svg import status_mark
from asleft.web.views.fleet_filter import CHOICES, LONGEST_TEXT
from asleft.web.views.presses import PressesView
from asleft.web.words import plural


def choices(view: PressesView) -> Markup:
    """Each status that some valve has, and what is shown of how many."""
    if not (view.many or view.chosen.active or view.chosen.fault):
        return Markup("")
    found = view.counts
    links = [_link(view, "", f"all {found['']}", found[""])]
    links += [
        _link(view, status, f"{words} {found[status]}", found[status])
        for status, words in CHOICES.items()
        if found[status] or status == view.chosen.status
    ]
    return join(el("nav", *links, class_="choices", aria_label="Status of the valves shown"), _shown(view))


def form(view: PressesView) -> Markup:
    """Press and text; a status that is chosen stays so."""
    if not (view.many or view.chosen.active or view.chosen.fault):
        return Markup("")
    chosen = view.chosen
    presses = view.presses
    if chosen.press and chosen.press not in presses:
        presses = [chosen.press, *presses]
    options = [el("option", press, value=press, selected=press == chosen.press) for press in presses]
    return el(
        "form",
        el("input", type="hidden", name="status", value=chosen.status) if chosen.status else None,
        el("label", "Press", for_="filter-press"),
        el("select", el("option", "every press", value=""), *options, id="filter-press", name="press"),
        el("label", "Words", for_="filter-text"),
        el(
            "input",
            type="search",
            id="filter-text",
            name="q",
            value=chosen.text or None,
            maxlength=str(LONGEST_TEXT),
            autocomplete="off",
            placeholder="ramp",
        ),
        el("button", "Show", type="submit", id="filter-show"),
        method="get",
        action="/",
        class_="filter",
        data_address=True,
        aria_label="Choose valves",
    )


def _link(view: PressesView, status: str, words: str, count: int) -> Markup:
    here = view.chosen.status == status
    return el(
        "a",
        status_mark(status) if status in STATUS_ORDER else None,
        words,
        href=view.chosen.with_status(status).href,
        id=f"choose-{status or 'all'}",
        aria_current="true" if here else None,
        class_=None if count else "none",
    )


def _shown(view: PressesView) -> Markup | None:
    chosen = view.chosen
    if chosen.fault:
        return el("p", chosen.fault, " All are shown.", class_="wrong", role="alert")
    if not chosen.active:
        return None
    every = el("a", "Show all", href="/", id="show-all")
    if not view.shown:
        return el("p", f"No valve is chosen by: {chosen.words}. ", every, ".", class_="shown")
    count = len(view.shown)
    of = f"{count} of {len(view.rows)} {plural(len(view.rows), 'valve')}"
    return el("p", el("b", of), f" {plural(count, 'is', 'are')} shown: {chosen.words}. ", every, ".", class_="shown")
