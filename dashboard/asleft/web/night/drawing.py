"""The time axis of all valves as a scene: for the page, for paper and for a mail."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from asleft.web import palette
from asleft.web.evidence.labels import CHAR_PX
from asleft.web.evidence.picture import Axis
from asleft.web.evidence.scene import Path, Point, Scene, Text
from asleft.web.evidence.ticks import marks_of
from asleft.web.night.view import Entry, Happened, Line, NightView
from asleft.web.source import Source

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 1000.0, 206.0, 14.0, 22.0, 40.0
ROW = 34.0
#: Valves drawn at the most: so many fit on one sheet of paper with their list.
MOST_LINES = 14
_COLORS = {3: palette.NOW, 2: palette.SHIFT, 1: palette.DIGEST}


def drawing_of(source: Source, view: NightView) -> Scene:
    """Bars of what changed, marks of what people did, grey where nothing was watched; a row for each valve."""
    lines = view.lines[:MOST_LINES]
    height = TOP + ROW * max(len(lines), 1) + BOTTOM
    axis = Axis("plant time", source.time.name, source.time.plot_ms_one(view.from_ns),
                source.time.plot_ms_one(view.to_ns), clock=True)  # fmt: skip

    def x(at_ns: int) -> float:
        share = (source.time.plot_ms_one(at_ns) - axis.low) / ((axis.high - axis.low) or 1.0)
        return round(LEFT + min(max(share, 0.0), 1.0) * (WIDTH - LEFT - RIGHT), 1)

    pieces: list[Path | Text] = []
    foot = height - BOTTOM
    for value, words in marks_of(axis, 9):
        at = round(LEFT + (value - axis.low) / (axis.high - axis.low) * (WIDTH - LEFT - RIGHT), 1)
        pieces.append(Path(((at, TOP), (at, foot)), palette.RULE, 0.7))
        pieces.append(Text((at, foot + 16.0), words, palette.MUTED, "middle"))
    for place, line in enumerate(lines):
        pieces += _row(line, TOP + ROW * place, x)
    pieces.append(Path(((LEFT, foot), (WIDTH - RIGHT, foot)), palette.RULE, 1.0))
    pieces.append(Text(((LEFT + WIDTH - RIGHT) / 2, height - 6.0), axis.words, palette.MUTED, "middle"))
    return Scene(WIDTH, height, tuple(pieces))


def _row(line: Line, top: float, x: Callable[[int], float]) -> list[Path | Text]:
    middle = top + ROW * 0.66
    unwatched = [one for one in line.entries if one.what is Happened.UNWATCHED]
    pieces: list[Path | Text] = [Path(((0.0, top), (WIDTH, top)), palette.RULE, 0.6)]
    name, press = line.name.name, line.name.press
    pieces.append(Text((0.0, top + 14.0), _cut(name, 30), palette.TEXT, bold=True))
    pieces.append(Text((0.0, top + 28.0), _cut(press or line.name.id, 30), palette.MUTED))
    pieces += [_bar(x(one.at_ns), x(one.until_ns or one.at_ns), top + 2.0, ROW - 4.0, palette.BAND)
               for one in unwatched]  # fmt: skip
    taken: list[tuple[float, float]] = []
    for one in sorted(line.entries, key=lambda one: one.severity):  # the gravest over the others
        start = x(one.at_ns)
        if one.what is Happened.WORKED:
            end = x(one.until_ns or one.at_ns)
            edge = ((start, middle - 6.0), (end, middle - 6.0), (end, middle + 6.0), (start, middle + 6.0),
                    (start, middle - 6.0))  # fmt: skip
            pieces.append(Path(edge, palette.MEASURED, 1.2, (4, 2)))
        elif one.what is Happened.CHANGED:
            color = _COLORS.get(one.severity, palette.DIGEST)
            pieces.append(_bar(start, x(one.until_ns or one.at_ns), middle - 2.0, 4.0, color))
            if not one.there_before:
                pieces.append(Path(((start, middle - 7.0), (start + 6.0, middle + 4.0), (start - 6.0, middle + 4.0)),
                                   fill=color))  # fmt: skip
        elif one.what is not Happened.UNWATCHED:
            pieces.append(_mark(one, start, middle))
    for one in sorted(line.entries, key=lambda one: -one.severity):
        pieces += _label(one, x(one.at_ns), top, taken)
    return pieces


def _label(one: Entry, start: float, top: float, taken: list[tuple[float, float]]) -> list[Text]:
    """The words of an entry above its mark, where there is room: the list under the picture has all of them."""
    text = _cut(one.short if one.what is not Happened.SAID else f"{one.short}, {one.who}", 34)
    width = CHAR_PX * len(text)
    begin = min(start, WIDTH - RIGHT - width)
    if one.what is Happened.GONE or any(begin < b and begin + width > a for a, b in taken):
        return []
    taken.append((begin - 6.0, begin + width + 6.0))
    color = _COLORS.get(one.severity, palette.MUTED) if one.what is Happened.CHANGED else palette.MUTED
    return [Text((begin, top + 12.0), text, color)]


def _mark(one: Entry, at: float, middle: float) -> Path:
    """Told apart by shape: a dot somebody said something, a square a sheet, a diamond a record, open what went."""
    if one.what is Happened.REVISED:
        points = [(at - 4, middle - 4), (at + 4, middle - 4), (at + 4, middle + 4), (at - 4, middle + 4)]
    elif one.what is Happened.RECORDED:
        points = [(at, middle - 6), (at + 6, middle), (at, middle + 6), (at - 6, middle)]
    else:
        turns = np.arange(12) * np.pi / 6
        points = [(at + 4.6 * float(np.cos(t)), middle + 4.6 * float(np.sin(t))) for t in turns]
    corners: tuple[Point, ...] = tuple((round(a, 1), round(b, 1)) for a, b in points)
    if one.what is Happened.GONE:
        return Path((*corners, corners[0]), palette.TEXT, 1.3, fill="#FFFFFF")
    return Path(corners, fill=palette.TEXT)


def _bar(start: float, end: float, top: float, height: float, fill: str) -> Path:
    end = max(end, start + 1.5)
    return Path(((start, top), (end, top), (end, top + height), (start, top + height)), fill=fill)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"
