"""What happened in a stretch of time: command, expected and measured current, pressure, machine states, onsets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from asleft.sheet.model import Sheet
from asleft.store.protocols import SampleReader
from asleft.web.source import Source
from asleft.web.views.expected import Expected, expected_in, lead_in_ns
from asleft.web.views.features import Feature, features_in
from asleft.web.views.onsets import Onset, onsets_in
from asleft.web.views.revisions import InForce, RevisionMark, revision_marks, sheets_in
from asleft.web.views.spans import Choice
from asleft.web.views.thin import thin, with_gaps
from asleft.web.words import STATE_WORDS

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

#: Bins across a picture; each gives two points. More than a screen has pixels for is lost work.
BINS = 600
#: Samples of each bin that the expected current is computed at, at most.
EXPECTED_A_BIN = 50
#: Over how long the mean of a long stretch is taken, at least: some cycles of a press.
MEAN_NS = 300 * 10**9
SHOWN = ("command", "current", "pressure")


@dataclass(eq=False, frozen=True, slots=True)
class Line:
    """One curve: times (unix ns) and values, NaN where the line breaks."""

    time_ns: Int64Array
    values: FloatArray


@dataclass(eq=False, frozen=True, slots=True)
class Envelope:
    """One curve seen from afar: smallest, mean and largest value per stretch."""

    time_ns: Int64Array
    low: FloatArray
    mean: FloatArray
    high: FloatArray
    step_ns: int  # how long a stretch lasts


@dataclass(frozen=True, slots=True)
class StateBand:
    """The machine in one state."""

    state: str
    words: str
    from_ns: int
    to_ns: int


@dataclass(eq=False, frozen=True)
class WindowView:
    """Everything the plot over time shows."""

    from_ns: int
    to_ns: int
    command_unit: str
    lines: Mapping[str, Line] = field(default_factory=dict)  # channel, or "expected"
    band_a: tuple[FloatArray, FloatArray] | None = None  # ends of the tolerance at each expected point
    envelopes: Mapping[str, Envelope] = field(default_factory=dict)
    states: list[StateBand] = field(default_factory=list)
    onsets: list[Onset] = field(default_factory=list)
    features: Mapping[str, Feature] = field(default_factory=dict)  # by quantity
    revisions: list[RevisionMark] = field(default_factory=list)
    scale: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # what each axis shows at least

    @property
    def empty(self) -> bool:
        """No reading at all in the stretch."""
        return not any(line.values.size for line in self.lines.values()) and not any(
            e.mean.size for e in self.envelopes.values()
        )

    def figures(self) -> dict[str, tuple[float, float, float]]:
        """Minimum, mean and maximum of each channel shown, for summary and table."""
        out: dict[str, tuple[float, float, float]] = {}
        for name, line in self.lines.items():
            finite = line.values[np.isfinite(line.values)]
            if finite.size:
                out[name] = (float(finite.min()), float(finite.mean()), float(finite.max()))
        for name, e in self.envelopes.items():
            if np.isfinite(e.mean).any():
                out[name] = (float(np.nanmin(e.low)), float(np.nanmean(e.mean)), float(np.nanmax(e.high)))
        return out


def window_view(source: Source, valve: str, choice: Choice) -> WindowView:
    """A whole picture: raw readings thinned on the server for minutes, stored overviews for hours and more.

    Before overviews stands what was judged: hours of short cycles would be a block of colour.
    """
    now = source.now_ns()
    from_ns, to_ns = choice.window(now)
    pieces = sheets_in(source, valve, from_ns, to_ns)
    sheet = pieces[-1].sheet
    view = WindowView(
        from_ns,
        to_ns,
        sheet.signal.unit if sheet is not None else "",
        states=state_bands(source, valve, from_ns, to_ns),
        onsets=onsets_in(source, valve, from_ns, to_ns),
        revisions=revision_marks(source, valve, from_ns, to_ns),
        scale=scale_of(pieces),
    )
    if choice.raw:
        lines, band, stored_unit = raw_lines(source.samples, valve, pieces, bin_width(choice))
        return replace(view, lines=lines, band_a=band, command_unit=view.command_unit or stored_unit)
    found = {channel: _envelope(source, valve, channel, choice, from_ns, to_ns) for channel in SHOWN}
    envelopes = {name: envelope for name, envelope in found.items() if envelope is not None}
    return replace(view, envelopes=envelopes, features=features_in(source, valve, pieces))


def _envelope(source: Source, valve: str, channel: str, choice: Choice, from_ns: int, to_ns: int) -> Envelope | None:
    found = source.samples.overview(valve, channel, from_ns, to_ns, choice.stretches)
    if not found.time_ns.size:
        return None
    nominal = (to_ns - from_ns) // choice.stretches
    # From a minute upwards a store rounds stretches up to whole minutes.
    step_ns = max(nominal, int(np.diff(found.time_ns).min())) if found.time_ns.size > 1 else nominal
    longest = 3 * step_ns
    times, mean = with_gaps(found.time_ns, moving_mean(found.time_ns, found.mean, step_ns, longest), longest)
    _, low = with_gaps(found.time_ns, found.minimum, longest)
    _, high = with_gaps(found.time_ns, found.maximum, longest)
    return Envelope(times, low, mean, high, step_ns)


def moving_mean(time_ns: Int64Array, mean: FloatArray, step_ns: int, longest_ns: int) -> FloatArray:
    """Mean over `MEAN_NS` round each stretch, shape (n,), never across a gap longer than `longest_ns`.

    Stretches shorter than some cycles of a press hold another part of a cycle each: their means are a sawtooth that
    says nothing of the press.
    """
    half = MEAN_NS // step_ns // 2
    if half < 1 or mean.size < 2:
        return mean
    piece = np.cumsum(np.diff(time_ns, prepend=time_ns[0]) > longest_ns)
    known = np.isfinite(mean)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, mean, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    first = np.maximum(np.arange(mean.size) - half, np.searchsorted(piece, piece, side="left"))
    last = np.minimum(np.arange(mean.size) + half + 1, np.searchsorted(piece, piece, side="right"))
    n = counts[last] - counts[first]
    return np.where(known, (sums[last] - sums[first]) / np.maximum(n, 1), np.nan)


def scale_of(pieces: Sequence[InForce]) -> dict[str, tuple[float, float]]:
    """Ends of command, current (A) and pressure (bar) by the sheets, so that a quiet valve is not shown magnified."""
    scale: dict[str, tuple[float, float]] = {}
    for sheet in (piece.sheet for piece in pieces if piece.sheet is not None):
        for channel, ends in _ends(sheet).items():
            low, high = scale.get(channel, ends)
            scale[channel] = (min(low, *ends), max(high, *ends))
    return scale


def _ends(sheet: Sheet) -> dict[str, tuple[float, float]]:
    ends = {"command": (sheet.signal.at_zero, sheet.signal.at_full)}
    if "current_at_full" in sheet.as_left:
        ends["current"] = (0.0, sheet.as_left["current_at_full"])
    if "pressure_at_full" in sheet.as_left:
        ends["pressure"] = (0.0, sheet.as_left["pressure_at_full"])
    return ends


def bin_width(choice: Choice) -> int:
    """Width (ns) of the bins a raw stretch is thinned to."""
    return choice.length_ns // BINS


def raw_lines(
    samples: SampleReader, valve: str, pieces: Sequence[InForce], bin_ns: int
) -> tuple[dict[str, Line], tuple[FloatArray, FloatArray] | None, str]:
    """Channels and expected current over the stretch of `pieces`, thinned; its tolerance's ends; the command's unit.

    The expected current is computed from earlier on, so that the ramp limiter has settled when the stretch begins.
    """
    from_ns, to_ns = pieces[0].from_ns, pieces[-1].to_ns
    stored = samples.samples(valve, from_ns - lead_in_ns(pieces), to_ns)
    inside = stored.time_ns >= from_ns
    gap_ns = max(4 * bin_ns, 2 * 10**9)
    lines: dict[str, Line] = {}
    for channel in SHOWN:
        values = stored.channels.get(channel)
        if values is not None:
            lines[channel] = _thinned(stored.time_ns[inside], values[inside], bin_ns, gap_ns)
    band = None
    expected = expected_in(pieces, stored, bin_ns // EXPECTED_A_BIN)
    if expected is not None:
        lines["expected"] = _thinned(expected.time_ns, expected.values, bin_ns, gap_ns)
        band = _band_at(expected, lines["expected"])
    return lines, band, stored.units.get("command", "")


def _band_at(expected: Expected, shown: Line) -> tuple[FloatArray, FloatArray]:
    """The ends of tolerance at the points that are left after thinning, NaN in gaps."""
    place = np.minimum(np.searchsorted(expected.time_ns, shown.time_ns), max(expected.time_ns.size - 1, 0))
    if not shown.values.size:
        return np.empty(0), np.empty(0)
    gone = np.isnan(shown.values)
    return np.where(gone, np.nan, expected.low[place]), np.where(gone, np.nan, expected.high[place])


def state_bands(source: Source, valve: str, from_ns: int, to_ns: int) -> list[StateBand]:
    """Judged machine states, cut to the stretch."""
    bands = []
    for interval in source.records.intervals(valve, from_ns, to_ns):
        start, end = max(round(interval.from_s * 1e9), from_ns), min(round(interval.to_s * 1e9), to_ns)
        if end > start:
            state = interval.state.value
            bands.append(StateBand(state, STATE_WORDS.get(state, state), start, end))
    return bands


def _thinned(time_ns: Int64Array, values: FloatArray, bin_ns: int, gap_ns: int) -> Line:
    return Line(*with_gaps(*thin(time_ns, values, bin_ns, 0), gap_ns))
