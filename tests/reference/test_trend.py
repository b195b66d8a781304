from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from asleft.judge.charts import theil_sen, trend_per_day

DAY_S = 86400.0


def series(t: list[float], y: list[float]) -> list[tuple[float, float, float]]:
    """Chart points, the published time unit taken for a day."""
    return [(DAY_S * at, value, 0.0) for at, value in zip(t, y, strict=True)]


def test_slope_of_sens_example(published: dict[str, dict[str, Any]]) -> None:
    """Sen 1968 (published): slope 4. Seven points are too few for the judge, so each is entered twice.

    Pairs at one time drop out and every slope counts four times: the median is the same.
    """
    data = published["sen"]
    assert trend_per_day(series(data["t"], data["y"])) is None
    twice = sorted(series(data["t"], data["y"]) * 2)
    assert trend_per_day(twice) == pytest.approx(data["slope"], abs=1e-9)


def test_slope_of_the_sulfate_example(published: dict[str, dict[str, Any]]) -> None:
    """US EPA Unified Guidance, example 17-6 (published; computed with libraries too): 26.667, a certain trend."""
    data = published["sulfate"]
    assert trend_per_day(series(data["t"], data["y"])) == pytest.approx(data["slope"], abs=1e-6)
    upside_down = [-value for value in data["y"]]
    assert trend_per_day(series(data["t"], upside_down)) == pytest.approx(-data["slope"], abs=1e-6)


def test_no_trend_from_five_points(published: dict[str, dict[str, Any]]) -> None:
    """Hollander and Wolfe, example 9.1 (published): slope -.05625 with p .23, no trend; the judge claims none."""
    data = published["five_points"]
    assert trend_per_day(series(data["x"], data["y"])) is None
    assert data["p_exact"] > 0.05


def test_no_trend_in_a_series_that_only_trembles(published: dict[str, dict[str, Any]]) -> None:
    """Nile after the break, 1899 to 1970: one level (closed form of the sign: its interval holds zero)."""
    data = published["nile"]
    after = data["volume"][data["last_before_break"] :]
    assert trend_per_day(series(list(range(len(after))), after)) is None


def test_the_nile_steps_and_has_no_trend(published: dict[str, dict[str, Any]]) -> None:
    """Cobb 1978 (data published): one step after 1898, means 1097.75 and 849.972 (computed with strucchange)."""
    data = published["nile"]
    volume = np.array(data["volume"], dtype=float)
    n = data["last_before_break"]
    assert (volume[:n].mean(), volume[n:].mean()) == pytest.approx(data["means"], abs=5e-4)
    assert trend_per_day(series(list(range(volume.size)), volume.tolist())) is None


def test_the_step_of_the_nile_is_found_where_it_is(published: dict[str, dict[str, Any]]) -> None:
    """The judge's own change point: last value before the break, 28 = 1898, and the means on both sides."""
    from asleft.judge.onset import best_split

    data = published["nile"]
    last, before, after, _ = best_split(np.array(data["volume"], dtype=float))
    assert last + 1 == data["last_before_break"]
    assert (before, after) == pytest.approx(data["means"], abs=5e-4)


def test_interval_of_sens_example(published: dict[str, dict[str, Any]]) -> None:
    """Sen 1968 (published): 93 % interval 26/7 to 35/8; 1.811911 is the normal quantile (closed form)."""
    data = published["sen"]
    slope, low, high = theil_sen(np.array(data["t"], dtype=float), np.array(data["y"], dtype=float), z=1.811911)
    assert (slope, low, high) == pytest.approx((4.0, 26 / 7, 35 / 8))


def test_interval_of_the_sulfate_example(published: dict[str, dict[str, Any]]) -> None:
    """20.0 to 35.849: computed with scipy.stats.theilslopes (the guidance itself interpolates to 35.712)."""
    data = published["sulfate"]
    t, y = np.array(data["t"]), np.array(data["y"], dtype=float)
    assert theil_sen(t, y)[1:] == pytest.approx((20.0, 35.849056603773604))
    assert theil_sen(t, -y)[1:] == pytest.approx((-35.849056603773604, -20.0))
