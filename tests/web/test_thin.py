from __future__ import annotations

import numpy as np
from asleft.web.views.spans import thin, with_gaps
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays


@given(arrays(np.float64, st.integers(0, 300), elements=st.floats(-1e3, 1e3)), st.integers(1, 40))
def test_smallest_and_largest_of_every_bin_are_kept_in_order(values, width):
    time_ns = np.arange(values.size, dtype=np.int64) + 7
    t, v = thin(time_ns, values, width, 0)
    assert np.all(np.diff(t) > 0)
    assert t.size <= 2 * (values.size // width + 2)
    for start in range(0, values.size + 7, width):
        inside = (time_ns >= start) & (time_ns < start + width)
        if inside.any():
            kept = v[(t >= start) & (t < start + width)]
            assert kept.min() == values[inside].min()
            assert kept.max() == values[inside].max()


@given(st.integers(1, 200), st.integers(1, 30), st.data())
def test_a_stretch_cut_at_a_bin_gives_the_same_points(size, width, data):
    rng = np.random.default_rng(size)
    time_ns, values = np.arange(size, dtype=np.int64), rng.normal(size=size)
    cut = data.draw(st.integers(0, size // width)) * width
    whole = thin(time_ns, values, width, 0)
    parts = [thin(time_ns[s], values[s], width, 0) for s in (slice(0, cut), slice(cut, None))]
    np.testing.assert_array_equal(whole[0], np.concatenate([p[0] for p in parts]))
    np.testing.assert_array_equal(whole[1], np.concatenate([p[1] for p in parts]))


def test_readings_that_failed_are_left_out():
    t, v = thin(np.arange(4, dtype=np.int64), np.array([np.nan, 1.0, np.inf, np.nan]), 2, 0)
    assert t.tolist() == [1]
    assert v.tolist() == [1.0]
    assert thin(np.arange(2, dtype=np.int64), np.full(2, np.nan), 2, 0)[0].size == 0


def test_a_line_is_broken_where_nothing_was_read():
    t, v = with_gaps(np.array([0, 1, 50, 51]), np.array([1.0, 2.0, 3.0, 4.0]), 10)
    assert t.tolist() == [0, 1, 6, 50, 51]
    assert np.isnan(v[2])
    assert np.isfinite(np.delete(v, 2)).all()
