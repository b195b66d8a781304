"""Which sheet holds for a block, and whether the block fits it. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from asleft.sheet.model import Sheet
from asleft.store.protocols import SheetRecord
from asleft.wire.block import Block


class WrongUnit(ValueError):  # noqa: N818 - reads as what it says
    """A channel arrives in another unit than the sheet is written in."""


def effective_sheet(sheets: Sequence[SheetRecord], at_ns: int) -> SheetRecord | None:
    """Newest revision with at_ns <= the given time, by `at`, then number."""
    return max(
        (sheet for sheet in sheets if sheet.at_ns <= at_ns),
        key=lambda sheet: (sheet.at_ns, sheet.number),
        default=None,
    )


def check_units(sheet: Sheet, blocks: Sequence[Block]) -> None:
    """Refuse a command that arrives in another unit than the sheet's signal has. Raises `WrongUnit`."""
    for block in blocks:
        for channel in block.channels:
            if channel.name == "command" and channel.unit != sheet.signal.unit:
                raise WrongUnit(
                    f"{block.valve}: agent {block.agent!r} sends the command in {channel.unit!r}, the sheet's signal "
                    f"is in {sheet.signal.unit!r}; correct the agent's configuration or the sheet"
                )
