"""Tables of text for the terminal, by rich: they fit any width from 50 columns on, in a pipe too."""

from __future__ import annotations

import io
from collections.abc import Sequence

from asleft.cli.ink import Ink


def table_lines(header: Sequence[str], rows: Sequence[Sequence[str]], ink: Ink) -> list[str]:
    """The lines of a table. The last column takes what width is left; cells break between words."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD if ink.unicode else box.ASCII2, pad_edge=False, expand=False, show_edge=False)
    for name in header:
        table.add_column(name, overflow="fold")
    for row in rows:
        table.add_row(*(ink.spell(cell.replace("[", "\\[")) for cell in row))
    out = io.StringIO()
    Console(file=out, width=ink.width, color_system=None, highlight=False, emoji=False, legacy_windows=False).print(
        table
    )
    return [line.rstrip() for line in out.getvalue().rstrip("\n").split("\n")]
