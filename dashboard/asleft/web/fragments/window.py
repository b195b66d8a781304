"""The plot over time in words and as tables."""

from __future__ import annotations

from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.markup import Child, Markup, details, el, join, table
from asleft.web.views.window import WindowView
from asleft.web.when import PlantTime

_DIGITS = {"command": 2, "current": 3, "expected": 3}
_NAMES = {
    "command": "command",
    "current": "coil current, measured",
    "expected": "coil current, expected",
    "pressure": "pressure",
}
#: Rows of a table; more are in the file.
MOST_ROWS = 60


def window_words(view: WindowView, time: PlantTime) -> Markup:
    """What the lines are, how to move about, and the same in words and numbers."""
    keys = {"command": view.command_unit, "current": "A", "expected": "A", "pressure": units.current().unit}
    figures = {name: [_figure(name, value) for value in trio] for name, trio in view.figures().items()}
    stretch = f"{time.full(view.from_ns)} to {time.full(view.to_ns)}, {time.name}"
    said = [f"{_NAMES[name]} {low} to {high} {keys[name]}" for name, (low, _, high) in figures.items()]
    words = [f"{stretch}: {'; '.join(said) or 'nothing was recorded'}."]
    if view.onsets:
        words.append("; ".join(f"{o.said} from {time.moment(o.at_ns, view.to_ns)}" for o in view.onsets) + ".")
    if view.revisions:
        words.append("; ".join(f"{m.words} from {time.moment(m.at_ns, view.to_ns)}" for m in view.revisions) + ".")
    rows: list[list[Child]] = [[_NAMES[name], keys[name], *trio] for name, trio in figures.items()]
    states: list[list[Child]] = [
        [band.words, time.full(band.from_ns), time.full(band.to_ns)] for band in view.states[-MOST_ROWS:]
    ]
    fold = details(
        "The same in words and numbers",
        el("p", " ".join(words)),
        table(
            "Channels in this stretch",
            ["channel", "unit", "smallest", "mean", "largest"],
            rows,
            numeric=frozenset({2, 3, 4}),
        )
        if rows
        else None,
        _features(view, time),
        table("Machine states in this stretch", ["state", "from", "to"], states) if states else None,
        key="window-words",
    )
    return join(el("p", _key(view), " ", _MOVING, class_="key"), fold)


_MOVING = (
    "Drag across the plot to look closer, with Shift held to move; double click for wider. The links above do the "
    "same, and the address always leads back to what is shown."
)


def _key(view: WindowView) -> str:
    if view.features:
        return "Dots: judged of production. Dashed: as left. Pale: from the smallest to the largest reading."
    if view.envelopes:
        return "Line: mean. Shaded: from the smallest to the largest."
    return "Line: measured. Dashed: the current expected of the measured command, in the band of its tolerance."


def _figure(channel: str, value: float) -> str:
    return units.current().figure(value) if channel == "pressure" else f"{value:.{_DIGITS[channel]}f}"


def _features(view: WindowView, time: PlantTime) -> Markup | None:
    rows: list[list[Child]] = []
    for quantity, feature in view.features.items():
        shown = units.current()
        ends = [shown.number(quantity, float(v)) for v in (feature.values.min(), feature.values.max())]
        last = shown.number(quantity, float(feature.values[-1]))
        rows.append([LABELS[quantity], shown.unit_of(quantity), *ends, last, time.full(int(feature.time_ns[-1]))])
    if not rows:
        return None
    head = ["judged of production", "unit", "smallest", "largest", "last", "last at"]
    return table("Settings in this stretch", head, rows, numeric=frozenset({2, 3, 4}))
