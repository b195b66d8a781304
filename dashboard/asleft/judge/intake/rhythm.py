"""Set-up told from production by the command alone: levels at which it rests, and whether they come again.

The judge learns the levels at which production's command rests and which follows which. Each new level is weighed
under two hypotheses, and the odds are carried on as in any two-state hidden Markov filter (Rabiner 1989, Proc. IEEE
77, 257, forward recursion):

- production: the level that followed in the learnt cycle, or that followed the same two levels a moment ago (a new
  programme becomes production in its second cycle), or any learnt level, or, seldom, a new one. The chance of a new
  level falls with what has been learnt (a Chinese-restaurant prior, Aldous 1985).
- by hand: a jog from zero to some level, mostly below half (a press is set up with reduced force or speed; ISO
  16092-1, from memory), and back to zero.

Misses: a set-up that always jogs at one level looks like a cycle; one that follows within a level or two of its
beginning or end is late by that much (some seconds). Cries wolf: a production of single strokes to ever other levels
below half is taken for a set-up, for two hours at most; then it is learnt as production. Before production has been
learnt some jogs more are needed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from asleft.judge.types import FloatArray

#: Log odds of a set-up before anything is known.
AT_FIRST = -3.0
#: A set-up that has lasted longer is a production of ever other levels (s).
LONGEST_S = 7200.0
MOST_RESTS = 20
REST_HOLD_S = (6.0, 120.0)


@dataclass(frozen=True, slots=True)
class RhythmCarry:
    """What has been learnt, as plain numbers: levels (id, demand, weight), successions (id, id, weight) and more."""

    known: tuple[tuple[float, ...], ...] = ((0.0, 0.0, 0.0),)
    follows: tuple[tuple[float, ...], ...] = ()
    recent: tuple[int, ...] = ()
    rests_s: tuple[float, ...] = ()  # how long the latest rests at zero in production lasted
    odds: float = AT_FIRST
    last_s: float | None = None  # since when the present level is known
    grown: float = 1.0  # weight of the next level (later ones weigh more, which lets earlier ones fade)
    next_id: int = 1
    by_hand_since_s: float | None = None  # since when a set-up has been likelier than production

    @property
    def set_up(self) -> bool:
        """Whether a set-up is likelier than production, and has not been for so long that it must be production."""
        return is_set_up(self.odds, self.by_hand_since_s, self.last_s)

    @property
    def rest_hold_s(self) -> float:
        """How long the command must have been at zero to be more than a usual rest: twice the usual, 6 to 120 s."""
        return rest_hold_s_of(self.rests_s)

    def cycle_pct(self) -> list[int]:
        """Levels of production (percent of command, ascending), those that make up at least 3 % of all."""
        total = sum(weight for _, _, weight in self.known)
        if total < 10.0 * self.grown:
            return []
        return sorted({round(100.0 * max(u, 0.0)) for _, u, weight in self.known if weight >= 0.03 * total})


def rest_hold_s_of(rests_s: Sequence[float]) -> float:
    """How long a rest must be to be more than a usual one (s), from the latest usual ones."""
    if len(rests_s) < 5:
        return REST_HOLD_S[1]
    usual = sorted(rests_s)[-2]  # one odd rest in twenty is none
    return min(max(2.0 * usual, REST_HOLD_S[0]), REST_HOLD_S[1])


def is_set_up(odds: float, since_s: float | None, now_s: float | None) -> bool:
    """Whether log odds above zero since `since_s` are still to be taken for a set-up at `now_s` (unix s)."""
    lasting = 0.0 if since_s is None or now_s is None else now_s - since_s
    return odds > 0.0 and lasting < LONGEST_S


ZERO = 0
_ZERO_DEMAND = 0.02
_SAME = 0.0075  # two levels closer than this are one
_WIDTH = 2.0 * _SAME
_KEEP = 0.995  # weight that what was learnt keeps at each further level
_MOST_LEVELS = 48
_RECENT = 24
_BEGINS, _ENDS = 1e-3, 5e-3  # chance per level that a set-up begins, ends
_AFTER_REST = -2.0  # log odds of set-up
_SURELY_PRODUCTION = -4.0
_LONG_REST_S = 60.0
_NEW = 5.0  # weight of what was never seen, against what was
_BASE_ZERO = 0.4  # share of zero among levels never seen


class Rhythm:
    """The filter at work: `take` levels in order of time, then `carry`."""

    def __init__(self, carry: RhythmCarry) -> None:
        self._level = {int(k): u for k, u, _ in carry.known}
        self._weight = {int(k): w for k, _, w in carry.known}
        self._follows: dict[int, dict[int, float]] = {}
        for i, j, w in carry.follows:
            self._follows.setdefault(int(i), {})[int(j)] = w
        self._recent = list(carry.recent)
        self._rests_s = list(carry.rests_s)
        self.odds = carry.odds
        self._last_s = carry.last_s
        self._grown, self._next_id = carry.grown, carry.next_id
        self._by_hand_since_s = carry.by_hand_since_s

    def carry(self) -> RhythmCarry:
        """All of it as plain numbers."""
        return RhythmCarry(
            known=tuple((float(k), u, self._weight[k]) for k, u in self._level.items()),
            follows=tuple((float(i), float(j), w) for i, row in self._follows.items() for j, w in row.items()),
            recent=tuple(self._recent),
            rests_s=tuple(self._rests_s),
            odds=self.odds,
            last_s=self._last_s,
            grown=self._grown,
            next_id=self._next_id,
            by_hand_since_s=self._by_hand_since_s,
        )

    @property
    def set_up(self) -> bool:
        """As `RhythmCarry.set_up`."""
        return is_set_up(self.odds, self._by_hand_since_s, self._last_s)

    @property
    def rest_hold_s(self) -> float:
        """As `RhythmCarry.rest_hold_s`."""
        return rest_hold_s_of(self._rests_s)

    def take(self, at_s: float, demand: float) -> None:
        """A level has begun, known at `at_s` (unix s). The same level told again is no news."""
        level = self._find(demand)
        before = self._recent[-1] if self._recent else None
        if level is not None and level == before:
            return
        rest_s = math.inf if self._last_s is None else at_s - self._last_s
        if before == ZERO and rest_s > _LONG_REST_S:
            self.odds, self._by_hand_since_s = _AFTER_REST, None
        self._last_s = at_s
        known = level is not None
        if level is None:
            level = self._next_id
            self._next_id += 1
            self._level[level], self._weight[level] = demand, 0.0
        likelihood = math.log(self._by_hand(level, before) / self._in_production(level, before, known=known))
        chance = 1.0 / (1.0 + math.exp(-self.odds))
        chance = chance * (1.0 - _ENDS) + (1.0 - chance) * _BEGINS
        self.odds = math.log(chance / (1.0 - chance)) + likelihood
        if self.odds <= _SURELY_PRODUCTION:
            self._by_hand_since_s = None
        elif self.odds > 0.0 and self._by_hand_since_s is None:
            self._by_hand_since_s = at_s
        produces = 1.0 / (1.0 + math.exp(min(self.odds, 50.0))) if self.set_up or self.odds <= 0.0 else 1.0
        if before == ZERO and rest_s < REST_HOLD_S[1] and produces > 0.5:
            self._rests_s = [*self._rests_s[-MOST_RESTS + 1 :], rest_s]
        self._learn(level, demand, before, produces)

    def _find(self, demand: float) -> int | None:
        if demand < _ZERO_DEMAND:
            return ZERO
        best, nearest = None, _SAME
        for level, known in self._level.items():
            if level != ZERO and abs(known - demand) <= nearest:
                best, nearest = level, abs(known - demand)
        return best

    def _by_hand(self, level: int, before: int | None) -> float:
        if before is None or before == ZERO:
            if level == ZERO:
                return 0.5
            return 0.9 * _WIDTH / 0.5 if self._level[level] < 0.5 else 0.1 * _WIDTH / 0.5
        return 0.93 if level == ZERO else 0.07 * _WIDTH

    def _in_production(self, level: int, before: int | None, *, known: bool) -> float:
        base = _BASE_ZERO if level == ZERO else (1.0 - _BASE_ZERO) * _WIDTH
        new = _NEW * self._grown
        weight = self._weight[level] if known else 0.0
        # math.fsum is exact whatever the order, so that storing and loading changes nothing
        any_level = (weight + new * base) / (math.fsum(self._weight.values()) + new)
        row = self._follows.get(before, {}) if before is not None else {}
        learnt = (row.get(level, 0.0) + self._grown * any_level) / (math.fsum(row.values()) + self._grown)
        expected = self._lately()
        again = any_level if expected is None else float(level == expected)
        return 0.58 * learnt + 0.3 * again + 0.1 * any_level + 0.02 * base

    def _lately(self) -> int | None:
        """What followed when the last two levels (or else the last one) were seen a moment ago."""
        recent = self._recent
        for length in (2, 1):
            if len(recent) <= length:
                continue
            context = recent[-length:]
            for k in range(len(recent) - length - 1, -1, -1):
                if recent[k : k + length] == context:
                    return recent[k + length]
        return None

    def _learn(self, level: int, demand: float, before: int | None, share: float) -> None:
        self._recent = [*self._recent[-_RECENT + 1 :], level]
        weight = share * self._grown
        self._weight[level] += weight
        if level != ZERO:
            self._level[level] += 0.05 * share * (demand - self._level[level])
        if before is not None:
            row = self._follows.setdefault(before, {})
            row[level] = row.get(level, 0.0) + weight
        self._grown /= _KEEP
        if self._grown > 1e6:
            self._shrink()
        if len(self._level) > _MOST_LEVELS:
            self._forget()

    def _shrink(self) -> None:
        scale = 1.0 / self._grown
        self._weight = {k: w * scale for k, w in self._weight.items()}
        self._follows = {i: {j: w * scale for j, w in row.items()} for i, row in self._follows.items()}
        self._grown = 1.0

    def _forget(self) -> None:
        """Drop the levels that weigh least, except zero and what has just been seen."""
        keep = {ZERO, *self._recent[-2:]}
        order = sorted((k for k in self._level if k not in keep), key=lambda k: self._weight[k])
        for k in order[: _MOST_LEVELS // 3]:
            del self._level[k], self._weight[k]
            self._follows.pop(k, None)
            for row in self._follows.values():
                row.pop(k, None)
        self._recent = [k for k in self._recent if k in self._level]


# Levels at which the command rests, each told as soon as three tenths of a second agree.
#
# Samples are averaged over tenths of a second of absolute time; a level begins where three averages in a row differ
# by less than 0.6 % of the range. A tenth counts once a sample of a later one has come, so that what is found does
# not depend on how the samples are cut. Cheap: a tenth of the samples are looked at, and only beginnings leave this
# module.
#
# Misses: rests shorter than 0.3 s; levels of a command that is never constant (a loop closed outside, noise over 0.5
# % of the range after averaging); the end of a ramp slower than 33 s over the range, which looks like one long
# level.

_TENTH_S = 0.1
_EQUAL = 0.006
#: Three averages in a row may lie this many tenths apart: slow sampling leaves some empty.
_APART = 5


@dataclass(frozen=True, slots=True)
class LevelsCarry:
    """The open tenth's samples and the two averages before it (number of the tenth, mean demand)."""

    open_s: tuple[float, ...] = ()
    open_demand: tuple[float, ...] = ()
    before: tuple[tuple[float, float], ...] = ()
    flat: bool = False  # whether the last average belongs to a level


def levels(
    time_s: FloatArray, demand: FloatArray, carry: LevelsCarry
) -> tuple[Sequence[tuple[float, float]], LevelsCarry]:
    """Levels that have begun: (time from which each is known, mean demand), and the carry for the next call.

    `time_s`, `demand` of shape (n,), NaN where the command was not read. A level that is interrupted is told again.
    """
    good = np.isfinite(demand)
    if not good.all():
        time_s, demand = time_s[good], demand[good]
    if time_s.size == 0:
        return (), carry
    time_s = np.concatenate((carry.open_s, time_s))
    demand = np.concatenate((carry.open_demand, demand))
    number = np.floor(time_s / _TENTH_S)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(number)) + 1))
    last = int(starts[-1])
    still_open = (tuple(time_s[last:].tolist()), tuple(demand[last:].tolist()))
    if last == 0:
        return (), LevelsCarry(*still_open, carry.before, carry.flat)
    sums = np.add.reduceat(demand[:last], starts[:-1])
    means = np.concatenate(([u for _, u in carry.before], sums / np.diff(starts)))
    numbers = np.concatenate(([k for k, _ in carry.before], number[starts[:-1]]))
    known = len(carry.before)
    flat = np.zeros(means.size, dtype=bool)
    close = np.abs(np.diff(means)) < _EQUAL
    flat[2:] = close[1:] & close[:-1] & (np.abs(means[2:] - means[:-2]) < _EQUAL)
    flat[2:] &= numbers[2:] - numbers[:-2] <= _APART
    fresh = flat[known:]
    begins = np.flatnonzero(fresh & ~np.concatenate(([carry.flat], fresh[:-1])))
    found = [((float(numbers[known + k]) + 1.0) * _TENTH_S, float(means[known + k])) for k in begins.tolist()]
    before = tuple(zip(numbers[-2:].tolist(), means[-2:].tolist(), strict=True))
    return found, LevelsCarry(*still_open, before, bool(flat[-1]))
