"""Components made in one way, so that pages stay short and typed."""

from __future__ import annotations

from collections.abc import Mapping

import dash
from asleft.web.figures.base import BLANK, CONFIG
from dash import ClientsideFunction, Input, Output, dcc, html
from dash.development.base_component import Component


def node(kind: str, children: object = None, **properties: object) -> Component:
    """An HTML component by its class name; `aria_label` and the like become `aria-label`."""
    named = {
        (key.replace("_", "-") if key.startswith(("aria_", "data_")) else key): value
        for key, value in properties.items()
    }
    made: Component = getattr(html, kind)(children, **named)
    return made


def plot(identity: str, height_px: int, label: str) -> Component:
    """A graph in a labelled group."""
    graph = dcc.Graph(id=identity, config=CONFIG, figure=BLANK, style=plot_style(height_px))  # type: ignore[arg-type]
    return node("Div", graph, role="group", className="plot", aria_label=label)


def plot_style(height_px: int, *, shown: bool = True) -> dict[str, str]:
    """The style of a graph of that height."""
    return {"height": f"{height_px}px"} if shown else {"display": "none"}


def mailbox(identity: str, data: Mapping[str, str | float] | str | None = None) -> list[Component]:
    """A store whose contents the browser acts upon, and the one in which it notes that it has."""
    return [
        dcc.Store(id=identity, data=dict(data) if isinstance(data, Mapping) else data),
        dcc.Store(id=_done(identity)),
    ]


def in_browser(app: dash.Dash, function: str, mailbox_id: str, *more: Input) -> None:
    """Calls `asleft.<function>` of the script among the assets with what arrives in the mailbox."""
    call = ClientsideFunction("asleft", function)
    app.clientside_callback(call, Output(_done(mailbox_id), "data"), Input(mailbox_id, "data"), *more)  # type: ignore[no-untyped-call]


def _done(identity: str) -> str:
    return f"{identity}-done"
