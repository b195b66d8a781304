"""Pictures of shapes, as left, before the onset and now: pressure against current, ramps, the current's spectrum."""

from __future__ import annotations

import numpy as np
from asleft.judge.spectrum import levelled, spectrum
from asleft.sheet.model import Sheet
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.evidence.picture import (
    Axis,
    Band,
    BoolArray,
    Curve,
    FloatArray,
    Mark,
    NoPicture,
    Picture,
    Role,
    Row,
    Shape,
    Upright,
    ends,
)
from asleft.web.evidence.subject import (
    BACK_NS,
    CLEAR_NS,
    Production,
    Subject,
    before_onset,
    judged,
    newest,
    producing,
)
from asleft.web.source import Source
from asleft.web.views.curve import as_left_curve, steady_dots
from asleft.web.views.ramps import Stroke, strokes_in
from asleft.web.views.valves import Json
from asleft.web.words import kind_words, sentence_case

_MOST_DOTS = 100  # dots of either branch
#: Kinds whose history tells more as long as nothing has left the characteristic.
_ONLY_OUT = frozenset({"pressure-changed", "hysteresis-changed"})
#: So near to a judged level, as a share of the range of current and of the highest pressure, a dot belongs to it.
_NEAR_A, _NEAR_BAR = 0.03, 0.04
_MOSTLY = 0.9  # of the dots of before at a current that lay on the curve, where the valve was in control
Dots = tuple[FloatArray, FloatArray, BoolArray]


def curve_picture(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """Steady quarter seconds of production now and before the onset, over the curve of the sheet.

    Below the curve only what the valve is in control of counts as having left it: during an approach the pressure is
    the load's. Above the curve everything does.
    """
    found = _dots(newest(source, subject))
    if found is None:
        return NoPicture("No steady readings of current and pressure are kept since then.")
    before = _dots(before_onset(source, subject))
    sheet = source.sheet(subject.valve, source.now_ns() if subject.until_ns is None else subject.until_ns)
    below, above = _outside(sheet, found)
    controlled = _in_control(sheet, found, before, None if subject.until_ns is not None else judgement)
    out = above | (below & controlled)
    if not out.any() and subject.kind in _ONLY_OUT:
        return NoPicture("All steady readings kept lie within the tolerance of the characteristic.")
    at_a, at_bar, up = found
    factor = units.current().pressure(1.0)
    curves, bands = _as_left(sheet, factor)
    if before is not None:
        curves.append(Curve(Role.BEFORE, before[0], before[1] * factor, Mark.DOTS, "before"))
    load = below & ~controlled
    for role, chosen in ((Role.BEFORE, load), (Role.FOUND, ~out & ~load), (Role.OUT, out)):
        for mark, way in ((Mark.RISING, up), (Mark.FALLING, ~up)):
            these = chosen & way
            if these.any():
                label = "the load's" if role is Role.BEFORE else ""
                curves.append(Curve(role, at_a[these], at_bar[these] * factor, mark, label))
    if out.any():
        top = int(np.argmax(np.where(out, at_a, -np.inf)))
        label = _far(sheet, found, out)
        curves.append(Curve(Role.OUT, at_a[top : top + 1], at_bar[top : top + 1] * factor, label=label))
    counted = int(np.count_nonzero(~load))
    title = (
        f"{_numbers(subject, judgement)}: {np.count_nonzero(out)} of {counted} steady readings lie outside the "
        f"tolerance of the characteristic{_since(source, subject)}."
    )
    words = (
        f"{title} Triangles up: rising, down and open: falling; pale: before, and where the load makes the pressure."
    )
    return Picture(
        Shape.CURVE, title, words, *_axes(curves, bands),
        spark=tuple(at_bar[~load][np.argsort(at_a[~load], kind="stable")].tolist()),
    )  # fmt: skip


def _numbers(subject: Subject, judgement: Json | None) -> str:
    """The pressure that has used most of its tolerance as left and now; of what is gone only the kind."""
    lines = [judged(judgement, name) for name in ("pressure_at_zero", "pressure_at_full")]
    asked = [one for one in lines if one.get("as_left") is not None]
    known = [one for one in asked if one.get("as_found") is not None]
    line = max(known, key=lambda one: abs(float(one.get("tolerance_used") or 0.0)), default={})
    # An end that is as left does not stand for one that is not seen now.
    if subject.until_ns is not None or not known or (len(known) < len(asked) and line.get("verdict") != "out"):
        return sentence_case(kind_words(subject.kind))
    shown, name = units.current(), str(line["id"])
    left, now = (shown.quantity(name, float(line[key])) for key in ("as_left", "as_found"))
    return sentence_case(f"{LABELS[name]} left at {left}, now {now}")


def branches_picture(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """Both branches as judged, over both of the sheet."""
    told = (judgement or {}).get("characteristic") or {}
    levels = {
        way: [one for one in (told.get(way) or {}).get("levels", ()) if one["current"] is not None]
        for way in ("rising", "falling")
    }
    if subject.until_ns is not None or not all(len(one) >= 2 for one in levels.values()):
        return NoPicture("Both branches are not judged now.")
    sheet = source.sheet(subject.valve, source.now_ns())
    factor = units.current().pressure(1.0)
    curves, bands = _as_left(sheet, factor)
    for way, mark in (("rising", Mark.RISING), ("falling", Mark.FALLING)):
        rows = sorted((float(one["current"]), float(one["pressure"])) for one in levels[way])
        at_a, at_bar = np.array(rows).T
        curves += [Curve(Role.FOUND, at_a, at_bar * factor, label=f"now, {way}"),
                   Curve(Role.FOUND, at_a, at_bar * factor, mark)]  # fmt: skip
    line = judged(judgement, "hysteresis")
    shown = units.current()
    numbers = [f"{words} {shown.quantity('hysteresis', line[key])}" for key, words in
               (("as_left", "left at"), ("as_found", "now")) if line.get(key) is not None]  # fmt: skip
    title = f"Hysteresis: {', '.join(numbers) or 'both branches'}{_since(source, subject)}."
    rising = [float(one["pressure"]) for one in levels["rising"]]
    return Picture(
        Shape.BRANCHES, title, f"{title} Both branches as found over those of the sheet.", *_axes(curves, bands),
        spark=tuple(rising),
    )  # fmt: skip


def _since(source: Source, subject: Subject) -> str:
    return "" if subject.onset_ns is None else f", since {source.time.moment(subject.onset_ns, source.now_ns())}"


def _axes(curves: list[Curve], bands: list[Band]) -> tuple[Axis, list[Row]]:
    x = Axis("coil current", "A", *ends(*(one.x for one in curves)))
    y = Axis("pressure", units.current().unit, *ends(*(one.y for one in curves)))
    return x, [Row(y, curves, bands)]


def _as_left(sheet: Sheet | None, factor: float) -> tuple[list[Curve], list[Band]]:
    at_a, rising, falling, _ = as_left_curve(sheet)
    if sheet is None or not at_a.size:
        return [], []
    same = bool(np.array_equal(rising, falling))
    curves = [Curve(Role.LEFT, at_a, rising * factor, label="as left" if same else "as left, rising")]
    if not same:
        curves.append(Curve(Role.LEFT, at_a, falling * factor, label="as left, falling"))
    sides = sheet.tolerance.get("pressure_at_full")
    if sides is None or not np.isfinite([sides.below, sides.above]).all():
        return curves, []
    low, high = np.minimum(rising, falling) - sides.below, np.maximum(rising, falling) + sides.above
    return curves, [Band(Role.TOLERANCE, at_a, low * factor, high * factor)]


def _dots(made: Production | None) -> Dots | None:
    """Current (A), pressure (bar) and whether rising, of steady quarter seconds of production, evenly chosen."""
    if made is None or made.empty:
        return None
    current, pressure = made.samples.channels.get("current"), made.samples.channels.get("pressure")
    if current is None or pressure is None:
        return None
    at_a, at_bar, up = steady_dots(made.samples.time_ns, np.where(producing(made), current, np.nan), pressure)
    if at_a.size < 3:
        return None
    some = np.linspace(0, at_a.size - 1, min(at_a.size, 2 * _MOST_DOTS)).round().astype(int)
    return at_a[some], at_bar[some], up[some]


def _outside(sheet: Sheet | None, found: Dots) -> tuple[BoolArray, BoolArray]:
    """Which dots lie below and which above the band of the characteristic, shapes (n,)."""
    left_a, rising, falling, _ = as_left_curve(sheet)
    sides = sheet.tolerance.get("pressure_at_full") if sheet is not None else None
    at_a, at_bar, _up = found
    if not left_a.size or sides is None:
        return np.zeros(at_a.size, dtype=bool), np.zeros(at_a.size, dtype=bool)
    low = np.interp(at_a, left_a, np.minimum(rising, falling)) - sides.below
    high = np.interp(at_a, left_a, np.maximum(rising, falling)) + sides.above
    return np.asarray(at_bar < low), np.asarray(at_bar > high)


def _in_control(sheet: Sheet | None, found: Dots, before: Dots | None, judgement: Json | None) -> BoolArray:
    """Which dots belong to a level that the judge reads the valve's pressure at, or that lay on the curve before."""
    at_a, at_bar, _up = found
    near_a = _NEAR_A * max(float(np.ptp(at_a)), 1e-6)
    near_bar = _NEAR_BAR * max(float(at_bar.max()), 1e-6)
    out = np.zeros(at_a.size, dtype=bool)
    told = (judgement or {}).get("characteristic") or {}
    for way in ("rising", "falling"):
        for level in (told.get(way) or {}).get("levels", ()):
            if level["current"] is not None:
                out |= (np.abs(at_a - level["current"]) < near_a) & (np.abs(at_bar - level["pressure"]) < near_bar)
    if before is not None:
        on = ~_outside(sheet, before)[0]
        lay = [np.abs(before[0] - current) < near_a for current in at_a]
        out |= np.array([bool(these.any()) and float(np.mean(on[these])) > _MOSTLY for these in lay])
    return out


def _far(sheet: Sheet | None, found: Dots, out: BoolArray) -> str:
    """How far the dots outside lie from the curve, in the middle."""
    left_a, rising, falling, _ = as_left_curve(sheet)
    at_a, at_bar, up = found
    on = np.where(up, np.interp(at_a, left_a, rising), np.interp(at_a, left_a, falling))
    middle = float(np.median((at_bar - on)[out]))
    shown = units.current()
    return f"off by {shown.figure(middle)} {shown.unit}"


# Ramps over each other, scaled to the full span: as left with its tolerance, strokes before the onset and now.

_MOST_STROKES = 4  # strokes of either time
_SPARK = 24


def strokes_picture(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """Of the ramp the finding speaks of; of both a response is read from the way up."""
    quantity = subject.quantities[0] if subject.quantities else "ramp_up"
    sheet = source.sheet(subject.valve, subject.onset_ns or source.now_ns())
    now = newest(source, subject)
    found = _strokes(source, subject, now, quantity)
    if not found:
        return NoPicture("No whole stroke is kept since then: the command never jumped and then rested long enough.")
    old = _strokes(source, subject, before_onset(source, subject), quantity)
    left = None if sheet is None else sheet.as_left.get(quantity)
    curves: list[Curve] = []
    bands: list[Band] = []
    sides = sheet.tolerance.get(quantity) if sheet is not None and left is not None else None
    late = (left or 0.0) + (sides.above if sides is not None and np.isfinite(sides.above) else 0.0)
    end_s = max([float(one.time_s[-1]) for one in (*found, *old)] + [1.15 * late, 0.1])
    if left is not None and left > 0.0 and sides is not None:
        early = max(left - sides.below, 1e-6)
        at = np.array([0.0, early, late, end_s])
        bands.append(Band(Role.TOLERANCE, at, np.minimum(at / late, 1.0), np.minimum(at / early, 1.0)))
    if left is not None:
        text = f"as left {units.current().quantity(quantity, left)}"
        curves.append(Curve(Role.LEFT, np.array([0.0, left, end_s]), np.array([0.0, 1.0, 1.0]), label=text))
    curves += [Curve(Role.BEFORE, one.time_s, one.way) for one in old]
    curves += [Curve(Role.FOUND, one.time_s, one.way) for one in found]
    curves += _at_half(old, Role.BEFORE, "before") + _at_half(found, Role.FOUND, "now")
    line = judged(judgement, quantity)
    value, u = line.get("as_found"), line.get("uncertainty")
    shown = units.current()
    told = [] if left is None else [f"left at {shown.quantity(quantity, left)}"]
    if value is not None and subject.until_ns is None:
        text = shown.number(quantity, float(value))
        told.append(f"now {text}{f' {shown.uncertainty(quantity, float(u))}' if u else ''} s")
    if subject.onset_ns is not None:
        told.append(f"since {source.time.moment(subject.onset_ns, source.now_ns())}")
    title = sentence_case(f"{LABELS[quantity]}: {', '.join(told)}.")
    words = f"{title} {len(found)} strokes over each other, {len(old)} of before dashed, scaled to the full span."
    x = Axis("since the command moved, over the full span", "s", -0.04 * end_s, end_s)
    return Picture(
        Shape.STROKES, title, words, x, [Row(Axis("part of the way", "", -0.08, 1.12), curves, bands)],
        spark=tuple(np.interp(np.linspace(0.0, end_s, _SPARK), found[-1].time_s, found[-1].way).tolist()),
        spark_ends=(0.0, 1.0),
    )  # fmt: skip


def _strokes(source: Source, subject: Subject, made: Production | None, quantity: str) -> list[Stroke]:
    if made is None or made.empty:
        return []
    sheet = source.sheet(subject.valve, made.to_ns)
    command, current = made.samples.channels.get("command"), made.samples.channels.get("current")
    if sheet is None or command is None or current is None:
        return []
    strokes = strokes_in(sheet, made.samples.time_ns, command, current, made.inside_ns)
    return [one for one in strokes if one.up == (quantity == "ramp_up")][-_MOST_STROKES:]


def _at_half(strokes: list[Stroke], role: Role, words: str) -> list[Curve]:
    """An unseen point half way at the right edge of the strokes, to which their label belongs."""
    if not strokes:
        return []
    half = [float(np.interp(0.5, _rising(one.way), one.time_s)) for one in strokes]
    at: FloatArray = np.array([float(np.median(half))])
    count = f", {len(strokes)} strokes" if len(strokes) > 1 else ""
    return [Curve(role, at, np.array([0.5]), label=f"{words}{count}")]


def _rising(way: FloatArray) -> FloatArray:
    """The way without going back, as interpolation needs it."""
    out: FloatArray = np.maximum.accumulate(way) + 1e-9 * np.arange(way.size)
    return out


# The spectrum of the coil current's bursts: before the onset and now, with the dither as left.

_MOST_BURSTS = 8  # bursts whose spectra are averaged
_LOOK_NS = 2 * 3600 * 10**9
_USUAL_HZ, _POINTS = 300.0, 300


def spectrum_picture(source: Source, subject: Subject, judgement: Json | None) -> Picture | NoPicture:
    """Size of each line peak to peak (A) against its frequency (Hz)."""
    now_ns = source.now_ns() if subject.until_ns is None else subject.until_ns
    now = _mean(source, subject.valve, subject.onset_ns or 0, now_ns)
    if now is None:
        return NoPicture("No bursts of the coil current are kept since then.")
    old = None if subject.onset_ns is None else _mean(source, subject.valve, 0, subject.onset_ns - CLEAR_NS)
    sheet = source.sheet(subject.valve, now_ns)
    left_hz = None if sheet is None else sheet.as_left.get("dither_frequency")
    left_a = None if sheet is None else sheet.as_left.get("dither_amplitude")
    most_hz = min(3.0 * left_hz if left_hz else _USUAL_HZ, float(now[0][-1]))
    curves = [] if old is None else [Curve(Role.BEFORE, *_cut(old, most_hz), label="before")]
    at_hz, size = _cut(now, most_hz)
    curves.append(Curve(Role.FOUND, at_hz, size, label="now" if subject.until_ns is None else "then"))
    bands, uprights = [], []
    if sheet is not None and left_hz is not None:
        sides = sheet.tolerance["dither_frequency"]
        uprights.append(Upright(Role.LEFT, left_hz, f"as left {left_hz:.0f} Hz"))
        if left_a is not None:
            size_sides = sheet.tolerance["dither_amplitude"]
            bands.append(Band(
                Role.TOLERANCE, np.array([left_hz - sides.below, left_hz + sides.above]),
                np.full(2, left_a - size_sides.below), np.full(2, left_a + size_sides.above), "as left, tolerance",
            ))  # fmt: skip
    told = []
    for quantity in ("dither_frequency", "dither_amplitude"):
        line = judged(judgement, quantity)
        shown = units.current()
        left, found = line.get("as_left"), line.get("as_found")
        if left is not None:
            text = "not seen" if found is None else f"now {shown.quantity(quantity, found)}"
            told.append(f"left at {shown.quantity(quantity, left)}, {text}")
    largest = int(np.argmax(size))
    title = f"Dither: {'; '.join(told) or 'spectrum of the coil current'}."
    words = f"{title} Largest line {size[largest]:.3f} A peak to peak at {at_hz[largest]:.0f} Hz."
    edges = [edge for band in bands for edge in (band.low, band.high)]
    y = Axis("current, peak to peak", "A", 0.0, ends(*edges, *(one.y for one in curves))[1])
    return Picture(
        Shape.SPECTRUM, title, words, Axis("frequency", "Hz", 0.0, most_hz), [Row(y, curves, bands)], uprights,
        tuple(size.tolist()), (0.0, max(float(size.max()), left_a or 0.0)),
    )  # fmt: skip


def _mean(source: Source, valve: str, since_ns: int, until_ns: int) -> tuple[FloatArray, FloatArray] | None:
    """Frequencies (Hz) and mean size peak to peak of the newest bursts between two times; None without any."""
    bursts = []
    for back_ns in (_LOOK_NS, BACK_NS // 14):
        from_ns = max(since_ns, until_ns - back_ns)
        bursts = [b for b in source.samples.bursts(valve, from_ns, until_ns) if b.channel == "current"]
        if bursts:
            break
    chosen = bursts[-_MOST_BURSTS:]
    if not chosen:
        return None
    like = [b for b in chosen if b.rate_hz == chosen[-1].rate_hz and b.values.size == chosen[-1].values.size]
    spectra = [spectrum(levelled(np.asarray(b.values, dtype=np.float64)), b.rate_hz) for b in like]
    return spectra[0].hz, 2.0 * np.mean([one.size for one in spectra], axis=0)


def _cut(given: tuple[FloatArray, FloatArray], most_hz: float) -> tuple[FloatArray, FloatArray]:
    """Up to a frequency, the largest of neighbours, so that no line is lost."""
    hz, size = given
    inside = hz <= most_hz
    hz, size = hz[inside], size[inside]
    width = max(1, hz.size // _POINTS)
    starts = np.arange(0, hz.size, width)
    return hz[starts], np.maximum.reduceat(size, starts)
