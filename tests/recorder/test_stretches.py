from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.recorder.stretches import leading_run, next_call, samples_of
from asleft.store.protocols import BlockRef
from asleft.wire.block import Burst, Channel, Mark, Reason
from hypothesis import given
from hypothesis import strategies as st

S = 1_000_000_000


def refs(*starts_s, length_s=0.99):
    return [BlockRef("v", "s", k + 1, round(at * S), round((at + length_s) * S)) for k, at in enumerate(starts_s)]


def call(found, *, more=False, history=False, still=False):
    return next_call(found, more_follows=more, history=history, still=still)


class TestSamplesOf:
    def test_channels_are_the_union_and_missing_readings_nan(self, tools):
        first = tools.block(1, n=4)
        marks = (Mark(1, 2, Reason.NO_ANSWER),)
        second = replace(
            tools.block(2, n=4),
            channels=(Channel("pressure", "bar", values=np.array([1.0, 2.0, 3.0, 4.0]), marks=marks),),
        )
        found = samples_of([first, second])
        assert set(found.channels) == {"command", "current", "pressure"}
        np.testing.assert_array_equal(np.isnan(found.channels["command"]), [0, 0, 0, 0, 1, 1, 1, 1])
        np.testing.assert_array_equal(np.isnan(found.channels["pressure"]), [1, 1, 1, 1, 0, 1, 1, 0])
        np.testing.assert_allclose(found.time_s[4] - found.time_s[0], 1.0, atol=1e-6)
        assert found.channels["pressure"][7] == 4.0

    def test_times_increase_strictly_and_lie_after_what_was_judged(self, tools):
        blocks = [tools.block(1), tools.block(2), tools.block(3, at_ns=tools.t0), tools.block(4, at_ns=tools.t0 + S)]
        found = samples_of(blocks)
        assert found.time_s.size == 20
        after = tools.t0 / 1e9 + 0.55
        found = samples_of(blocks, after)
        assert found.time_s[0] > after
        assert found.time_s.size == 14
        assert found.channels["command"].size == 14

    def test_bursts_of_current_only_in_order(self, tools):
        bursts = tuple(
            Burst(name, "A", at * S, 4000.0, np.zeros(3))
            for name, at in (("current", 9), ("supply", 2), ("current", 5))
        )
        found = samples_of([replace(tools.block(1), bursts=bursts)])
        assert [(burst.start_s, burst.rate_hz) for burst in found.bursts] == [(5.0, 4000.0), (9.0, 4000.0)]

    def test_nothing(self):
        assert samples_of([]).time_s.size == 0

    @given(starts=st.lists(st.integers(0, 40), min_size=1, max_size=8), after=st.none() | st.floats(0, 40))
    def test_whatever_the_clocks_did(self, made_block, starts, after):
        blocks = [made_block(k + 1, at_ns=at * S) for k, at in enumerate(starts)]
        found = samples_of(blocks, after)
        assert bool(np.all(np.diff(found.time_s) > 0))
        everything = np.unique(np.concatenate([one.times_s() for one in blocks]))
        assert set(found.time_s) <= set(everything)
        if after is None:
            assert found.time_s[-1] == everything[-1]
        else:
            assert found.time_s.size == 0 or found.time_s[0] > after


class TestCalls:
    def test_live_waits_for_two_seconds(self):
        assert call([]) == 0
        assert call(refs(0)) == 0
        assert call(refs(0, 1)) == 0
        assert call(refs(0, 1, 2)) == 3
        assert call(refs(0, 1), still=True) == 2
        assert call(refs(0), more=True) == 1

    def test_history_is_taken_in_whole_windows(self):
        window = [float(at) for at in range(0, 600, 10)]
        later = [7200.0 + at for at in window]
        blocks = refs(*window, *later[:5], length_s=9.99)
        assert call(blocks, history=True) == 60
        assert call(blocks[60:], history=True) == 0
        assert call(blocks[60:], history=True, still=True) == 5
        assert call(blocks[60:], history=True, more=True) == 5

    def test_one_call_is_at_most_ten_minutes(self):
        assert leading_run(refs(*range(5000))) == 600
        assert leading_run(refs(*range(0, 5000, 10), length_s=9.99)) == 60

    def test_a_gap_ends_a_stretch(self):
        assert leading_run(refs(0, 1, 2, 60, 61)) == 3
        assert call(refs(0, 60)) == 1
        assert leading_run(refs(0, 1, 5)) == 3

    @pytest.mark.parametrize("history", [True, False])
    @given(starts=st.lists(st.integers(0, 3000), min_size=1, max_size=60, unique=True))
    def test_everything_is_taken_in_the_end(self, history, starts):
        waiting = refs(*sorted(starts))
        taken = 0
        while waiting:
            run = call(waiting, history=history, still=True)
            assert run >= 1
            taken, waiting = taken + run, waiting[run:]
        assert taken == len(starts)
