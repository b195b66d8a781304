"""How many readings could be used, over the minutes round the onset."""

from __future__ import annotations

import numpy as np
from asleft.web.evidence.picture import Axis, Curve, NoPicture, Picture, Role, Row, Shape, Upright
from asleft.web.evidence.production import S
from asleft.web.evidence.subject import Subject
from asleft.web.source import Source
from asleft.web.words import kind_words, sentence_case

_BEFORE_NS, _AFTER_NS = 300 * S, 600 * S
_CELL_NS = 5 * S
_NAMES = ("command", "current", "pressure")


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
    for place, channel in enumerate(name for name in _NAMES if name in stored.channels):
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
