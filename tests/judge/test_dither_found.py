from __future__ import annotations

import math

import numpy as np
import pytest
from asleft.judge.decide import Estimate
from asleft.judge.dither import CLOCK, DitherBurst, combine, dither_found
from asleft.sheet.model import Instrument
from synth import sheet


def burst(at_s: float, hz: float, size_a: float, u_a: float = 1e-4, u_hz: float = 0.003) -> DitherBurst:
    return DitherBurst(at_s, hz, size_a, 2e-3, u_hz, u_a, "sine")


def lost(at_s: float) -> DitherBurst:
    return DitherBurst(at_s, math.nan, 0.0, 2e-3, math.nan, 2e-3, "none")


def some(n: int, *, between: float = 0.0, seed: int = 1) -> list[DitherBurst]:
    rng = np.random.default_rng(seed)
    return [
        burst(
            20.0 * k, 100.0 + 0.003 * rng.standard_normal(), 0.06 + math.hypot(1e-4, between) * rng.standard_normal()
        )
        for k in range(n)
    ]


def both(bursts: list[DitherBurst], **changes: object) -> tuple[Estimate, Estimate]:
    hz, size = dither_found(bursts, sheet(**changes))
    assert isinstance(hz, Estimate)
    assert isinstance(size, Estimate)
    return hz, size


def test_frequency_and_amplitude_of_many_bursts() -> None:
    hz, size = both(some(30))
    assert hz.value == pytest.approx(100.0, abs=0.003)
    assert size.value == pytest.approx(0.06, abs=1e-4)
    assert size.repeatability == pytest.approx(1e-4 / math.sqrt(30), rel=0.25)
    assert size.segments == 30
    assert (size.from_s, size.to_s) == (0.0, 580.0)
    assert hz.systematic == pytest.approx(CLOCK * hz.value)


def test_surer_bursts_count_more() -> None:
    out = combine([burst(0.0, 100.0, 0.06), burst(20.0, 100.0, 0.0602)], [0.06, 0.0602], [1e-4, 3e-4])
    assert out.value == pytest.approx((0.06 * 9 + 0.0602) / 10)


def test_scatter_beyond_the_noise_is_a_variance_between_bursts_with_few_degrees_of_freedom() -> None:
    calm, wild = both(some(6))[1], both(some(6, between=2e-3))[1]
    assert calm.dof > 30
    assert wild.dof < 7
    assert wild.repeatability > 5 * calm.repeatability
    assert wild.expanded() > 2.3 * wild.repeatability  # Student


@pytest.mark.parametrize(("n", "between"), [(1, 0.0), (3, 0.0), (12, 0.0), (12, 3e-4)])
def test_the_interval_holds_the_truth_in_about_95_of_100(n, between) -> None:
    hits = [
        abs(size.value - 0.06) <= size.expanded()
        for size in (both(some(n, between=between, seed=seed))[1] for seed in range(400))
    ]
    assert 0.91 <= np.mean(hits) <= 0.99  # 400 tries: 0.011 is one standard deviation


def test_a_burst_far_off_is_left_out_unless_the_others_scatter_as_much() -> None:
    odd = burst(999.0, 150.0, 0.2)
    assert both([*some(12), odd])[1].segments == 12
    assert both([*some(12, between=0.02), burst(999.0, 100.0, 0.12)])[1].segments == 13


def test_calibration_counts_as_gain() -> None:
    known = both(some(30), instruments={"current": Instrument(expanded_uncertainty=0.01)})[1]
    assert known.systematic == pytest.approx(0.06 * 0.005 / 1.0, rel=1e-2)
    assert known.expanded_change() < known.expanded()
    assert both(some(30))[1].systematic == 0.0


def test_most_bursts_without_dither_are_lost_dither() -> None:
    hz, size = dither_found([burst(0.0, 100.0, 0.06), *(lost(20.0 * k) for k in range(1, 5))], sheet())
    assert hz == "no dither in the bursts"
    assert isinstance(size, Estimate)
    assert size.value == 0.0
    assert 0.0 < size.expanded() < 2e-3
    assert size.from_s == 20.0
    found = both([lost(0.0), *some(5)])
    assert found[1].value == pytest.approx(0.06, rel=0.01)


def test_no_bursts_no_dither() -> None:
    assert dither_found([], sheet()) == ("no fast bursts of the current", "no fast bursts of the current")


def test_a_waveform_worth_a_word_is_told() -> None:
    square = [DitherBurst(b.at_s, b.frequency_hz, b.amplitude_a, 2e-3, 0.003, 1e-4, "square") for b in some(5)]
    assert both(square)[1].note == "square wave"
    assert both(some(5))[1].note == ""
