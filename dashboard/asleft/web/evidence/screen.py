"""A picture as a plotly figure in the theme of all plots, and as a part of a page or of paper."""

from __future__ import annotations

from typing import Any

import numpy as np
from asleft.alarms.states import AlarmView
from asleft.web.evidence import style
from asleft.web.evidence.picture import (
    Axis,
    Band,
    Curve,
    FloatArray,
    Level,
    Mark,
    NoPicture,
    Picture,
    Role,
    Row,
    Upright,
    marks_of,
)
from asleft.web.evidence.scene import paper_svg
from asleft.web.evidence.style import STYLES, side_labels, top_labels
from asleft.web.evidence.subject import of_alarm
from asleft.web.evidence.view import evidence
from asleft.web.figures import Figure, axis, layout, note, numbers, scatter
from asleft.web.markup import Markup
from asleft.web.source import Source
from asleft.web.templates import filled
from asleft.web.when import wall_words

_SYMBOLS = {Mark.DOTS: "circle", Mark.RISING: "triangle-up", Mark.FALLING: "triangle-down-open"}
_ANCHORS = {"start": "left", "middle": "center", "end": "right"}
#: Significant digits sent: more cannot be seen.
_DIGITS = 5


def screen_figure(picture: Picture) -> Figure:
    """The figure as a plain dictionary; its height is that of the picture on paper."""
    rows = len(picture.rows)
    traces: list[dict[str, Any]] = []
    uprights = [one for one in picture.uprights if picture.x.low <= one.x <= picture.x.high]
    shapes: list[dict[str, Any]] = []
    annotations = [_top(one, picture.x) for one in top_labels(picture)]
    axes: dict[str, Any] = {"xaxis": _across(picture)}
    for place, row in enumerate(picture.rows):
        number = "" if place == 0 else str(place + 1)
        at = f"y{number}"
        low, high = _domain(place, picture)
        axes[f"yaxis{number}"] = axis(
            domain=[low, high], range=[row.y.low, row.y.high], tickvals=[v for v, _ in marks_of(row.y, 4)],
            ticktext=[words for _, words in marks_of(row.y, 4)], anchor="x",
        )  # fmt: skip
        traces += [_band(band, picture.x, at) for band in row.bands]
        for curve in row.curves:
            traces += _curve(curve, picture.x, row.y, at)
        shapes += [_level(level, at) for level in row.levels]
        shapes += [_upright(one, picture.x, at) for one in uprights]
        annotations.append(_row_title(row, high))
        annotations += _beside(row, rows, at)
    return {
        "data": traces,
        "layout": layout(
            height=round(style.height(picture)),
            hovermode="closest",
            dragmode=False,
            margin={"l": style.LEFT, "r": style.RIGHT, "t": style.above(picture), "b": style.BELOW},
            shapes=shapes,
            annotations=annotations,
            **axes,
        ),
    }


def _domain(place: int, picture: Picture) -> tuple[float, float]:
    """Share of the plot's height, from below, that a row takes."""
    whole = style.height(picture) - style.above(picture) - style.BELOW
    top = style.tops(picture)[place] - style.above(picture)
    return max(1.0 - (top + style.row_height(len(picture.rows))) / whole, 0.0), 1.0 - top / whole


def _across(picture: Picture) -> dict[str, Any]:
    x = picture.x
    marks = marks_of(x, 5)
    last = "y" if len(picture.rows) == 1 else f"y{len(picture.rows)}"
    return axis(
        type="date" if x.clock else "linear",
        range=_places(np.array([x.low, x.high]), x),
        tickvals=_places(np.array([at for at, _ in marks]), x),
        ticktext=[words for _, words in marks],
        title={"text": x.words, "font": {"size": 12}, "standoff": 6},
        anchor=last,
    )


def _places(values: FloatArray, x: Axis) -> list[Any]:
    return wall_words(values) if x.clock else rounded(values)


def rounded(values: FloatArray) -> list[float | None]:
    """As many digits as can be seen, None where a line breaks."""
    finite = np.abs(values[np.isfinite(values)])
    largest = float(finite.max()) if finite.size else 1.0
    decimals = _DIGITS - 1 - int(np.floor(np.log10(largest))) if largest > 0 else _DIGITS
    return numbers(values, min(max(decimals, 0), 9))


def _hover(x: Axis, y: Axis, label: str) -> str:
    place = "%{x|%-d %b %Y %H:%M:%S}" if x.clock else f"%{{x:.4g}} {x.unit}"
    return f"{label}<br>%{{y:.4g}} {y.unit}<br>{place}<extra></extra>"


def _curve(curve: Curve, x: Axis, y: Axis, at: str) -> list[dict[str, Any]]:
    look = STYLES[curve.role]
    name, mode = curve.label or curve.role.value, "lines" if curve.mark is Mark.LINE else "markers"
    place = {"yaxis": at, "connectgaps": False, "hovertemplate": _hover(x, y, name)}
    trace = scatter(name, _places(curve.x, x), rounded(curve.y), mode, **place)
    if curve.mark is Mark.LINE:
        trace["line"] = {"color": look.color, "width": look.width, **_dashed(look.dash)}
    else:
        size = look.dot * (1.0 if curve.mark is Mark.DOTS else 1.6)
        trace["marker"] = {"symbol": _SYMBOLS[curve.mark], "size": size, "color": look.color}
    if curve.spread is not None:
        trace["error_y"] = {"type": "data", "array": rounded(curve.spread), "color": look.color, "thickness": 1,
                            "width": 0}  # fmt: skip
    return [trace]


def _band(band: Band, x: Axis, at: str) -> dict[str, Any]:
    there = np.isfinite(band.low) & np.isfinite(band.high)
    across, low, high = band.x[there], band.low[there], band.high[there]
    edge = _places(np.concatenate([across, across[::-1]]), x), rounded(np.concatenate([high, low[::-1]]))
    look = {"fill": "toself", "fillcolor": STYLES[band.role].fill, "line": {"width": 0}, "hoverinfo": "skip"}
    return scatter(band.label or band.role.value, *edge, yaxis=at, **look)


def _level(level: Level, at: str) -> dict[str, Any]:
    look = STYLES[level.role]
    return {
        "type": "line", "xref": "paper", "yref": at, "x0": 0, "x1": 1, "y0": level.y, "y1": level.y,
        "line": {"color": look.color, "width": look.width, **_dashed(look.dash)},
    }  # fmt: skip


def _upright(upright: Upright, x: Axis, at: str) -> dict[str, Any]:
    look, place = STYLES[upright.role], _places(np.array([upright.x]), x)[0]
    return {
        "type": "line", "xref": "x", "yref": f"{at} domain", "x0": place, "x1": place, "y0": 0, "y1": 1,
        "line": {"color": look.color, "width": look.width, **_dashed(look.dash)},
    }  # fmt: skip


def _words(text: str, role: Role | None = None, **place: object) -> dict[str, Any]:
    color = STYLES[role].color if role is not None else STYLES[Role.FOUND].color
    return note(text, color, style.FONT_PX, **place)


def _top(label: Any, x: Axis) -> dict[str, Any]:  # noqa: ANN401
    return _words(
        label.text, label.role, xref="x", yref="paper", x=_places(np.array([label.x]), x)[0], y=1,
        yshift=style.LINE_PX * label.line - 2, xanchor=_ANCHORS[label.anchor], yanchor="bottom",
    )  # fmt: skip


def _row_title(row: Row, high: float) -> dict[str, Any]:
    return _words(f"<b>{row.y.words}</b>", xref="paper", yref="paper", x=0, y=high, xshift=-style.LEFT + 6,
                  xanchor="left", yanchor="bottom")  # fmt: skip


def _beside(row: Row, rows: int, at: str) -> list[dict[str, Any]]:
    return [
        _words(one.text, one.role, xref="paper", yref=at, x=1, y=one.y, xshift=6, yshift=-round(one.shift_px, 1),
               xanchor="left", yanchor="middle", align="left")
        for one in side_labels(row, rows)
    ]  # fmt: skip


def _dashed(dash: tuple[float, ...]) -> dict[str, str]:
    return {"dash": ",".join(f"{one:g}px" for one in dash)} if dash else {}


# The picture as a part of a page or of paper: title, drawing, and for a screen the figure that replaces it.


def on_screen(picture: Picture | NoPicture) -> Markup:
    """Drawn by the server; the script `evidence.js` puts a plot with hover in its place, of the same size."""
    return _filled(picture, live=True)


def on_paper(picture: Picture | NoPicture) -> Markup:
    """The same without the figure."""
    return _filled(picture, live=False)


def of_alarm_page(source: Source, view: AlarmView) -> Markup:
    """At the head of an alarm's page."""
    return on_screen(evidence(source, of_alarm(view), source.records.judgement(view.valve)))


def _filled(picture: Picture | NoPicture, *, live: bool) -> Markup:
    if isinstance(picture, NoPicture):
        return filled("evidence/evidence.html", title="", why=picture.why, svg=None, height=0, figure=None)
    return filled(
        "evidence/evidence.html",
        title=picture.title,
        why="",
        svg=paper_svg(picture),
        height=round(style.height(picture)) if live else 0,
        figure=screen_figure(picture) if live else None,
    )
