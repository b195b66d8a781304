"""How each role looks, one table for every renderer, and the measures of a picture in pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.web import palette
from asleft.web.evidence.picture import Picture, Role


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
