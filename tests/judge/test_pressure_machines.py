"""Pressure on presses of many kinds, from a hand-made plant: healthy ones raise nothing, and faults are found."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement, QuantityResult, Verdict
from hydraulics import CYCLE, Press, run_of
from lanes import by_id

ENDS = ("pressure_at_zero", "pressure_at_full")
FINE = tuple((u, 1.5) for u in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 0.8, 0.6, 0.4, 0.2))
#: The load makes the pressure in all but the highest step and the one after it.
LOADED = (3.0, 15.0, 60.0, math.inf, math.inf, 12.0)


@functools.cache
def judged(press: Press, seed: int = 2) -> tuple[Judgement, dict[str, QuantityResult]]:
    judgement = judge_log(press.sheet(), run_of(press, seed))
    return judgement, by_id(judgement)


def holds(quantity: QuantityResult, truth: float, least_u: float = 0.0) -> bool:
    """Whether the truth lies inside U, of which `least_u` is always granted (digits of no interest)."""
    assert quantity.as_found is not None
    assert quantity.uncertainty is not None
    return abs(quantity.as_found - truth) <= max(1.3 * quantity.uncertainty, least_u)


HEALTHY = {
    "levels differ by 2 %": Press(level_scatter=0.02),
    "levels differ by 5 %": Press(level_scatter=0.05),
    "levels differ by 10 %": Press(level_scatter=0.10),
    "levels differ, bowed": Press(level_scatter=0.05, bend=0.5),
    "levels differ, dead band": Press(level_scatter=0.05, dead_band=0.15),
    "levels differ, slow": Press(level_scatter=0.05, settle_s=0.4),
    "slow": Press(settle_s=0.5),
    "slower than its dwells": Press(settle_s=1.2, level_scatter=0.03),
    "short cycle, slow": Press(settle_s=0.8, cycle=((0.0, 1.0), (0.5, 1.0), (1.0, 1.0), (0.5, 1.0))),
    "the top always cut off": Press(cut_bar=130.0),
    "the top cut off, levels differ": Press(cut_bar=160.0, level_scatter=0.05),
    "the load makes most of it": Press(load_bar=LOADED, level_scatter=0.03),
    "pulsating": Press(ripple_bar=3.0),
    "a small pilot": Press(full_bar=6.0, zero_bar=0.3, noise_bar=0.01, level_scatter=0.04),
    "eight bits": Press(bits=8),
    "eight bits, quiet": Press(bits=8, noise_bar=0.05, level_scatter=0.03),
    "no current": Press(has_current=False, level_scatter=0.05),
    "oil that warms": Press(drift=0.01, level_scatter=0.02),
    "on and off": Press(cycle=((0.0, 3.0), (1.0, 3.0))),
    "a little stick-slip": Press(stick=0.01),
    "creeping": Press(creep=0.01),
    "creeping for longer stays": Press(creep=0.006, creep_s=12.0, cycle=tuple((u, 4.0 * hold) for u, hold in CYCLE)),
}


@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_press_raises_nothing_and_its_pressures_are_inside_their_uncertainty(name: str) -> None:
    press = HEALTHY[name]
    judgement, found = judged(press)
    assert judgement.findings == ()
    for quantity, truth in press.left().items():
        assert found[quantity].verdict in {Verdict.IN, Verdict.NOT_OBSERVED}
        if found[quantity].verdict is Verdict.IN and not (press.drift or press.stick):
            grain = 0.06 if quantity == "hysteresis" else 3e-4 * press.full_bar
            assert holds(found[quantity], truth, grain), (quantity, found[quantity], truth)


@pytest.mark.parametrize("name", ["levels differ by 10 %", "levels differ, dead band", "eight bits, quiet"])
def test_silence_is_no_way_out(name: str) -> None:
    _, found = judged(HEALTHY[name])
    for quantity in (*ENDS, "hysteresis"):
        assert found[quantity].verdict is Verdict.IN
        assert found[quantity].uncertainty < 0.5 * found[quantity].tolerance_above  # type: ignore[operator]


def test_a_coarse_converter_is_in_the_uncertainty_of_a_pressure() -> None:
    """With next to no noise the readings repeat, and their mean is up to half a step of 0.98 bar off."""
    _, found = judged(Press(bits=8, noise_bar=0.02))
    for quantity in ENDS:
        assert found[quantity].uncertainty == pytest.approx(1.96 * 250.0 / 256 / math.sqrt(12.0), rel=0.1)


def test_quantisation_is_not_called_wild() -> None:
    judgement, _ = judged(Press(bits=8, noise_bar=0.6))
    assert [remark for remark in judgement.remarks if "wild" in remark] == []


@pytest.mark.parametrize("scatter", [0.0, 0.04])
@pytest.mark.parametrize("gain", [0.94, 0.88, 1.06])
def test_a_spring_that_was_wrong_from_the_first_row_is_found(scatter: float, gain: float) -> None:
    press = Press(gain=gain, level_scatter=scatter)
    judgement, found = judged(press)
    assert found["pressure_at_full"].verdict is Verdict.OUT
    assert holds(found["pressure_at_full"], gain * press.left()["pressure_at_full"], 0.1)
    assert judgement.findings[0].kind == "pressure-changed"
    assert found["hysteresis"].verdict is not Verdict.OUT


@pytest.mark.parametrize("scatter", [0.0, 0.04])
def test_a_loop_that_was_wider_from_the_first_row_is_found(scatter: float) -> None:
    judgement, found = judged(Press(extra_loop=0.03, level_scatter=scatter))
    assert holds(found["hysteresis"], 6.0, 0.1)
    assert "hysteresis-changed" in {f.kind for f in judgement.findings}


@pytest.mark.parametrize("scatter", [0.0, 0.03])
def test_a_spool_that_jumps_is_found_whatever_the_levels_do(scatter: float) -> None:
    judgement, _ = judged(Press(stick=0.06, level_scatter=scatter))
    assert "hysteresis-changed" in {f.kind for f in judgement.findings}


def test_a_spool_that_sticks_at_zero_within_the_log_is_no_load() -> None:
    """Each cycle goes to full command, and from 130 s on no pressure comes: 15 cycles repeat it."""
    judgement, found = judged(Press(stuck_from_s=130.0))
    assert found["pressure_at_full"].verdict is Verdict.OUT
    assert found["pressure_at_full"].as_found == pytest.approx(Press().left()["pressure_at_zero"], abs=0.5)
    assert "pressure-changed" in {f.kind for f in judgement.findings}


def test_a_pressure_that_never_rises_whatever_the_command_is_found() -> None:
    judgement, found = judged(Press(stuck_from_s=-1.0))
    assert found["pressure_at_full"].verdict is Verdict.OUT
    assert "pressure-changed" in {f.kind for f in judgement.findings}


def test_three_strokes_without_any_pressure_are_enough() -> None:
    """No load holds every level at the pressure of zero command, to the bar."""
    cycle = ((0.0, 12.0), (0.5, 12.0), (1.0, 12.0))
    judgement, found = judged(Press(stuck_from_s=-1.0, cycle=cycle, minutes=1.75))
    assert found["pressure_at_full"].verdict is Verdict.OUT
    assert found["hysteresis"].verdict is Verdict.NOT_OBSERVED
    assert "pressure-changed" in {f.kind for f in judgement.findings}


@pytest.mark.parametrize("inner", [(), ((0.35, 2.0), (0.2, 2.0))])
def test_a_pressure_that_never_rises_at_the_one_high_level_is_the_valves_or_what_it_depends_on(inner) -> None:
    judgement, found = judged(Press(stuck_from_s=-1.0, cycle=((0.0, 2.0), (1.0, 2.5), *inner)))
    assert found["pressure_at_full"].verdict is Verdict.OUT
    finding = next(f for f in judgement.findings if f.kind == "pressure-changed")
    assert finding.part is Part.VALVE
    assert {Part.PRESSURE_SOURCE, Part.PRESSURE_SENSOR, Part.COIL, Part.COIL_WIRING} == set(finding.alternatives)


@pytest.mark.parametrize(
    ("load_bar", "said"), [(40.0, "the pressure stayed at 40 bar"), (0.0, "the pressure stayed")]
)
def test_a_full_command_whose_pressure_is_the_loads_is_said_to_have_been_reached(load_bar: float, said: str) -> None:
    cycle = ((0.0, 2.0), (1.0, 2.5), (0.4, 2.0))
    judgement, found = judged(Press(cycle=cycle, load_bar=(math.inf, load_bar or 12.5, math.inf)))
    assert judgement.findings == ()
    assert found["pressure_at_full"].reason.startswith("full command was reached 4")
    assert said in found["pressure_at_full"].reason


def test_what_creeps_over_the_log_stands_where_it_is_now() -> None:
    press = Press(drift=0.05, level_scatter=0.02)
    _, found = judged(press)
    assert found["pressure_at_full"].as_found == pytest.approx(1.05 * press.left()["pressure_at_full"], rel=2e-3)
    assert found["pressure_at_full"].verdict is Verdict.OUT


def test_the_width_of_a_bowed_valve_without_a_recorded_curve() -> None:
    for bend, band in ((0.5, 0.0), (-0.5, 0.0), (0.0, 0.15)):
        press = Press(bend=bend, dead_band=band, cycle=FINE)
        _, found = judged(press)
        assert holds(found["hysteresis"], 3.0, 0.06)


def test_pressures_of_a_press_slower_than_its_dwells_are_not_guessed() -> None:
    _, found = judged(HEALTHY["slower than its dwells"])
    for name in ENDS:
        assert found[name].verdict is Verdict.NOT_OBSERVED
        assert found[name].reason == "pressure never settled"


def test_the_load_is_told_from_the_valve_where_it_has_a_level_at_times() -> None:
    """Alternating cycles: with and without a load that lets 180 of 197 bar come up at full command."""
    cycle = ((0.0, 2.0), (0.5, 2.0), (1.0, 2.5), (0.5, 2.0))
    both = Press(cycle=cycle * 2, load_bar=(math.inf,) * 6 + (120.0, math.inf))
    judgement, found = judged(both)
    assert judgement.findings == ()
    assert holds(found["pressure_at_full"], float(both.shape(np.array([1.0 - 0.015]))[0]), 0.1)
