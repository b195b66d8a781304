"""The live minute: what has come since the browser last asked, cut so that pieces join without seam or repeat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from asleft.web.source import Source
from asleft.web.views.revisions import sheets_in
from asleft.web.views.spans import Choice
from asleft.web.views.window import Line, StateBand, WindowView, bin_width, raw_lines, state_bands, window_view

FloatArray = npt.NDArray[np.float64]

BREAK_NS = 2 * 10**9
#: States are drawn once more from this much earlier, so that no seam shows between two deliveries.
OVERLAP_NS = 10**9


@dataclass(frozen=True, slots=True)
class LiveCursor:
    """How far the browser has been served: samples and machine states, unix ns."""

    samples_ns: int
    states_ns: int


def first_minute(source: Source, valve: str, choice: Choice) -> tuple[WindowView, LiveCursor]:
    """The picture to begin with, cut at the last whole bin that has data."""
    view = window_view(source, valve, choice)
    end = _last_whole_bin(source, valve, choice, view.from_ns)
    pieces = sheets_in(source, valve, view.from_ns, end)
    lines, band, unit = raw_lines(source.samples, valve, pieces, bin_width(choice))
    whole = replace(view, lines=lines, band_a=band, command_unit=view.command_unit or unit)
    return whole, LiveCursor(end, view.states[-1].to_ns if view.states else view.from_ns)


def since(source: Source, valve: str, choice: Choice, cursor: LiveCursor) -> tuple[WindowView, LiveCursor]:
    """What has come since `cursor`; after a long sleep no more than the minute that is shown."""
    now = source.now_ns()
    from_ns, to_ns = choice.window(now)
    start = max(cursor.samples_ns, from_ns)
    end = _last_whole_bin(source, valve, choice, start)
    states_from = max(cursor.states_ns, from_ns)
    states: list[StateBand] = state_bands(source, valve, max(states_from - OVERLAP_NS, from_ns), to_ns)
    if states and states[-1].to_ns <= states_from:
        states = []
    view = WindowView(from_ns, to_ns, "", states=states)
    if end > start:
        lines, band, _ = raw_lines(source.samples, valve, sheets_in(source, valve, start, end), bin_width(choice))
        if band is not None:
            band = (_break_end(band[0], lines["expected"], start), _break_end(band[1], lines["expected"], start))
        view = replace(view, lines={name: _break(line, start) for name, line in lines.items()}, band_a=band)
    return view, LiveCursor(max(end, start), states[-1].to_ns if states else states_from)


def _last_whole_bin(source: Source, valve: str, choice: Choice, not_before_ns: int) -> int:
    span = source.samples.span(valve)
    if span is None:
        return not_before_ns
    width = bin_width(choice)
    return max((span[1] // width) * width, not_before_ns)


def _breaks(line: Line, start_ns: int) -> bool:
    return bool(line.time_ns.size) and int(line.time_ns[0]) - start_ns > BREAK_NS


def _break(line: Line, start_ns: int) -> Line:
    """A line that begins late begins with a break, or it would be joined to what was there before."""
    if not _breaks(line, start_ns):
        return line
    return Line(np.insert(line.time_ns, 0, start_ns), np.insert(line.values, 0, np.nan))


def _break_end(end_a: FloatArray, expected: Line, start_ns: int) -> FloatArray:
    return np.insert(end_a, 0, np.nan) if _breaks(expected, start_ns) else end_a
