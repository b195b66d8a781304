"""A loop that widened, without bursts to show that the dither went: one cause, with what follows from it beneath."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.types import Judgement, Samples
from asleft.sim.cycles import CUSHION_CYCLE
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import default_valve
from lanes import START_S, causes, record, run

ONSET_S = START_S + 100.0
WIDER = (Fault(FaultKind.DITHER_LOST, ONSET_S),)
SHIFTED = (Fault(FaultKind.PRESSURE_SENSOR_OFFSET, ONSET_S, -9.0),)


@pytest.fixture(scope="module")
def judged() -> dict[str, Judgement]:
    model = replace(default_valve(), cycle=CUSHION_CYCLE)
    faults = {"wider": WIDER, "shifted": SHIFTED, "both": (*WIDER, *SHIFTED)}
    lanes = record({name: replace(model, faults=f) for name, f in faults.items()}, duration_s=240.0, seed=8)
    return {
        name: run(lane.sheet, Samples(lane.samples.time_s, lane.samples.channels), [3000], horizon_s=120.0).judgement
        for name, lane in lanes.items()
    }


def kinds(judgement: Judgement) -> dict[str, str | None]:
    return {f.kind: f.consequence_of for f in judgement.findings}


def test_pressures_that_a_wider_loop_moved_hang_under_it(judged) -> None:
    assert causes(judged["wider"]) == {"hysteresis-changed"}
    assert kinds(judged["wider"])["pressure-changed"] == "hysteresis-changed"
    finding = next(f for f in judged["wider"].findings if f.kind == "hysteresis-changed")
    assert Part.VALVE in (finding.part, *finding.alternatives)
    assert finding.onset_s == pytest.approx(ONSET_S, abs=15.0)
    assert "Hysteresis is at" in finding.evidence


def test_a_shifted_pressure_is_no_wider_loop(judged) -> None:
    assert kinds(judged["shifted"]) == {"pressure-changed": None}
    found = judged["shifted"].characteristic
    assert found is not None
    assert found.hysteresis.value == pytest.approx(1.3, abs=0.2)


def test_more_than_a_wider_loop_makes_is_a_cause_of_its_own(judged) -> None:
    assert causes(judged["both"]) == {"hysteresis-changed", "pressure-changed"}


def test_the_branches_show_it_too(judged) -> None:
    found = judged["wider"].characteristic
    assert found is not None
    assert found.stick_slip_bar is not None
    assert found.stick_slip_bar < 0.1
    assert np.all(np.diff([level.pressure_bar for level in found.falling.levels]) > 0.0)
