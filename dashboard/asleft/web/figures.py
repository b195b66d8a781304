"""What all plots share on screen (type, grid, margins, no buttons), and a small line chart as SVG for elsewhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.web import palette
from asleft.web.markup import Markup, el

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


def note(text: str, color: str = palette.TEXT, size_px: float = 12, /, **place: object) -> dict[str, Any]:
    """Words within a plot; `place` as the plot library's annotations have it."""
    return {"text": text, "showarrow": False, "font": {"size": size_px, "color": color}, **place}


def scatter(name: str, x: Sequence[Any], y: Sequence[Any], mode: str = "lines", /, **more: object) -> dict[str, Any]:
    """A line, or with the mode "markers" points."""
    return {"type": "scatter", "mode": mode, "name": name, "x": x, "y": y, **more}


def numbers(values: npt.NDArray[np.float64], decimals: int) -> list[float | None]:
    """Rounded to what can be seen, None where a line breaks: short on the wire, and plain JSON."""
    return [None if value != value else value for value in np.round(values, decimals).tolist()]


# A small line chart as SVG: axes with round ticks, a line, dots, bands. For pages without a script and for paper.

LEFT, RIGHT, TOP, BOTTOM = 54.0, 12.0, 14.0, 40.0


@dataclass
class Chart:
    """Pieces are added in data units and drawn in the order in which they came."""

    x: tuple[float, float]
    y: tuple[float, float]
    x_title: str
    y_title: str
    width: float = 340.0  # three of them stand side by side on paper, with words that can still be read
    height: float = 240.0
    pieces: list[Markup] = field(default_factory=list)
    keys: list[tuple[str, str]] = field(default_factory=list)  # class of a line or of a tip, and what it stands for
    foot: float | None = None  # in pixels from the top: above it stand the keys if words are below
    falling: bool = False  # curves leave the corner above them free for the keys, not the one below

    def at_x(self, value: float) -> float:
        """Pixels from the left."""
        return LEFT + (value - self.x[0]) / (self.x[1] - self.x[0]) * (self.width - LEFT - RIGHT)

    def at_y(self, value: float) -> float:
        """Pixels from the top, kept within the picture."""
        share = (value - self.y[0]) / (self.y[1] - self.y[0])
        return self.height - BOTTOM - min(max(share, -0.02), 1.02) * (self.height - TOP - BOTTOM)

    def line(self, xs: Sequence[float], ys: Sequence[float], class_: str) -> None:
        """A line through points; it breaks where one is not a number or not between the ends of the axis."""
        path, pen = [], "M"
        for x, y in zip(xs, ys, strict=True):
            if not (self.x[0] <= x <= self.x[1] and math.isfinite(y)):
                pen = "M"
                continue
            path.append(f"{pen}{self.at_x(x):.1f} {self.at_y(y):.1f}")
            pen = "L"
        self.pieces.append(el("path", d="".join(path), class_=class_))

    def area(self, xs: Sequence[float], low: Sequence[float], high: Sequence[float], class_: str = "band") -> None:
        """What lies between two lines."""
        there = [f"{self.at_x(x):.1f},{self.at_y(y):.1f}" for x, y in zip(xs, high, strict=True)]
        back = [f"{self.at_x(x):.1f},{self.at_y(y):.1f}" for x, y in zip(xs, low, strict=True)]
        self.pieces.append(el("polygon", points=" ".join([*there, *reversed(back)]), class_=class_))

    def across(self, y: float, words: str) -> None:
        """A line over the whole width, with its words above it where a rising curve is not."""
        at = self.at_y(y)
        self.pieces.append(el("path", d=f"M{LEFT} {at:.1f}H{self.width - RIGHT}", class_="mark"))
        high = y > sum(self.y) / 2.0
        x, anchor = (LEFT + 6.0, "start") if high else (self.width - RIGHT - 6.0, "end")
        self.pieces.append(el("text", words, x=x, y=round(at - 5, 1), text_anchor=anchor, class_="strong"))
        if not high:
            self.foot = min(at - 22.0, self.foot or at)

    def dots(self, xs: Sequence[float], ys: Sequence[float], class_: str) -> None:
        """Points, as triangles that point up or down (class "up", "down"): told apart without colour."""
        way = -1.0 if class_.split()[-1] == "up" else 1.0
        shape = "".join(
            f"M{self.at_x(x) - 4:.1f} {self.at_y(y) - 2.6 * way:.1f}h8l-4 {6.4 * way:.1f}Z"
            for x, y in zip(xs, ys, strict=True)
        )
        if shape:
            self.pieces.append(el("path", d=shape, class_=f"tip {class_}"))

    def _legend(self) -> list[Markup]:
        """Samples of marks with their words, in the corner that the curves leave free."""
        out: list[Markup] = []
        last = TOP + 14.0 * len(self.keys) if self.falling else self.height - BOTTOM - 10.0
        if not self.falling and self.foot is not None and last - 14.0 * len(self.keys) < self.foot + 22.0:
            last = self.foot
        for place, (class_, words) in enumerate(reversed(self.keys)):
            y, x = last - 14.0 * place, self.width - RIGHT - 8.0
            if class_.split()[-1] in ("up", "down"):
                way = -1.0 if class_.split()[-1] == "up" else 1.0
                drawn = f"M{x - 14:.1f} {y - 4 - 2.6 * way:.1f}h8l-4 {6.4 * way:.1f}Z"
                out.append(el("path", d=drawn, class_=f"tip {class_} sample"))
            else:
                out.append(el("path", d=f"M{x - 22:.1f} {y - 4:.1f}H{x:.1f}", class_=f"{class_} sample"))
            out.append(el("text", words, x=x - 28.0, y=y, text_anchor="end"))
        return out

    def svg(self, words: str) -> Markup:
        """The picture; `words` are its accessible name."""
        right, bottom = self.width - RIGHT, self.height - BOTTOM
        grid: list[Markup] = []
        for value in ticks(*self.x, 6):
            x = self.at_x(value)
            grid.append(el("path", d=f"M{x:.1f} {TOP}V{bottom}", class_="grid"))
            grid.append(el("text", numeral(value), x=x, y=bottom + 15, text_anchor="middle"))
        for value in ticks(*self.y, 5):
            y = self.at_y(value)
            grid.append(el("path", d=f"M{LEFT} {y:.1f}H{right}", class_="grid"))
            grid.append(el("text", numeral(value), x=LEFT - 6, y=y + 4, text_anchor="end"))
        return el(
            "svg",
            *grid,
            *self.pieces,
            el("text", self.x_title, x=(LEFT + right) / 2, y=self.height - 6, text_anchor="middle", class_="strong"),
            el("text", self.y_title, x=LEFT, y=TOP - 3, text_anchor="start", class_="strong"),
            *self._legend(),
            viewBox=f"0 0 {self.width:.0f} {self.height:.0f}",
            class_="chart",
            role="img",
            aria_label=words,
        )


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from `low` to `high`, at most about `most`."""
    if not high > low:
        return [low]
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * k for k in (1, 2, 2.5, 5, 10) if power * k >= raw)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def numeral(value: float) -> str:
    """A tick's number, as short as it is exact."""
    return f"{value:.10g}".replace("-", "−")


def padded(values: Sequence[float], share: float = 0.05) -> tuple[float, float]:
    """Smallest and largest with a margin; never empty."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    margin = max((high - low) * share, abs(high) * 1e-3, 1e-6)
    return low - margin, high + margin
