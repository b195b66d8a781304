"""One valve: contents and thin callbacks. Its clocks: 1 s for the live plot, 2 s for the words, 30 s for the rest."""

from __future__ import annotations

from functools import partial
from urllib.parse import quote, unquote

import dash
from asleft.web import ids, units
from asleft.web import live as parts
from asleft.web.evidence.screen import on_screen
from asleft.web.hrefs import csv_of_valve
from asleft.web.live import LivePage, Renewal
from asleft.web.markup import LARGE, Markup, deviation_strip
from asleft.web.source import Source
from asleft.web.templates import filled, macro
from asleft.web.valve import slow as valve_slow
from asleft.web.valve import window as valve_window
from asleft.web.valve.slow import CURVE_HEIGHT, RAMPS_HEIGHT
from asleft.web.valve.view import ValveView, valve_view
from asleft.web.valve.window_figure import HEIGHT as WINDOW_PX
from asleft.web.views.valves import strip_words
from dash import State, dcc

WORDS_MS = 2000
_RENEWAL = Renewal(ids.VALVE_PARTS, ids.VALVE_TAGS, ids.VALVE_TIMER)


def id_in(path: str) -> str:
    """The valve's id in the address of its page."""
    return unquote(path.removeprefix("/valve/")).strip("/")


def page(source: Source, valve: str, query: str | None) -> LivePage | None:
    """The page with its words; None if the valve is unknown. Plots follow by callback, in places kept for them."""
    view = valve_view(source, valve)
    if view is None:
        return None
    first, tags = parts.changed(_words(view), None)
    spoken = view.name.spoken
    contents = filled(
        "valve/page.html",
        ids=ids,
        first=parts.marked(first),
        spans=valve_window.first_spans(source, valve, query),
        window_px=WINDOW_PX,
        ramps_px=RAMPS_HEIGHT,
        curve_px=CURVE_HEIGHT,
        csv_curve=csv_of_valve(valve, "curve"),
    )
    hidden = [
        dcc.Store(id=ids.VALVE_ID, data=valve),
        *_RENEWAL.hidden(WORDS_MS, tags),
        *valve_window.hidden(source, spoken),
        *valve_slow.hidden(spoken),
    ]
    title = ", ".join(part for part in (view.name.press, view.name.name) if part)
    return LivePage(title, contents, hidden, plots=True)


def register(app: dash.Dash, source: Source) -> None:
    """Words here, the plots by their own modules."""

    def words(valve: str) -> dict[str, Markup] | None:
        view = valve_view(source, valve)
        return None if view is None else _words(view)

    _RENEWAL.register(app, words, State(ids.VALVE_ID, "data"))
    valve_window.register(app, source)
    valve_slow.register(app, source)


def _words(view: ValveView) -> dict[str, Markup]:
    return {
        ids.VALVE_OPENING: opening(view),
        ids.VALVE_AGE: data_age(view),
        ids.VALVE_STRIP: strip(view),
        ids.VALVE_SHEET: sheet_table(view),
        ids.VALVE_FINDINGS: findings(view),
    }


_drawn = partial(macro, "valve/head.html")
#: What stands further down a valve's page, by its place.
JUMPS = (
    ("over time", ids.WINDOW_SPANS),
    ("ramps", f"{ids.RAMPS_GRAPH}-frame"),
    ("pressure against current", f"{ids.CURVE_GRAPH}-frame"),
    ("sheet", ids.VALVE_SHEET),
    ("coil", ids.COIL),
    ("history", ids.HISTORY),
)


def opening(view: ValveView) -> Markup:
    """Where we are, the sentence, the state."""
    return _drawn("opening", view, JUMPS, f"/report/{quote(view.name.id)}")


def data_age(view: ValveView) -> Markup:
    """Live or how old, refreshed apart because it changes all the time."""
    return _drawn("data_age", view.liveness)


def strip(view: ValveView) -> Markup:
    """The large strip with its labels under it; on narrow screens it scrolls within itself."""
    if not view.strip:
        return Markup("")
    return _drawn("strip", view.strip, deviation_strip(view.strip, LARGE, strip_words(view.strip)))


def sheet_table(view: ValveView) -> Markup:
    """As left, as found, why not."""
    return _drawn("sheet_table", view, units.current().note, csv_of_valve(view.name.id, "quantities"))


def findings(view: ValveView) -> Markup:
    """Why we think so, which part, what to look at first, and what moved, drawn."""
    return _drawn("findings", view, [on_screen(finding.picture) for finding in view.findings])
