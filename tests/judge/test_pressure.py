from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.estimates.as_found import NotObserved, Seen
from asleft.judge.estimates.estimate import estimate
from asleft.judge.valve.end_pressure import end_estimate, oil_share, pressure_systematic_bar
from asleft.judge.valve.pressure import (
    LevelPressure,
    ceiling_bar,
    in_control,
    key_of,
    learn_control,
    oil_outside,
    steady,
)
from asleft.sheet.model import Characteristic, Conditions, Instrument, Sheet
from synth import dwell, sheet

CURVE = Characteristic((0.2, 0.6, 1.0), (10.0, 90.0, 200.0), (10.0, 110.0, 200.0))


def at(demand: float, bar: float, **more: float):
    return dwell(demand, 0.2 + 0.8 * demand, pressure_bar=bar, **more)


def cycle(off: float = 0.0, count: int = 6) -> list:
    """Approach (load decides), press, hold, decompress; on the straight line between 10 and 200 bar."""
    out = []
    for k in range(count):
        out += [
            at(0.35, 18.0, from_s=10.0 * k),
            at(0.7, 143.0 + 0.7 * off, from_s=10.0 * k + 2),
            at(1.0, 200.0 + off, from_s=10.0 * k + 4),
            at(0.4, 86.0 + 0.4 * off, from_s=10.0 * k + 6, arrival=-1.0),
            at(0.0, 10.0, from_s=10.0 * k + 8, arrival=-1.0),
        ]
    return out


def seen(dwells: list, **changes: object) -> Seen:
    base = Seen(dwells, [], [], True, True, False, 0.0, 3e-4, 0.01, None)
    return replace(base, **changes)  # type: ignore[arg-type]


def test_the_ceiling_follows_the_line_or_the_recorded_branch() -> None:
    assert ceiling_bar(sheet(), 0.5, 1.0) == pytest.approx(105.0)
    curved = sheet(characteristic=CURVE)
    assert ceiling_bar(curved, 0.5, 1.0) == pytest.approx(90.0)
    assert ceiling_bar(curved, 0.5, -1.0) == pytest.approx(110.0)
    assert ceiling_bar(curved, 0.5, 0.0) == pytest.approx(100.0)
    assert ceiling_bar(curved, 1.1, 1.0) == pytest.approx(222.0)  # at the slope of the last piece
    assert ceiling_bar(sheet(as_left={"ramp_up": 1.0}), 0.5, 1.0) is None


def test_only_steady_pressure_in_production_counts() -> None:
    good = at(0.7, 143.0)
    bad = [
        good._replace(producing=0.0),
        good._replace(pressure_bar=np.nan),
        good._replace(arrival=0.0),
        good._replace(pressure_moves_bar=3.0),
    ]
    assert steady([good, *bad], sheet()) == [good]


def test_outside_the_oil_window_nothing_is_judged() -> None:
    warm = sheet(conditions=Conditions(oil_temperature_degc=(35.0, 55.0)))
    cold = [at(1.0, 210.0, oil_degc=20.0)] * 4
    assert steady(cold, warm) == []
    assert oil_outside(cold, warm)
    assert not oil_outside([*cold, at(1.0, 200.0, oil_degc=45.0)], warm)
    assert not oil_outside([at(1.0, 200.0)], warm)
    found = estimate(warm, seen(cold))
    value = found.quantities["pressure_at_full"]
    assert isinstance(value, NotObserved)
    assert value.reason == "oil outside its temperature window"


def test_levels_on_the_characteristic_are_in_control_and_the_approach_is_not() -> None:
    control = learn_control(cycle(), sheet(), 4.0, accept=0.05)
    assert control[key_of(at(1.0, 200.0))].in_control
    assert control[7, 1].in_control is False  # 35 %, from below
    assert control[8, -1].in_control
    assert in_control(at(0.7, 100.0), sheet(), control)  # learnt once: a later fall is a departure, not the load
    assert not in_control(at(0.35, 76.5), sheet(), control)
    assert not in_control(at(0.55, 114.0), sheet(), control)  # never seen


def test_a_level_that_does_not_repeat_is_the_loads_doing() -> None:
    loose = [at(0.7, bar) for bar in (143.0, 100.0, 120.0, 143.0, 60.0)]
    assert not learn_control(loose, sheet(), 4.0, accept=0.05)[14, 1].in_control
    assert learn_control(loose[:2], sheet(), 4.0, accept=0.05) == {}


def test_pressure_above_the_characteristic_is_in_control_whatever_its_distance() -> None:
    high = [at(0.35, 150.0)] * 4
    assert learn_control(high, sheet(), 4.0, accept=0.05)[7, 1].in_control


def test_a_level_learnt_with_the_current_already_cut_off_is_what_the_sheet_says() -> None:
    lower = [at(0.7, 143.0)] * 4
    cut = [dwell(1.0, 0.94, pressure_bar=186.0)] * 4
    control = learn_control([*lower, *cut], sheet(), 4.0, accept=0.15)
    assert (control[20, 1].pressure_bar, control[20, 1].in_control) == (pytest.approx(200.0), True)
    assert control[14, 1].pressure_bar == 143.0
    # A lower setting moves every level, and with current and pressure together the valve was left so.
    turned = [dwell(u, 0.94 * (0.2 + 0.8 * u), pressure_bar=bar) for u, bar in ((0.7, 134.0), (1.0, 186.0))] * 4
    low = learn_control(turned, sheet(), 4.0, accept=0.15)
    assert (low[14, 1].pressure_bar, low[20, 1].pressure_bar) == (134.0, 186.0)
    # Without a current reading nothing tells.
    unread = [dwell(u, pressure_bar=bar) for u, bar in ((0.7, 143.0), (1.0, 186.0))] * 4
    assert learn_control(unread, sheet(), 4.0, accept=0.15)[20, 1].pressure_bar == 186.0


def test_the_sheets_own_marks_go_before_what_was_learnt() -> None:
    by_range = sheet(conditions=Conditions(in_control_command_pct=(60.0, 100.0)))
    by_mode = sheet(conditions=Conditions(in_control_modes=(3,)))
    assert in_control(at(0.7, 50.0), by_range, {})
    assert not in_control(at(0.35, 18.0), by_range, {})
    assert in_control(at(0.35, 18.0, mode=3.0), by_mode, {})
    assert in_control(at(0.7, 143.0), by_mode, {(14, 1): LevelPressure(143.0, 4, True)})


def test_as_found_at_the_ends() -> None:
    found = estimate(sheet(), seen(cycle(off=-6.0)))
    full, zero = found.quantities["pressure_at_full"], found.quantities["pressure_at_zero"]
    assert not isinstance(full, NotObserved)
    assert not isinstance(zero, NotObserved)
    assert full.value == pytest.approx(194.0)
    assert zero.value == pytest.approx(10.0)
    assert full.segments == zero.segments == 6
    assert full.command_min_pct == 100.0


def test_a_level_within_ten_percent_is_carried_along_the_curve_at_a_price() -> None:
    near = [at(0.92, 200.0 - 0.08 * 190.0)] * 5
    exact = [at(1.0, 200.0)] * 5
    carried = end_estimate(near, sheet(), at_full=True, instrument_u_bar=0.0)
    there = end_estimate(exact, sheet(), at_full=True, instrument_u_bar=0.0)
    assert carried is not None
    assert there is not None
    assert carried.value == pytest.approx(200.0)
    assert carried.repeatability >= 0.2 * 0.08 * 190.0
    assert there.repeatability < 0.1
    assert end_estimate([at(0.85, 170.0)], sheet(), at_full=True, instrument_u_bar=0.0) is None


def test_the_level_nearest_to_the_end_counts_and_one_farther_off_does_not_dilute_it() -> None:
    both = [at(0.92, 170.0)] * 5 + [at(1.0, 200.0)] * 5
    value = end_estimate(both, sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    assert value.value == pytest.approx(200.0)
    assert value.segments == 5
    assert value.command_min_pct == 100.0
    assert value.repeatability < 0.1


@pytest.mark.parametrize("follows", [True, False])
def test_a_command_beyond_full_tells_what_full_would_give_and_how_unsure_that_is(follows: bool) -> None:
    """105 % of the command: some drivers stop at full, others go on, and the pressure with them."""
    more = 0.05 if follows else 0.0
    row = dwell(1.05, 0.2 + 0.8 * (1.0 + more), pressure_bar=200.0 + 190.0 * more, from_s=4.0)
    value = end_estimate([row] * 9, sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    assert value.value == pytest.approx(200.0, abs=0.5)
    assert value.systematic >= 190.0 * 0.05 / np.sqrt(12.0)
    unread = row._replace(current_a=float("nan"))
    half = end_estimate([unread] * 9, sheet(), at_full=True, instrument_u_bar=0.0)
    assert half is not None
    assert abs(half.value - 200.0) < half.expanded()


@pytest.mark.parametrize("bar", [0.0, 1e-9, 74.03, 310.0])
def test_a_pressure_without_any_scatter_is_carried_like_every_other(bar: float) -> None:
    """From normal equations its variance came out negative."""
    rows = [at(0.95 + 0.004 * k, bar)._replace(pressure_se_bar=0.0, pressure_sd_bar=0.0) for k in range(12)]
    value = end_estimate(rows, sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    assert value.repeatability >= 0.0
    assert np.isfinite(value.value)


def test_what_the_oil_may_do_is_systematic() -> None:
    """Unknown share of the viscosity, anything from 0 to 5 %; the valve was left in the middle of the window."""
    warm = sheet(conditions=Conditions(oil_temperature_degc=(35.0, 55.0)))
    assert oil_share(warm, 45.0) == 0.0
    # 1 K: 3.2 % of viscosity, of which a uniform 0..5 % has .05 / sqrt(3) = .0289 rms.
    assert oil_share(warm, 46.0) == pytest.approx(0.0289 * 0.0315, rel=0.01)
    assert oil_share(warm, 44.0) > oil_share(warm, 46.0)  # viscosity rises faster on the cold side
    assert oil_share(warm, float("nan")) == pytest.approx(0.0289 * 0.032 * 20.0 / np.sqrt(12.0), rel=0.01)
    assert oil_share(sheet(), float("nan")) == 0.0
    assert oil_share(sheet(), 45.0) == pytest.approx(0.0289 * 0.032 * 3.0, rel=0.01)
    gauge = sheet(instruments={"pressure": Instrument(expanded_uncertainty=1.0)}, conditions=warm.conditions)
    assert pressure_systematic_bar(gauge, 200.0, 45.0) == 0.5
    assert pressure_systematic_bar(gauge, 200.0, 50.0) == pytest.approx(np.hypot(0.5, 200.0 * oil_share(warm, 50.0)))
    away = [at(1.0, 200.0, oil_degc=50.0)] * 6
    value = end_estimate(away, gauge, at_full=True, instrument_u_bar=0.5)
    assert value is not None
    assert value.systematic == pytest.approx(pressure_systematic_bar(gauge, 200.0, 50.0))
    assert value.expanded_change() < 0.2  # the same oil then and now cancels


def test_full_is_read_from_below_and_zero_from_above_only() -> None:
    assert end_estimate([at(1.0, 205.0, arrival=-1.0)], sheet(), at_full=True, instrument_u_bar=0.0) is None
    assert end_estimate([at(0.0, 8.0, arrival=1.0)], sheet(), at_full=False, instrument_u_bar=0.0) is None


def test_the_gauges_own_uncertainty_is_carried() -> None:
    value = end_estimate([at(1.0, 200.0)] * 9, sheet(), at_full=True, instrument_u_bar=1.5)
    assert value is not None
    assert value.systematic == 1.5
    assert value.expanded() == pytest.approx(1.96 * 1.5, rel=0.01)
    assert value.expanded_change() < 0.2


@pytest.mark.parametrize(
    ("valve", "dwells", "changes", "reason"),
    [
        (sheet(controls="flow"), cycle(), {}, "controls flow"),
        (sheet(), cycle(), {"has_pressure": False}, "no pressure reading"),
        (sheet(), [d._replace(producing=0.0) for d in cycle()], {}, "not producing"),
        (sheet(), [d._replace(pressure_moves_bar=20.0) for d in cycle()], {}, "never settled"),
        (sheet(), [at(0.35, 18.0)] * 6, {}, "not in control"),
        (sheet(), [at(0.7, 143.0)] * 6, {}, "full command not visited"),
    ],
)
def test_why_not_is_always_said(valve: Sheet, dwells, changes, reason) -> None:
    value = estimate(valve, seen(dwells, **changes)).quantities["pressure_at_full"]
    assert isinstance(value, NotObserved)
    assert reason in value.reason


def at_the_end(bars: list[float]):
    dwells = [at(1.0, bar, from_s=100.0 * k) for k, bar in enumerate(bars)]
    value = end_estimate(dwells, sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    return value


def test_a_pressure_that_has_just_left_its_place_is_neither_in_nor_averaged() -> None:
    """A top that gives way within the last of six visits stands at 195.6 bar at least, and nobody knows where."""
    creeping = at_the_end([200.0, 200.1, 199.9, 200.1, 199.6, 195.6])
    assert creeping.value == pytest.approx(195.6)
    assert creeping.expanded() > 4.0
    stepped = at_the_end([200.0, 200.1, 199.9, 200.1, 190.0, 190.1])
    assert stepped.value == pytest.approx(190.1)


@pytest.mark.parametrize(
    "bars",
    [
        [200.0, 200.1, 195.6, 199.9, 200.1, 199.9, 200.0],  # back in its place
        [200.0, 200.1, 194.0, 199.9, 200.1, 199.9, 200.0, 195.6],  # away at times
    ],
)
def test_a_pressure_that_is_away_for_a_visit_at_times_has_not_left_its_place(bars: list[float]) -> None:
    found = at_the_end(bars)
    assert abs(found.value - 200.0) < found.expanded() < 3.0


@pytest.mark.parametrize(("noise_bar", "seen_so"), [(0.1, False), (0.0, True)])
def test_what_reads_the_end_of_a_gauge_is_no_pressure(noise_bar: float, seen_so: bool) -> None:
    """170.0 bar to the last digit at full command, where lower levels scatter; without noise all of them do not."""
    dwells = [d._replace(pressure_sd_bar=noise_bar, pressure_bar=min(d.pressure_bar, 170.0)) for d in cycle()]
    dwells = [d._replace(pressure_sd_bar=0.0) if d.pressure_bar == 170.0 else d for d in dwells]
    found = estimate(sheet(), seen(dwells)).quantities["pressure_at_full"]
    assert isinstance(found, NotObserved) is not seen_so
    if isinstance(found, NotObserved):
        assert found.reason == "the pressure reading ends at 170 bar"


def test_one_load_beside_the_end_tilts_nothing() -> None:
    """A visit just below full whose pressure the load made, among twelve at full that the valve made."""
    value = end_estimate([at(0.984, 100.0), *[at(1.0, 200.0)] * 12], sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    assert value.value == pytest.approx(200.0, abs=0.1)
    assert value.expanded() < 1.0


def test_levels_beyond_full_are_carried_by_the_slope_they_have() -> None:
    """Places that differ by little more than their noise must not make the characteristic twice as steep."""
    rng = np.random.default_rng(4)
    rows = []
    for u in [1.039, 1.045] * 20:
        read = u + 8e-4 * rng.standard_normal()
        rows.append(
            at(read, 10.0 + 190.0 * u)._replace(current_a=0.2 + 0.8 * read, demand_se=8e-4, pressure_se_bar=0.005)
        )
    value = end_estimate(rows, sheet(), at_full=True, instrument_u_bar=0.0)
    assert value is not None
    assert abs(value.value - 200.0) <= value.expanded()
    assert value.value == pytest.approx(200.0, abs=1.0)
