"""A picture as PNG, for mails: many mail programs show no SVG."""

from __future__ import annotations

import io
import unicodedata
from itertools import pairwise

from asleft.web.evidence.scene import Path, Scene
from asleft.web.evidence.style import FONT_PX
from PIL import Image, ImageDraw, ImageFont

SCALE = 2
"""Pixels of the image for each of the scene, so that it stays sharp on today's screens."""
_ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}
#: A font with the signs of most languages, where the machine has it (Debian: fonts-dejavu-core).
_USUAL = "DejaVuSans.ttf"
#: For the font that Pillow brings along, which has little beyond ASCII.
_PLAIN: dict[int, str] = {
    ord(sign): plain
    for sign, plain in (
        ("−", "-"), ("–", "-"), ("▲", "^"), ("Ω", "ohm"), ("µ", "u"), ("…", "..."), ("°", " deg "), ("ß", "ss"),
        ("ø", "o"), ("æ", "ae"), ("ł", "l"),
    )
}  # fmt: skip


def png_of(scene: Scene) -> bytes:
    """The image on white."""
    image = Image.new("RGB", (round(scene.width * SCALE), round(scene.height * SCALE)), "white")
    draw = ImageDraw.Draw(image)
    font, plain = _font()
    for piece in scene.pieces:
        if isinstance(piece, Path):
            _path(draw, piece)
        else:
            at = (piece.at[0] * SCALE, piece.at[1] * SCALE)
            text = plain_words(piece.text) if plain else piece.text
            draw.text(at, text, fill=piece.color, font=font, anchor=_ANCHORS[piece.anchor])
    out = io.BytesIO()
    image.quantize(64).save(out, "PNG", optimize=True)
    return out.getvalue()


def _font() -> tuple[ImageFont.FreeTypeFont | ImageFont.ImageFont, bool]:
    """The font, and whether it has little beyond ASCII."""
    try:
        return ImageFont.truetype(_USUAL, FONT_PX * SCALE), False
    except OSError:
        return ImageFont.load_default(FONT_PX * SCALE), True


def plain_words(text: str) -> str:
    """Words without what the small font lacks: accents go, other signs become the nearest, or a question mark."""
    bare = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    kept = "".join(sign for sign in bare if not unicodedata.combining(sign))
    return "".join(sign if sign.isascii() or sign in "±“”‘’" else "?" for sign in kept)


def _path(draw: ImageDraw.ImageDraw, path: Path) -> None:
    points = [(x * SCALE, y * SCALE) for x, y in path.points]
    if path.fill and len(points) > 2:
        draw.polygon(points, fill=path.fill)
    if not path.color:
        return
    width = max(1, round(path.width * SCALE))
    if not path.dash:
        draw.line(points, fill=path.color, width=width, joint="curve")
        return
    for a, b in pairwise(points):
        _dashes(draw, a, b, path, width)


def _dashes(
    draw: ImageDraw.ImageDraw, a: tuple[float, float], b: tuple[float, float], path: Path, width: int
) -> None:
    """A straight piece in dashes; each piece begins with one."""
    length = ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) ** 0.5
    at, on, place = 0.0, True, 0
    while at < length:
        step = path.dash[place % len(path.dash)] * SCALE
        end = min(at + step, length)
        if on:
            ends = [(a[0] + (b[0] - a[0]) * s / length, a[1] + (b[1] - a[1]) * s / length) for s in (at, end)]
            draw.line(ends, fill=path.color, width=width)
        at, on, place = end, not on, place + 1
