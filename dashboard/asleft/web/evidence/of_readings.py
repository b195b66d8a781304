"""Pictures of readings round the onset: the seconds in which it happened, a current that is cut, readings lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from asleft.sheet.model import Sheet
from asleft.store.protocols import StoredSamples
from asleft.web import units
from asleft.web.evidence.picture import (
    Axis,
    Band,
    BoolArray,
    Curve,
    FloatArray,
    Int64Array,
    Level,
    Mark,
    NoPicture,
    Picture,
    Role,
    Row,
    Shape,
    Upright,
    ends,
)
from asleft.web.evidence.picture import ends as ends_of
from asleft.web.evidence.subject import Production, S, Subject, newest, producing
from asleft.web.source import Source
from asleft.web.views.history import InForce
from asleft.web.views.spans import thin, with_gaps
from asleft.web.views.window import current_tolerance_a, expected_in, lead_in_ns, scale_of
from asleft.web.words import kind_words, sentence_case

#: Points across a row, two for each bin.
BINS = 150
_GAP_NS = S
_NEAR_NS = 180 * S  # of the onset: where a step is looked for
_NAMES = {"command": "command", "current": "coil current", "pressure": "pressure", "supply": "supply"}
_UNITS = {"current": "A", "supply": "V"}
#: Where a command on a 4-20 mA loop has failed (NAMUR NE 43).
_FAILED_MA = (3.6, 21.0)


@dataclass(frozen=True, slots=True)
class Moment:
    """Shown before and after the onset (s), of which channels; `step`: only if the first of them shows one."""

    before_s: float
    after_s: float
    channels: tuple[str, ...]
    step: bool = False


_ALL = ("command", "current", "pressure")
_USUAL = Moment(4.0, 8.0, ("command", "current"))
MOMENTS: Mapping[str, Moment] = {
    "command-failed": _USUAL,
    "current-lost": _USUAL,
    "current-unwanted": _USUAL,
    "command-clipped": Moment(10.0, 30.0, ("command", "current")),
    "pressure-unwanted": Moment(4.0, 8.0, _ALL),
    "reading-pinned": Moment(20.0, 60.0, _ALL),
    "supply-low": Moment(4.0, 8.0, ("supply", "current"), step=True),
    "model-misfit": Moment(5.0, 25.0, ("command", "current")),
}


def moment_picture(source: Source, subject: Subject) -> Picture | NoPicture:
    """Rows of the readings round the onset, with what the sheet expects of the current."""
    if subject.onset_ns is None:
        return NoPicture("It is not known when it began.")
    plan, onset = MOMENTS.get(subject.kind, _USUAL), subject.onset_ns
    if plan.step:
        step_ns = _step_at(source, subject, plan.channels[0], onset)
        if step_ns is None:
            return NoPicture("It came slowly: no step is seen in those seconds.")
        onset = step_ns
    from_ns, to_ns = onset - round(plan.before_s * S), onset + round(plan.after_s * S)
    sheet = source.sheet(subject.valve, onset)
    pieces = [InForce(from_ns, to_ns, sheet)]
    stored = source.samples.samples(subject.valve, from_ns - lead_in_ns(pieces), to_ns)
    shown = stored.time_ns >= from_ns
    if np.count_nonzero(shown) < 5:
        return NoPicture(f"The readings of {source.time.moment(onset, source.now_ns())} are not kept any more.")
    rows, said = [], []
    for channel in plan.channels:
        values = stored.channels.get(channel)
        if values is None or not np.isfinite(values[shown]).any():
            continue
        row = _row(source, channel, stored, shown, sheet, pieces)
        rows.append(row)
        said.append(_said(channel, row, stored.time_ns[shown], values[shown], onset))
    if not rows:
        return NoPicture("No reading of those seconds could be used.")
    title = f"{sentence_case(kind_words(subject.kind))}, {source.time.full(onset)}: {'; '.join(said)}."
    first = plan.channels[0] if plan.step else ("current" if "current" in stored.channels else "command")
    spark = stored.channels.get(first, np.empty(0))
    x = Axis("plant time", source.time.name, source.time.plot_ms_one(from_ns), source.time.plot_ms_one(to_ns), True)
    mark = Upright(Role.ONSET, source.time.plot_ms_one(onset), f"▲ {source.time.local(onset):%H:%M:%S}")
    return Picture(Shape.MOMENT, title, title, x, rows, [mark], tuple(spark[shown].tolist()) if spark.size else ())


def _step_at(source: Source, subject: Subject, channel: str, onset_ns: int) -> int | None:
    """Where a supply fell from one second to the next near the onset; None where by less than half its tolerance.

    A finding dates what it rests on, a supply seen in dwells: the step itself may lie some cycles earlier.
    """
    stored = source.samples.samples(subject.valve, onset_ns - _NEAR_NS, onset_ns + _NEAR_NS)
    sheet, values = source.sheet(subject.valve, onset_ns), stored.channels.get(channel)
    tolerance = None if sheet is None else sheet.tolerance.get("supply_voltage")
    if values is None or tolerance is None:
        return None
    known = np.isfinite(values)
    time_ns, values = stored.time_ns[known], values[known]
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    early, late = np.searchsorted(time_ns, time_ns - S), np.searchsorted(time_ns, time_ns + S)
    ok = (at > early) & (late > at)
    if not ok.any():
        return None
    before = (sums[at[ok]] - sums[early[ok]]) / (at[ok] - early[ok])
    after = (sums[late[ok]] - sums[at[ok]]) / (late[ok] - at[ok])
    fallen = before - after
    most = int(np.argmax(fallen))
    return int(time_ns[ok][most]) if fallen[most] > 0.5 * tolerance.below else None


def _row(
    source: Source, channel: str, stored: StoredSamples, shown: BoolArray, sheet: Sheet | None, pieces: list[InForce]
) -> Row:
    factor = units.current().pressure(1.0) if channel == "pressure" else 1.0
    unit = units.current().unit if channel == "pressure" else _UNITS.get(channel, stored.units.get(channel, ""))
    if channel == "command" and sheet is not None:
        unit = sheet.signal.unit
    values = stored.channels[channel][shown] * factor
    bin_ns = max((pieces[0].to_ns - pieces[0].from_ns) // BINS, 1)

    def line(time_ns: Int64Array, given: FloatArray) -> tuple[FloatArray, FloatArray]:
        times, thinned = with_gaps(*thin(time_ns, given, bin_ns, 0), _GAP_NS)
        return source.time.plot_ms(times), thinned

    curves = [Curve(Role.FOUND, *line(stored.time_ns[shown], values), label="measured")]
    bands: list[Band] = []
    levels: list[Level] = []
    if channel == "current":
        expected = expected_in(pieces, _asked(stored), bin_ns)
        if expected is not None and np.isfinite(expected.values).any():
            x = source.time.plot_ms(expected.time_ns)
            curves.insert(0, Curve(Role.LEFT, x, expected.values, label="expected"))
            bands.append(Band(Role.TOLERANCE, x, expected.low, expected.high))
    if channel == "command" and sheet is not None:
        low, high = sorted((sheet.signal.at_zero, sheet.signal.at_full))
        levels = [Level(Role.LEFT, low, f"{low:g} {unit}"), Level(Role.LEFT, high, f"{high:g} {unit}")]
        least, most = float(np.nanmin(values)), float(np.nanmax(values))
        beyond = (least <= _FAILED_MA[0], most >= _FAILED_MA[1])
        failed = [edge for edge, there in zip(_FAILED_MA, beyond, strict=True) if there and unit == "mA"]
        levels += [Level(Role.LIMIT, edge, f"failed, {edge:g} mA") for edge in failed]
    edges = [edge for band in bands for edge in (band.low, band.high)]
    scale = [end * factor for end in scale_of(pieces).get(channel, ())]  # a quiet valve is not shown magnified
    low_y, high_y = ends(scale, [one.y for one in levels], *edges, *(one.y for one in curves))
    return Row(Axis(_NAMES[channel], unit, low_y, high_y), curves, bands, levels)


def _asked(stored: StoredSamples) -> StoredSamples:
    """Without what flowed: from a lost current the judge would tell that the driver is off, and expect none."""
    kept = {name: values for name, values in stored.channels.items() if name in ("command", "enable")}
    return replace(stored, channels=kept)


def _said(channel: str, row: Row, time_ns: Int64Array, values: FloatArray, onset_ns: int) -> str:
    """Medians of a second before the onset and of one after it, as far as there are readings."""
    factor = units.current().pressure(1.0) if channel == "pressure" else 1.0
    known = np.isfinite(values)
    sides = [values[known & (time_ns >= a) & (time_ns < b)] for a, b in
             ((onset_ns - S, onset_ns), (onset_ns + S // 5, onset_ns + S + S // 5))]  # fmt: skip
    told = [f"{float(np.median(one)) * factor:.3g}" for one in sides if one.size]
    if len(told) == len(sides):
        return f"{_NAMES[channel]} from {told[0]} to {told[1]} {row.y.unit}"
    if not told:
        return f"no {_NAMES[channel]} read"
    there, lacking = ("before", "after") if sides[0].size else ("after", "before")
    return f"{_NAMES[channel]} {told[0]} {row.y.unit} {there}, not read {lacking}"


# Measured against demanded current, with the level at which it is cut.

CELL_NS = S // 4
_STEADY_SHARE = 0.005  # of the current span: what moves more within a cell is no dwell
_FEWEST = 3


def clip_picture(source: Source, subject: Subject) -> Picture | NoPicture:
    """Means of quarter seconds in which the demand stood still."""
    made = newest(source, subject)
    if made is None or made.empty:
        return NoPicture("No readings of production are kept since then.")
    dots = _dots(source, subject, made)
    sheet = source.sheet(subject.valve, made.to_ns)
    if dots is None or sheet is None:
        return NoPicture("What is demanded of the current is not known.")
    demanded, measured = dots
    low_a, high_a = sheet.as_left["current_at_zero"], sheet.as_left["current_at_full"]
    below, _ = current_tolerance_a(sheet, demanded)
    short = demanded - measured > np.maximum(0.5 * below, 0.005 * (high_a - low_a))
    top = demanded > float(demanded.max()) - 0.02 * (high_a - low_a)
    cut = short & top
    if np.count_nonzero(cut) < _FEWEST:
        return NoPicture("In the last readings kept nothing was cut.")
    limit, wanted = float(np.median(measured[cut])), float(np.median(demanded[cut]))
    ends = np.array([min(low_a, float(demanded.min())), max(high_a, float(demanded.max()))])
    sides = current_tolerance_a(sheet, ends)
    when = source.time.moment(made.to_ns, source.now_ns())
    title = f"In the readings up to {when} current stopped at {limit:.3f} A where {wanted:.3f} A was demanded."
    # A few percent are cut off: the lower end of the range would make them too small to be seen.
    shown_from = max(float(ends[0]), wanted - max(8.0 * (wanted - limit), 0.3 * (high_a - low_a)))
    near = demanded >= shown_from
    x_low, x_high = ends_of(demanded[near], [shown_from, ends[1]])
    y_low, y_high = ends_of(measured[near], [shown_from, ends[1]])
    curves = [
        Curve(Role.LEFT, ends, ends, label="as demanded"),
        Curve(Role.FOUND, demanded[~short], measured[~short], Mark.DOTS),
        Curve(Role.OUT, demanded[short], measured[short], Mark.DOTS),
    ]
    order = np.argsort(demanded, kind="stable")
    return Picture(
        Shape.CLIP, title, f"{title} {demanded.size} steady quarter seconds of production, measured over demanded.",
        Axis("current demanded", "A", x_low, x_high),
        [Row(Axis("current measured", "A", y_low, y_high), curves,
             [Band(Role.TOLERANCE, ends, ends - sides[0], ends + sides[1])],
             [Level(Role.LIMIT, limit, f"stopped at {limit:.3f} A")])],
        spark=tuple(measured[order].tolist()), spark_ends=(low_a, high_a),
    )  # fmt: skip


def _dots(source: Source, subject: Subject, made: Production) -> tuple[FloatArray, FloatArray] | None:
    """Demanded and measured current (A) of steady cells, shapes (n,)."""
    sheet = source.sheet(subject.valve, made.to_ns)
    pieces = [InForce(made.from_ns, made.to_ns + 1, sheet)]
    stored = source.samples.samples(subject.valve, made.from_ns - lead_in_ns(pieces), made.to_ns + 1)
    current = stored.channels.get("current")
    expected = expected_in(pieces, stored)
    if current is None or expected is None:
        return None
    inside = stored.time_ns >= made.from_ns
    if np.count_nonzero(inside) != expected.time_ns.size:
        return None
    ok = producing(made)[: expected.time_ns.size] & np.isfinite(current[inside]) & np.isfinite(expected.values)
    time_ns, wanted, got = expected.time_ns[ok], expected.values[ok], current[inside][ok]
    if time_ns.size < 10:
        return None
    starts = np.flatnonzero(np.diff(time_ns // CELL_NS, prepend=-1))
    counts = np.diff(np.append(starts, time_ns.size))
    spread = np.maximum.reduceat(wanted, starts) - np.minimum.reduceat(wanted, starts)
    means = [np.add.reduceat(one, starts) / counts for one in (wanted, got)]
    span = float(np.ptp(wanted)) or 1.0
    still = (spread < _STEADY_SHARE * span) & (counts >= 2)
    still[1:] &= np.abs(np.diff(means[0])) < _STEADY_SHARE * span  # the lag of the cell before has passed
    still &= np.roll(still, 1) | np.roll(still, 2)
    return (means[0][still], means[1][still]) if np.count_nonzero(still) >= _FEWEST else None


# How many readings could be used, over the minutes round the onset.

_BEFORE_NS, _AFTER_NS = 300 * S, 600 * S
_CELL_NS = 5 * S
_COUNTED = ("command", "current", "pressure")


def readings_picture(source: Source, subject: Subject) -> Picture | NoPicture:
    """Usable readings a second of each channel, in cells of five seconds; none came where a line lies at zero."""
    onset = subject.onset_ns if subject.onset_ns is not None else source.now_ns() - _AFTER_NS
    from_ns, to_ns = (onset - _BEFORE_NS) // _CELL_NS * _CELL_NS, min(onset + _AFTER_NS, source.now_ns())
    stored = source.samples.samples(subject.valve, from_ns, to_ns)
    cells = max((to_ns - from_ns) // _CELL_NS, 1)
    if stored.time_ns.size == 0:
        return NoPicture("No reading at all is kept of that time.")
    at = source.time.plot_ms(from_ns + _CELL_NS * np.arange(cells, dtype=np.int64) + _CELL_NS // 2)
    which = (stored.time_ns - from_ns) // _CELL_NS
    curves, shares = [], []
    for place, channel in enumerate(name for name in _COUNTED if name in stored.channels):
        usable = np.isfinite(stored.channels[channel]) & (which < cells)
        counts = np.bincount(which[usable], minlength=cells)[:cells] / (_CELL_NS / S)
        role = (Role.OTHER, Role.FOUND, Role.BEFORE)[place % 3]
        curves.append(Curve(role, at, counts.astype(np.float64), label=channel))
        shares.append(counts)
    if not curves:
        return NoPicture("None of the channels of the sheet is recorded.")
    worst = np.min(shares, axis=0)
    most = float(np.max(shares)) or 1.0
    missing = 100.0 * (1.0 - float(worst.mean()) / most)
    title = (
        f"{sentence_case(kind_words(subject.kind))}: {missing:.0f} % of the readings round "
        f"{source.time.full(onset)} could not be used."
    )
    x = Axis("plant time", source.time.name, source.time.plot_ms_one(from_ns), source.time.plot_ms_one(to_ns), True)
    mark = Upright(Role.ONSET, source.time.plot_ms_one(onset), f"▲ {source.time.local(onset):%H:%M:%S}")
    row = Row(Axis("usable readings", "1/s", 0.0, 1.1 * most), curves)
    return Picture(Shape.READINGS, title, title, x, [row], [mark], tuple(worst.tolist()), (0.0, most))
