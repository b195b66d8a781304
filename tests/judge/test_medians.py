from __future__ import annotations

import numpy as np
import pytest
from asleft.judge.medians import level_of, mean_of, median_of
from hypothesis import given, settings
from hypothesis import strategies as st


@settings(deadline=None)
@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=60))
def test_it_is_numpys_to_the_bit(values) -> None:
    with np.errstate(over="ignore"):
        assert median_of(iter(values)) == float(np.median(values))


def test_a_level_whose_reading_ends_at_zero_is_not_what_the_missing_half_makes_of_it() -> None:
    noise = 1e-3 * np.random.default_rng(2).standard_normal(4000)
    for true, end in ((0.0, 0.0), (5e-4, 0.0), (1.0, 1.0)):
        read = np.maximum(true + noise, 0.0) if end == 0.0 else np.minimum(true + noise, 1.0)
        assert abs(float(read.mean()) - true) > 1e-4
        assert level_of(read) == pytest.approx(true, abs=6e-5)


def test_a_level_that_is_not_cut_off_is_its_mean() -> None:
    noise = 1e-3 * np.random.default_rng(2).standard_normal(400)
    assert level_of(noise) == mean_of(noise)
    assert level_of(0.5 + noise) == mean_of(0.5 + noise)
    coarse = np.where(np.arange(10) < 7, 0.0, 0.004)  # two codes of a converter
    assert level_of(coarse) == pytest.approx(0.0012)
