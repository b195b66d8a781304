"""How each role looks, one table for every renderer, a picture's measures in pixels, and where its labels stand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.web import palette
from asleft.web.evidence.picture import Picture, Role, Row


@dataclass(frozen=True, slots=True)
class Style:
    """Colour of lines, marks and labels; width of lines and diameter of dots in pixels; dashes; fill of areas."""

    color: str
    width: float = 1.4
    dash: tuple[float, ...] = ()
    dot: float = 4.4
    fill: str = ""


STYLES: Mapping[Role, Style] = {
    Role.FOUND: Style(palette.TEXT, 1.6),
    Role.BEFORE: Style(palette.EXPECTED, 1.3, (3, 2)),
    Role.LEFT: Style(palette.MUTED, 1.3, (6, 3)),
    Role.TOLERANCE: Style(palette.MUTED, 0.0, fill=palette.PLOT_BAND),
    Role.OUT: Style(palette.SHIFT, 1.6, dot=5.4),
    Role.ONSET: Style(palette.SHIFT, 1.4, (2, 2)),
    Role.TREND: Style(palette.DIGEST, 1.3, (5, 3), fill="#E4DDEE"),
    Role.LIMIT: Style(palette.NOW, 1.4, (6, 2, 1, 2)),
    Role.OTHER: Style(palette.MEASURED, 1.2),
}

#: Left of the plot: numbers. Right of it: the labels of lines, which so lie over nothing.
LEFT, RIGHT = 52.0, 140.0
#: Above the rows: labels of uprights, two lines, where there are any. Above each row: its title.
_ABOVE, ROW_TITLE, BELOW = 30.0, 18.0, 38.0
BETWEEN = 8.0
WIDTH = 560.0
FONT_PX = 12.0
LINE_PX = 14.0
#: Height of a row's plot by how many there are.
ROW_PX: Mapping[int, float] = {1: 176.0, 2: 92.0, 3: 70.0, 4: 58.0}


def row_height(rows: int) -> float:
    """Of each plot of a picture with so many rows, px."""
    return ROW_PX.get(rows, 54.0)


def above(picture: Picture) -> float:
    """Kept free above the rows of a picture, px."""
    return _ABOVE if any(one.label for one in picture.uprights) else 4.0


def height(picture: Picture) -> float:
    """Of the whole picture, px."""
    rows = len(picture.rows)
    return above(picture) + rows * (row_height(rows) + ROW_TITLE) + (rows - 1) * BETWEEN + BELOW


def tops(picture: Picture) -> list[float]:
    """Upper edge of each row's plot, px from the top of the picture."""
    rows = len(picture.rows)
    step = row_height(rows) + ROW_TITLE + BETWEEN
    return [above(picture) + ROW_TITLE + index * step for index in range(rows)]


# Where labels stand, so that none lies over another: worked out once for all renderers.

#: Mean width of a character at the labels' size, px; a generous one, so that what is said to fit does.
CHAR_PX = 6.3


@dataclass(frozen=True, slots=True)
class SideLabel:
    """Right of a row: where on its axis it belongs (`y`), and how far down from there it stands (`shift_px`)."""

    text: str
    role: Role
    y: float
    shift_px: float


@dataclass(frozen=True, slots=True)
class TopLabel:
    """Above the rows: `line` 0 is the lower one; `anchor` "start", "middle" or "end"."""

    text: str
    role: Role
    x: float
    line: int
    anchor: str


def side_labels(row: Row, rows: int) -> list[SideLabel]:
    """Labels of a row's lines, spread so that none lies over another and all lie beside the row."""
    wanted = [(level.label, level.role, level.y) for level in row.levels if level.label]
    for curve in row.curves:
        known = np.flatnonzero(np.isfinite(curve.y))
        if curve.label and known.size:
            newest = known[np.argmax(curve.x[known])]
            wanted.append((curve.label, curve.role, float(curve.y[newest])))
    for band in row.bands:
        known = np.flatnonzero(np.isfinite(band.low) & np.isfinite(band.high))
        if band.label and known.size:
            wanted.append((band.label, band.role, float(band.high[known[-1]])))
    height, span = row_height(rows), (row.y.high - row.y.low) or 1.0
    natural = [(row.y.high - min(max(y, row.y.low), row.y.high)) / span * height for _, _, y in wanted]
    order = sorted(range(len(wanted)), key=lambda k: natural[k])
    placed = _spread([natural[k] for k in order], LINE_PX, height)
    out: list[SideLabel] = []
    for k, at in zip(order, placed, strict=True):
        text, role, y = wanted[k]
        out.append(SideLabel(text, role, min(max(y, row.y.low), row.y.high), at - natural[k]))
    return out


def _spread(natural: Sequence[float], apart: float, height: float) -> list[float]:
    """Places as near to the natural ones as `apart` allows, within 0 to `height` where there is room for all."""
    groups: list[tuple[float, int]] = []  # middle, members
    for at in natural:
        groups.append((at, 1))
        while len(groups) > 1 and groups[-1][0] - groups[-2][0] < apart * (groups[-1][1] + groups[-2][1]) / 2:
            (a, n), (b, m) = groups[-2], groups[-1]
            groups[-2:] = [((a * n + b * m) / (n + m), n + m)]
        middle, count = groups[-1]
        half = apart * (count - 1) / 2
        groups[-1] = (min(max(middle, half), max(height - half, half)), count)
    return [middle + apart * (k - (count - 1) / 2) for middle, count in groups for k in range(count)]


def top_labels(picture: Picture) -> list[TopLabel]:
    """Labels of uprights on two lines; one for which there is no room on either is left out (its line stays)."""
    span = (picture.x.high - picture.x.low) or 1.0
    taken: list[list[tuple[float, float]]] = [[], []]
    out = []
    for upright in sorted(picture.uprights, key=lambda one: one.x):
        if not (upright.label and picture.x.low <= upright.x <= picture.x.high):
            continue
        at = LEFT + (upright.x - picture.x.low) / span * (WIDTH - LEFT - RIGHT)
        width = CHAR_PX * len(upright.label)
        places = (("middle", at - width / 2), ("start", at), ("end", at - width))
        anchor, start = next((one for one in places if one[1] >= 0.0 and one[1] + width <= WIDTH), places[2])
        line = next((k for k, row in enumerate(taken) if all(start > b or start + width < a for a, b in row)), None)
        if line is not None:
            taken[line].append((start - 6.0, start + width + 6.0))
            out.append(TopLabel(upright.label, upright.role, upright.x, line, anchor))
    return out
