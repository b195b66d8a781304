"""Read every instrument once and show it: the first thing to do with an instrument of one's own. Pure text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from asleft.instruments.protocol import ChannelForm, Instrument, Reading
from asleft.wire.block import Burst, Reason

REASONS = {
    Reason.NO_ANSWER: "the instrument gave no usable answer in time",
    Reason.REFUSED: "the instrument refuses this register",
    Reason.NOT_CONNECTED: "no connection to the instrument",
    Reason.NOT_FINITE: "the answer is no number",
    Reason.OUT_OF_RANGE: "the number does not fit the channel",
    Reason.MISSED_TICK: "nothing was read in time",
    Reason.TORN: "the instrument changed it while it was being read",
    Reason.UNKNOWN: "no reason is known",
}
"""Each reason for a failed reading in words."""


def read_all_once(instruments: Sequence[Instrument]) -> tuple[list[str], int]:
    """Lines for the terminal, and how many readings failed. Opens and closes the instruments."""
    lines: list[str] = []
    failed = 0
    for instrument in instruments:
        lines.append(f"{instrument.name}")
        try:
            instrument.open()
            for index, form in enumerate(instrument.valves):
                reading = instrument.read_once(index)
                failed += len(reading.failed)
                lines.append(f"  {form.valve}")
                lines += _reading_lines(form.channels, reading)
                if form.has_bursts:
                    lines += _burst_lines(instrument.read_bursts(index))
        finally:
            instrument.close()
    return lines, failed


def _reading_lines(channels: Sequence[ChannelForm], reading: Reading) -> Iterator[str]:
    width = max((len(form.name) for form in channels), default=0)
    for index, form in enumerate(channels):
        reason = reading.failed.get(index)
        if reason is None:
            unit = "" if form.unit == "1" else f" {form.unit}"
            yield f"    {form.name:<{width}}  {form.value(reading.numbers[index]):12.4f}{unit}"
        else:
            yield f"    {form.name:<{width}}        failed: {REASONS[reason]}"


def _burst_lines(bursts: Sequence[Burst]) -> Iterator[str]:
    if not bursts:
        yield "    no burst is waiting"
    for burst in bursts:
        yield f"    burst {burst.sequence} of {burst.channel}: {burst.values.size} readings at {burst.rate_hz:g} Hz"
