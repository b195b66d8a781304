"""Read every instrument once and show it: the first thing to do with an instrument of one's own. Pure text."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from asleft.instruments.feed import Feed, TimedReading
from asleft.instruments.protocol import ChannelForm, Instrument, Reading
from asleft.wire.block import Burst, Reason

REASONS = {
    Reason.NO_ANSWER: "the instrument gave no usable answer in time",
    Reason.REFUSED: "the instrument refuses it or calls it bad",
    Reason.NOT_CONNECTED: "no connection to the instrument",
    Reason.NOT_FINITE: "the answer is no number",
    Reason.OUT_OF_RANGE: "the number does not fit the channel",
    Reason.MISSED_TICK: "nothing was read in time",
    Reason.TORN: "the instrument changed it while it was being read",
    Reason.UNKNOWN: "no reason is known",
}
"""Each reason for a failed reading in words."""


_LOOK_EVERY_S = 0.05


def read_all_once(instruments: Sequence[Instrument | Feed]) -> tuple[list[str], int]:
    """Lines for the terminal, and how many readings failed. Opens and closes the instruments."""
    lines: list[str] = []
    failed = 0
    for instrument in instruments:
        lines.append(f"{instrument.name}")
        if isinstance(instrument, Feed):
            said, wrong = _of_feed(instrument)
            lines += said
            failed += wrong
            continue
        try:
            instrument.open()
            for index, form in enumerate(instrument.valves):
                reading = instrument.read_once(index)
                if reading is None:  # only of a second look
                    continue
                failed += len(reading.failed)
                lines.append(f"  {form.valve}")
                lines += _reading_lines(form.channels, reading)
                if form.has_bursts:
                    lines += _burst_lines(instrument.read_bursts(index))
        finally:
            instrument.close()
    return lines, failed


def _of_feed(feed: Feed) -> tuple[list[str], int]:
    """The newest reading of each valve that comes in the time a feed asks for, with its time."""
    newest: dict[int, TimedReading] = {}
    try:
        feed.open({})
        until_s = time.monotonic() + feed.patience_s
        while time.monotonic() < until_s and not all(
            index in newest and not newest[index].reading.failed for index in range(len(feed.valves))
        ):
            time.sleep(_LOOK_EVERY_S)
            for index in range(len(feed.valves)):
                rows = feed.take(index)
                if rows:
                    newest[index] = rows[-1]
        troubles = [feed.trouble(index) for index in range(len(feed.valves))]
    finally:
        feed.close()
    lines: list[str] = []
    failed = 0
    for index, form in enumerate(feed.valves):
        lines.append(f"  {form.valve}")
        row = newest.get(index)
        if troubles[index] or row is None:
            lines.append(f"    {troubles[index] or f'nothing came in {feed.patience_s:g} s'}")
        if row is None:
            failed += len(form.channels)
            continue
        failed += len(row.reading.failed)
        lines += _reading_lines(form.channels, row.reading)
        lines.append(f"    read at {_instant(row.wall_ns)}, {_age(time.time_ns() - row.wall_ns)}")
    return lines, failed


def _instant(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9, UTC):%Y-%m-%d %H:%M:%S.%f}"[:-3] + " UTC by the source"


def _age(age_ns: int) -> str:
    return f"{abs(age_ns) / 1e9:.1f} s {'ago' if age_ns >= 0 else 'ahead'} by the clock of this box"


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
