"""The plot over time in words and as tables, and the ways to another stretch of time."""

from __future__ import annotations

from dataclasses import dataclass

from asleft.sheet.names import LABELS
from asleft.web import units
from asleft.web.hrefs import csv_of_stretch
from asleft.web.markup import Markup
from asleft.web.templates import macro
from asleft.web.views.spans import DEFAULT, SPANS, Choice
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


@dataclass(frozen=True, slots=True)
class Way:
    """A link to a stretch. `ends`: from and to, unix ms: what the page can show at once, before the answer."""

    name: str
    words: str
    href: str
    ends: str
    here: bool = False


def span_selector(choice: Choice, path: str, time: PlantTime, now_ns: int) -> Markup:
    """The named lengths, and the ways from what is shown. `path`: address of the page."""

    def way(name: str, words: str, target: Choice, *, here: bool = False) -> Way:
        ends = " ".join(str(end // 10**6) for end in target.window(now_ns))
        return Way(name, words, path + target.query(), ends, here)

    lengths = [
        way(
            span.key,
            f"{span.words}, live" if span.key == DEFAULT.key and choice.until_ns is None else span.words,
            Choice.of(span.key, choice.until_ns),
            here=span.key == choice.key,
        )
        for span in SPANS.values()
    ]
    moves = [way("earlier", "← earlier", choice.shifted(-1, now_ns))]
    if choice.until_ns is not None:
        moves.append(way("later", "later →", choice.shifted(1, now_ns)))
    for words, scaled in (("closer", choice.scaled(-1, now_ns)), ("wider", choice.scaled(1, now_ns))):
        if scaled != choice:
            moves.append(way(words, words, scaled))
    until = ""
    if choice.until_ns is not None:
        moves.append(way("now", "now", Choice.of(choice.key or DEFAULT.key)))
        until = f"{'' if choice.key else f'{choice.words}, '}until {time.full(choice.until_ns)}"
    return macro("valve/notes.html", "spans", lengths, moves, until)


def window_words(view: WindowView, valve: str, time: PlantTime) -> Markup:
    """What the lines are, how to move about, and the same in words, numbers and files."""
    keys = {"command": view.command_unit, "current": "A", "expected": "A", "pressure": units.current().unit}
    figures = {name: [_figure(name, value) for value in trio] for name, trio in view.figures().items()}
    stretch = f"{time.full(view.from_ns)} to {time.full(view.to_ns)}, {time.name}"
    said = [f"{_NAMES[name]} {low} to {high} {keys[name]}" for name, (low, _, high) in figures.items()]
    words = [f"{stretch}: {'; '.join(said) or 'nothing was recorded'}."]
    if view.onsets:
        words.append("; ".join(f"{o.said} from {time.moment(o.at_ns, view.to_ns)}" for o in view.onsets) + ".")
    if view.revisions:
        words.append("; ".join(f"{m.words} from {time.moment(m.at_ns, view.to_ns)}" for m in view.revisions) + ".")
    rows: list[list[str]] = [[_NAMES[name], keys[name], *trio] for name, trio in figures.items()]
    states: list[list[str]] = [
        [band.words, time.full(band.from_ns), time.full(band.to_ns)] for band in view.states[-MOST_ROWS:]
    ]
    files = (csv_of_stretch(valve, what, view.from_ns, view.to_ns) for what in ("window", "states"))
    told = " ".join(words)
    return macro("valve/notes.html", "window", _key(view), told, rows, _features(view, time), states, *files)


def _key(view: WindowView) -> str:
    if view.features:
        return "Dots: judged of production. Dashed: as left. Pale: from the smallest to the largest reading."
    if view.envelopes:
        return "Line: mean of some minutes. Shaded: from the smallest to the largest."
    return "Line: measured. Dashed: the current expected of the measured command, in the band of its tolerance."


def _figure(channel: str, value: float) -> str:
    return units.current().figure(value) if channel == "pressure" else f"{value:.{_DIGITS[channel]}f}"


def _features(view: WindowView, time: PlantTime) -> list[list[str]]:
    shown, rows = units.current(), []
    for quantity, feature in view.features.items():
        ends = [shown.number(quantity, float(v)) for v in (feature.values.min(), feature.values.max())]
        last = shown.number(quantity, float(feature.values[-1]))
        rows.append([LABELS[quantity], shown.unit_of(quantity), *ends, last, time.full(int(feature.time_ns[-1]))])
    return rows
