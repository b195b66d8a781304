"""What the judge said of one simulated fault, look by look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from asleft.judge.types import Judgement
from damadics import Stretch

Known = frozenset[tuple[str, int]]  # kinds and severities of findings that stood before a fault began


@dataclass(frozen=True, slots=True)
class Look:
    """What the judge said from one instant (s of watched time) to the next."""

    from_s: float
    to_s: float
    alarm: bool  # a cause of severity 2 or 3 that did not stand before the fault
    remark: bool  # any such cause
    kinds: tuple[str, ...]
    named: tuple[str, ...]  # parts of the first cause


@dataclass(frozen=True, slots=True)
class Run:
    """One fault of one size in one valve under one channel set."""

    case: str
    size: float
    slow: bool
    seed: int
    channels: str
    onset_s: float
    looks: tuple[Look, ...]
    moved: float  # largest share of tolerance used at the end, of any quantity
    evidence: str

    def signal(self, on: str) -> list[Stretch]:
        """The alarm ("alarm"), any finding ("remark"), or a part named first ("driver")."""
        return [Stretch(k.from_s, k.to_s, self._on(k, on)) for k in self.looks]

    def _on(self, look: Look, on: str) -> bool:
        if on == "alarm":
            return look.alarm
        if on == "remark":
            return look.remark
        return bool(look.named) and look.named[0] == on


def look_of(judgement: Judgement, from_s: float, before: Known = frozenset()) -> Look:
    """The judgement that was reached at `from_s`; what stood `before` the fault as urgent as now finds nothing."""
    causes = [f for f in judgement.findings if f.consequence_of is None and (f.kind, f.severity) not in before]
    loud = [f for f in causes if f.severity > 1]
    first = (loud or causes)[:1]
    named = tuple(p.value for f in first for p in (f.part, *f.alternatives))
    return Look(from_s, from_s, bool(loud), bool(causes), tuple(f.kind for f in (loud or causes)), named)


def standing(looks: Sequence[Look]) -> tuple[Look, ...]:
    """Looks in order, each standing until the next; before the first nothing is said."""
    quiet = Look(0.0, looks[0].from_s, alarm=False, remark=False, kinds=(), named=())
    ends = [look.from_s for look in looks[1:]] + [looks[-1].from_s + 1.0]
    return (quiet, *(replace(look, to_s=end) for look, end in zip(looks, ends, strict=True)))


def moved_of(judgement: Judgement) -> float:
    """Largest share of a tolerance used, of any quantity."""
    used = [abs(q.tolerance_used_pct) for q in judgement.quantities if q.tolerance_used_pct is not None]
    return max(used, default=0.0) / 100.0


def evidence_of(judgement: Judgement) -> str:
    """Causes with their evidence, to read."""
    first = [f for f in judgement.findings if f.consequence_of is None]
    return " / ".join(f"{f.kind}: {f.evidence}" for f in first)
