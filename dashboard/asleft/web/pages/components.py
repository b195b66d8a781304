"""Components made in one way, so that pages stay short and typed."""

from __future__ import annotations

from collections.abc import Mapping

import dash
from asleft.web.figures.base import CONFIG, Figure, blank
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


def plot(identity: str, height_px: int, label: str, first: Figure | None = None, **config: bool | str) -> Component:
    """A graph in a labelled group, whose id is that of the graph with "-frame".

    `first` is shown to begin with; `config` overrides `CONFIG`.
    """
    figure, style = first or blank(height_px), {"height": f"{height_px}px"}
    graph = dcc.Graph(id=identity, config={**CONFIG, **config}, figure=figure, style=style)  # type: ignore[arg-type]
    return node("Div", graph, id=frame(identity), role="group", className="plot", aria_label=label)


def frame(identity: str) -> str:
    """Id of the frame round a graph."""
    return f"{identity}-frame"


def frame_style(*, shown: bool) -> dict[str, str | int]:
    """The style of a frame. Hidden it takes no room, but the graph keeps its size: it cannot be drawn into none."""
    return {} if shown else {"height": 0, "padding": 0, "border": 0, "overflow": "hidden", "visibility": "hidden"}


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
