"""In place of a page of the framework whose store cannot be reached. The browser loads it anew once it is back."""

from __future__ import annotations

from asleft.web.pages.components import node
from asleft.web.reach import Unreachable
from asleft.web.source import Source
from asleft.web.views.away import BY_ITSELF, NOT_KNOWN, away_view
from dash import html
from dash.development.base_component import Component


def layout(source: Source, lost: Unreachable) -> Component:
    """Says which store, since when, and what to look at."""
    view = away_view(lost, source.time, source.now_ns(), known=True)
    return node(
        "Div",
        [
            html.H1(view.headline),
            html.P(view.why, className="sub"),
            html.H2("What to look at"),
            html.Ul([html.Li(text) for text in view.look]),
            html.P(view.kept),
            html.P(f"{NOT_KNOWN} {BY_ITSELF}"),
        ],
        className="away",
        data_away="",
    )
