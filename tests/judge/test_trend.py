from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.trend import DAY_S, Now, Trend, due_words, forecast, trend_fields, trend_of
from asleft.sheet.model import Tolerance


def history(y: np.ndarray, step_days: float = 0.25) -> list[tuple[float, float]]:
    return [(1e9 + k * step_days * DAY_S, float(v)) for k, v in enumerate(y)]


def noise(n: int, seed: int, size: float = 0.1) -> np.ndarray:
    return size * np.random.default_rng(seed).standard_normal(n)


T = np.arange(60) * 0.25


@pytest.mark.parametrize("slope", [-3.0, -0.4, 0.1, 1.0])
def test_a_steady_drift_has_its_slope_as_trend(slope: float) -> None:
    found = [trend_of(history(5.0 + slope * T + noise(60, seed))) for seed in range(60)]
    said = [trend for trend in found if trend is not None]
    assert len(said) >= 57  # now and then chance bends the end of a line
    for trend in said:
        assert trend.per_day == pytest.approx(slope, abs=0.03)
        assert trend.low <= trend.per_day <= trend.high


def test_outliers_hardly_move_a_trend() -> None:
    y = 1.0 * T + noise(60, 1)
    y[[5, 17, 30]] += 5.0
    found = trend_of(history(y))
    assert found is not None
    assert found.per_day == pytest.approx(1.0, rel=0.05)


def test_quiet_histories_hardly_ever_have_a_trend() -> None:
    said = sum(trend_of(history(noise(60, seed))) is not None for seed in range(200))
    assert said <= 12


def test_correlation_is_no_trend() -> None:
    """Neighbours correlated by 0.7: without the widened interval one in four of these would be called a trend."""
    rng = np.random.default_rng(2)
    said = 0
    for _ in range(100):
        x = [0.0]
        for e in rng.standard_normal(59):
            x.append(0.7 * x[-1] + e)
        said += trend_of(history(np.array(x))) is not None
    assert said <= 20


@pytest.mark.parametrize("n", [60, 120])
def test_the_interval_of_a_trend_holds_the_slope_where_neighbours_are_alike(n: int) -> None:
    """Noise correlated by 0.7 from one entry to the next: the interval for independent entries holds it in half."""
    rng, said, inside = np.random.default_rng(7), 0, 0
    for _ in range(200):
        x = [0.0]
        for e in rng.standard_normal(n - 1):
            x.append(0.7 * x[-1] + e)
        found = trend_of(history(0.25 * np.arange(n) + np.array(x)))
        if found is not None and found.from_s == 1e9:
            said += 1
            inside += found.low <= 1.0 <= found.high
    assert said > 100
    assert inside / said > 0.85


@pytest.mark.parametrize("at", [12, 30, 47])
@pytest.mark.parametrize("size", [0.5, 3.0])
def test_a_step_is_no_trend(at: int, size: float) -> None:
    said = sum(trend_of(history(size * (np.arange(60) >= at) + noise(60, seed))) is not None for seed in range(30))
    assert said <= 2


def test_a_drift_that_has_ended_is_no_trend() -> None:
    assert trend_of(history(np.minimum(T, 6.0) + noise(60, 3))) is None


def test_a_drift_that_began_late_has_its_own_slope() -> None:
    found = trend_of(history(0.8 * np.maximum(T - 8.0, 0.0) + noise(60, 4)))
    assert found is not None
    assert found.per_day == pytest.approx(0.8, rel=0.1)
    assert (found.from_s - 1e9) / DAY_S == pytest.approx(8.0, abs=1.0)


@pytest.mark.parametrize(("n", "step"), [(7, 1.0), (60, 0.02)])
def test_too_little_is_no_trend(n: int, step: float) -> None:
    assert trend_of(history(np.arange(float(n)), step)) is None


def test_values_without_any_noise_have_their_slope() -> None:
    found = trend_of(history(2.0 * T))
    assert found is not None
    assert (found.low, found.per_day, found.high) == pytest.approx((2.0, 2.0, 2.0))
    assert trend_of(history(np.zeros(60))) is None


LINE = Trend(1.0, 0.8, 1.25, at_s=0.0, value=0.0, value_se=0.0, from_s=-10 * DAY_S, to_s=10 * DAY_S)


def test_a_forecast_is_where_the_line_meets_the_tolerance() -> None:
    due = forecast(LINE, -16.0, 16.0)
    assert due is not None
    assert (due.at_s, due.early_s, due.late_s) == pytest.approx((16 * DAY_S, 12.8 * DAY_S, 20 * DAY_S))
    wide = forecast(Trend(1.0, 0.8, 1.25, 0.0, 0.0, 1.0, -10 * DAY_S, 10 * DAY_S), -16.0, 16.0)
    assert wide is not None
    assert wide.early_s < due.early_s
    assert wide.late_s is not None
    assert wide.late_s > 20 * DAY_S


def test_a_falling_line_meets_the_other_side() -> None:
    down = Trend(-1.0, -1.25, -0.8, 0.0, 0.0, 0.0, -10 * DAY_S, 10 * DAY_S)
    due = forecast(down, -16.0, 99.0)
    assert due is not None
    assert (due.at_s, due.early_s, due.late_s) == pytest.approx((16 * DAY_S, 12.8 * DAY_S, 20 * DAY_S))


@pytest.mark.parametrize("edge", [9.0, 31.0, math.inf])
def test_no_date_that_is_past_or_beyond_the_length_of_history_or_not_judged(edge: float) -> None:
    assert forecast(LINE, -math.inf, edge) is None


def test_a_late_end_beyond_the_length_of_history_is_left_open() -> None:
    due = forecast(LINE, -28.0, 28.0)
    assert due is not None
    assert due.late_s is None


def test_fields_of_a_result() -> None:
    assert trend_fields(None, 100.0, Tolerance(16.0, 16.0)) == {}
    near = trend_fields(LINE, 0.0, Tolerance(16.0, 16.0))
    assert near["forecast_in_days"] == pytest.approx((2.8, 10.0))
    assert near["trend_per_day"] == 1.0
    far = trend_fields(LINE, 0.0, Tolerance(99.0, 99.0))
    assert set(far) == {"trend_per_day", "trend_low_per_day", "trend_high_per_day"}


def test_days_are_counted_from_the_value_now() -> None:
    """The line's newest entry is a mean over hours: at 1 a day and 0.6 from the edge it is 0.6 of a day, not 6."""
    now = Now(LINE.to_s + 0.2 * DAY_S, 15.4, 0.1)
    due = trend_fields(LINE, 0.0, Tolerance(16.0, 16.0), now)["forecast_in_days"]
    assert due[0] <= 0.6 <= due[1]
    assert due[0] == pytest.approx(0.5 / max(LINE.low, LINE.high))
    past = trend_fields(LINE, 0.0, Tolerance(16.0, 16.0), Now(LINE.to_s, 16.1, 0.1))
    assert "forecast_in_days" not in past


@pytest.mark.parametrize(
    ("early", "late", "words"),
    [
        (9.2, 13.7, "in 9 to 14 days"),
        (0.0, 2.5, "within 3 days"),
        (0.3, 0.4, "within 1 day"),
        (20.4, None, "in 20 days or later"),
        (1.0, None, "in 1 day or later"),
    ],
)
def test_words_of_a_forecast(early: float, late: float | None, words: str) -> None:
    assert due_words(early, late) == words


def test_the_true_date_lies_in_the_interval_of_most_forecasts() -> None:
    rng, right, said = np.random.default_rng(5), 0, 0
    for seed in range(150):
        slope, ahead = rng.uniform(0.02, 0.1), rng.uniform(2.0, 8.0)
        found = trend_of(history(slope * T + noise(60, seed)))
        due = None if found is None else forecast(found, -math.inf, slope * (T[-1] + ahead))
        if due is not None:
            said += 1
            true_s = 1e9 + (T[-1] + ahead) * DAY_S
            right += due.early_s <= true_s and (due.late_s is None or true_s <= due.late_s)
    assert said > 100
    assert right / said > 0.9
