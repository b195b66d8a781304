from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.noise import QUIET_WIRE
from asleft.judge.valve.characteristic import LAG_S, Measured, lag_doubt, measure, moving_visits
from asleft.sheet.model import Conditions, Sheet
from synth import dwell
from test_characteristic import AXIS, now_bar, valve_sheet
from test_hysteresis import SPAN, ZERO


def sweeps(leg_s: float, count: int, *, half: float = 0.01, lag_s: float = LAG_S) -> list[Dwell]:
    """Pieces of five seconds of `count` slow sweeps 0-100-0 after a rest at zero, as the cutting leaves them."""
    out = [dwell(0.0, ZERO, pressure_bar=10.0, arrival=0.0, from_s=0.0, to_s=4.99)]
    pieces = round(leg_s / 5.0)
    at_s = 5.0
    for _ in range(count):
        for way in (1.0, -1.0):
            for k in range(pieces):
                middle, late = (k + 0.5) / pieces, (k + 0.8 - lag_s / 5.0) / pieces
                share, there = (middle, late) if way > 0 else (1.0 - middle, 1.0 - late)
                slope_bar = now_bar(min(there + 0.01, 1.0), way, half) - now_bar(max(there - 0.01, 0.0), way, half)
                out.append(
                    dwell(
                        share, ZERO + SPAN * share, pressure_bar=now_bar(there, way, half), arrival=0.0, flat=0.0,
                        pressure_moves_bar=way * slope_bar * 50.0 / leg_s, from_s=at_s, to_s=at_s + 4.99,
                    )
                )  # fmt: skip
                at_s += 5.0
    return out


def swept(dwells: list[Dwell], valve: Sheet | None = None) -> Measured:
    return measure(
        valve or valve_sheet(recorded=False), dwells, [], wire=QUIET_WIRE, current_u_a=0.0,
        why_none="pressure never settled",
    )  # fmt: skip


@pytest.mark.parametrize("half", [0.01, 0.02, 0.04])
def test_a_slow_sweep_gives_the_width_without_a_level_that_settles(half) -> None:
    found = swept(sweeps(120.0, 4, half=half))
    assert found.hysteresis is not None
    assert abs(found.hysteresis.value - 200.0 * half) < found.hysteresis.expanded() < 1.0
    assert found.basis == (
        "along the current, % of its span from zero to full, loop 2-98-2 %, "
        "a slow sweep: moving data, corrected for a lag of 0.10 s"
    )
    assert found.reason == ""


@pytest.mark.parametrize("lag_s", [0.0, 0.05, 0.18])
def test_a_lag_unlike_the_usual_one_stays_inside_the_doubt(lag_s) -> None:
    found = swept(sweeps(120.0, 4, lag_s=lag_s)).hysteresis
    usual = swept(sweeps(120.0, 4)).hysteresis
    assert found is not None
    assert usual is not None
    assert abs(found.value - 2.0) < found.expanded()
    # Twice the slope times what the lag is off, in % of the span.
    assert found.value - usual.value == pytest.approx(200.0 * (lag_s - LAG_S) / 120.0, abs=0.02)


def test_the_first_cycle_and_the_pieces_round_the_turns_are_set_aside() -> None:
    visits = moving_visits(sweeps(60.0, 3), valve_sheet(), AXIS)
    assert min(v.at_s for v in visits) > 5.0 + 2 * 60.0
    assert all(0.1 < v.share < 0.93 for v in visits)
    assert {v.arrival for v in visits} == {1.0, -1.0}
    assert lag_doubt(visits) == pytest.approx(2.0 * 0.06 / 60.0, rel=0.05)
    assert lag_doubt(visits[:1]) == 0.0


@pytest.mark.parametrize("what", [{"producing": 0.0}, {"from_s": 1e4, "to_s": 1e4 + 5.0}])
def test_nothing_reaches_across_a_stop_or_a_gap(what) -> None:
    pieces = sweeps(60.0, 2)
    pieces[20] = pieces[20]._replace(**what)
    # What is left of that leg, a whole one up: only then are both turning points known.
    assert min(v.at_s for v in moving_visits(pieces, valve_sheet(), AXIS)) > 5.0 * 36


def test_levels_that_rest_and_uneven_slopes_are_no_sweep() -> None:
    resting = [d._replace(flat=1.0) for d in sweeps(60.0, 3)]
    assert moving_visits(resting, valve_sheet(), AXIS) == []
    rng = np.random.default_rng(2)
    uneven = [d._replace(current_a=d.current_a + 0.02 * rng.standard_normal()) for d in sweeps(60.0, 3)]
    even = moving_visits(sweeps(60.0, 3), valve_sheet(), AXIS)
    assert len(moving_visits(uneven, valve_sheet(), AXIS)) < 0.3 * len(even)
    blind = [d._replace(pressure_bar=np.nan) for d in sweeps(60.0, 3)]
    assert moving_visits(blind, valve_sheet(), AXIS) == []


def test_a_sweep_of_the_command_serves_where_no_current_is_read() -> None:
    blind = [d._replace(current_a=np.nan) for d in sweeps(60.0, 3)]
    assert len(moving_visits(blind, valve_sheet(), AXIS)) == len(moving_visits(sweeps(60.0, 3), valve_sheet(), AXIS))


def test_outside_the_oil_window_and_on_a_flow_valve_a_sweep_says_nothing() -> None:
    warm = replace(valve_sheet(), conditions=Conditions(oil_temperature_degc=(35.0, 55.0)))
    assert moving_visits([d._replace(oil_degc=20.0) for d in sweeps(60.0, 3)], warm, AXIS) == []
    assert moving_visits([d._replace(oil_degc=45.0) for d in sweeps(60.0, 3)], warm, AXIS) != []
    flow = swept(sweeps(120.0, 4), replace(valve_sheet(), controls="flow"))
    assert flow.hysteresis is None
    assert flow.reason == "pressure never settled"
