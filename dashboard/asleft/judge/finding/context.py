"""What findings rest on, in one place, and how one is made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from asleft.catalogue.finding_kinds import FINDING_KINDS
from asleft.judge.coil_state.days import Nearing
from asleft.judge.coil_state.now import CoilState
from asleft.judge.drift.charts import Chart
from asleft.judge.driver.misfit import Misfit
from asleft.judge.driver.reaction import Reaction
from asleft.judge.estimates import AsFound, Seen
from asleft.judge.features import PressureDelay
from asleft.judge.types import Finding, QuantityResult, Verdict
from asleft.judge.watching.watch import Stretch
from asleft.sheet.model import Sheet

DEADBAND_FACTOR = 0.8
"""Alarm deadband (the term of ISA-18.2, which leaves its size to the plant): a finding goes when its measure is a
fifth below the threshold that raised it. The fifth is a choice: more than the scatter of most measures."""


@dataclass(frozen=True, slots=True)
class FindingContext:
    """Everything findings rest on."""

    sheet: Sheet
    seen: Seen
    found: AsFound
    results: Mapping[str, QuantityResult]
    charts: Mapping[str, Chart]
    stretches: Sequence[Stretch]
    missing: Mapping[str, int]  # unusable readings by reason
    readings: int  # usable ones, beside the missing
    vented_shift_bar: float | None  # pressure reading while stopped and vented, now minus when left
    idle_shift_a: float | None = None  # current reading while the driver is off, now minus when left
    coil: CoilState | None = None
    nearing: Nearing | None = None  # when the current will be clipped, by a trend
    usual_winding_degc: float | None = None  # hottest winding of a usual day before this one
    reaction: Reaction = field(default_factory=Reaction)
    misfit: Misfit = field(default_factory=Misfit)
    pressure_delays: Sequence[PressureDelay] = ()
    gone_s: Mapping[str, float] = field(default_factory=dict)  # finding -> when it was last seen to be gone
    standing: frozenset[str] = frozenset()  # kinds of the findings told before and not seen to be gone

    def deadband_factor(self, kind: str) -> float:
        """By what the threshold of a finding is multiplied: less than 1 while it stands, so that none flickers."""
        return DEADBAND_FACTOR if kind in self.standing else 1.0


def make(kind: str, evidence: str, onset_s: float | None, **changes: object) -> Finding:
    """A finding with its part, alternatives and severity as the kind usually has them, `changes` laid over."""
    usual = FINDING_KINDS[kind]
    base = Finding(kind, usual.part, usual.alternatives, onset_s, usual.severity, evidence)
    return replace(base, **changes)  # type: ignore[arg-type]


def moved(context: FindingContext, name: str) -> bool | None:
    """Whether another quantity moved by more than half its tolerance; None if it cannot be seen."""
    result = context.results.get(name)
    if result is None or result.verdict is Verdict.NOT_OBSERVED or result.tolerance_used_pct is None:
        return None
    return abs(result.tolerance_used_pct) > 50.0
