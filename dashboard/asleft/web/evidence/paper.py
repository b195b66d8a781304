"""A picture as SVG that carries its own looks: for first contents, for pages without a script, for paper.

Marks of one look are joined into one path, so that hundreds of dots stay light.
"""

from __future__ import annotations

from itertools import groupby

from asleft.web.evidence.picture import Picture
from asleft.web.evidence.scene import Path, Scene, Text, scene_of
from asleft.web.evidence.style import FONT_PX
from asleft.web.markup import Markup, el

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
