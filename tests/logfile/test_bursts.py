from __future__ import annotations

import numpy as np
import pytest
from asleft.logfile.bursts import read_bursts
from asleft.logfile.errors import LogError
from asleft.sheet.logmap import LogMap, read_log_map


def lines(start: float, rate: float, count: int, digits: int = 6) -> list[str]:
    time_s = start + np.arange(count) / rate
    current = 0.5 + 0.05 * np.sin(2 * np.pi * 150 * time_s)
    return [f"{t:.{digits}f},{c:.5f}" for t, c in zip(time_s, current, strict=True)]


@pytest.fixture
def burst(tmp_path):
    path = tmp_path / "fast.csv"

    def read(rows: list[str], header: str = "time,current", log_map: LogMap | None = None):
        path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        return read_bursts(path, log_map or LogMap())

    return read


def test_a_burst_is_read_with_its_rate_and_start(burst):
    (found,) = burst(lines(1772452800.0, 5000, 4000))
    assert found.rate_hz == pytest.approx(5000, rel=1e-6)
    assert found.start_s == pytest.approx(1772452800.0, abs=1e-4)
    assert found.current_a.shape == (4000,)


def test_a_pause_begins_another_burst(burst):
    first, second = burst(lines(0, 5000, 1000) + lines(60, 5000, 2000))
    assert (first.current_a.size, second.current_a.size) == (1000, 2000)
    assert second.start_s == pytest.approx(60.0, abs=1e-6)


def test_times_rounded_by_the_logger_are_put_back_in_even_places(burst):
    (found,) = burst(lines(0, 5000, 4000, digits=3))
    assert found.rate_hz == pytest.approx(5000, rel=1e-3)
    assert found.current_a.size == 4000


def test_units_of_the_map_apply(burst):
    log_map = read_log_map("[column]\ncurrent = { header = 'I', unit = 'mA' }\n")
    (found,) = burst([f"{i / 1000},500" for i in range(100)], "time,I", log_map)
    assert found.current_a[0] == 0.5


@pytest.mark.parametrize(
    ("rows", "header", "message"),
    [
        (lines(0, 1000, 10), "time,current", "10 readings, expected at least 16"),
        (lines(0, 1000, 100), "time,strom", "no column current"),
        ([*lines(0, 1000, 50), "0.050,", *lines(0.051, 1000, 50)], "time,current", "line 52, column current: ''"),
        ([*lines(0, 1000, 50), *lines(0.01, 1000, 50)], "time,current", "line 52, column time: goes back"),
        ([*lines(0, 1000, 50), *lines(0.053, 1000, 50)], "time,current", "not evenly sampled"),
        (["1.0,0.5"] * 20, "time,current", "all times are the same"),
        ([*lines(0, 1000, 50), *lines(9, 1000, 3)], "time,current", "line 52: a burst of 3 readings"),
        (["0.1,0.5,9"], "time,current", "more cells than the header"),
    ],
)
def test_what_is_no_burst_is_refused(burst, rows, header, message):
    with pytest.raises(LogError, match=r"fast\.csv") as caught:
        burst(rows, header)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("head", "separator", "comma"),
    [
        ("Time [s],Coil current [A]", ",", False),
        ("Zeit [ms];Spulenstrom [mA]", ";", True),
        ("time,current", ",", False),
    ],
)
def test_a_burst_file_beside_a_log_without_a_map_is_recognised_by_itself(head, separator, comma, tmp_path):
    from asleft.logfile.door import Given, burst_map, read

    log = tmp_path / "log.csv"
    rows = [f"{k / 10:.1f},{4 + k % 16},0.5{k % 10}" for k in range(200)]
    log.write_text("\n".join(["time,command,current", *rows]) + "\n", encoding="utf-8")
    beside = read(log, Given())
    fast = tmp_path / "fast.csv"
    scale_t, scale_i = (1000.0, 1000.0) if "[ms]" in head else (1.0, 1.0)
    current = 0.5 + 0.05 * np.sin(np.arange(2500) / 4)
    cells = [f"{scale_t * k / 5000:.4f}{separator}{scale_i * current[k]:.6f}" for k in range(2500)]
    if comma:
        cells = [cell.replace(".", ",") for cell in cells]
    fast.write_text("\n".join([head, *cells]) + "\n", encoding="utf-8")
    (burst,) = read_bursts(fast, burst_map(fast, beside, Given()))
    assert burst.rate_hz == pytest.approx(5000.0, rel=1e-6)
    assert burst.current_a[:3] == pytest.approx(0.5 + 0.05 * np.sin(np.arange(3) / 4), abs=1e-6)
