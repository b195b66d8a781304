"""A picture as lines, areas and words in pixels: for paper, for a mail's image; as SVG, and as one line of text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from asleft.web import palette
from asleft.web.evidence import style
from asleft.web.evidence.picture import Axis, Curve, FloatArray, Mark, Picture, Role, Row, marks_of
from asleft.web.evidence.style import FONT_PX, STYLES, side_labels, top_labels
from asleft.web.markup import Markup, el

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points, or with `fill` an area; no `color`: without an edge."""

    points: tuple[Point, ...]
    color: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()
    fill: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """Words on their base line; `anchor` "start", "middle" or "end"."""

    at: Point
    text: str
    color: str
    anchor: str = "start"
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Scene:
    """A whole picture, drawn in this order."""

    width: float
    height: float
    pieces: Sequence[Path | Text]


class _Place:
    """From values to pixels within one row."""

    def __init__(self, picture: Picture, row: Row, top: float, height: float) -> None:
        self.x_axis, self.y_axis, self.top, self.height = picture.x, row.y, top, height
        self.left, self.right, self.bottom = style.LEFT, style.WIDTH - style.RIGHT, top + height

    def x(self, values: FloatArray) -> FloatArray:
        low, high = self.x_axis.low, self.x_axis.high
        return self.left + (values - low) / ((high - low) or 1.0) * (self.right - self.left)

    def y(self, values: FloatArray) -> FloatArray:
        """Kept within the row: what is beyond stands at its edge."""
        share = (values - self.y_axis.low) / ((self.y_axis.high - self.y_axis.low) or 1.0)
        return self.bottom - np.clip(share, 0.0, 1.0) * self.height


def scene_of(picture: Picture) -> Scene:
    """All pieces of a picture."""
    rows = len(picture.rows)
    height, tops = style.row_height(rows), style.tops(picture)
    pieces: list[Path | Text] = []
    for row, top in zip(picture.rows, tops, strict=True):
        pieces += _row(row, _Place(picture, row, top, height), rows, last=top == tops[-1])
    place = _Place(picture, picture.rows[-1], tops[-1], height)
    for one in picture.uprights:
        if picture.x.low <= one.x <= picture.x.high:
            at, look = float(place.x(np.array([one.x]))[0]), STYLES[one.role]
            pieces += [Path(((at, top), (at, top + height)), look.color, look.width, look.dash) for top in tops]
    for label in top_labels(picture):
        at = float(place.x(np.array([label.x]))[0])
        line = style.above(picture) - 4.0 - style.LINE_PX * label.line
        pieces.append(Text((at, line), label.text, STYLES[label.role].color, label.anchor))
    middle = (style.LEFT + style.WIDTH - style.RIGHT) / 2
    pieces.append(Text((middle, style.height(picture) - 6.0), picture.x.words, palette.MUTED, "middle"))
    return Scene(style.WIDTH, style.height(picture), tuple(pieces))


def _row(row: Row, place: _Place, rows: int, *, last: bool) -> list[Path | Text]:
    pieces: list[Path | Text] = []
    for value, words in marks_of(row.y, 4):
        y = float(place.y(np.array([value]))[0])
        pieces.append(Path(((place.left, y), (place.right, y)), palette.RULE, 0.7))
        pieces.append(Text((place.left - 6.0, y + 4.0), words, palette.MUTED, "end"))
    for value, words in marks_of(place.x_axis, 5):
        at = float(place.x(np.array([value]))[0])
        pieces.append(Path(((at, place.top), (at, place.bottom)), palette.RULE, 0.7))
        if last:
            pieces.append(Text((at, place.bottom + 15.0), words, palette.MUTED, "middle"))
    for band in row.bands:
        sides = [_within(Curve(band.role, band.x, side), place.x_axis) for side in (band.high, band.low)]
        there = np.isfinite(sides[0].y) & np.isfinite(sides[1].y)
        x, high, low = place.x(sides[0].x[there]), place.y(sides[0].y[there]), place.y(sides[1].y[there])
        edge = [*zip(x, high, strict=True), *zip(x[::-1], low[::-1], strict=True)]
        pieces.append(Path(_points(edge), fill=STYLES[band.role].fill))
    for level in row.levels:
        y, look = float(place.y(np.array([level.y]))[0]), STYLES[level.role]
        pieces.append(Path(((place.left, y), (place.right, y)), look.color, look.width, look.dash))
    for curve in row.curves:
        pieces += _curve(curve, place)
    pieces.append(Text((6.0, place.top - 5.0), row.y.words, palette.TEXT, bold=True))
    for one in side_labels(row, rows):
        y = float(place.y(np.array([one.y]))[0]) + one.shift_px + 4.0
        pieces.append(Text((place.right + 6.0, y), one.text, STYLES[one.role].color))
    return pieces


def _curve(curve: Curve, place: _Place) -> list[Path | Text]:
    look = STYLES[curve.role]
    curve = _within(curve, place.x_axis)
    x, y = place.x(curve.x), place.y(curve.y)
    pieces: list[Path | Text] = []
    if curve.spread is not None:
        tops, feet = place.y(curve.y + curve.spread), place.y(curve.y - curve.spread)
        pieces += [Path(_points([(a, b), (a, c)]), look.color, 1.0)
                   for a, b, c in zip(x, tops, feet, strict=True) if np.isfinite([a, b, c]).all()]  # fmt: skip
    if curve.mark is Mark.LINE:
        known = np.isfinite(x) & np.isfinite(y)
        edges = np.flatnonzero(np.diff(known.astype(np.int8), prepend=0, append=0))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a > 1:
                points = _points(zip(x[a:b], y[a:b], strict=True))
                pieces.append(Path(points, look.color, look.width, look.dash))
        return pieces
    r = look.dot / 2
    for a, b in zip(x, y, strict=True):
        if np.isfinite(a) and np.isfinite(b):
            pieces.append(_dot(float(a), float(b), r, curve.mark, look.color, out=curve.role is Role.OUT))
    return pieces


def _within(curve: Curve, x: Axis) -> Curve:
    """The part between the ends of the axis; a line is cut where it crosses them."""
    if curve.mark is not Mark.LINE:
        inside = (curve.x >= x.low) & (curve.x <= x.high)
        spread = None if curve.spread is None else curve.spread[inside]
        return replace(curve, x=curve.x[inside], y=curve.y[inside], spread=spread)
    at, values = curve.x, curve.y
    for end in (x.low, x.high):
        crossed = np.flatnonzero((at[:-1] < end) != (at[1:] < end)) if at.size > 1 else np.empty(0, dtype=np.int64)
        share = (end - at[crossed]) / (at[crossed + 1] - at[crossed])
        cut = values[crossed] + share * (values[crossed + 1] - values[crossed])
        at, values = np.insert(at, crossed + 1, end), np.insert(values, crossed + 1, cut)
    return replace(curve, x=at, y=np.where((at >= x.low) & (at <= x.high), values, np.nan))


def _dot(x: float, y: float, r: float, mark: Mark, color: str, *, out: bool) -> Path:
    """A dot, a diamond for what is out, a triangle that points up (filled) or down (open)."""
    if mark is Mark.DOTS and out:
        r *= 1.3
        return Path(_points([(x, y - r), (x + r, y), (x, y + r), (x - r, y)]), fill=color)
    if mark is Mark.DOTS:
        turns = np.arange(8) * np.pi / 4 + np.pi / 8
        return Path(_points(zip(x + r * np.cos(turns), y + r * np.sin(turns), strict=True)), fill=color)
    way = -1.0 if mark is Mark.RISING else 1.0
    r *= 1.6
    points = [(x - r, y - 0.65 * r * way), (x + r, y - 0.65 * r * way), (x, y + 0.95 * r * way)]
    if mark is Mark.RISING:
        return Path(_points(points), fill=color)
    return Path(_points([*points, points[0]]), color, 1.1, fill="#FFFFFF")


def _points(pairs: object) -> tuple[Point, ...]:
    return tuple((round(float(a), 1), round(float(b), 1)) for a, b in pairs)  # type: ignore[attr-defined]


# A picture as SVG that carries its own looks: for first contents, for pages without a script, for paper.
#
# Marks of one look are joined into one path, so that hundreds of dots stay light.

_FONT = "system-ui, 'Segoe UI', Roboto, 'DejaVu Sans', Arial, sans-serif"


def paper_svg(picture: Picture) -> Markup:
    """The picture; its words are its accessible name."""
    return svg_of(scene_of(picture), picture.words)


def svg_of(scene: Scene, words: str) -> Markup:
    """Any scene as SVG."""
    pieces: list[Markup] = []
    for look, group in groupby(scene.pieces, key=_look):
        if look is None:
            pieces += [_text(one) for one in group if isinstance(one, Text)]
        else:
            pieces.append(_path([one for one in group if isinstance(one, Path)]))
    return el(
        "svg",
        *pieces,
        viewBox=f"0 0 {scene.width:g} {scene.height:g}",
        class_="picture",
        role="img",
        aria_label=words,
        style=f"font-family:{_FONT};font-size:{FONT_PX:g}px",
    )


def _look(piece: Path | Text) -> tuple[object, ...] | None:
    return (piece.color, piece.width, piece.dash, piece.fill) if isinstance(piece, Path) else None


def _path(paths: list[Path]) -> Markup:
    first = paths[0]
    drawn = "".join(
        "M" + "L".join(f"{x:g} {y:g}" for x, y in path.points) + ("Z" if path.fill else "") for path in paths
    )
    return el(
        "path",
        d=drawn,
        fill=first.fill or "none",
        stroke=first.color or None,
        stroke_width=first.width if first.color else None,
        stroke_dasharray=" ".join(f"{one:g}" for one in first.dash) or None,
    )


def _text(one: Text) -> Markup:
    anchor = None if one.anchor == "start" else one.anchor
    return el(
        "text", one.text, x=one.at[0], y=one.at[1], fill=one.color, text_anchor=anchor,
        font_weight="600" if one.bold else None, style=f"fill:{one.color};font-size:{FONT_PX:g}px",
    )  # fmt: skip


# A picture as one line of text, for the terminal and for plain mail: what moved in words, and a row of blocks.

_BLOCKS, _PLAIN = "▁▂▃▄▅▆▇█", "_.-=+*%#"
_IN_ASCII: dict[int, str] = {ord(sign): plain for sign, plain in
                             (("−", "-"), ("–", "-"), ("±", "+-"), ("Ω", "ohm"), ("°", "deg "))}  # fmt: skip
MOST = 24
"""Signs of the row at the most."""


def line_of(picture: Picture, *, blocks: bool = True) -> str:
    """Title and row; without `blocks` in plain ASCII."""
    row = sparkline(picture.spark, picture.spark_ends, blocks=blocks)
    return f"{picture.title} {row}".rstrip() if blocks else f"{_ascii(picture.title)} {row}".rstrip()


def sparkline(values: Sequence[float], between: tuple[float, float] | None = None, *, blocks: bool = True) -> str:
    """Values as heights, neighbours averaged to at most `MOST`; gaps stay gaps.

    `between`: the values of the lowest and the highest sign; None: the smallest and the largest there are.
    """
    given = np.asarray(values, dtype=np.float64)
    if given.size == 0 or not np.isfinite(given).any():
        return ""
    parts = np.array_split(given, min(MOST, given.size))
    means = [float(np.mean(part[np.isfinite(part)])) if np.isfinite(part).any() else np.nan for part in parts]
    low, high = between or (float(np.nanmin(means)), float(np.nanmax(means)))
    signs = _BLOCKS if blocks else _PLAIN
    out = ""
    for value in means:
        if not np.isfinite(value):
            out += " "
            continue
        share = (value - low) / (high - low) if high > low else 0.5
        out += signs[min(max(int(share * len(signs)), 0), len(signs) - 1)]
    return out


def _ascii(text: str) -> str:
    return text.translate(_IN_ASCII).encode("ascii", "replace").decode()
