"""An address with nothing behind it."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

_WHY = "It may have been mistyped, or the valve has sent nothing yet and has no sheet."


def layout(words: str, why: str = _WHY) -> Component:
    """Says so, and where to go on."""
    return html.Div(
        [
            html.H1(words),
            html.P(why, className="sub"),
            html.P(html.A("All presses", href="/", className="go")),
        ],
        className="missing",
    )
