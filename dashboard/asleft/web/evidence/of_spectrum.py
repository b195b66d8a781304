"""The spectrum of the coil current's bursts: before the onset and now, with the dither as left."""

from __future__ import annotations

import numpy as np
from asleft.judge.dither.lines import levelled, spectrum
from asleft.web import units
from asleft.web.evidence.picture import (
    Axis,
    Band,
    Curve,
    FloatArray,
    NoPicture,
    Picture,
    Role,
    Row,
    Shape,
    Upright,
    ends,
)
from asleft.web.evidence.production import BACK_NS, CLEAR_NS
from asleft.web.evidence.subject import Subject, judged
from asleft.web.source import Source
from asleft.web.views.valves import Json

_MOST = 8  # bursts whose spectra are averaged
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
    chosen = bursts[-_MOST:]
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
