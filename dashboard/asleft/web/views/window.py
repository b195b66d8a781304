"""What happened in a stretch of time: command, expected and measured current, pressure, states, onsets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from asleft.judge.judge import expected_current
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet
from asleft.store.protocols import SampleReader, StoredSamples
from asleft.web.source import Source
from asleft.web.views.history import InForce, Onset, RevisionMark, cut_stretches, onsets_in, revision_marks, sheets_in
from asleft.web.views.spans import Choice, thin, with_gaps
from asleft.web.words import STATE_WORDS

# What was judged of production, for stretches of hours and more: currents and pressures at zero and full command.

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

#: Quantities that stand in a row of the plot over time, with the row's channel.
ROW_OF: Mapping[str, str] = {
    "current_at_zero": "current",
    "current_at_full": "current",
    "pressure_at_zero": "pressure",
    "pressure_at_full": "pressure",
}
#: Bins across a picture; each keeps its smallest and its largest point.
BINS_OF_FEATURES = 300


@dataclass(eq=False, frozen=True, slots=True)
class Feature:
    """The history of one quantity in the stretch: points, and what it was left at as a line of steps."""

    time_ns: Int64Array
    values: FloatArray
    left_ns: Int64Array
    left: FloatArray


def features_in(source: Source, valve: str, pieces: Sequence[InForce]) -> dict[str, Feature]:
    """By quantity, those that have points in the stretch of `pieces`."""
    from_ns, to_ns = pieces[0].from_ns, pieces[-1].to_ns
    found = {}
    for quantity in ROW_OF:
        points = source.records.points(valve, quantity, from_ns, to_ns)
        if points:
            times = np.array([round(p.at_s * 1e9) for p in points], dtype=np.int64)
            values = np.array([p.value for p in points])
            if quantity == "current_at_full":  # where it is cut no reading lies where these points do
                for cut_from, cut_to in cut_stretches(source, valve, from_ns, to_ns):
                    values[(times >= cut_from) & (times <= cut_to)] = np.nan
            thinned = thin(times, values, max(1, (to_ns - from_ns) // BINS_OF_FEATURES), 0)
            if thinned[0].size:
                found[quantity] = Feature(*thinned, *_left(quantity, pieces))
    return found


def _left(quantity: str, pieces: Sequence[InForce]) -> tuple[Int64Array, FloatArray]:
    times: list[int] = []
    values: list[float] = []
    for piece in pieces:
        value = piece.sheet.as_left.get(quantity) if piece.sheet is not None else None
        times += [piece.from_ns, piece.to_ns]
        values += [float("nan") if value is None else value] * 2
    return np.array(times, dtype=np.int64), np.array(values)


# The current that the sheet makes of the measured command, by the revision in force at each time.

#: Of what comes before the stretch this many samples are taken, about: it only has to settle the ramp.
LEAD_CELLS = 4000


@dataclass(eq=False, frozen=True, slots=True)
class Expected:
    """Expected current (A) with the ends of its tolerance, NaN where unknown or not judged; all of shape (n,)."""

    time_ns: Int64Array
    values: FloatArray
    low: FloatArray
    high: FloatArray


def expected_in(pieces: Sequence[InForce], stored: StoredSamples, cell_ns: int = 0) -> Expected | None:
    """Over the stretch of `pieces`, each by its own sheet; None where it cannot be told anywhere.

    `stored` begins earlier, by `lead_in_ns`, so that the ramp has settled when the stretch begins. It is computed
    sample by sample; of each `cell_ns` only the first sample is taken. Cells count from the epoch, not from the
    first sample, so that a stretch that begins elsewhere gives the same curve.
    """
    if "command" not in stored.channels or stored.time_ns.size == 0:
        return None
    found = [_piece(piece, stored, cell_ns) for piece in pieces if tells_current(piece.sheet)]
    if not found:
        return None
    return Expected(
        np.concatenate([one.time_ns for one in found]),
        np.concatenate([one.values for one in found]),
        np.concatenate([one.low for one in found]),
        np.concatenate([one.high for one in found]),
    )


def tells_current(sheet: Sheet | None) -> bool:
    """Whether the sheet says what current belongs to a command."""
    return sheet is not None and {"current_at_zero", "current_at_full"} <= set(sheet.as_left)


def lead_in_ns(pieces: Sequence[InForce]) -> int:
    """Long enough for a full stroke of the slowest ramp of all sheets."""
    slowest_s = max((_slowest_s(piece.sheet) for piece in pieces if piece.sheet is not None), default=None)
    return 0 if slowest_s is None else round((slowest_s + 3.0) * 1e9)


def current_tolerance_a(sheet: Sheet, expected_a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Permitted departure of current below and above, both >= 0, shapes as given; NaN on a side that is not judged.

    Between its values at zero and at full command it runs straight.
    """
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    share = np.clip((expected_a - zero) / (full - zero), 0.0, 1.0) if full != zero else np.zeros_like(expected_a)
    at_zero, at_full = sheet.tolerance["current_at_zero"], sheet.tolerance["current_at_full"]
    return _between(at_zero.below, at_full.below, share), _between(at_zero.above, at_full.above, share)


def _between(at_zero: float, at_full: float, share: FloatArray) -> FloatArray:
    if not np.isfinite([at_zero, at_full]).all():
        return np.full_like(share, np.nan)
    return np.asarray(at_zero + share * (at_full - at_zero), dtype=np.float64)


def _slowest_s(sheet: Sheet) -> float:
    return max(sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0))


def _piece(piece: InForce, stored: StoredSamples, cell_ns: int) -> Expected:
    sheet = piece.sheet
    assert sheet is not None
    lead_ns = round((_slowest_s(sheet) + 3.0) * 1e9)
    taken = _taken(stored.time_ns, piece.from_ns - lead_ns, piece.from_ns, piece.to_ns, cell_ns)
    time_ns = stored.time_ns[taken]
    samples = Samples(time_ns / 1e9, {name: values[taken] for name, values in stored.channels.items()})
    shown = time_ns >= piece.from_ns
    values = expected_current(sheet, samples)[shown]
    below, above = current_tolerance_a(sheet, values)
    return Expected(time_ns[shown], values, values - below, values + above)


def _taken(time_ns: Int64Array, lead_ns: int, from_ns: int, to_ns: int, cell_ns: int) -> Int64Array:
    """Which samples are computed: the first of each cell, coarser cells before the stretch begins."""
    start, begin, end = np.searchsorted(time_ns, [lead_ns, from_ns, to_ns])
    coarse = max((from_ns - lead_ns) // LEAD_CELLS, cell_ns)
    before, inside = _firsts(time_ns[start:begin], coarse), _firsts(time_ns[begin:end], cell_ns)
    return np.concatenate([before + start, inside + begin])


def _firsts(time_ns: Int64Array, cell_ns: int) -> Int64Array:
    if cell_ns <= 1 or time_ns.size == 0:
        return np.arange(time_ns.size)
    return np.flatnonzero(np.diff(time_ns // cell_ns, prepend=-1))


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
