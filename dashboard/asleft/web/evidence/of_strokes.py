"""Ramps over each other, scaled to the full span: as left with its tolerance, strokes before the onset and now."""

from __future__ import annotations

import numpy as np
from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.evidence.picture import Axis, Band, Curve, FloatArray, NoPicture, Picture, Role, Row, Shape
from asleft.web.evidence.production import Production, before_onset, newest
from asleft.web.evidence.subject import Subject, judged
from asleft.web.source import Source
from asleft.web.views.ramps import Stroke, strokes_in
from asleft.web.views.valves import Json
from asleft.web.words import sentence_case

_MOST = 4  # strokes of either time
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
        told.append(f"now {text}{f' ±{shown.uncertainty(quantity, float(u))}' if u else ''} s")
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
    return [one for one in strokes if one.up == (quantity == "ramp_up")][-_MOST:]


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
