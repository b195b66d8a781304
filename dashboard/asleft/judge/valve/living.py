"""What a dead reading says is nothing: features without it, and where a reading of current ends.

A channel that stood still over a stretch (`watching.pinned`) is taken out of the features of that stretch, so that
what it measured rests on what it read before and after, or is not observed. Without the command there are no levels:
what falls into its stretches is left out as a whole. One that is read late still tells levels, and no ramps.

A reading that ends below what there is to read stands still as well, but shows right what lies below. One of current
is told from a dead one by the order of the commands: it stands at one highest value wherever the command is high, and
nowhere else. What it reads there is a bound, and a stroke to or from there tells no ramp. For one of pressure, which
the load may hold down, see `pressure.end_of_range_bar`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.features import NAN, Dwell, Stroke
from asleft.judge.valve.pressure import end_of_range_bar
from asleft.judge.watching.asked import FORESTALLED
from asleft.judge.watching.stretches import Stretch

STUCK, PINNED = "stuck:", "pinned:"
#: Among dead channels: the command is read, but later than a stroke's fit can allow for (s).
LATE, _MOST_LEAD_S = "late command", 0.2
#: Share of a reading under which two are one, and dwells from which an end is no chance.
_SAME_DIGIT, _LEAST_DWELLS = 1e-6, 3
#: Of the usual scatter of dwells, which is none.
_NEXT_TO_NOTHING = 0.02
#: The same for an end that a sheet states: within a thousandth of its instrument's range, as it is watched.
_AS_STATED = 2e-3
#: Commands (shares of full) nearer than this are not told apart.
_SAME_LEVEL = 0.02


@dataclass(frozen=True, slots=True)
class Living:
    """Features without what dead readings said, the channels that were dead, and where the current reading ends."""

    dwells: list[Dwell]
    strokes: list[Stroke]
    dead: frozenset[str] = frozenset()
    end_a: float = math.inf


def living(dwells: Sequence[Dwell], strokes: Sequence[Stroke], stretches: Iterable[Stretch]) -> Living:
    """Dwells and strokes as far as living readings made them; `stretches`: what was watched, all kinds."""
    watched = list(stretches)
    stuck = [s for s in watched if s.kind.startswith(STUCK)]
    late = [s for s in watched if s.kind == FORESTALLED and s.detail.get("lead_s", 0.0) > _MOST_LEAD_S]
    end_a, above = end_of_range_a(dwells)
    ends = {"current": end_a, "pressure": end_of_range_bar(dwells)}
    kept, moves = list(dwells), [s for s in strokes if s.high_demand < above]
    if not math.isfinite(end_a):  # what lies at the end that the sheet states is a bound as well
        stated = (s.detail.get("value", math.inf) for s in watched if s.kind == f"{PINNED}current")
        end_a = min(stated, default=math.inf)
    if math.isfinite(end_a):  # near it too, where some readings of a dwell stood at the end
        kept = [_without_current(d) if d.current_a >= end_a * (1.0 - _AS_STATED) else d for d in kept]
    dead = [s for s in stuck if not is_end(s, ends.get(s.kind.removeprefix(STUCK), math.inf))]
    for stretch in dead:
        channel = stretch.kind.removeprefix(STUCK)
        kept = _without(channel, stretch, kept)
        if channel in {"command", "current"}:
            moves = [s for s in moves if not _meet(s, stretch)]
    channels = frozenset(s.kind.removeprefix(STUCK) for s in dead)
    if late:  # whole cycles of a command that comes too late fit the current nowhere
        return Living(kept, [], channels | {LATE}, end_a)
    return Living(kept, moves, channels, end_a)


def _without(channel: str, stretch: Stretch, dwells: list[Dwell]) -> list[Dwell]:
    """Dwells without what a dead channel said over a stretch; none of its stretch where that is the command."""
    if channel == "command":
        return [d for d in dwells if not _meet(d, stretch)]
    if channel not in _WITHOUT:
        return dwells
    return [_WITHOUT[channel](d) if _meet(d, stretch) else d for d in dwells]


def is_end(stretch: Stretch, end: float) -> bool:
    """Whether a reading that stands still stands where it ends; one that is pinned, where the sheet says so."""
    same = _AS_STATED if stretch.kind.startswith(PINNED) else _SAME_DIGIT
    return math.isfinite(end) and abs(stretch.detail.get("value", math.nan) - end) <= same * abs(end)


def end_of_range_a(dwells: Sequence[Dwell]) -> tuple[float, float]:
    """Where a reading of current ends (A), and the command from which on it does; both infinite without an end.

    There dwells read the same to the last digit, or nearly, every lower one scatters, and no lower one has as high a
    command.
    """
    rows = np.array([(d.current_a, d.current_sd_a, d.demand) for d in dwells]).reshape(-1, 3)
    rows = rows[np.isfinite(rows).all(axis=1)]
    nowhere = math.inf, math.inf
    if rows.shape[0] < 2 * _LEAST_DWELLS:
        return nowhere
    highest = float(rows[:, 0].max())
    same = _SAME_DIGIT * abs(highest)
    # One reading of hundreds may have fallen below the end: there a dwell scatters next to nothing.
    nearly = max(same, _NEXT_TO_NOTHING * float(np.median(rows[:, 1])))
    there = (rows[:, 0] >= highest - nearly) & (rows[:, 1] <= nearly)
    there |= rows[:, 0] >= highest - same
    quiet = np.where(there, rows[:, 1] <= nearly, rows[:, 1] <= same)
    if min(np.count_nonzero(there), np.count_nonzero(~there)) < _LEAST_DWELLS:
        return nowhere
    if not quiet[there].all() or quiet[~there].any():
        return nowhere
    lowest = float(rows[there, 2].min())
    if float(rows[~there, 2].max()) > lowest + _SAME_LEVEL:
        return nowhere
    return highest, lowest - _SAME_LEVEL


def _meet(feature: Dwell | Stroke, stretch: Stretch) -> bool:
    return feature.from_s <= stretch.to_s and feature.to_s >= stretch.from_s


def _without_current(dwell: Dwell) -> Dwell:
    return dwell._replace(current_a=NAN, current_se_a=NAN, current_sd_a=NAN)


def _without_pressure(dwell: Dwell) -> Dwell:
    return dwell._replace(
        pressure_bar=NAN, pressure_se_bar=NAN, pressure_moves_bar=NAN, pressure_moved_bar=NAN, pressure_sd_bar=NAN
    )


def _without_supply(dwell: Dwell) -> Dwell:
    return dwell._replace(supply_v=NAN)


#: Channel -> a dwell without what it said; of other channels dwells know nothing.
_WITHOUT: Mapping[str, Callable[[Dwell], Dwell]] = {
    "current": _without_current,
    "supply": _without_supply,
    "pressure": _without_pressure,
}
