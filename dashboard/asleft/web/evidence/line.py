"""A picture as one line of text, for the terminal and for plain mail: what moved in words, and a row of blocks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from asleft.web.evidence.picture import Picture

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
