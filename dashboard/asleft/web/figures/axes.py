"""The plain axes of a picture on paper: where a value stands, ticks at round numbers, names of the axes. As SVG."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from asleft.web.figures.chart import ticks
from asleft.web.markup import Markup, el

WIDTH, HEIGHT = 320.0, 210.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 8.0, 12.0, 34.0
TICKS = 5


@dataclass(frozen=True, slots=True)
class Axes:
    """From `x_low` to `x_high` across and `y_low` to `y_high` upwards; each low below its high."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float

    def x(self, value: float) -> float:
        """Where a value stands across, in the picture's units; beyond the ends at the end."""
        share = (min(max(value, self.x_low), self.x_high) - self.x_low) / (self.x_high - self.x_low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Where a value stands upwards."""
        share = (min(max(value, self.y_low), self.y_high) - self.y_low) / (self.y_high - self.y_low)
        return HEIGHT - BOTTOM - share * (HEIGHT - BOTTOM - TOP)

    def line(self, xs: Iterable[float], ys: Iterable[float]) -> str:
        """The path of a line through points; it breaks where one is not a number."""
        path, pen = [], "M"
        for x, y in zip(xs, ys, strict=True):
            if not (math.isfinite(x) and math.isfinite(y)):
                pen = "M"
                continue
            path.append(f"{pen}{self.x(x):.1f} {self.y(y):.1f}")
            pen = "L"
        return "".join(path)

    def scaffold(self, across: str, upwards: str) -> list[Markup]:
        """Ticks with their numbers, the two lines, and what the axes are."""
        right, base = WIDTH - RIGHT, HEIGHT - BOTTOM
        bottom = [el("text", numeral(v), x=self.x(v), y=base + 13, text_anchor="middle")
                  for v in ticks(self.x_low, self.x_high, TICKS)]  # fmt: skip
        side = [el("text", numeral(v), x=LEFT - 5, y=self.y(v) + 4, text_anchor="end")
                for v in ticks(self.y_low, self.y_high, TICKS)]  # fmt: skip
        return [
            el("path", d=f"M{LEFT} {TOP}V{base}H{right}", class_="axis"),
            *bottom,
            *side,
            el("text", across, x=right, y=HEIGHT - 4, text_anchor="end"),
            el("text", upwards, x=LEFT + 5, y=TOP + 2),
        ]


def picture_of(axes: Axes, across: str, upwards: str, words: str, *parts: Markup | None) -> Markup:
    """A whole picture over its axes; `words` are read out in its place."""
    return el(
        "svg",
        *parts,
        *axes.scaffold(across, upwards),
        viewBox=f"0 0 {WIDTH:.0f} {HEIGHT:.0f}",
        class_="diagram",
        role="img",
        aria_label=words,
    )


def numeral(value: float) -> str:
    """A tick's number, as short as it is exact."""
    return f"{value:.10g}".replace("-", "−")
