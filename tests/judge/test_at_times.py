"""A current that comes and goes: what else came and went, and where, says which part it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.finding import within
from asleft.judge.finding.context import make
from asleft.judge.types import Finding
from asleft.sheet.model import Tolerance
from presses import SPAN_A, SPAN_BAR, VALVE, ZERO_A, judged, press
from test_findings import context

#: Half a minute as it is now and then, twice in every two minutes.
PERIOD_S, LOW_S = 115.0, 50.0


def low(rows: dict[str, np.ndarray]) -> np.ndarray:
    return (rows["time"] - rows["time"][0]) % PERIOD_S < LOW_S


def first(rows: dict[str, np.ndarray], valve=VALVE) -> Finding:
    return judged(rows, valve).findings[0]


def shares(rows: dict[str, np.ndarray]) -> np.ndarray:
    """The acting command, 0 to 1, as the current shows it."""
    return (rows["current"] - ZERO_A) / SPAN_A


def fall(rows: dict[str, np.ndarray], fallen: np.ndarray, *, really: bool = True) -> dict[str, np.ndarray]:
    """The current is `fallen` at times, and the pressure with it if that is so `really`."""
    by = np.where(low(rows), fallen - rows["current"], 0.0)
    bars = rows["pressure"] + (by / SPAN_A * SPAN_BAR if really else 0.0)
    return {**rows, "current": rows["current"] + by, "pressure": bars}


@pytest.mark.parametrize("tolerance_bar", [4.0, 12.0])
def test_a_pressure_that_goes_with_the_current_clears_the_sensor_and_one_within_its_tolerance_nobody(
    tolerance_bar: float,
) -> None:
    """0.03 A are 7.1 bar: seen against 4 bar, and lost in 12, where not to see it is no sign of anything."""
    width = Tolerance(tolerance_bar, tolerance_bar)
    valve = replace(VALVE, tolerance={**VALVE.tolerance, "pressure_at_zero": width, "pressure_at_full": width})
    rows = press(cycles=10)
    found = first(fall(rows, rows["current"] - 0.03 * shares(rows)), valve)
    assert found.kind == "current-full-changed"
    assert found.part is Part.DRIVER_SETTING
    assert (Part.CURRENT_SENSOR in found.alternatives) is (tolerance_bar > 4.0)


def test_a_pressure_that_stands_while_the_current_falls_at_times_leaves_the_sensor() -> None:
    rows = press(cycles=10)
    found = first(fall(rows, rows["current"] - 0.03 * rows["current"], really=False))
    assert (found.kind, found.part) == ("current-full-changed", Part.CURRENT_SENSOR)


def test_what_is_cut_off_at_the_top_at_times_is_no_setting() -> None:
    """Lower levels keep their currents: what limits is the coil, its wires, the driver or the supply."""
    rows = press(cycles=10)
    found = first(fall(rows, np.minimum(rows["current"], 0.97)))
    assert found.kind == "current-clipped"
    assert {found.part, *found.alternatives} == {Part.COIL, Part.DRIVER, Part.COIL_WIRING, Part.SUPPLY}


@pytest.mark.parametrize("sags", [True, False])
def test_a_supply_that_comes_and_goes_with_it_is_the_cause_and_one_that_stands_is_not(sags: bool) -> None:
    rows = press(cycles=10)
    volts = (
        24.0 - np.where(low(rows) & sags, 6.0, 0.0) + 0.02 * np.random.default_rng(2).standard_normal(low(rows).size)
    )
    valve = replace(VALVE, as_left={**VALVE.as_left, "supply_voltage": 24.0})
    out = judged({**fall(rows, np.minimum(rows["current"], 0.97)), "supply": volts}, valve).findings
    cut = next(f for f in out if f.kind == "current-clipped")
    if sags:
        assert out[0].kind == "supply-low"
        assert (cut.part, cut.consequence_of) == (Part.SUPPLY, "supply-low")
    else:
        assert Part.SUPPLY not in {cut.part, *cut.alternatives}


@pytest.mark.parametrize("at_times", [True, False])
def test_a_pressure_nobody_asked_for_comes_and_goes_with_the_pressure_that_did(
    at_times: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was found by no quantity of its own; one event has one part, however many findings it makes."""
    moved = within.Within("Pressure was off.", 1.0, frozenset({1.0, 2.0, 3.0} if at_times else ()))
    monkeypatch.setattr(within, "moved_within", lambda *_: moved)
    assert within.comes_and_goes(make("pressure-unwanted", "Pressure was high.", 1.0), context()) is at_times


def test_two_low_commands_with_a_jump_between_them_are_no_current_that_comes_and_goes() -> None:
    """A driver that jumps over the dead band: what is off is off by the command alone, at no time of its own."""
    rows = press(levels=(0.0, 0.6, 0.012, 1.0, 0.012, 0.3), cycles=10)
    acting = shares(rows)
    jumps = {**rows, "current": rows["current"] + 0.08 * SPAN_A * np.clip(acting / 0.004, 0.0, 1.0) * (1.0 - acting)}
    judgement = judged(jumps)
    assert "current-zero-changed" not in {one.kind for one in judgement.findings}
    zero = next(one for one in judgement.quantities if one.id == "current_at_zero")
    at_rest = jumps["current"][(rows["command"] < 4.02) & (acting < 0.003)]
    assert abs(zero.as_found - np.mean(at_rest)) < 2e-3 < 0.25 * zero.tolerance_above
