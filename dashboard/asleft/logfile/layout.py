"""How a text is laid out: separator, decimal sign, lines above the header, header lines, a line of units, first row.

Evidence is a block of rows: lines of equal width whose cells are numbers, times, or marks for a missing reading. What
stands directly above the block with the same width is header; what stands higher is preamble.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from asleft.logfile.cells import QUALITY_WORDS, is_missing_mark
from asleft.logfile.units import is_units_row

SEPARATORS = ("\t", ";", ",", "|")
_SAMPLE_BYTES = 1 << 19
#: So many lines are looked at, and more only where these show no block of rows: what is above a table may be long.
_SAMPLES = (200, 3000)
_MOST_HEADER_ROWS = 3

NUMBER = re.compile(r"[+-]?(?:\d{1,3}(?:[ '.,\u00a0\u202f]\d{3})+|\d+|(?=[.,]\d))(?:[.,]\d*)?(?:[eE][+-]?\d+)?")
_COMMENT = re.compile(r"^\s*(?:#|%|//)\s+(?=\D)")
_MOMENT = re.compile(r".*\d[:/.-]\d.*")
_MONTH = re.compile(r"\d{1,2}\.?[ -][^\W\d_]{3,9}\.?[ -]\d{2,4}.*|[^\W\d_]{3,9}\.? \d{1,2},? \d{4}.*")


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things stand in a text. `header_lines` are skipped; then the header line (if any), then `unit_lines`.

    `above`: further header rows by column, nearest last; `units`: the cells of the units row. Both as in the file.
    """

    separator: str
    decimal_comma: bool = False
    header_lines: int = 0
    has_header: bool = True
    unit_lines: int = 0
    above: tuple[tuple[str, ...], ...] = ()
    units: tuple[str, ...] = ()
    preamble: tuple[str, ...] = ()
    doubts: tuple[str, ...] = field(default=())  # "decimal": 1,234 may be a thousand or one and a bit

    @property
    def first_line(self) -> int:
        """Line number (from 1) of the first row."""
        return self.header_lines + int(self.has_header) + self.unit_lines + 1


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of a line, stripped."""
    if separator == "blanks":
        return [cell.strip('"') for cell in _COMMENT.sub("", line).split()]
    if separator == "wide blanks":
        return [cell for cell in re.split(r"[ ]{2,}|\s*\t\s*", line.strip()) if cell]
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def is_moment(cell: str) -> bool:
    """Whether a cell is a date or a time of day."""
    return not NUMBER.fullmatch(cell) and bool(_MOMENT.fullmatch(cell) or _MONTH.fullmatch(cell))


def is_data(cell: str) -> bool:
    """Whether a cell is a number or a moment."""
    return bool(NUMBER.fullmatch(cell) or _MOMENT.fullmatch(cell) or _MONTH.fullmatch(cell))


def find_layout(text: bytes, *, separator: str | None = None) -> Layout | None:
    """The layout of a text (UTF-8), with a separator that is given; None where no block of rows is found."""
    for count in _SAMPLES:
        lines = _sample(text, count)
        found = _best_layout(lines, (separator,) if separator else (*SEPARATORS, "wide blanks", "blanks"))
        if found is not None or len(lines) < count:
            return found
    return None


def _best_layout(lines: Sequence[str], separators: Sequence[str]) -> Layout | None:
    best: tuple[float, float, int, Layout] | None = None
    for each in separators:
        if each in SEPARATORS and not any(each in line for line in lines):
            continue
        found = _try(lines, each)
        if found is None:
            continue
        share, pure, width, layout = found
        # A comma that marks decimals cuts cells into more pieces, of which some are neither number nor moment.
        if best is None or (round(share, 2), round(pure, 2), width) > (round(best[0], 2), round(best[1], 2), best[2]):
            if best is not None and each.endswith("blanks") and best[0] >= 0.8:
                continue
            best = share, pure, width, layout
    return best[3] if best else None


def _sample(text: bytes, count: int) -> list[str]:
    head = text[:_SAMPLE_BYTES].decode("utf-8", "replace")
    if len(text) > _SAMPLE_BYTES:
        head = head.rpartition("\n")[0]
    return head.splitlines()[:count]


def _try(lines: Sequence[str], separator: str) -> tuple[float, float, int, Layout] | None:
    """Share of lines in the block, share of their cells that are data, its width, the layout; for one separator."""
    try:
        split = [cells_of(line, separator) for line in lines]
    except csv.Error:
        return None
    kinds = [_is_row(cells) for cells in split]
    widths = Counter(len(cells) for cells, row in zip(split, kinds, strict=True) if row)
    if not widths:
        return None
    width = max(widths, key=lambda each: (widths[each], each))
    rows = [at for at, row in enumerate(kinds) if row and len(split[at]) == width]
    first = _first_of_block(rows)
    filled = [at for at in range(first, len(lines)) if any(split[at])]
    share = sum(at >= first for at in rows) / len(filled)
    if width < 2 or share < 0.5:
        return None
    header_at, above, units, unit_lines = _header_above(split, first, width)
    has_header = header_at is not None
    start = header_at if header_at is not None else first - unit_lines
    comma, doubt = _decimal([split[at] for at in rows if at >= first])
    layout = Layout(
        separator=separator,
        decimal_comma=comma,
        header_lines=start,
        has_header=has_header,
        unit_lines=first - start - int(has_header),
        above=tuple(above),
        units=tuple(units),
        preamble=tuple(line.strip() for line in lines[: start - len(above)] if line.strip()),
        doubts=("decimal",) if doubt else ("width",) if _of_another_width(split, header_at, first, width) else (),
    )
    cells = [cell for at in rows if at >= first for cell in split[at] if cell]
    pure = sum(is_data(cell) or is_missing_mark(cell) for cell in cells) / len(cells)
    return share, pure, width, layout


def _is_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell and cell.casefold() not in QUALITY_WORDS]
    data = sum(map(is_data, filled))
    marks = sum(not is_data(cell) and is_missing_mark(cell) for cell in filled)
    return data >= 1 and data + marks >= 0.6 * len(filled) and len(cells) >= 2


def _first_of_block(rows: Sequence[int]) -> int:
    """The first row that others follow: single lines of figures in a preamble are none."""
    for k, at in enumerate(rows):
        following = rows[k : k + 6]
        if len(following) >= min(3, len(rows)) and following[-1] - at <= len(following):
            return at
    return rows[0]


def _header_above(
    split: Sequence[list[str]], first: int, width: int
) -> tuple[int | None, list[tuple[str, ...]], list[str], int]:
    """Index of the header line, header rows above it, the units row's cells, and lines of units below the header."""
    at = first - 1
    units: list[str] = []
    header: int | None = None
    above: list[tuple[str, ...]] = []
    while at >= 0:
        cells = split[at]
        if _is_rule(cells):
            at -= 1
            continue
        if not any(cells):
            if header is not None or first - at > 2:
                break
            at -= 1
            continue
        if not _may_be_header(cells, width, alone=header is None):
            break
        if is_units_row(cells) and not units:
            units = cells
        elif header is None:
            header = at
        elif len(above) < _MOST_HEADER_ROWS - 1 and len(cells) == width:
            above.insert(0, tuple(cells))
        else:
            break
        at -= 1
    if header is None and units:  # a line of units alone names the columns, if poorly
        return first - 1 if split[first - 1] == units else None, [], units, 0
    return header, above, units, 0


def _is_rule(cells: Sequence[str]) -> bool:
    """Whether a line only draws a line between header and rows, as "-----+-----" or "|---|---:|"."""
    text = "".join(cells)
    return len(text) >= 3 and "--" in text.replace("=", "-") and not text.strip("-=+:|_ ")


def _may_be_header(cells: Sequence[str], width: int, *, alone: bool) -> bool:
    filled = [cell for cell in cells if cell]
    text = sum(not NUMBER.fullmatch(cell) for cell in filled)
    near = len(cells) == width or (abs(len(cells) - width) == 1 and alone)
    return near and text >= max(1, 0.6 * len(filled)) and not (is_data(cells[0]) and len(filled) > 1 and text < 2)


def _of_another_width(split: Sequence[list[str]], header: int | None, first: int, width: int) -> bool:
    """Whether what looks like a header has fewer cells than the rows, as where the comma also marks decimals.

    One fewer is right where rows end in a separator, or begin with a number that counts them.
    """
    if header is None:
        nearest = next((cells for cells in reversed(split[:first]) if any(cells)), [])
        return 3 <= len(nearest) < width and not any(map(is_data, nearest))
    rows = [cells for cells in split[first:] if len(cells) == width]
    return len(split[header]) < width and any(cells[-1] for cells in rows) and not counts_rows(rows)


def counts_rows(rows: Sequence[Sequence[str]]) -> bool:
    """Whether the first cells of rows count them: whole numbers, each one more than the one before."""
    first = [cells[0] for cells in rows if cells]
    if len(first) < 2 or not all(cell.isdecimal() for cell in first):
        return False
    return all(int(after) - int(before) == 1 for before, after in pairwise(first))


def _decimal(rows: Sequence[Sequence[str]]) -> tuple[bool, bool]:
    """Whether the comma is the decimal sign, and whether that is in doubt."""
    numbers = [cell for row in rows[:400] for cell in row if NUMBER.fullmatch(cell)]
    commas = [cell for cell in numbers if "," in cell]
    if not commas:
        return False, False
    points = [cell for cell in numbers if "." in cell]
    if any(cell.rfind(".") > cell.rfind(",") for cell in points):
        both = any("," in cell for cell in points)
        plain = any(re.search(r"^[+-]?0,|,\d{1,2}$|,\d{4,}$", cell) for cell in commas)
        if both or not plain:
            return False, False
    if any(cell.count(",") > 1 for cell in commas):
        return False, False
    if any(re.search(r"^[+-]?0?,|^[+-]?0,|,\d{1,2}(?:[eE]|$)|,\d{4,}", cell) for cell in commas):
        return True, False
    return True, True
