"""Measured against demanded current, with the level at which it is cut."""

from __future__ import annotations

import numpy as np
from asleft.web.evidence.picture import (
    Axis,
    Band,
    Curve,
    FloatArray,
    Level,
    Mark,
    NoPicture,
    Picture,
    Role,
    Row,
    Shape,
)
from asleft.web.evidence.picture import ends as ends_of
from asleft.web.evidence.production import Production, S, newest, producing
from asleft.web.evidence.subject import Subject
from asleft.web.source import Source
from asleft.web.views.expected import current_tolerance_a, expected_in, lead_in_ns
from asleft.web.views.revisions import InForce

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
