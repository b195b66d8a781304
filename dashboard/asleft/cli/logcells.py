"""Text of one column into numbers: at full speed while every cell is a number, cell by cell where one is not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Why a cell is not used; worded so that "12 " can stand before it.
EMPTY = "empty cells"
NOT_A_NUMBER = "cells that are no number"
NOT_FINITE = "cells that are not finite"

#: What loggers write for a contact, besides 0 and 1.
CONTACT_WORDS: Mapping[str, float] = {"true": 1.0, "on": 1.0, "yes": 1.0, "false": 0.0, "off": 0.0, "no": 0.0}


@dataclass(frozen=True, slots=True)
class BadCell:
    """A cell that could not be used: its row (from 0, in the order given), its text, and why."""

    row: int
    text: str
    reason: str


def read_numbers(
    cells: Sequence[str], *, decimal_comma: bool = False, words: Mapping[str, float] | None = None
) -> tuple[FloatArray, list[BadCell]]:
    """Numbers of a column, shape (n,), NaN where a cell is empty, no number or not finite; and those cells.

    `words` are texts that stand for a number (lower case). With `decimal_comma` a comma is the decimal sign.
    """
    plain = list(cells)
    if decimal_comma and plain:
        plain = "\n".join(plain).replace(",", ".").split("\n")
    try:
        values = np.array(list(map(float, plain)), dtype=np.float64)
    except ValueError:
        return _cell_by_cell(cells, plain, words or {})
    # Python reads 1_000 as a number; no logger means it so.
    if not np.isfinite(values).all() or "_" in "".join(plain):
        return _cell_by_cell(cells, plain, words or {})
    return values, []


def _cell_by_cell(
    cells: Sequence[str], plain: Sequence[str], words: Mapping[str, float]
) -> tuple[FloatArray, list[BadCell]]:
    values = np.full(len(plain), np.nan)
    bad: list[BadCell] = []
    for row, text in enumerate(plain):
        value = _number(text, words)
        if value is None:
            bad.append(BadCell(row, cells[row], NOT_A_NUMBER if text.strip() else EMPTY))
        elif not math.isfinite(value):
            bad.append(BadCell(row, cells[row], NOT_FINITE))
        else:
            values[row] = value
    return values, bad


def _number(text: str, words: Mapping[str, float]) -> float | None:
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        return words.get(text.strip().lower())
