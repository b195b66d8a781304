"""What all plots share: type, grid, margins, and no buttons."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette

FONT = 'system-ui, "Segoe UI", Roboto, "Helvetica Neue", "Noto Sans", "DejaVu Sans", Arial, sans-serif'

Figure = dict[str, Any]

#: For every graph: no buttons, no logo, no cloud; a double click shows all of the data again. Not "reset": that goes
#: back to the axes of the blank figure which each graph shows first.
CONFIG: dict[str, Any] = {
    "displayModeBar": False,
    "displaylogo": False,
    "plotlyServerURL": "",
    "showLink": False,
    "showTips": False,
    "responsive": True,
    "doubleClick": "autosize",
    "scrollZoom": False,
    "modeBarButtonsToRemove": ["sendDataToCloud", "toImage", "lasso2d", "select2d"],
}


def blank(height_px: int) -> Figure:
    """Until a figure arrives: nothing, rather than axes of nothing.

    One unseen point, because axes without any trace are given no place and are then drawn at "not a number".
    """
    nothing = {"visible": False, "range": [0, 1], "showline": False, "zeroline": False, "showgrid": False}
    return {
        "data": [{"type": "scatter", "x": [0.5], "y": [0.5], "mode": "markers", "opacity": 0, "hoverinfo": "skip"}],
        "layout": {
            "xaxis": nothing,
            "yaxis": nothing,
            "height": height_px,
            "margin": {"l": 0, "r": 0, "t": 0, "b": 0},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
        },
    }


def axis(**more: object) -> dict[str, Any]:
    """An axis in the common manner; `more` overrides."""
    common: dict[str, Any] = {
        "gridcolor": palette.RULE,
        "gridwidth": 1,
        "zeroline": False,
        "linecolor": palette.RULE,
        "tickfont": {"size": 12, "color": palette.MUTED},
        "title": {"font": {"size": 12, "color": palette.MUTED}},
        "fixedrange": True,
        "automargin": False,
    }
    return {**common, **more}


def layout(**more: object) -> dict[str, Any]:
    """A layout in the common manner; `more` overrides."""
    common: dict[str, Any] = {
        "font": {"family": FONT, "size": 12, "color": palette.TEXT},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "margin": {"l": 66, "r": 14, "t": 20, "b": 34},
        "hovermode": "x",
        "hoverlabel": {
            "bgcolor": "#FFFFFF",
            "bordercolor": palette.RULE,
            "font": {"color": palette.TEXT},
            "namelength": -1,  # names are never cut
        },
        "showlegend": False,
        "dragmode": "zoom",
    }
    return {**common, **more}


def numbers(values: npt.NDArray[np.float64], decimals: int) -> list[float | None]:
    """Rounded to what can be seen, None where a line breaks: short on the wire, and plain JSON."""
    return [None if value != value else value for value in np.round(values, decimals).tolist()]
