from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from asleft.judge.driver.currents import CurrentLine, Level, current_line, least_squares


def fitted(demand: list[float], current: list[float], se: float = 1e-4) -> CurrentLine:
    """The judge's line through points of equal weight; `se` small, so that the misfit sets the uncertainty."""
    ordered = sorted(zip(demand, current, strict=True))
    line = current_line([Level(u, i, se, 0.0, se, 1, 0.0, 1.0) for u, i in ordered], 0.0)
    assert line is not None
    return line


def line_of(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Intercept and slope, their standard errors and the residual standard deviation, points of equal weight."""
    drift = np.column_stack((np.ones(x.size), x))
    line, covariance = least_squares(drift, y, np.eye(x.size))
    left = y - drift @ line
    sd = math.sqrt(float(left @ left) / (x.size - 2))
    return line, sd * np.sqrt(np.diag(covariance)), sd


def test_certified_line_of_norris(published: dict[str, dict[str, Any]]) -> None:
    """NIST StRD Norris, certified: the least squares that every law of a driver is fitted by."""
    data = published["norris_line"]
    line, se, sd = line_of(np.array(data["x"]), np.array(data["y"]))
    assert line == pytest.approx([data["b0"], data["b1"]], rel=1e-9)
    assert sd == pytest.approx(data["residual_sd"], rel=1e-9)
    assert se == pytest.approx([data["se_b0"], data["se_b1"]], rel=1e-8)


def test_thermometer_calibration_of_the_guide(published: dict[str, dict[str, Any]]) -> None:
    """JCGM 100:2008 H.3 (data from memory, results published): correction at 20 degC, and carried to 30 degC."""
    data = published["thermometer"]
    t = np.array(data["t"]) - data["t0"]
    line, se, sd = line_of(t, np.array(data["b"]))
    assert line[0] == pytest.approx(data["y1"], abs=5e-5)
    assert line[1] == pytest.approx(data["y2"], abs=5e-6)
    assert se == pytest.approx([data["s_y1"], data["s_y2"]], abs=5e-5)
    assert sd == pytest.approx(data["s"], abs=5e-5)
    assert line @ [1.0, 10.0] == pytest.approx(data["b30"], abs=5e-5)
    _, covariance = least_squares(np.column_stack((np.ones(t.size), t)), np.array(data["b"]), np.eye(t.size) / sd**2)
    assert math.sqrt(np.array([1.0, 10.0]) @ covariance @ [1.0, 10.0]) == pytest.approx(data["u_b30"], abs=5e-5)
    assert covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(data["r"], abs=5e-4)


@pytest.mark.parametrize("n", [3, 5, 11, 40])
def test_uncertainty_of_evenly_spaced_levels(n: int) -> None:
    """Closed form: n points dx apart, se(slope) = s sqrt(12 / (n (n^2 - 1))) / dx; it carries half to either end."""
    s = 0.002
    u = np.linspace(0.0, 1.0, n)
    line = fitted(u.tolist(), (0.2 + 0.8 * u).tolist(), se=s)
    se_slope = s * math.sqrt(12.0 / (n * (n**2 - 1))) / (1.0 / (n - 1))
    for end in (line.se_zero_a, line.se_full_a):
        assert 2.0 * math.sqrt(end**2 - s**2 / n) == pytest.approx(se_slope, rel=1e-9)
