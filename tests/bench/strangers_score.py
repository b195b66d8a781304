"""What is right and what is wrong in one judged log, as counts: every measure of the strangers' benchmark.

A measure gives (hits, of) of a row; shares are sums over rows. Where one log brings several counts, which are not
independent, the interval is widened by their design effect (Kish 1965).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from asleft.catalogue.finding_kinds import READING_KINDS
from scipy.stats import norm
from strangers_rows import Drawn, Line, Row, Said

#: From this many tolerances on a fault must be found, and "as left" must not be said.
LEAST_SIZE = 1.5
LARGEST_SIZE = 6.0
#: A gap this long between two readings is one that a log may rightly be told to have.
_GAP_S = 1.0
#: The oddity of a reading that ends below what there is to read, as conditions and descriptions name it.
_SATURATED = "saturated reading"

#: What a finding of a kind says has moved; a fault may be found by it, though it is not the one that names it.
TELLS_OF: Mapping[str, tuple[str, ...]] = {
    "ramp-up-changed": ("ramp_up",),
    "ramp-down-changed": ("ramp_down",),
    "current-zero-changed": ("current_at_zero",),
    "current-full-changed": ("current_at_full",),
    "current-clipped": ("current_at_full",),
    "pressure-changed": ("pressure_at_zero", "pressure_at_full"),
    "pressure-clipped": ("pressure_at_full",),
    "pressure-unwanted": ("pressure_at_zero", "pressure_at_full"),
    "hysteresis-changed": ("hysteresis",),
    "dither-changed": ("dither_frequency", "dither_amplitude"),
    "supply-low": ("supply_voltage",),
    "coil-changed": ("coil_resistance",),
}

Count = tuple[int, int]


def true_of_the_data(one: Said, row: Row) -> bool:
    """Whether a finding is a true statement about the log itself, so that a healthy machine may have it.

    `data-missing` where cells are empty, times come twice or rows are missing for over a second: holes were drawn.
    `reading-pinned` where an instrument was drawn that ends below what it reads. Every other finding on a healthy
    machine is false, `model-misfit` of an odd driver included: it was as odd when it was left.
    """
    if one.kind == "data-missing":
        return row.empty_cells > 0 or row.longest_gap_s > _GAP_S
    return one.kind == "reading-pinned" and _SATURATED in f"{row.job.condition} {row.description}"


def explained(row: Row) -> set[str]:
    """Kinds of finding that name a drawn fault or tell of a quantity that it moves."""
    moved = {quantity for fault in row.drawn for quantity in fault.quantities}
    kinds = {kind for kind, quantities in TELLS_OF.items() if moved & set(quantities)}
    return kinds | {kind for fault in row.drawn for kind in fault.kinds}


def false_findings(row: Row) -> list[Said]:
    """Findings that no drawn fault explains and that do not hang under one it does."""
    kinds = explained(row)
    return [
        one
        for one in row.said
        if one.kind not in kinds and one.consequence_of not in kinds and not true_of_the_data(one, row)
    ]


def _false(row: Row) -> Count:
    return (int(bool(false_findings(row))), 1) if row.job.healthy else (0, 0)


def _false_now(row: Row) -> Count:
    return (int(any(one.severity >= 3 for one in false_findings(row))), 1) if row.job.healthy else (0, 0)


def _stray(row: Row) -> Count:
    return (int(bool(false_findings(row))), 1) if row.drawn else (0, 0)


def answer_of(line: Line) -> str:
    """What the verdict must be: in or out; empty where the machine has no such number or it crossed its limit."""
    if not line.defined:
        return ""
    low, high = line.off_at(line.low), line.off_at(line.high)
    if low <= 1.0 and high <= 1.0:
        return "in"
    same_side = (line.low - line.left) * (line.high - line.left) > 0.0
    return "out" if low > 1.0 and high > 1.0 and same_side else ""


def wrong_verdicts(row: Row) -> list[Line]:
    """Lines that say in where the truth is out, or out where it is in."""
    return [line for line in row.lines if line.verdict in {"in", "out"} and answer_of(line) not in {"", line.verdict}]


def _wrong(row: Row) -> Count:
    return len(wrong_verdicts(row)), sum(
        line.verdict in {"in", "out"} and answer_of(line) != "" for line in row.lines
    )


def _numbers_of_nothing(row: Row) -> Count:
    odd = [line for line in row.lines if not line.defined]
    return sum(line.found is not None for line in odd), len(odd)


def covered(line: Line) -> bool | None:
    """Whether the truth lies inside U; None where it is not one number or was not observed."""
    if not (line.defined and line.constant) or line.found is None or line.uncertainty is None:
        return None
    return abs(line.found - line.now) <= line.uncertainty


def _inside(row: Row) -> Count:
    told = [inside for line in row.lines if (inside := covered(line)) is not None]
    return sum(told), len(told)


def _undecided(row: Row) -> Count:
    """Where theory allows a verdict with room to spare: half a tolerance and more from its limit."""
    plain = [line for line in _owed(row) if abs(line.off - 1.0) >= 0.5 and line.found is not None]
    return sum(line.verdict == "undecided" for line in plain), len(plain)


def silent_lines(row: Row) -> list[Line]:
    """Lines that theory lets be seen to a quarter of the tolerance and that are not observed."""
    return [line for line in _owed(row) if line.found is None]


def _owed(row: Row) -> list[Line]:
    return [line for line in row.lines if line.defined and line.constant and line.theory_allows]


def _observed(row: Row) -> Count:
    owed = len(_owed(row))
    return owed - len(silent_lines(row)), owed


def due(row: Row) -> list[Drawn]:
    """Faults that must be found: visible, and large enough."""
    return [fault for fault in row.visible if fault.at_least(LEAST_SIZE)]


def is_found(fault: Drawn, row: Row) -> bool:
    """Whether any finding names the fault."""
    return any(one.kind in fault.kinds for one in row.said)


def _found(row: Row) -> Count:
    return sum(is_found(fault, row) for fault in due(row)), len(due(row))


def leads(row: Row) -> bool:
    """Whether the headline is about a drawn fault."""
    kinds = {kind for fault in row.drawn for kind in fault.kinds}
    return bool(row.causes) and row.causes[0].kind in kinds


def _first(row: Row) -> Count:
    faults = due(row)
    return sum(is_found(fault, row) and leads(row) for fault in faults), len(faults)


def _small(row: Row) -> Count:
    small = [fault for fault in row.visible if not fault.at_least(LEAST_SIZE)]
    return sum(is_found(fault, row) for fault in small), len(small)


def part_is_right(fault: Drawn, row: Row) -> bool | None:
    """Whether a true part is named first, or in a tie that is headed by a part it cannot be told from.

    Of the first finding that names the fault; None where none does.
    """
    one = next((one for one in (*row.causes, *row.said) if one.kind in fault.kinds), None)
    if one is None:
        return None
    return one.part in {*fault.parts, *fault.tie} and bool({one.part, *one.alternatives} & set(fault.parts))


def _part(row: Row) -> Count:
    told = [right for fault in due(row) if (right := part_is_right(fault, row)) is not None]
    return sum(told), len(told)


def contradicted(row: Row) -> list[Said]:
    """Causes whose first part the evidence of the visible faults rules out."""
    faults = row.visible
    if not faults or len(faults) < len(row.drawn):
        return []
    ruled_out = set.intersection(*(set(fault.contradicted) for fault in faults))
    ruled_out -= {part for fault in faults for part in (*fault.parts, *fault.tie)}
    return [one for one in row.causes if one.part in ruled_out]


def _contradicted(row: Row) -> Count:
    return (int(bool(contradicted(row))), 1) if row.visible and row.causes else (0, 0)


def says_as_left(row: Row) -> bool:
    """Whether a reader takes it that nothing moved: the sentence, the status or the exit code.

    Where readings alone failed, beside what is small at most, nothing of the machine moved beyond its tolerance: that
    they failed must be said beside it.
    """
    of_readings = [fault for fault in row.drawn if READING_KINDS.issuperset(fault.kinds)]
    of_the_machine = [fault for fault in due(row) if fault not in of_readings] or _lines_beyond(row)
    if of_readings and not of_the_machine and any(one.kind in READING_KINDS for one in row.said):
        return False
    return row.sentence.startswith("As left") or row.status == "good" or row.exit_code == 0


def beyond(row: Row) -> bool:
    """Whether something that the log shows is 1.5 tolerances out: a fault, or a quantity by its truth."""
    return bool(due(row) or _lines_beyond(row))


def _lines_beyond(row: Row) -> list[Line]:
    seen = (line for line in row.lines if line.defined and line.constant and line.theory_allows)
    return [line for line in seen if line.off >= LEAST_SIZE]


def _as_left(row: Row) -> Count:
    return (int(says_as_left(row)), 1) if beyond(row) else (0, 0)


def _good_of_nothing(row: Row) -> Count:
    seen = any(line.found is not None for line in row.lines)
    if seen or row.said:
        return 0, 0
    return int(says_as_left(row)), 1


def taken_for_misfit(row: Row) -> bool:
    """Whether the judgement says that log and sheet do not belong together."""
    return row.fits is False if row.fits is not None else row.status == "function-check"


def misfit_is_said(row: Row) -> bool:
    """Whether it is said first, with no fault of the machine beside it."""
    return (
        row.status == "function-check"
        and row.fits is not True
        and all(one.part == "data" and one.severity < 3 for one in row.said)
    )


def _misfit(row: Row) -> Count:
    return (int(misfit_is_said(row)), 1) if row.job.misfit is not None else (0, 0)


def _mistaken(row: Row) -> Count:
    """Faults of the largest size, and healthy logs, that pass for a log that does not fit."""
    if row.drawn and not any(fault.at_least(LARGEST_SIZE) for fault in row.drawn):
        return 0, 0
    return int(taken_for_misfit(row)), 1


def _error(row: Row) -> Count:
    return int(bool(row.error)), 1


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure: its name in tables, what it counts, and whether many hits are good."""

    words: str
    count: Callable[[Row], Count]
    good: bool


MEASURES: Mapping[str, Measure] = {
    "false": Measure("healthy logs with a false finding", _false, good=False),
    "false now": Measure("healthy logs with a false finding of severity 3", _false_now, good=False),
    "wrong": Measure("verdict in or out against the truth", _wrong, good=False),
    "inside U": Measure("truth inside U", _inside, good=True),
    "found": Measure("visible faults of 1.5 tolerances and more: found", _found, good=True),
    "first": Measure("visible faults of 1.5 tolerances and more: found and named first", _first, good=True),
    "part": Measure("right part first or in a stated tie", _part, good=True),
    "contradicted": Measure("a part first that the evidence contradicts", _contradicted, good=False),
    "observed": Measure(
        "quantities observed where theory allows U under a quarter of the tolerance", _observed, True
    ),
    "as left": Measure('"as left" beside something visible beyond 1.5 tolerances', _as_left, good=False),
    "good of nothing": Measure("good, or exit code 0, where nothing was judged", _good_of_nothing, good=False),
    "misfit": Measure("log that does not fit its sheet: said, and no machine fault beside it", _misfit, good=True),
    "mistaken": Measure("healthy machine or largest fault taken for a log that does not fit", _mistaken, good=False),
    "error": Measure("no judgement, or another one through the command itself", _error, good=False),
    # No goals, but worth a look.
    "undecided": Measure("undecided though theory allows U under a quarter of the tolerance", _undecided, good=False),
    "small": Measure("visible faults of 0.7 tolerances: found", _small, good=True),
    "stray": Measure("faulty logs with a finding that no fault explains", _stray, good=False),
    "no such number": Measure("a number for what the machine has none of", _numbers_of_nothing, good=False),
}


def marks(row: Row) -> dict[str, Count]:
    """Every measure of one log. A log without a judgement says nothing: it counts as silence, and as an error.

    Of a log that does not fit its sheet nothing is asked but that this is said.
    """
    asked = MEASURES if row.job.misfit is None else ("misfit", "error")
    return {name: measure.count(row) if name in asked else (0, 0) for name, measure in MEASURES.items()}


@dataclass(frozen=True, slots=True)
class Share:
    """Hits of a number, with its 95 % interval."""

    hits: int
    of: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share; NaN of nothing."""
        return self.hits / self.of if self.of else math.nan

    def text(self) -> str:
        """As a cell of a table, in percent: "12/40 30.0 (18.1-45.4)"."""
        if not self.of:
            return "-"
        return f"{self.hits}/{self.of} {100 * self.value:.1f} ({100 * self.low:.1f}-{100 * self.high:.1f})"


def wilson(hits: float, of: float) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927); everything where nothing was tried."""
    if of <= 0:
        return 0.0, 1.0
    z = float(norm.ppf(0.975))
    p = hits / of
    middle = (p + z * z / (2 * of)) / (1 + z * z / of)
    half = z * math.sqrt(p * (1 - p) / of + z * z / (4 * of * of)) / (1 + z * z / of)
    return 0.0 if hits == 0 else max(middle - half, 0.0), 1.0 if hits == of else min(middle + half, 1.0)


def share(counts: Iterable[Count]) -> Share:
    """Of counts, one a log. Several of one log tell less than as many of different ones.

    Where all or none are hits the logs' likeness cannot be seen, and each log counts once.
    """
    told = np.array([count for count in counts if count[1]], dtype=np.float64).reshape(-1, 2)
    hits, of = float(told[:, 0].sum()), float(told[:, 1].sum())
    size = of
    if 0.0 < hits < of:
        p, logs = hits / of, len(told)
        spread = float(np.sum((told[:, 0] - p * told[:, 1]) ** 2)) * logs / max(logs - 1, 1)
        size = of / max(spread / (of * p * (1 - p)), 1.0)
    elif of:
        size = float(len(told))
    return Share(int(hits), int(of), *wilson(hits / of * size if of else 0.0, size))


@dataclass(frozen=True, slots=True)
class Efficiency:
    """Mean squared bound by mean squared error, both in tolerances; 1 is what theory allows. Interval: bootstrap."""

    value: float
    low: float
    high: float
    lines: int


def efficiency(rows: Sequence[Row], quantities: Sequence[str], *, told: bool = False) -> Efficiency:
    """Of lines that were observed and have a bound, over all rows given. NaN where there are none.

    `told`: against the bound to one who is told that the driver is straight, and when each command stepped.
    """
    pairs = np.array(
        [
            (bound / line.tolerance, (line.found - line.now) / line.tolerance)
            for row in rows
            for line in row.lines
            if line.quantity in quantities and line.defined and line.constant
            if (bound := line.least(told=told)) and math.isfinite(bound)
            if line.found is not None and math.isfinite(line.tolerance)
        ]
    ).reshape(-1, 2)
    if not pairs.size:
        return Efficiency(math.nan, math.nan, math.nan, 0)
    squared = pairs**2
    drawn = np.random.default_rng(1).integers(0, len(squared), (2000, len(squared)))
    sums = squared[drawn].sum(axis=1)
    low, high = np.quantile(sums[:, 0] / np.maximum(sums[:, 1], 1e-300), (0.025, 0.975))
    whole = squared.sum(axis=0)
    return Efficiency(float(whole[0] / max(whole[1], 1e-300)), float(low), float(high), len(squared))
