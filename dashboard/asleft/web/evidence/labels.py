"""Where labels stand, so that none lies over another: worked out once for all renderers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.web.evidence.picture import Picture, Role, Row
from asleft.web.evidence.style import LEFT, LINE_PX, RIGHT, WIDTH, row_height

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
