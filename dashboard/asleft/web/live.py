"""What a live page is made of: contents that the server draws, and hidden components that keep them up to date."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import dash
from asleft.web.figures import CONFIG, Figure, blank
from asleft.web.markup import Markup
from asleft.web.templates import macro
from dash import ClientsideFunction, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component
from plotly.utils import PlotlyJSONEncoder


@dataclass(frozen=True, slots=True)
class LivePage:
    """One page of the framework: its title, its first contents, and its hidden components."""

    title: str
    contents: Markup
    hidden: Sequence[Component]
    plots: bool = False

    def hidden_parts(self) -> list[Any]:
        """The components as plain values."""
        parts: list[Any] = json.loads(json.dumps(list(self.hidden), cls=PlotlyJSONEncoder))
        return parts


class Elsewhere(Component):
    """Renders its children in the element of the page with the id `place`, which is outside the framework's own.

    Its other half is in `live.js`.
    """

    _namespace = "asleft_web"
    _type = "Elsewhere"

    def __init__(self, children: Component, *, place: str) -> None:
        self._prop_names = self.available_properties = ["children", "place"]
        self._valid_wildcard_attributes: list[str] = []
        self.available_wildcard_properties: list[str] = []
        super().__init__(children=children, place=place)  # type: ignore[no-untyped-call]


def plot(identity: str, height_px: int, label: str, first: Figure | None = None, **config: bool | str) -> Component:
    """A graph in a labelled group, whose id is that of the graph with "-frame", for its `plot_place`.

    `first` is shown to begin with; `config` overrides `CONFIG`.
    """
    figure, style = first or blank(height_px), {"height": f"{height_px}px"}
    graph = dcc.Graph(id=identity, config={**CONFIG, **config}, figure=figure, style=style)  # type: ignore[arg-type]
    group: dict[str, Any] = {"role": "group", "aria-label": label}
    return Elsewhere(html.Div(graph, id=frame(identity), className="plot", **group), place=_place(identity))


def frame(identity: str) -> str:
    """Id of the frame round a graph."""
    return f"{identity}-frame"


def frame_style(*, shown: bool) -> dict[str, str | int]:
    """The style of a frame. Hidden it takes no room, but the graph keeps its size: it cannot be drawn into none."""
    return {} if shown else {"height": 0, "padding": 0, "border": 0, "overflow": "hidden", "visibility": "hidden"}


def client_store(identity: str, data: str | None = None) -> list[Component]:
    """A store whose contents the browser acts upon, and the one in which it notes that it has."""
    return [dcc.Store(id=identity, data=data), dcc.Store(id=_done(identity))]


def in_browser(app: dash.Dash, function: str, store_id: str, *more: Input) -> None:
    """Calls `asleft.<function>` of the script among the assets with what arrives in the client_store."""
    call = ClientsideFunction("asleft", function)
    app.clientside_callback(call, Output(_done(store_id), "data"), Input(store_id, "data"), *more)  # type: ignore[no-untyped-call]


def _done(identity: str) -> str:
    return f"{identity}-done"


def _place(identity: str) -> str:
    return f"{identity}-place"


Parts = dict[str, str]
Tags = dict[str, str]


def changed(parts: Mapping[str, Markup], tags: Mapping[str, str] | None) -> tuple[Parts, Tags]:
    """Those parts whose tag differs from what the browser has, and the tags of all."""
    fresh = {target: _tag(text) for target, text in parts.items()}
    known = tags or {}
    return {target: str(text) for target, text in parts.items() if known.get(target) != fresh[target]}, fresh


def marked(first: Parts) -> dict[str, Markup]:
    """Parts as what they are: already markup, for a template."""
    return {target: Markup(text) for target, text in first.items()}


def place(target: str, first: Parts, class_: str) -> Markup:
    """Where a part goes, with its contents out of `first`."""
    return macro("common.html", "place", target, marked(first), **{"class": class_})


@dataclass(frozen=True, slots=True)
class Renewal:
    """Parts of a page that a clock renews: ids of the store in which they come, of their tags and of the clock."""

    store: str
    tags: str
    timer: str

    def hidden(self, every_ms: int | None, tags: Tags | None = None) -> list[Component]:
        """Its components, with None no clock of its own. `tags`: of the first contents, if the page has them."""
        clock = [] if every_ms is None else [dcc.Interval(id=self.timer, interval=every_ms)]
        return [*client_store(self.store), dcc.Store(id=self.tags, data=tags), *clock]

    def page(self, title: str, body: str, class_: str, first: Markup, every_ms: int, *more: Component) -> LivePage:
        """A page that is one part, `body`, with its first contents."""
        fresh, tags = changed({body: first}, None)
        return LivePage(title, place(body, fresh, class_), [*self.hidden(every_ms, tags), *more])

    def register(
        self,
        app: dash.Dash,
        make: Callable[..., Mapping[str, Markup] | None],
        *more: Input | State,
        first: bool = False,
    ) -> None:
        """Have what `make` gives sent as far as it has changed. It gets the values of `more`; None changes nothing.

        `first`: also when the page has just come, because its first contents lack them.
        """

        @app.callback(
            Output(self.store, "data"),
            Output(self.tags, "data"),
            Input(self.timer, "n_intervals"),
            *more,
            State(self.tags, "data"),
            prevent_initial_call=not first,
        )
        def _renew(_n: int | None, *given: object) -> tuple[object, object]:
            *values, tags = given
            made = make(*values)
            return (no_update, no_update) if made is None else changed(made, cast("Tags | None", tags))

        register(app, self.store)


def register(app: dash.Dash, store: str) -> None:
    """Have the browser put in place whatever arrives in the store."""
    in_browser(app, "paint", store)


def _tag(text: str) -> str:
    return hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest()[:12]
