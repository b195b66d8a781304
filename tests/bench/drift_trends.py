"""Trends and forecasts on drawn histories: how often a trend is said, and how often the date lies in its interval."""

from __future__ import annotations

import numpy as np
from asleft.judge.trend import DAY_S, forecast, trend_of
from drift_noise import FloatArray
from report import Goal, share_interval

_DAYS = 28.0
_PER_DAY = 3


def histories(shape: str, runs: int, seed: int, *, correlation: float = 0.0) -> list[tuple[FloatArray, float]]:
    """Values of four weeks at three a day, scatter 1, and the slope per day they end with."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(_DAYS * _PER_DAY)) / _PER_DAY
    out = []
    for _ in range(runs):
        y = rng.standard_normal(t.size)
        for k in range(1, t.size):
            y[k] = correlation * y[k - 1] + np.sqrt(1.0 - correlation**2) * y[k]
        at = rng.uniform(6.0, 18.0)
        size = rng.choice((-1.0, 1.0)) * rng.uniform(0.25, 1.0)
        slope = {"drift": size, "drift after quiet": size}.get(shape, 0.0)
        course = {
            "quiet": 0.0 * t,
            "step": 8.0 * size * (t > at),
            "drift": size * t,
            "drift after quiet": size * np.maximum(t - at, 0.0),
            "drift that has ended": size * np.minimum(t - at, 0.0),
        }[shape]
        out.append((course + y, slope))
    return out


def _row(shape: str, runs: int, correlation: float) -> tuple[int, int, int, int]:
    """Runs with a trend, with its slope in the interval, with a date, with the true date in its interval."""
    t = np.arange(int(_DAYS * _PER_DAY)) / _PER_DAY
    rng = np.random.default_rng(7)
    trends = slopes = dates = right = 0
    for y, slope in histories(shape, runs, 3, correlation=correlation):
        found = trend_of([(DAY_S * at, float(value)) for at, value in zip(t, y, strict=True)])
        if found is None:
            continue
        trends += 1
        slopes += found.low <= slope <= found.high
        if slope == 0.0:
            continue
        if shape == "drift":  # its true line goes through the origin
            ahead = rng.uniform(2.0, 10.0)
            edge = slope * (t[-1] + ahead)
            due = forecast(found, -abs(edge), abs(edge))
            if due is None:
                continue
            dates += 1
            true_s = DAY_S * (t[-1] + ahead)
            right += due.early_s <= true_s and (due.late_s is None or true_s <= due.late_s)
    return trends, slopes, dates, right


def table(full: bool) -> tuple[list[str], list[Goal]]:
    """Lines and goals."""
    runs = 1000 if full else 20
    lines = [
        f"trends on {runs} histories of four weeks, three entries a day, drifts of 0.25 to 1 sigma a day",
        "  shape                 correlation  trend said  slope in interval  date said  true date in interval",
    ]
    goals = []
    for shape, correlation in (
        ("quiet", 0.0), ("quiet", 0.5), ("step", 0.0), ("step", 0.5), ("drift", 0.0), ("drift", 0.5),
        ("drift after quiet", 0.0), ("drift that has ended", 0.0),
    ):  # fmt: skip
        trends, slopes, dates, right = _row(shape, runs, correlation)
        lines.append(
            f"  {shape:22s} {correlation:10.1f} {trends / runs:11.3f} {slopes / trends if trends else np.nan:18.3f} "
            f"{dates / runs:10.3f} {right / dates if dates else np.nan:14.3f}"
        )
        if shape in {"quiet", "step"}:
            course = "a step" if shape == "step" else "nothing in it"
            name = f"drift: trend said of a history with {course}, correlation {correlation:g}"
            goals.append(Goal(name, trends / runs, at_most=0.05, interval=share_interval(trends, runs)))
        if shape == "drift" and dates:
            name = f"drift: true date in the forecast's interval, correlation {correlation:g}"
            goals.append(Goal(name, right / dates, at_least=0.93, interval=share_interval(right, dates)))
    return [*lines, ""], goals
