from __future__ import annotations

import numpy as np
from asleft.judge.medians import median_of
from hypothesis import given, settings
from hypothesis import strategies as st


@settings(deadline=None)
@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=60))
def test_it_is_numpys_to_the_bit(values) -> None:
    with np.errstate(over="ignore"):
        assert median_of(iter(values)) == float(np.median(values))
