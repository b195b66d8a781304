"""What happened in a stretch of time: command, expected and measured current, pressure, machine states, onsets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from asleft.judge.judge import expected_current
from asleft.judge.types import Samples
from asleft.sheet.model import Sheet
from asleft.store.protocols import SampleReader, StoredSamples
from asleft.web.source import Source
from asleft.web.views.spans import Choice
from asleft.web.views.thin import thin, with_gaps
from asleft.web.views.valves import findings_of
from asleft.web.when import parse_iso_ns
from asleft.web.words import STATE_WORDS, kind_words

FloatArray = npt.NDArray[np.float64]
Int64Array = npt.NDArray[np.int64]

#: Bins across a picture; each gives two points. More than a screen has pixels for is lost work.
BINS = 600
#: Samples the expected current is computed at, about.
MOST_EXPECTED = 60_000
SHOWN = ("command", "current", "pressure")


@dataclass(frozen=True, slots=True)
class Line:
    """One curve: times (unix ns) and values, NaN where the line breaks."""

    time_ns: Int64Array
    values: FloatArray


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class Onset:
    """Since when a finding stands."""

    at_ns: int
    words: str


@dataclass(frozen=True)
class WindowView:
    """Everything the plot over time shows."""

    from_ns: int
    to_ns: int
    command_unit: str
    lines: Mapping[str, Line] = field(default_factory=dict)  # channel, or "expected"
    band_a: FloatArray | None = None  # half width of the tolerance at each expected point
    envelopes: Mapping[str, Envelope] = field(default_factory=dict)
    states: list[StateBand] = field(default_factory=list)
    onsets: list[Onset] = field(default_factory=list)
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
    """A whole picture: raw readings thinned on the server for minutes, stored overviews for hours and more."""
    now = source.now_ns()
    from_ns, to_ns = choice.window(now)
    sheet = source.sheet(valve, min(to_ns, now))
    states, onsets = state_bands(source, valve, from_ns, to_ns), onsets_in(source, valve, from_ns, to_ns)
    unit = sheet.signal.unit if sheet is not None else ""
    scale = scale_of(sheet)
    if choice.span.raw:
        lines, band, stored_unit = raw_lines(source.samples, valve, sheet, from_ns, to_ns, bin_width(choice))
        return WindowView(from_ns, to_ns, unit or stored_unit, lines, band, {}, states, onsets, scale)
    envelopes = {}
    step_ns = (to_ns - from_ns) // choice.span.stretches
    for channel in SHOWN:
        found = source.samples.overview(valve, channel, from_ns, to_ns, choice.span.stretches)
        if found.time_ns.size:
            longest = 3 * step_ns
            times, mean = with_gaps(found.time_ns, found.mean, longest)
            _, low = with_gaps(found.time_ns, found.minimum, longest)
            _, high = with_gaps(found.time_ns, found.maximum, longest)
            envelopes[channel] = Envelope(times, low, mean, high, step_ns)
    return WindowView(from_ns, to_ns, unit, {}, None, envelopes, states, onsets, scale)


def scale_of(sheet: Sheet | None) -> dict[str, tuple[float, float]]:
    """Ends of command, current (A) and pressure (bar) by the sheet, so that a quiet valve is not shown magnified."""
    if sheet is None:
        return {}
    low, high = sorted((sheet.signal.at_zero, sheet.signal.at_full))
    scale = {"command": (low, high)}
    if "current_at_full" in sheet.as_left:
        scale["current"] = (0.0, sheet.as_left["current_at_full"])
    if "pressure_at_full" in sheet.as_left:
        scale["pressure"] = (0.0, sheet.as_left["pressure_at_full"])
    return scale


def bin_width(choice: Choice) -> int:
    """Width (ns) of the bins a raw stretch is thinned to."""
    return choice.span.seconds * 10**9 // BINS


def raw_lines(
    samples: SampleReader, valve: str, sheet: Sheet | None, from_ns: int, to_ns: int, bin_ns: int
) -> tuple[dict[str, Line], FloatArray | None, str]:
    """Channels and expected current of a stretch, thinned; the expected's tolerance; the command's unit.

    The expected current is computed from earlier on, so that the ramp limiter has settled when the stretch begins.
    """
    lead_ns = lead_in_ns(sheet)
    stored = samples.samples(valve, from_ns - lead_ns, to_ns)
    inside = stored.time_ns >= from_ns
    gap_ns = max(4 * bin_ns, 2 * 10**9)
    lines: dict[str, Line] = {}
    for channel in SHOWN:
        values = stored.channels.get(channel)
        if values is not None:
            lines[channel] = _thinned(stored.time_ns[inside], values[inside], bin_ns, gap_ns)
    band = None
    expected = expected_of(sheet, stored)
    if expected is not None and sheet is not None:
        shown = expected.time_ns >= from_ns
        lines["expected"] = _thinned(expected.time_ns[shown], expected.values[shown], bin_ns, gap_ns)
        band = current_tolerance_a(sheet, lines["expected"].values)
    return lines, band, stored.units.get("command", "")


def expected_of(sheet: Sheet | None, stored: StoredSamples) -> Line | None:
    """The current the sheet makes of the measured command, NaN where unknown; None where it cannot be told.

    Long stretches are taken in strides: it is computed sample by sample, and the picture shows far fewer.
    """
    needed = sheet is not None and {"current_at_zero", "current_at_full"} <= set(sheet.as_left)
    if sheet is None or not needed or "command" not in stored.channels or stored.time_ns.size == 0:
        return None
    stride = max(1, stored.time_ns.size // MOST_EXPECTED)
    time_ns = stored.time_ns[::stride]
    samples = Samples(time_ns / 1e9, {name: values[::stride] for name, values in stored.channels.items()})
    return Line(time_ns, expected_current(sheet, samples))


def lead_in_ns(sheet: Sheet | None) -> int:
    """Long enough for a full stroke of the slower ramp, at most two minutes."""
    if sheet is None:
        return 0
    slowest_s = max(sheet.as_left.get("ramp_up", 0.0), sheet.as_left.get("ramp_down", 0.0))
    return round(min(slowest_s + 3.0, 120.0) * 1e9)


def current_tolerance_a(sheet: Sheet, expected_a: FloatArray) -> FloatArray:
    """Half width of the tolerance on current, between that at zero and that at full command, shape as given."""
    zero, full = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    share = np.clip((expected_a - zero) / (full - zero), 0.0, 1.0) if full != zero else np.zeros_like(expected_a)
    at_zero = sheet.tolerance["current_at_zero"].above
    at_full = sheet.tolerance["current_at_full"].above
    return np.asarray(at_zero + share * (at_full - at_zero), dtype=np.float64)


def state_bands(source: Source, valve: str, from_ns: int, to_ns: int) -> list[StateBand]:
    """Judged machine states, cut to the stretch."""
    bands = []
    for interval in source.records.intervals(valve, from_ns, to_ns):
        start, end = max(round(interval.from_s * 1e9), from_ns), min(round(interval.to_s * 1e9), to_ns)
        if end > start:
            state = interval.state.value
            bands.append(StateBand(state, STATE_WORDS.get(state, state), start, end))
    return bands


def onsets_in(source: Source, valve: str, from_ns: int, to_ns: int) -> list[Onset]:
    """Onsets of the present findings that lie in the stretch."""
    out = []
    for finding in findings_of(source.records.judgement(valve)):
        onset = parse_iso_ns(finding.get("onset"))
        if onset is not None and from_ns <= onset <= to_ns:
            out.append(Onset(onset, kind_words(str(finding["kind"]))))
    return out


def _thinned(time_ns: Int64Array, values: FloatArray, bin_ns: int, gap_ns: int) -> Line:
    return Line(*with_gaps(*thin(time_ns, values, bin_ns, 0), gap_ns))
