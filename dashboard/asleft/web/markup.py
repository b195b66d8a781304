"""Text that is already markup, elements of drawings, and our own pictures as SVG: deviation strip, status marks.

Pages are made by templates (`asleft.web.templates`); SVG, whose shapes are computed, is made here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from typing import Literal

from asleft.sheet.model import QUANTITY_UNITS
from asleft.sheet.names import SHORT_LABELS
from markupsafe import Markup as Markup
from markupsafe import escape as markupsafe_escape

_VOID = frozenset({"br", "hr", "img", "input", "meta", "link"})


Child = str | Markup | None


def el(tag: str, *children: Child, **attributes: str | float | bool | None) -> Markup:
    """One element. A trailing underscore of an attribute name is dropped, the others become hyphens.

    `None` children and attributes are left out, `True` becomes a bare attribute, plain strings are escaped.
    """
    parts = [f"<{tag}"]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        name = key.rstrip("_").replace("_", "-")
        parts.append(f" {name}" if value is True else f' {name}="{escape(number_text(value), quote=True)}"')
    parts.append(">")
    if tag in _VOID:
        return Markup("".join(parts))
    parts.append(join(*children))
    parts.append(f"</{tag}>")
    return Markup("".join(parts))


def join(*children: Child) -> Markup:
    """Children side by side, plain strings escaped."""
    return Markup(
        "".join(str(c) if isinstance(c, Markup) else escape(c, quote=False) for c in children if c is not None)
    )


def number_text(value: str | float) -> str:
    """A value as an attribute has it: two digits after the point at most."""
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)


# Our pictures as SVG text: the deviation strip and the status marks.
#
# A strip is drawn as a handful of combined paths, not element by element, so that a page of a hundred stays light;
# its elements are written out, which takes half of the builder's time.

SCALE_PCT = 150.0  # of tolerance, where a scale ends

Verdict = Literal["in", "out", "undecided", "not-observed", "absent"]


@dataclass(frozen=True, slots=True)
class StripMark:
    """One quantity of a strip: tolerance used and its uncertainty in percent of tolerance, None where unknown."""

    quantity: str
    label: str
    used_pct: float | None
    uncertainty_pct: float | None
    verdict: Verdict
    value: float | None = None  # as found, as it is stored
    reason: str = ""  # why it is not observed, or why it stands at no tolerance


@dataclass(frozen=True, slots=True)
class StripSize:
    """Geometry in pixels: width of a column, height of the scale, dot diameter."""

    column: float
    height: float
    dot: float
    figures: float  # size of the figure beside an arrow; 0: an arrow alone, in a strip too small for figures

    @property
    def unit(self) -> float:
        """Pixels per percent of tolerance."""
        return self.height / 2 / SCALE_PCT

    @property
    def margin(self) -> float:
        """Room above and below for arrows' figures, where there are any."""
        return self.figures + 5 if self.figures else 1.0


SMALL = StripSize(column=24, height=46, dot=5.2, figures=9.5)
DENSE = StripSize(column=11, height=20, dot=3.4, figures=0)
CALM = StripSize(column=5, height=18, dot=2.5, figures=0)
LARGE = StripSize(column=64, height=128, dot=8.5, figures=12)


def deviation_strip(marks: Sequence[StripMark], size: StripSize, description: str) -> Markup:
    """The strip of one valve; `description` is read out in its place. One drawn lately is not drawn again."""
    return _strip_of(tuple(marks), size, description)


@lru_cache(maxsize=4096)
def _strip_of(marks: tuple[StripMark, ...], size: StripSize, description: str) -> Markup:
    margin, width = size.margin, size.column * max(len(marks), 1)
    middle = margin + size.height / 2
    half = 100 * size.unit
    dots, whiskers, rings, dashes, arrows = [], [], [], [], []
    texts: list[Markup] = []
    for index, mark in enumerate(marks):
        x = size.column * (index + 0.5)
        if mark.verdict == "absent":
            continue
        if mark.used_pct is None or mark.verdict == "not-observed":
            reach = size.dot * 0.9
            dashes.append(_open_dash(x, middle, reach, size.dot * 0.36))
            continue
        if abs(mark.used_pct) > SCALE_PCT:
            up = mark.used_pct > 0
            arrows.append(_arrow(x, middle, size, up=up))
            level = middle - size.height / 2 - 3 if up else middle + size.height / 2 + size.figures + 1
            if size.figures:
                texts.append(_figure(x, level, mark.used_pct, size))
            continue
        y = middle - mark.used_pct * size.unit
        if mark.uncertainty_pct is not None:
            high = min(mark.used_pct + mark.uncertainty_pct, SCALE_PCT)
            low = max(mark.used_pct - mark.uncertainty_pct, -SCALE_PCT)
            if (high - low) * size.unit > size.dot:
                whiskers.append(f"M{x:.1f} {middle - high * size.unit:.1f}V{middle - low * size.unit:.1f}")
        if mark.verdict == "out":
            arrows.append(_diamond(x, y, size.dot * 0.85))
        elif mark.verdict == "undecided":
            rings.append(_ring(x, y, size.dot * 0.5))
        else:
            dots.append(f"M{x:.1f} {y:.1f}h0")
    tall = number_text(size.height + 2 * margin)
    return Markup(
        f'<svg viewBox="0 0 {width:.0f} {size.height + 2 * margin:.0f}" width="{number_text(width)}" height="{tall}" '
        f'class="strip" role="img" aria-label="{markupsafe_escape(description)}">'
        f'<path d="M0 {middle - half:.1f}H{width:.0f}V{middle + half:.1f}H0Z" class="band"></path>'
        f'<path d="M0 {middle:.1f}H{width:.0f}" class="left"></path>{_path(whiskers, "whisker")}'
        f"{_path(dots, 'dot', size.dot)}{_path(rings, 'ring')}{_path(dashes, 'unseen')}{_path(arrows, 'beyond')}"
        f"{''.join(texts)}</svg>"
    )


def column_names(size: StripSize, height_px: int) -> Markup:
    """Names of a strip's columns, upright, once above a list of strips."""
    width = size.column * len(QUANTITY_UNITS)
    reach = 4 if size.figures else 3.5  # half of the letters' height
    base = height_px - (4 if size.figures else 3)
    labels = [
        el("text", SHORT_LABELS[q], transform=f"translate({size.column * (i + 0.5) + reach:.1f} {base}) rotate(-90)")
        for i, q in enumerate(QUANTITY_UNITS)
    ]
    return el("svg", *labels, viewBox=f"0 0 {width:.0f} {height_px}", width=width, height=height_px, class_="names")


@lru_cache(maxsize=32)
def status_mark(status: str) -> Markup:
    """The mark of a status, read off the strip: two limits, and where the dot stands to them. Told apart by shape."""
    limits = el("path", d="M3 8H25M3 20H25", class_="limits")
    shapes = {
        "good": el("circle", cx=14, cy=14, r=3.4, class_="ring"),
        "maintenance-required": el("path", d="M14 2.5 19.5 8 14 13.5 8.5 8Z", class_="solid"),
        "out-of-specification": el("path", d="M14 -1 20.5 9.5H7.5Z", class_="solid"),
        "failure": el("path", d="M7.5 7.5 20.5 20.5M20.5 7.5 7.5 20.5", class_="cross"),
        "function-check": el("rect", x=9, y=9, width=10, height=10, class_="dashed"),
        "not-judged": el("path", d="M9.5 14H18.5", class_="cross thin"),
    }
    return el(
        "svg",
        limits if status != "failure" else el("path", d="M3 4H25M3 24H25", class_="limits"),
        shapes.get(status, shapes["not-judged"]),
        viewBox="0 -2 28 32",
        width=28,
        height=32,
        class_=f"mark {status}",
        aria_hidden="true",
        focusable="false",
    )


def _path(pieces: Sequence[str], class_: str, stroke_width: float = 0.0) -> str:
    wide = f' stroke-width="{number_text(stroke_width)}"' if stroke_width else ""
    return f'<path d="{"".join(pieces)}" class="{class_}"{wide}></path>' if pieces else ""


def _diamond(x: float, y: float, r: float) -> str:
    return f"M{x:.1f} {y - r:.1f}l{r:.1f} {r:.1f}l{-r:.1f} {r:.1f}l{-r:.1f} {-r:.1f}Z"


def _ring(x: float, y: float, r: float) -> str:
    return f"M{x - r:.1f} {y:.1f}a{r:.1f} {r:.1f} 0 1 0 {2 * r:.1f} 0a{r:.1f} {r:.1f} 0 1 0 {-2 * r:.1f} 0Z"


def _open_dash(x: float, y: float, reach: float, thick: float) -> str:
    return f"M{x - reach:.1f} {y - thick:.1f}h{2 * reach:.1f}v{2 * thick:.1f}h{-2 * reach:.1f}Z"


def _arrow(x: float, middle: float, size: StripSize, *, up: bool) -> str:
    reach = size.dot * 0.95
    tip = middle - size.height / 2 if up else middle + size.height / 2
    base = reach * 1.5 if up else -reach * 1.5
    return f"M{x:.1f} {tip:.1f}l{reach:.1f} {base:.1f}h{-2 * reach:.1f}Z"


def _figure(x: float, y: float, used_pct: float, size: StripSize) -> Markup:
    text = f"{used_pct:+.0f}".replace("-", "−") if abs(used_pct) < 1000 else (">999" if used_pct > 0 else "<−999")
    return el("text", text, x=x, y=y, text_anchor="middle", font_size=size.figures, class_="figure")
