"""The pages that ours are measured against: the framework with what comes with it, as its manual shows it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import plotly.graph_objects as go
from asleft.store.protocols import StoredSamples
from asleft.web.presses.view import Row
from dash import Dash, Input, Output, dcc, html

GRAPH, BUTTON = "hour", "go"


def strip_figure(row: Row) -> go.Figure:
    """The deviation strip of a valve as a graph: dots with error bars over the band of tolerance."""
    seen = [mark for mark in row.strip if mark.used_pct is not None]
    dots = go.Scatter(
        x=[mark.label for mark in seen],
        y=[mark.used_pct for mark in seen],
        error_y={"array": [mark.uncertainty_pct or 0.0 for mark in seen]},
        mode="markers",
    )
    figure = go.Figure(dots)
    figure.add_hrect(y0=-100, y1=100, fillcolor="lightgrey", line_width=0, layer="below")
    figure.update_layout(height=110, margin={"l": 30, "r": 5, "t": 5, "b": 20}, yaxis_range=[-150, 150])
    return figure


def many_graphs(rows: list[Row]) -> Dash:
    """A page with a graph for each valve."""
    app = Dash("stock_many", update_title="")
    parts = [html.Div([html.B(row.name.spoken), dcc.Graph(figure=strip_figure(row))]) for row in rows]
    app.layout = html.Div([html.H1("Valves"), *parts])
    return app


def one_graph(row: Row, hour: Callable[[], StoredSamples]) -> Dash:
    """A page with one graph of a valve, which shows a raw hour when a button is pressed."""
    app = Dash("stock_one", update_title="")
    app.layout = html.Div(
        [html.H1("Valve"), html.Button("One hour", id=BUTTON), dcc.Graph(id=GRAPH, figure=strip_figure(row))]
    )

    @app.callback(Output(GRAPH, "figure"), Input(BUTTON, "n_clicks"), prevent_initial_call=True)
    def _hour(_n: int) -> go.Figure:
        stored = hour()
        x = stored.time_ns.astype("datetime64[ns]")
        return go.Figure([go.Scatter(x=x, y=np.asarray(y), name=name) for name, y in stored.channels.items()])

    return app
