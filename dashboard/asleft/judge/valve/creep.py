"""How far a pressure that creeps still had to go when a dwell was read: by what it was in the last half minute.

Seals, hoses and oil that warms let a small share c of every change of pressure come late, within tens of seconds:

    p(t) = rest - c (rest - slow(t)),   slow' = (p - slow) / T,

a standard solid's retardation (textbook viscoelasticity), over and above the settling of a volume (`settling`). A
dwell is shorter than that, so the same level reads differently after a low and after a high stretch, and that passes
for hysteresis. `slow` follows from the pressures of the dwells before, for every T of a table; c then from the small
changes within dwells, which go with rest - slow. What else moves a pressure within a dwell is fitted beside it and is
no creep: what a volume leaves of a step, up or down, and a drift all through the log, by a share or by an amount.

Every c and T is weighted by its likelihood and by what is known before: one valve in five creeps, by anything up to
2 %. Where the dwells do not make creep the likelier story nothing is said of it, neither a correction nor an
uncertainty: few dwells do not know it, and a valve need not pay for that.

Misses: creep slower than a minute or two, which is part of the level; creep beside a volume as slow as the dwells.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from asleft.judge.features import Dwell
from asleft.judge.medians import median_of
from asleft.judge.segments.dwells import late_s
from asleft.judge.types import FloatArray

#: Time constants (s) of creep and of a volume, and shares of the pressure that may creep.
_CREEPS_S = np.geomspace(6.0, 48.0, 9)
_SETTLES_S = np.geomspace(0.1, 1.6, 7)
_MOST_SHARE = 0.02
_SHARES = np.linspace(0.0, _MOST_SHARE, 101)
#: How far a pressure drifts in a log (share of itself, and of the highest).
_DRIFT = 0.05
#: Share of valves that creep.
_CREEPING = 0.2
#: Dwells from which a share is told; a pause after which nothing is known of the pressure before (s).
_LEAST_DWELLS, _PAUSE_S = 12, 30.0
#: Dwells of one stay follow each other within this (s), at one level (share of the command); the command surely moved
#: within a stay from so many of its standard errors on.
_SAME_STAY_S, _SAME_LEVEL, _SURELY = 1.0, 0.005, 4.0
#: Levels of both branches within this share of the command are one.
_SAME_PLACE = 0.02
#: Share of what creep leaves that another law would (standard uncertainty).
_LAW_U = 0.1
#: Changes farther off than so many of their scatter are a load's, and count less (Huber).
_ODD = 2.5
_ROUNDS = 3
#: No gauge tells a smaller change (bar), be its reading without any noise.
_LEAST_BAR = 1e-4
#: Of the trace of a matrix, what rounding leaves of its smallest eigenvalue.
_ROUNDING = 1e-13


@dataclass(frozen=True, slots=True)
class Left:
    """What creep leaves in a dwell (bar): of its pressure, with a signed standard uncertainty, and of its changes.

    One share makes all of them, so that their uncertainties go together.
    """

    bar: float
    u_bar: float
    moves_bar: float
    moved_bar: float


@dataclass(frozen=True, slots=True)
class Creep:
    """What creep leaves in each dwell, by its beginning (unix s); empty where nothing can be told."""

    left: Mapping[float, Left] = field(default_factory=dict)

    def at_rest(self, dwell: Dwell) -> Dwell:
        """The dwell with the pressure it was creeping to."""
        left = self.left.get(dwell.from_s)
        if left is None or not math.isfinite(dwell.pressure_bar):
            return dwell
        return dwell._replace(
            pressure_bar=dwell.pressure_bar + left.bar,
            pressure_moves_bar=dwell.pressure_moves_bar - left.moves_bar,
            pressure_moved_bar=dwell.pressure_moved_bar - left.moved_bar,
        )

    def u_bar(self, dwells: Sequence[Dwell]) -> float:
        """Standard uncertainty (bar, signed) in the mean of these dwells."""
        known = [left.u_bar for d in dwells if (left := self.left.get(d.from_s)) is not None]
        return sum(known) / len(dwells) if known else 0.0

    def loop_u_bar(self, dwells: Sequence[Dwell]) -> float:
        """The same in the distance of the two branches, at the levels that both have; 0 without any."""
        places: dict[int, tuple[list[Dwell], list[Dwell]]] = {}
        for dwell in dwells:
            rising, falling = places.setdefault(round(dwell.demand / _SAME_PLACE), ([], []))
            (rising if dwell.arrival > 0.0 else falling).append(dwell)
        apart = [
            self.u_bar(falling) - self.u_bar(rising) for rising, falling in places.values() if rising and falling
        ]
        return sum(apart) / len(apart) if apart else 0.0


def creep_of(dwells: Sequence[Dwell]) -> Creep:
    """What creep leaves in dwells, given in order of time."""
    rows = [d for d in dwells if math.isfinite(d.pressure_bar)]
    if len(rows) < _LEAST_DWELLS:
        return Creep()
    seen = _changes(rows)
    if np.count_nonzero(np.isfinite(seen.se[0])) < _LEAST_DWELLS:
        return Creep()
    share, square = _posterior(seen)
    if not share.any():
        return Creep()
    bar = share @ seen.behind
    u_bar = np.sqrt(np.maximum(square @ seen.behind**2 - (1.0 - _LAW_U**2) * bar**2, 0.0)) * np.sign(bar)
    moves, moved = (share @ seen.creep[:, kind] for kind in (0, 1))
    columns = (bar.tolist(), u_bar.tolist(), moves.tolist(), moved.tolist())
    return Creep({d.from_s: Left(*left) for d, *left in zip(rows, *columns, strict=True)})


@dataclass(eq=False, frozen=True, slots=True)
class _Changes:
    """Changes in dwells (n), of three kinds: over the last part, the part before it, and since the piece before; bar.

    `behind`: how far slow is behind where the pressure is read, for each time constant of creep (t, n). `creep`: what
    a share of 1 makes of the changes, (t, 3, n); `beside`: what each other cause at its largest makes of them,
    for each volume, (v, b, 3, n). `seen`: the changes (3, n), `se`: their standard errors, infinite where there is
    none.
    """

    behind: FloatArray
    creep: FloatArray
    beside: FloatArray
    seen: FloatArray
    se: FloatArray


def _changes(dwells: Sequence[Dwell]) -> _Changes:
    part_s = np.array([late_s(d) for d in dwells])
    table = np.array(
        [(d.from_s, d.to_s, d.pressure_bar, d.pressure_se_bar, d.pressure_moves_bar, d.pressure_moved_bar, d.demand,
          d.demand_se) for d in dwells]
    ).T  # fmt: skip
    begin_s, end_s, bar, own, moves, moved, demand, demand_se = table
    pause_s = np.concatenate(([math.inf], begin_s[1:] - end_s[:-1]))
    level = np.concatenate(([math.inf], np.abs(np.diff(demand))))
    goes_on = (pause_s < _SAME_STAY_S) & (level < _SAME_LEVEL)
    known = pause_s < _PAUSE_S
    came, step = begin_s.copy(), np.concatenate(([0.0], np.diff(bar)))
    for k in np.flatnonzero(goes_on).tolist():
        came[k], step[k], known[k] = came[k - 1], step[k - 1], known[k - 1]
    behind = _behind(begin_s, end_s, bar)  # at the beginning, (t, n)
    # Each change is from a first to a last time: since the dwell began, and since the stay did.
    last = end_s - 0.5 * part_s
    since = np.where(goes_on, np.concatenate((last[:1], last[:-1])), last)
    spans = [(last + at * part_s, last + (at + 0.5) * part_s) for at in (-0.25, -1.25)] + [(since, last)]
    creep = [behind * (_left(first - begin_s, _CREEPS_S) - _left(then - begin_s, _CREEPS_S)) for first, then in spans]
    beside = _beside(bar, step, [(first - came, then - came) for first, then in spans], end_s[-1] - begin_s[0])
    own_before = np.concatenate(([0.0], own[:-1]))
    same = goes_on & (level < _SURELY * np.hypot(demand_se, np.concatenate(([0.0], demand_se[:-1]))))
    seen = np.array((moves, moved, np.concatenate(([0.0], np.diff(bar)))))
    se = np.array((2.0 * own, 2.0 * own, np.where(same, np.hypot(own, own_before), math.inf)))
    se[~(np.isfinite(seen) & np.isfinite(se) & known)] = math.inf
    return _Changes(
        behind=behind * _left(last - begin_s, _CREEPS_S),
        creep=np.stack(creep, axis=1),
        beside=beside,
        seen=np.nan_to_num(seen),
        se=np.maximum(se, _LEAST_BAR),
    )


def _beside(
    bar: FloatArray, step: FloatArray, spans: Sequence[tuple[FloatArray, FloatArray]], log_s: float
) -> FloatArray:
    """What each other cause at its usual largest makes of the changes over `spans` since the arrival, (v, b, 3, n).

    For each pair of neighbouring time constants of a volume, whose sums stand for any between; `step`: by how much
    the pressure came to each stay, `log_s`: how long all dwells took.
    """
    settling = np.stack(
        [step * (_left(first, _SETTLES_S) - _left(then, _SETTLES_S)) for first, then in spans], axis=1
    )
    took = np.stack([then - first for first, then in spans]) * (_DRIFT / max(log_s, 1.0))
    drift = [took * bar, took * bar.max()]
    up, down = settling * (step > 0.0), settling * (step < 0.0)
    return np.array([[*up[k : k + 2], *down[k : k + 2], *drift] for k in range(_SETTLES_S.size - 1)])


def _left(time_s: FloatArray, constants_s: FloatArray) -> FloatArray:
    """What is left of a step after times (n,), for each time constant, (t, n); before it, all of it."""
    return np.asarray(np.exp(-np.maximum(time_s, 0.0) / constants_s[:, None]))


def _behind(begin_s: FloatArray, end_s: FloatArray, bar: FloatArray) -> FloatArray:
    """How far slow is behind the pressure where each dwell begins, (t, n): between dwells it goes in a line.

    What was before the first one, and before a long pause, is taken for the mean of all.
    """
    usual = float(np.average(bar, weights=np.maximum(end_s - begin_s, 1e-3)))
    out = np.empty((_CREEPS_S.size, bar.size))
    for row, time_s in enumerate(_CREEPS_S.tolist()):
        slow, last_s, last_bar = usual, -math.inf, usual
        behind = []
        for t0, t1, p in zip(begin_s.tolist(), end_s.tolist(), bar.tolist(), strict=True):
            if t0 - last_s > _PAUSE_S:
                slow = usual
            elif t0 > last_s:
                rate = (p - last_bar) / (t0 - last_s)
                steady = last_bar - rate * time_s  # of a line, less what the lag leaves
                slow = steady + rate * (t0 - last_s) + (slow - steady) * math.exp(-(t0 - last_s) / time_s)
            behind.append(p - slow)
            slow = p - (p - slow) * math.exp(-(t1 - t0) / time_s)
            last_s, last_bar = t1, p
        out[row] = behind
    return out


def _posterior(seen: _Changes) -> tuple[FloatArray, FloatArray]:
    """Mean share and mean squared share that creep with each time constant, (t,), the chances of these included.

    All zero where no creep is the likelier.
    """
    told = np.isfinite(seen.se)
    plain = np.where(told, 1.0 / seen.se**2, 0.0)
    weight = plain
    for _ in range(_ROUNDS):  # noise may be more than that of readings, and a load moves some as it likes
        off = np.abs(_fit(seen, weight).left) * np.sqrt(plain)
        medians = [median_of(row[of]) if of.any() else 0.0 for row, of in zip(off, told, strict=True)]
        scatter = np.maximum(1.4826 * np.array(medians), 1.0)[:, None]
        weight = plain / scatter**2 / np.maximum(off / (_ODD * scatter), 1.0)
    fit = _fit(seen, weight)
    likely = np.exp(fit.of_shares - fit.of_shares.max())
    creeping = likely.mean(axis=0) * _CREEPING / (_CREEPS_S.size * _SHARES.size)
    none = (1.0 - _CREEPING) * float(likely[:, 0, 0].mean())
    total = float(creeping.sum()) + none
    if none > 0.5 * total:
        return np.zeros(_CREEPS_S.size), np.zeros(_CREEPS_S.size)
    return creeping @ _SHARES / total, creeping @ _SHARES**2 / total


@dataclass(eq=False, frozen=True, slots=True)
class _Fit:
    """Logarithm of the likelihood by volume, time constant and share, (v, t, shares), and what the best leaves."""

    of_shares: FloatArray
    left: FloatArray  # (3, n)


def _fit(seen: _Changes, weight: FloatArray) -> _Fit:
    """Shares of creep to the changes; the other causes, each of the size it may have, are projected out."""
    root = np.sqrt(weight).ravel()
    rest = np.vstack((seen.creep.reshape(-1, root.size), seen.seen.ravel())) * root
    every = rest @ rest.T
    of_shares, amounts = [], []
    for causes in seen.beside:
        beside = causes.reshape(-1, root.size) * root
        normal, both = beside @ beside.T, beside @ rest.T
        # Readings without any noise weigh so much that the prior of one is lost beside them, and with it the rank.
        normal += (1.0 + _ROUNDING * float(np.trace(normal))) * np.eye(len(beside))
        amounts.append(np.linalg.solve(normal, both))  # (b, t + 1)
        products = every - both.T @ amounts[-1]
        precision, along, alone = np.diag(products)[:-1], products[:-1, -1], float(products[-1, -1])
        prior = -0.5 * (alone + float(np.linalg.slogdet(normal)[1]))
        of_shares.append(prior + along[:, None] * _SHARES - 0.5 * precision[:, None] * _SHARES**2)
    table = np.array(of_shares)
    v, t, c = np.unravel_index(int(np.argmax(table)), table.shape)
    share, of_best = float(_SHARES[c]), amounts[int(v)]
    told = share * seen.creep[t] + np.einsum("b,bkn->kn", of_best[:, -1] - share * of_best[:, t], seen.beside[v])
    return _Fit(table, seen.seen - told)
