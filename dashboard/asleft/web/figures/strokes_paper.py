"""Like ramps laid over one another, on paper: measured, and what the sheet expects of the same commands."""

from __future__ import annotations

import numpy as np
from asleft.web.figures.axes import Axes, picture_of
from asleft.web.markup import Markup, el
from asleft.web.views.strokes import StrokesView


def strokes_svg(view: StrokesView) -> Markup:
    """The picture."""
    times = np.concatenate([one.time_s for one in view.strokes])
    currents = np.concatenate([np.concatenate([one.measured_a, one.expected_a]) for one in view.strokes])
    currents = currents[np.isfinite(currents)]
    low, high = float(currents.min()), float(currents.max())
    room = max((high - low) * 0.08, 0.005)
    axes = Axes(float(times.min()), float(times.max()), low - room, high + room)
    found = "".join(axes.line(one.time_s.tolist(), one.measured_a.tolist()) for one in view.strokes)
    left = "".join(axes.line(one.time_s.tolist(), one.expected_a.tolist()) for one in view.strokes)
    return picture_of(
        axes,
        "s since the ramp began",
        "coil current, A",
        view.words,
        el("path", d=found, class_="found"),
        el("path", d=left, class_="expected"),
    )
