"""A picture of what is in logger's files: each column of numbers over its rows, as a page to zoom, PNG or SVG."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from asleft.cli.errors import UserError
from asleft.logfile.overview import thinned, times_of_look

if TYPE_CHECKING:
    from asleft.logfile.arrow import FloatArray
    from asleft.logfile.door import Look
    from asleft.web.evidence.scene import Path as Line
    from asleft.web.evidence.scene import Scene, Text

#: Pieces a column is drawn in where the picture can be zoomed.
_ZOOMABLE = 2000
#: Beyond so many plots a picture of pixels takes too much memory (a file may have any number of columns).
_MOST_PLOTS = 60
#: Of a picture that cannot: px, and the room round each plot for its title and its numbers.
_WIDTH, _LEFT, _RIGHT, _HIGH, _TITLE, _BELOW, _TOP = 900.0, 64.0, 16.0, 110.0, 22.0, 30.0, 12.0


@dataclass(frozen=True, eq=False, slots=True)
class _Plot:
    """One column: its title, smallest and largest value of each piece (shape (n,)), how many rows the file has."""

    title: str
    low: FloatArray
    high: FloatArray
    rows: int


def write_picture(path: Path, looks: Sequence[Look]) -> None:
    """Draw every column of numbers of the files.

    Raises:
        UserError: an ending that is none of .html, .png and .svg, nothing to draw, or not to be written.
    """
    make = _KINDS.get(path.suffix.lower())
    if make is None:
        raise UserError(f"--picture {path}: a name that ends in .html, .png or .svg is wanted")
    plots = [plot for seen in looks for plot in _plots(seen, several=len(looks) > 1)]
    if not plots:
        raise UserError(f"--picture {path}: the files hold no numbers to draw")
    if make is not _page and len(plots) > _MOST_PLOTS:
        raise UserError(
            f"--picture {path}: {len(plots)} columns to draw, at most {_MOST_PLOTS} go into one picture; name fewer "
            "files, or a name that ends in .html"
        )
    title = _heading(looks[0]) if len(looks) == 1 else f"{len(looks)} files"
    try:
        path.write_bytes(make(plots, title))
    except OSError as error:
        raise UserError(f"--picture {path}: cannot be written: {error.strerror}") from error


def _plots(seen: Look, *, several: bool) -> list[_Plot]:
    place = f"{_name(seen)}: " if several else ""
    plots = []
    for column in seen.recognition.columns:
        found = thinned(seen.table, column.number - 1, _ZOOMABLE, decimal_comma=seen.log_map.decimal_comma)
        if found is None or column.channel == "time":
            continue
        name = column.header or f"column {column.number}"
        unit = f" ({column.unit})" if column.unit and column.unit not in name else ""
        plots.append(_Plot(f"{place}{name}{unit}", *found, seen.table.rows))
    return plots


def _name(seen: Look) -> str:
    """A file's name without its folders, and the table in it: a title has little room."""
    return Path(seen.file.name).name + seen.table.place.removeprefix(seen.file.name)


def _heading(seen: Look) -> str:
    from asleft.cli.terminal import moment
    from asleft.logfile.times import zone_of

    times = times_of_look(seen)
    if times is None or not times.absolute:
        return _name(seen)
    zone = zone_of(seen.log_map)
    return f"{_name(seen)}, {moment(times.first_s, zone)} to {moment(times.last_s, zone)}"


def _page(plots: Sequence[_Plot], title: str) -> bytes:
    """One page that needs nothing else."""
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    figure = make_subplots(rows=len(plots), cols=1, shared_xaxes=True, subplot_titles=[plot.title for plot in plots])
    for row, plot in enumerate(plots, 1):
        x = [k * plot.rows / plot.low.size for k in range(plot.low.size) for _ in (0, 1)]
        y = [value for pair in zip(plot.low.tolist(), plot.high.tolist(), strict=True) for value in pair]
        figure.add_trace(go.Scattergl(x=x, y=y, mode="lines", line={"width": 1}, name=plot.title), row=row, col=1)
    figure.update_layout(height=180 * len(plots) + 80, showlegend=False, title=title)
    return str(figure.to_html(include_plotlyjs=True, full_html=True)).encode()


def _png(plots: Sequence[_Plot], title: str) -> bytes:
    from asleft.web.evidence.image import png_of

    return png_of(_scene(plots, title))


def _svg(plots: Sequence[_Plot], title: str) -> bytes:
    from asleft.web.evidence.scene import svg_of

    svg = str(svg_of(_scene(plots, title), f"The columns of {title} over their rows"))
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1).encode()


_KINDS: Mapping[str, Callable[[Sequence[_Plot], str], bytes]] = {
    ".html": _page,
    ".htm": _page,
    ".png": _png,
    ".svg": _svg,
}


def _scene(plots: Sequence[_Plot], title: str) -> Scene:
    from asleft.web import palette
    from asleft.web.evidence.scene import Scene, Text

    step = _TITLE + _HIGH + _BELOW
    pieces: list[Line | Text] = [Text((_LEFT, _TOP + 4.0), title, palette.MUTED)]
    top = _TOP + 2.0 * _TITLE
    for plot in plots:
        pieces += _drawn(plot, top)
        top += step
    return Scene(_WIDTH, top, pieces)


def _drawn(plot: _Plot, top: float) -> list[Line | Text]:
    """One plot: its title, levels, the column from smallest to largest piece by piece, what ends it."""
    from asleft.web import palette
    from asleft.web.evidence.scene import Path as Line
    from asleft.web.evidence.scene import Text
    from asleft.web.figures import numeral, ticks

    right, bottom = _WIDTH - _RIGHT, top + _HIGH
    low, high = float(np.nanmin(plot.low)), float(np.nanmax(plot.high))
    if not high > low:
        low, high = low - 1.0, high + 1.0
    pieces: list[Line | Text] = [Text((_LEFT, top - 6.0), plot.title, palette.TEXT, bold=True)]
    for value in ticks(low, high, 4):
        y = bottom - (value - low) / (high - low) * _HIGH
        pieces.append(Line(((_LEFT, y), (right, y)), palette.RULE, 0.7))
        pieces.append(Text((_LEFT - 6.0, y + 4.0), numeral(value), palette.MUTED, "end"))
    x = np.linspace(_LEFT, right, plot.low.size)
    known = np.isfinite(plot.low)
    edges = np.flatnonzero(np.diff(known.astype(np.int8), prepend=0, append=0))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        sides = np.stack((plot.low[a:b], plot.high[a:b]))
        drawn = (bottom - (sides - low) / (high - low) * _HIGH).T.tolist()
        points = [(at, side) for at, two in zip(x[a:b].tolist(), drawn, strict=True) for side in two]
        pieces.append(Line(tuple(points), palette.MEASURED, 1.0))
    for at, words, anchor in ((_LEFT, "row 1", "start"), (right, f"row {plot.rows:,}", "end")):
        pieces.append(Text((at, bottom + 16.0), words, palette.MUTED, anchor))
    return pieces
