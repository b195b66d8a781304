from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.coil.coil import (
    ENTERED,
    ColdCoil,
    by_saturation,
    by_voltage,
    copper,
    output_of,
    reference_of,
    resistance_now,
    winding,
    winding_degc,
)
from asleft.judge.coil.coldsoak import SoakCarry, see_soak
from asleft.judge.driver.clipping import Clip
from asleft.judge.intake.intake import columns_of
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.state import dumps, loads
from asleft.judge.types import Samples, Verdict
from asleft.sheet.model import Coil, Conditions, Instrument, Where
from coils import R20_OHM, coil_sheet, cold_start, copper_ohm, warm_dwells
from lanes import blocks, by_id
from synth import MA, dwell

CLIP = Clip(0.9, 1.0, 1.0, 0.0, 5)


@pytest.mark.parametrize("degc", [-40.0, 20.0, 68.4, 180.0])
def test_temperature_is_the_inverse_of_resistance(degc) -> None:
    assert winding_degc(copper(degc)) == pytest.approx(degc)


def test_resistance_is_voltage_over_current_whatever_the_level() -> None:
    found = by_voltage(warm_dwells(copper_ohm(60.0)), coil_sheet())
    assert found is not None
    assert found.ohm == pytest.approx(copper_ohm(60.0))
    assert found.basis == "coil voltage"
    assert found.dwells == 15


def test_dwells_of_little_current_are_left_out_and_none_gives_none() -> None:
    few = warm_dwells(12.0, levels=(0.0,))
    assert by_voltage(few, coil_sheet()) is None
    mixed = by_voltage([*few, *warm_dwells(12.0, levels=(1.0,))], coil_sheet())
    assert mixed is not None
    assert mixed.dwells == 5
    assert by_voltage([dwell(1.0, 1.0)], coil_sheet()) is None  # no coil voltage


def test_weights_make_the_most_of_unequal_levels() -> None:
    """The standard uncertainty agrees with the scatter over many tries, and with the least possible one."""
    tries = [by_voltage(warm_dwells(12.0, noise_v=0.03, seed=seed, repeats=10), coil_sheet()) for seed in range(300)]
    ohms = np.array([t.ohm for t in tries if t is not None])
    told = np.array([t.se_ohm for t in tries if t is not None])
    ampere = np.array([d.current_a for d in warm_dwells(12.0, repeats=10) if d.current_a > 0.25])
    bound = 0.03 / np.sqrt(300.0 * np.sum(ampere**2))
    assert ohms.std() == pytest.approx(bound, rel=0.15)
    assert np.sqrt(np.mean(told**2)) == pytest.approx(bound, rel=0.1)


def test_a_voltage_taken_at_the_driver_contains_the_cable() -> None:
    at_driver = coil_sheet(instruments={"coil_voltage": Instrument(where=Where.TERMINALS)})
    found = by_voltage(warm_dwells(12.3), at_driver)
    assert found is not None
    assert found.ohm == pytest.approx(12.0)
    assert found.systematic_ohm == pytest.approx(0.1 * 0.3)


def test_calibration_of_both_readings_counts() -> None:
    known = coil_sheet(
        instruments={
            "coil_voltage": Instrument(expanded_uncertainty=0.2),
            "current": Instrument(expanded_uncertainty=0.01),
        }
    )
    found = by_voltage(warm_dwells(12.0, levels=(1.0,)), known)
    assert found is not None
    assert found.systematic_ohm == pytest.approx(12.0 * np.hypot(0.1 / 12.0, 0.005))


def test_a_saturated_output_tells_the_resistance() -> None:
    rows = [
        d._replace(current_a=0.9, coil_v=np.nan) if d.demand == 1.0 else d._replace(coil_v=np.nan)
        for d in warm_dwells(12.0)
    ]
    found = by_saturation(rows, coil_sheet(), CLIP)
    assert found is not None
    assert found.ohm == pytest.approx((24.0 - 1.2) * 0.97 / 0.9 - 0.3)
    assert found.basis == "full saturation"
    assert resistance_now(rows, coil_sheet(), CLIP) == found


@pytest.mark.parametrize(
    ("changes", "clip", "supply_v"),
    [
        ({}, None, 24.0),  # nothing is cut off
        ({}, CLIP, float("nan")),  # supply not recorded
        ({"coil": Coil(90.0, 21.6, 0.3)}, CLIP, 24.0),  # neither drop nor duty known
        ({"coil": Coil(90.0, 21.6, 0.3, 1.2, 0.97, 0.9)}, CLIP, 24.0),  # the driver's own limit
        ({}, CLIP, 8.0),  # a winding colder than any
    ],
)
def test_saturation_tells_nothing_where_something_else_may_limit(changes, clip, supply_v) -> None:
    rows = [d._replace(current_a=0.9) for d in warm_dwells(12.0, levels=(1.0,), supply_v=supply_v)]
    assert by_saturation(rows, coil_sheet(**changes), clip) is None


def test_resistance_now_is_of_the_last_two_minutes() -> None:
    old, new = warm_dwells(14.0, repeats=10), warm_dwells(12.0, repeats=10, every_s=4.0)
    later = [d._replace(from_s=d.from_s + 500.0, to_s=d.to_s + 500.0) for d in new]
    found = resistance_now([*old, *later], coil_sheet(), None)
    assert found is not None
    assert found.ohm == pytest.approx(12.0)
    assert resistance_now([], coil_sheet(), None) is None


def test_a_temperature_is_as_sure_as_its_reference() -> None:
    now = by_voltage(warm_dwells(copper_ohm(70.0)), coil_sheet())
    entered = reference_of(coil_sheet(), None)
    assert now is not None
    assert entered is not None
    told = winding(now, entered)
    assert told.degc == pytest.approx(70.0)
    assert told.u_k == pytest.approx(1.96 * copper(70.0) * ENTERED / 0.00393, rel=1e-3)
    cold = ColdCoil(R20_OHM, 0.005, 10.0, 0.01, 20.0, 1.0, 0.0, 60.0, 12)
    measured = reference_of(coil_sheet(), cold)
    assert measured is not None
    assert winding(now, measured).u_k < 3.0  # the readings' calibration cancels
    assert reference_of(coil_sheet(as_left={"current_at_full": 1.0}), None) is None


def test_what_the_sheet_does_not_say_is_taken_as_usual_and_said() -> None:
    blind = output_of(coil_sheet(coil=Coil()))
    assert blind.assumed == ("driver drop", "largest duty", "cable")
    assert blind.drop_u_v > output_of(coil_sheet()).drop_u_v
    assert output_of(coil_sheet()).assumed == ()


def soak(samples: Samples, cuts: tuple[int, ...] = ()) -> SoakCarry:
    carry = SoakCarry()
    edges = [0, *cuts, samples.time_s.size]
    for a, b in itertools.pairwise(edges):
        part = Samples(samples.time_s[a:b], {n: v[a:b] for n, v in samples.channels.items()})
        see_soak(columns_of(part, MA), coil_sheet(), carry)
    return carry


def test_a_start_after_three_hours_without_current_is_a_cold_one_however_it_is_cut() -> None:
    samples = cold_start(work_s=5.0)
    whole = soak(samples)
    (start,) = whole.starts
    assert start.at_s == pytest.approx(1e6 + 3.2 * 3600.0, abs=0.3)
    assert start.soak_s == pytest.approx(3.2 * 3600.0, abs=0.3)
    assert start.oil_degc == 18.0
    assert soak(samples, (1, 5000, 5001, 115_190, 115_203)) == whole


def test_a_short_stop_or_a_pause_in_the_readings_is_no_soak() -> None:
    assert soak(cold_start(quiet_s=2.9 * 3600.0, work_s=5.0)).starts == []
    assert soak(cold_start(pause=(7000.0, 7100.0), work_s=5.0)).starts == []
    assert soak(cold_start(pause=(7000.0, 7030.0), work_s=5.0)).starts != []
    end_s = 3.2 * 3600.0
    assert soak(cold_start(pause=(end_s - 100.0, end_s + 1.0), work_s=5.0)).starts == []  # until current flows


def test_resistance_at_20_degrees_from_a_cold_start_led_back_to_its_first_moment() -> None:
    judgement = judge_log(
        coil_sheet(), cold_start(k_per_a2s=0.1)
    )  # by a third of a per cent in its first half minute
    found = by_id(judgement)["coil_resistance"]
    assert found.verdict is Verdict.IN
    assert found.as_found == pytest.approx(R20_OHM, rel=0.001)
    assert found.uncertainty is not None
    assert found.uncertainty == pytest.approx(2.0 * R20_OHM * 0.00393 * 3.0, rel=0.4)  # oil beside it: 3 K
    assert "cold start at 18 °C" in found.reason
    # The winding has warmed by some kelvin since; the end of the log says by how much.
    assert judgement.coil is not None
    assert judgement.coil.temperature_degc == pytest.approx(18.0 + 0.1 * 0.45 * 100.0, abs=3.0)


def test_without_a_temperature_a_cold_start_tells_nothing_but_the_sheets_air_will_do() -> None:
    samples = cold_start(oil_degc=None)
    blind = by_id(judge_log(coil_sheet(), samples))["coil_resistance"]
    assert blind.verdict is Verdict.NOT_OBSERVED
    assert "cold soak of 3 hours, with oil or air temperature known" in blind.reason
    assert "winding is at" in blind.reason
    air = coil_sheet(conditions=Conditions(ambient_temperature_degc=(15.0, 21.0)))
    found = by_id(judge_log(air, samples))["coil_resistance"]
    assert found.as_found == pytest.approx(R20_OHM, rel=0.002)


def test_a_changed_coil_is_a_finding_after_the_next_cold_start() -> None:
    samples = cold_start()
    worse = replace(samples, channels={**samples.channels, "coil_voltage": 1.2 * samples.channels["coil_voltage"]})
    judgement = judge_log(coil_sheet(), worse)
    (found,) = (f for f in judgement.findings if f.kind == "coil-changed")
    assert "13.2" in found.evidence
    assert by_id(judgement)["coil_resistance"].verdict is Verdict.OUT


def test_cold_starts_and_days_survive_text_and_any_cut() -> None:
    samples = cold_start()
    whole = step(coil_sheet(), begin(coil_sheet()), samples)
    state = begin(coil_sheet())
    for block in blocks(samples, (100_000, 15_000, 201, 97, 333)):
        state = loads(dumps(step(coil_sheet(), state, block).state))
    assert state.soak == whole.state.soak
    assert len(state.soak.colds) == 1
    assert state.soak.colds[0].ohm == pytest.approx(R20_OHM, rel=0.002)


def test_a_cold_start_makes_one_point_of_history_not_one_every_ten_minutes() -> None:
    samples = cold_start(work_s=1900.0, k_per_a2s=0.0)
    state = begin(coil_sheet())
    for block in blocks(samples, (115_200, 3000)):
        state = step(coil_sheet(), state, block).state
    assert len(state.charts["current_at_full"].points) == 3
    assert len(state.charts["coil_resistance"].points) == 1
    (day,) = state.coil_days
    assert day.hottest_degc == pytest.approx(18.0, abs=0.5)


def test_neither_voltage_nor_saturation_is_said() -> None:
    samples = cold_start()
    mute = replace(samples, channels={n: v for n, v in samples.channels.items() if n != "coil_voltage"})
    found = by_id(judge_log(coil_sheet(), mute))["coil_resistance"]
    assert found.reason == "neither coil voltage nor full saturation"
