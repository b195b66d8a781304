"""All presses at a glance: its contents, its one callback, and the same as a table."""

from __future__ import annotations

from functools import partial

import dash
from asleft.catalogue.statuses import STATUS_ORDER
from asleft.sheet.model import QUANTITY_UNITS
from asleft.web import ids, units
from asleft.web import live as parts
from asleft.web.csv_files import TableFiles
from asleft.web.csv_text import Cell, Csv, both
from asleft.web.frame import answered
from asleft.web.live import LivePage
from asleft.web.markup import CALM, DENSE, SMALL, Markup, StripMark, StripSize, column_names, deviation_strip
from asleft.web.presses.view import CHANGED, CHOICES, LONGEST_TEXT, PressesView, Row, parse_filter, presses_view
from asleft.web.source import Source
from asleft.web.templates import filled, macro
from asleft.web.views.valves import furthest_words, judged_until_ns, onset_ns, strip_marks, strip_words
from dash import Input, Output, State
from flask import Flask

REFRESH_MS = 2000
_RENEWAL = parts.Renewal(ids.PRESSES_PARTS, ids.PRESSES_TAGS, ids.PRESSES_TIMER)
_ADDRESS = "address"  # among the tags: of which address the form is


def page(source: Source, search: str | None = None) -> LivePage:
    """The page with its first contents, of the valves that the address chooses."""
    first, tags = renew(source, search, None)
    contents = filled("presses/page.html", ids=ids, first=parts.marked(first))
    return LivePage("Presses", contents, _RENEWAL.hidden(REFRESH_MS, tags))


def register(app: dash.Dash, source: Source) -> None:
    """Renewal every two seconds and with every choice, of what has changed."""

    @app.callback(
        Output(_RENEWAL.store, "data"),
        Output(_RENEWAL.tags, "data"),
        Input(_RENEWAL.timer, "n_intervals"),
        Input(ids.URL, "search"),
        State(_RENEWAL.tags, "data"),
        prevent_initial_call=True,
    )
    def _renew(_n: int, search: str | None, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
        return renew(source, search, tags)

    parts.register(app, _RENEWAL.store)


def renew(source: Source, search: str | None, tags: parts.Tags | None) -> tuple[parts.Parts, parts.Tags]:
    """What has changed, and the tags of all. The form of an address is sent once: somebody may be typing in it.

    Which input asks is no sign of a new address: a question of the clock takes the place of one that waits.
    """
    fresh, known = parts.changed(_parts(source, search), tags)
    known[_ADDRESS] = search or ""
    if tags and tags.get(_ADDRESS) == known[_ADDRESS]:
        fresh.pop(ids.PRESSES_FILTER, None)
        known[ids.PRESSES_FILTER] = tags[ids.PRESSES_FILTER]
    return fresh, known


def _parts(source: Source, search: str | None) -> dict[str, Markup]:
    view = presses_view(source, parse_filter(search))
    return {
        ids.PRESSES_OPENING: opening(view),
        ids.PRESSES_CHOICES: choices(view),
        ids.PRESSES_FILTER: form(view),
        ids.PRESSES_FLEET: fleet(view),
        ids.PRESSES_CALM: others(view, source),
    }


_drawn = partial(macro, "presses/presses.html")


def opening(view: PressesView) -> Markup:
    """The sentence of the plant, and what changed since yesterday."""
    return _drawn("opening", view, changed=CHANGED)


def choices(view: PressesView) -> Markup:
    """Each status that some valve has, and what is shown of how many."""
    return _drawn("choices", view, CHOICES, STATUS_ORDER) if _offered(view) else Markup("")


def form(view: PressesView) -> Markup:
    """Press and text; a status that is chosen stays so."""
    return _drawn("form", view, LONGEST_TEXT) if _offered(view) else Markup("")


def fleet(view: PressesView) -> Markup:
    """One row per valve, or of many one line, and the heading of those without news."""
    if view.empty or not view.shown:
        return Markup("")
    if view.dense:
        return _drawn("lines", view, column_names(DENSE, 78), partial(_strip, DENSE))
    return _drawn("rows", view, column_names(SMALL, 96), partial(_strip, SMALL))


def others(view: PressesView, source: Source) -> Markup:
    """Of many valves those that have nothing to say: a part of its own, and only what changed of it is drawn anew."""
    if not view.dense or not view.calm:
        return Markup("")
    rows, unit = sorted(view.calm, key=lambda row: row.weight[3]), units.current().unit
    cells = [source.unchanged(("cell", row.href, unit), (row.name, row.strip), partial(_cell, row)) for row in rows]
    return _drawn("calm", Markup("\n").join(cells))


def _cell(row: Row) -> Markup:
    return _drawn("cell", row, deviation_strip(row.strip, CALM, furthest_words(row.strip)))


def _strip(size: StripSize, marks: list[StripMark]) -> Markup:
    return deviation_strip(marks, size, strip_words(marks))


def _offered(view: PressesView) -> bool:
    return bool(view.many or view.chosen.active or view.chosen.fault)


# All presses as a table.


def presses(source: Source) -> Csv:
    """One row per valve, worst first, with the share of each tolerance that is used."""
    columns = (
        *("valve", "press", "name", "status", "sentence", "since_utc", "since_plant", "machine_state", "data"),
        *("newest_reading_utc", "newest_reading_plant", "judged_until_utc", "judged_until_plant"),
        *(f"{quantity}_used_percent" for quantity in QUANTITY_UNITS),
    )
    rows: list[list[Cell]] = []
    judgements, spans = source.records.judgements(), source.samples.all_spans()
    for row in presses_view(source, everything=True).rows:
        valve = row.name.id
        judgement, span = judgements.get(valve), spans.get(valve)
        used = {mark.quantity: mark.used_pct for mark in strip_marks(judgement, all_columns=False)}
        rows.append(
            [
                *(valve, row.name.press, row.name.name, row.status, row.sentence),
                *(*both(onset_ns(judgement), source.time), row.state, row.liveness.word),
                *both(span[1] if span is not None else None, source.time),
                *both(judged_until_ns(judgement), source.time),
                *(used.get(quantity) for quantity in QUANTITY_UNITS),
            ]
        )
    return Csv("presses", columns, rows)


def register_table(server: Flask, source: Source) -> None:
    """Add the route."""
    answered(server, "/csv/presses", lambda: TableFiles(source).whole(lambda: presses(source)))
