"""Weeks of production through the judge and through single charts: what is said of a drift, and when it is out."""

from __future__ import annotations

import itertools
from dataclasses import asdict, replace
from datetime import datetime

import numpy as np
import pytest
from asleft.judge.drift import Chart, limits_for
from asleft.judge.judge import StepOutcome, begin, step
from asleft.judge.published import judgement_json
from asleft.judge.state import dumps, loads
from asleft.judge.trend import DAY_S
from asleft.judge.types import Samples, Verdict
from asleft.sheet.model import Sheet
from asleft.sim.calendar import ZONE
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import default_valve
from asleft.sim.recording import simulate
from lanes import by_id, part, samples_of, sheet_of
from test_blocks import differences

START_S = datetime(2025, 11, 4, 12, tzinfo=ZONE).timestamp()
PER_DAY, DAYS, PER_DAY_BAR = 2, 13, -0.3


Weeks = tuple[Sheet, list[StepOutcome], list[Samples]]


@pytest.fixture(scope="module")
def weeks() -> Weeks:
    """Windows of four minutes, two a day; from the fourth day on the pressure falls."""
    fault = Fault(FaultKind.PRESSURE_DRIFT, START_S + 3 * DAY_S, PER_DAY_BAR, "drift")
    model = replace(default_valve(), faults=(fault,))
    starts = [START_S + DAY_S * k / PER_DAY for k in range(PER_DAY * DAYS)]
    recordings = simulate([model] * len(starts), starts, 270.0, rate_hz=20.0, burst_every_s=0.0, seed=4)
    sheet = sheet_of(model, recordings[0].truth.as_left)
    windows = [samples_of(recording) for recording in recordings]
    state, out = begin(sheet, budget_years=0.5), []
    for n, window in enumerate(windows):
        out.append(step(sheet, loads(dumps(state)) if n % 5 == 0 else state, window))
        state = out[-1].state
    return sheet, out, windows


def test_a_drift_is_told_before_it_is_out_and_dated(weeks: Weeks) -> None:
    sheet, steps, _ = weeks
    last = steps[-1].judgement
    pressure = by_id(last)["pressure_at_full"]
    assert pressure.verdict is Verdict.IN
    assert pressure.trend_per_day == pytest.approx(PER_DAY_BAR, rel=0.15)
    assert pressure.trend_low_per_day is not None
    assert pressure.trend_high_per_day is not None
    assert pressure.trend_low_per_day < PER_DAY_BAR * 0.95 < pressure.trend_high_per_day + 0.05
    # It has been falling since the fourth day; the rest of its tolerance at that pace.
    rest = sheet.tolerance["pressure_at_full"].below / -PER_DAY_BAR - (DAYS - 3)
    assert pressure.forecast_s is not None
    assert (pressure.forecast_s - START_S) / DAY_S - DAYS == pytest.approx(rest, abs=1.5)
    (finding,) = [f for f in last.findings if f.kind == "pressure-changed"]
    assert finding.severity == 1
    assert "at that pace it reaches its tolerance" in finding.evidence
    keys = next(q for q in judgement_json(last)["quantities"] if q["id"] == "pressure_at_full")
    assert keys["trend_interval"] == [pressure.trend_low_per_day, pressure.trend_high_per_day]
    assert keys["forecast"].endswith("Z")
    assert len(keys["forecast_interval"]) == 2


def test_what_has_not_moved_is_not_told(weeks: Weeks) -> None:
    _, steps, _ = weeks
    others = [f for outcome in steps for f in outcome.judgement.findings if f.kind != "pressure-changed"]
    assert others == []
    charts = {name: chart for name, chart in steps[-1].state.charts.items() if not name.startswith("pressure")}
    assert all(chart.left is not None for chart in charts.values())
    assert all(max(chart.sums) < 0.5 * chart.limits.quick for chart in charts.values())
    assert all(q.forecast_s is None for q in steps[-1].judgement.quantities if not q.id.startswith("pressure"))


def test_the_budget_is_kept_and_sets_the_limits(weeks: Weeks) -> None:
    sheet, steps, _ = weeks
    last = steps[-1].state
    charted = sum(chart.left is not None for chart in last.charts.values())
    assert last.charts["ramp_up"].limits == limits_for(0.5, charted)
    assert loads(dumps(begin(sheet, budget_years=50.0))).budget_years == 50.0
    with pytest.raises(ValueError, match="budget_years must be"):
        begin(sheet, budget_years=0.0)


def test_charts_do_not_depend_on_how_the_windows_are_cut(weeks: Weeks) -> None:
    sheet, steps, windows = weeks
    state = begin(sheet, budget_years=0.5)
    rng = np.random.default_rng(6)
    for window in windows[:9]:
        cuts = [0, *sorted(rng.integers(1, window.time_s.size, 3).tolist()), window.time_s.size]
        for a, b in itertools.pairwise(cuts):
            if b > a:
                state = step(sheet, state, part(window, a, b)).state
    whole = steps[8].state.charts
    assert set(state.charts) == set(whole)
    assert max(chart.noise.hours_n for chart in whole.values()) >= 6
    for name, chart in state.charts.items():
        assert differences(asdict(chart), asdict(whole[name]), name) == []


def windows(course: np.ndarray, seed: int) -> Chart:
    """A chart of three windows a day with a scatter of 0.05 and a dead zone of 1, as left at zero."""
    chart = Chart(left=(0.0, 0.01))
    for k, value in enumerate(course + 0.05 * np.random.default_rng(seed).standard_normal(course.size)):
        chart.add(START_S + DAY_S * k / 3, float(value), 0.05, 1.0, limits_for(5.0, 8))
    return chart


DAY = np.arange(90) / 3.0


def test_a_fault_below_the_dead_zone_raises_nothing_but_shows_in_the_trend() -> None:
    chart = windows(0.03 * DAY, 1)
    assert chart.signal() is None
    assert chart.trend is not None
    assert chart.trend.per_day == pytest.approx(0.03, rel=0.1)


@pytest.mark.parametrize("side", [1, -1])
def test_a_step_beyond_the_dead_zone_signals_and_is_no_trend(side: int) -> None:
    chart = windows(side * 1.5 * (DAY > 15), 2)
    signal = chart.signal()
    assert signal is not None
    assert signal[0] == side
    assert (signal[1] - START_S) / DAY_S == pytest.approx(15.0, abs=1.0)
    assert chart.trend is None


@pytest.mark.parametrize("began", [3.0, 10.0, 20.0])
def test_a_drift_signals_while_its_scatter_is_still_being_learnt(began: float) -> None:
    """What a chart learns of slow swings must not swallow a drift."""
    chart = windows(0.3 * np.maximum(DAY - began, 0.0), 3)
    assert chart.signal() is not None
    assert chart.trend is not None
    assert chart.trend.per_day == pytest.approx(0.3, rel=0.1)


def test_quiet_weeks_say_nothing() -> None:
    charts = [windows(np.zeros(90), seed) for seed in range(20)]
    assert all(chart.signal() is None for chart in charts)
    assert sum(chart.trend is not None for chart in charts) <= 3
