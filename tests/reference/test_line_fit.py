from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from asleft.judge.driver.currents import CurrentLine, Level, current_line


def fitted(demand: list[float], current: list[float], se: float = 1e-4) -> CurrentLine:
    """The judge's line through points of equal weight; `se` small, so that the misfit sets the uncertainty."""
    ordered = sorted(zip(demand, current, strict=True))
    line = current_line([Level(u, i, se, 0.0, se, 1, 0.0, 1.0) for u, i in ordered], 0.0)
    assert line is not None
    return line


def test_certified_line_of_norris(published: dict[str, dict[str, Any]]) -> None:
    """NIST StRD Norris, certified. x / 1000 is the demand: a linear map keeps the line."""
    data = published["norris_line"]
    x = np.array(data["x"])
    line = fitted((x / 1000.0).tolist(), data["y"])
    assert line.at_zero_a == pytest.approx(data["b0"], rel=1e-9)
    assert (line.at_full_a - line.at_zero_a) / 1000.0 == pytest.approx(data["b1"], rel=1e-9)
    assert math.sqrt(float(line.residual_a @ line.residual_a) / (x.size - 2)) == pytest.approx(
        data["residual_sd"], rel=1e-9
    )
    assert line.se_zero_a == pytest.approx(data["se_b0"], rel=1e-9)
    # At x = 1000, closed form from both certified standard errors; cov(b0, b1) = -mean(x) var(b1).
    at_full = data["se_b0"] ** 2 + (1e6 - 2000.0 * x.mean()) * data["se_b1"] ** 2
    assert line.se_full_a == pytest.approx(math.sqrt(at_full), rel=1e-8)


def test_thermometer_calibration_of_the_guide(published: dict[str, dict[str, Any]]) -> None:
    """JCGM 100:2008 H.3 (data from memory, results published): correction at 20 degC and, extrapolated, at 30 degC.

    20 degC is taken for zero command and 30 degC for full, so that the guide's y1 and b(30) are the two ends.
    """
    data = published["thermometer"]
    demand = [(t - data["t0"]) / 10.0 for t in data["t"]]
    line = fitted(demand, data["b"])
    assert line.at_zero_a == pytest.approx(data["y1"], abs=5e-5)
    assert line.se_zero_a == pytest.approx(data["s_y1"], abs=5e-5)
    assert line.at_full_a == pytest.approx(data["b30"], abs=5e-5)
    assert line.se_full_a == pytest.approx(data["u_b30"], abs=5e-5)
    slope = (line.at_full_a - line.at_zero_a) / 10.0
    assert slope == pytest.approx(data["y2"], abs=5e-6)
    assert math.sqrt(float(line.residual_a @ line.residual_a) / 9.0) == pytest.approx(data["s"], abs=5e-5)
    # The guide's correlation of intercept and slope, from the uncertainties at both ends.
    covariance = (line.se_full_a**2 - line.se_zero_a**2 - (10.0 * data["s_y2"]) ** 2) / 20.0
    assert covariance / (line.se_zero_a * data["s_y2"]) == pytest.approx(data["r"], abs=0.02)


@pytest.mark.parametrize("n", [3, 5, 11, 40])
def test_uncertainty_of_evenly_spaced_levels(n: int) -> None:
    """Closed form: n points dx apart, se(slope) = s sqrt(12 / (n (n^2 - 1))) / dx; it carries half to either end."""
    s = 0.002
    u = np.linspace(0.0, 1.0, n)
    line = fitted(u.tolist(), (0.2 + 0.8 * u).tolist(), se=s)
    se_slope = s * math.sqrt(12.0 / (n * (n**2 - 1))) / (1.0 / (n - 1))
    for end in (line.se_zero_a, line.se_full_a):
        assert 2.0 * math.sqrt(end**2 - s**2 / n) == pytest.approx(se_slope, rel=1e-9)
