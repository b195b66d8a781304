"""A valve of the demo's plant with a fault that begins within a recording, judged: as the pages would read it."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
from asleft.cli.demonstration.folder import sheets
from asleft.judge.judge import judge_log
from asleft.judge.types import FastBurst, Samples
from asleft.sheet.reader import read_sheet
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.plant import valves
from asleft.sim.recording import simulate
from asleft.web.report.from_files import Recording

BEGINS_S = 1_774_000_800.0  # on the hour; a Friday in March at work
RATE_HZ = 20.0


@functools.cache
def recorded(valve: str, kind: str, amount: float, lasts_s: float = 1500.0, onset_s: float = 700.0) -> Recording:
    """`lasts_s` of production; from `onset_s` on the valve has a fault of that kind (`asleft.sim.faults`)."""
    model = next(one for one in valves(BEGINS_S) if one.valve_id == valve)
    fault = Fault(FaultKind(kind), BEGINS_S + onset_s, amount)
    (made,) = simulate(
        [replace(model, faults=(fault,))], [BEGINS_S], lasts_s, rate_hz=RATE_HZ, seed=3, programme="live",
        burst_every_s=30.0,
    )  # fmt: skip
    text = sheets(BEGINS_S)
    toml = next(one for one in text.values() if f'id = "{valve}"' in one)
    sheet = read_sheet(toml, source=valve)
    bursts = tuple(FastBurst(b.start_s, b.rate_hz, np.asarray(b.values())) for b in made.bursts)
    samples = Samples(np.asarray(made.time_s), {name: made.values(name) for name in made.counts}, bursts)
    return Recording(sheet, toml, samples, judge_log(sheet, samples), "A simulated recording.")
