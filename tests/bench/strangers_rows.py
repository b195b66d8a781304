"""One judged log of a stranger's machine as plain values: what was drawn, what is true, what was said of it.

Rows go to a file and come back, so that two runs can be compared and an old run can be scored anew.
"""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True)
class Job:
    """What to draw. `size` in tolerances, `course` and `second_fault` are of the faults; no fault: a healthy log."""

    seed: int
    condition: str
    fault: str | None = None
    size: float = 3.0
    course: str = "first row"
    second_fault: str | None = None
    misfit: str | None = None

    @property
    def healthy(self) -> bool:
        """Nothing is wrong with the machine, nor with how its log was written."""
        return self.fault is None and self.misfit is None

    def options(self) -> str:
        """The options of the benchmark that show this log."""
        words = ["--show", str(self.seed), "--condition", self.condition]
        if self.fault is not None:
            words += ["--fault", self.fault, "--size", f"{self.size:g}", "--course", self.course]
        if self.second_fault is not None:
            words += ["--second-fault", self.second_fault]
        if self.misfit is not None:
            words += ["--misfit", self.misfit]
        return shlex.join(words)


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity: truth (`left` to `why_unseen`, as drawn) beside what was said (`found` to `reason`).

    Values in `unit`; `found` None: not observed; `verdict` empty: the judgement has no such line.
    """

    quantity: str
    unit: str
    left: float
    below: float
    above: float
    low: float
    high: float
    now: float
    defined: bool
    bound: float | None
    why_unseen: str
    found: float | None = None
    uncertainty: float | None = None
    verdict: str = ""
    reason: str = ""
    untold: float | None = None  # the bound to one who is not told the driver's law

    @property
    def constant(self) -> bool:
        """Whether the machine had one value all through the log."""
        return math.isclose(self.low, self.high, rel_tol=1e-9, abs_tol=1e-12)

    @property
    def tolerance(self) -> float:
        """The narrower of the two sides that are judged, inf where none is."""
        return min((side for side in (self.below, self.above) if 0.0 < side < math.inf), default=math.inf)

    @property
    def off(self) -> float:
        """True deviation at the end of the log, in tolerances of its side."""
        return self.off_at(self.now)

    def off_at(self, value: float) -> float:
        """Deviation of `value` from as left, in tolerances of its side: 0 on a side that is not judged."""
        deviation = value - self.left
        side = self.above if deviation > 0 else self.below
        return abs(deviation) / side if side > 0.0 else math.inf if deviation else 0.0

    @property
    def theory_allows(self) -> bool:
        """Whether the bound leaves room for an expanded uncertainty under a quarter of the tolerance."""
        bound = self.least(told=False)
        return bound is not None and 2.0 * bound < 0.25 * self.tolerance

    def least(self, *, told: bool) -> float | None:
        """The bound; `told`: to one who is told that the driver is straight, and when each command stepped."""
        return self.bound if told or self.untold is None else self.untold


@dataclass(frozen=True, slots=True)
class Drawn:
    """One fault that was put in; see `strangers.truth.Fault`. `size` 0: it has none, and is there as a whole."""

    name: str
    size: float
    course: str
    onset_s: float
    kinds: tuple[str, ...]
    quantities: tuple[str, ...]
    parts: tuple[str, ...]
    tie: tuple[str, ...]
    contradicted: tuple[str, ...]
    visible: bool

    def at_least(self, size: float) -> bool:
        """Whether it is as large as `size` tolerances, or there as a whole."""
        return self.size == 0.0 or self.size >= size


@dataclass(frozen=True, slots=True)
class Said:
    """One finding as the JSON has it."""

    kind: str
    part: str
    alternatives: tuple[str, ...] = ()
    severity: int = 2
    consequence_of: str | None = None
    onset: str | None = None
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One log. `error`: no judgement came, or the command said otherwise than its functions; empty when all is well.

    `fits`: what the judgement says of log and sheet, None where it says nothing. `empty_cells`, `longest_gap_s`: of
    the log as drawn. `instruments`: the sheet says how good its instruments are. `cpu_s`: processor time of reading
    and judging.
    """

    job: Job
    description: str
    rate_hz: float
    lines: tuple[Line, ...]
    drawn: tuple[Drawn, ...]
    exit_code: int = 0
    status: str = ""
    sentence: str = ""
    said: tuple[Said, ...] = ()
    fits: bool | None = None
    empty_cells: int = 0
    longest_gap_s: float = 0.0
    instruments: bool = False
    error: str = ""
    by_command: bool = False
    cpu_s: float = 0.0

    @property
    def causes(self) -> tuple[Said, ...]:
        """Findings that hang under no other, the headline's first."""
        return tuple(one for one in self.said if one.consequence_of is None)

    @property
    def visible(self) -> tuple[Drawn, ...]:
        """Faults that the channels of this log can show."""
        return tuple(one for one in self.drawn if one.visible)


def job_of(stranger: Any) -> Job:
    """The job that draws a stranger again."""
    first, second = (*stranger.faults[:2], None, None)[:2]
    if first is None:
        return Job(stranger.seed, stranger.condition, misfit=stranger.misfit)
    name = None if second is None else second.name
    size = next((fault.size for fault in stranger.faults if fault.size), 3.0)  # of what has one
    return Job(stranger.seed, stranger.condition, first.name, size, first.course, name, stranger.misfit)


def row_of(job: Job, stranger: Any) -> Row:
    """The truth of a drawn stranger (`strangers.truth.Stranger`), nothing said yet."""
    columns: Mapping[str, np.ndarray] = stranger.columns
    time_s = np.asarray(columns["time"], dtype=np.float64)
    steps = np.diff(time_s[np.isfinite(time_s)])
    lines = [
        Line(
            quantity=one.quantity, unit=one.unit, left=one.left, below=one.tolerance_below, above=one.tolerance_above,
            low=one.low, high=one.high, now=one.now, defined=one.defined, bound=one.bound,
            why_unseen=one.why_unseen if one.defined else one.why_undefined, untold=one.untold,
        )
        for one in stranger.actuals.values()
    ]  # fmt: skip
    return Row(
        job=job,
        description=stranger.description,
        rate_hz=float(stranger.rate_hz),
        lines=tuple(lines),
        drawn=tuple(_drawn(one) for one in stranger.faults),
        empty_cells=sum(int(np.count_nonzero(~np.isfinite(values))) for values in columns.values())
        + int(np.count_nonzero(steps <= 0.0)),
        longest_gap_s=float(steps.max()) if steps.size else 0.0,
        instruments="expanded_uncertainty" in stranger.sheet,
    )


def _drawn(one: Any) -> Drawn:
    sets = (tuple(sorted(getattr(one, name))) for name in ("kinds", "quantities", "parts", "tie", "contradicted"))
    return Drawn(one.name, one.size, one.course, one.onset_s, *sets, one.visible)


def with_judgement(row: Row, judgement: Mapping[str, Any], exit_code: int) -> Row:
    """The row with what the judgement's JSON says."""
    told = {one["id"]: one for one in judgement["quantities"]}
    lines = []
    for line in row.lines:
        one = told.get(line.quantity)
        if one is not None:
            found, expanded = one["as_found"], one["uncertainty"]
            line = replace(
                line, found=found, uncertainty=expanded, verdict=one["verdict"], reason=one["reason"] or ""
            )
        lines.append(line)
    said = []
    for one in judgement["findings"]:
        others = tuple(one["alternatives"])
        rest = (one["severity"], one["consequence_of"], one["onset"], one["evidence"])
        said.append(Said(one["kind"], one["part"], others, *rest))
    fit = judgement.get("fit")
    return replace(
        row,
        lines=tuple(lines),
        exit_code=exit_code,
        status=judgement["status"],
        sentence=judgement["sentence"],
        said=tuple(said),
        fits=fit.get("fits") if isinstance(fit, Mapping) else None,
    )


def write_rows(rows: Iterable[Row], path: Path) -> None:
    """A row a line, as JSON, each as soon as it comes: an interrupted run leaves what it did."""
    with path.open("w", encoding="utf-8") as file:
        for row in rows:
            file.write(json.dumps(asdict(row), ensure_ascii=False) + "\n")
            file.flush()


def read_rows(path: Path) -> list[Row]:
    """Inverse of `write_rows`."""
    return [_row(json.loads(text)) for text in path.read_text(encoding="utf-8").splitlines()]


def _row(raw: dict[str, Any]) -> Row:
    job = Job(**raw.pop("job"))
    lines = tuple(Line(**one) for one in raw.pop("lines"))
    drawn = tuple(Drawn(**{key: _tuple(value) for key, value in one.items()}) for one in raw.pop("drawn"))
    said = tuple(Said(**{key: _tuple(value) for key, value in one.items()}) for one in raw.pop("said"))
    return Row(job=job, lines=lines, drawn=drawn, said=said, **raw)


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
