from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
from asleft.edge.assembler import BlockAssembler, runs
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.wire.block import Block, Burst, Mark, Reason
from asleft.wire.codec import decode_upload, encode_block
from hypothesis import given
from hypothesis import strategies as st

FORM = ValveForm(
    "press-4.platen",
    (ChannelForm("current", "A", True, 0.001, 0.5), ChannelForm("pressure", "bar")),
)
START = 10**15
TICK = 10_000_000


def assembler(size: int) -> BlockAssembler:
    return BlockAssembler("hall-2", "boot", FORM, size)


def through_the_wire(block: Block) -> Block:
    again = decode_upload(encode_block(replace(block, stream="s", seq=1)))
    assert isinstance(again, Block)
    return again


def test_a_block_is_complete_after_its_size() -> None:
    made = assembler(3)
    assert made.add(START, 50, Reading([100, 7.5])) is None
    assert made.add(0, 50 + TICK, Reading([-100, 8.5]), None) is None
    block = made.add(0, 50 + 2 * TICK, Reading([0, 9.5]))
    assert block is not None
    assert (block.agent, block.valve, block.boot_id) == ("hall-2", "press-4.platen", "boot")
    assert (block.wall_ns, block.monotonic_ns) == (START, 50)
    assert block.offsets_us.tolist() == [0, 10_000, 20_000]
    current, pressure = through_the_wire(block).channels
    assert current.counts is not None
    np.testing.assert_allclose(current.as_values(), [0.6, 0.4, 0.5])
    np.testing.assert_array_equal(pressure.as_values(), [7.5, 8.5, 9.5])
    assert made.flush() is None


def test_failed_readings_are_marked_with_their_reason() -> None:
    made = assembler(5)
    made.add(START, 0, Reading([1, 1.0]))
    made.add(START, TICK, Reading.all_failed(2, Reason.NO_ANSWER))
    made.add_missed(START, 2 * TICK)
    made.add(START, 3 * TICK, Reading([0, 4.0], {0: Reason.REFUSED}))
    block = made.add(START, 4 * TICK, Reading([99_999, math.inf]))
    assert block is not None
    current, pressure = through_the_wire(block).channels
    assert current.marks == (
        Mark(1, 1, Reason.NO_ANSWER),
        Mark(2, 1, Reason.MISSED_TICK),
        Mark(3, 1, Reason.REFUSED),
        Mark(4, 1, Reason.OUT_OF_RANGE),
    )
    assert pressure.marks == (
        Mark(1, 1, Reason.NO_ANSWER),
        Mark(2, 1, Reason.MISSED_TICK),
        Mark(4, 1, Reason.NOT_FINITE),
    )
    np.testing.assert_array_equal(np.isnan(pressure.as_values()), [False, True, True, False, True])


def test_a_missed_tick_before_the_end_of_the_reading_that_overran_it_goes_right_behind_it() -> None:
    made = assembler(3)
    made.add(START, 15_000_000, Reading([1, 1.0]))
    made.add_missed(START - 5_000_000, 10_000_000)
    block = made.add(START + 5_000_000, 20_000_000, Reading([1, 1.0]))
    assert block is not None
    assert block.offsets_us.tolist() == [0, 1, 5_000]
    through_the_wire(block)


@given(st.lists(st.integers(0, 3 * TICK), min_size=2, max_size=60), st.integers(1, 7))
def test_no_two_rows_have_one_time_across_blocks_either(times: list[int], size: int) -> None:
    made = assembler(size)
    blocks = [made.add(START + at, at, Reading([1, 1.0])) for at in times]
    blocks.append(made.flush())
    steps = np.diff(
        np.concatenate([b.wall_ns + 1000 * b.offsets_us.astype(np.int64) for b in blocks if b is not None])
    )
    assert (steps > 0).all()


def test_bursts_travel_with_the_next_block_and_have_a_bound() -> None:
    made = assembler(1)
    burst = Burst("current", "A", START, 5000.0, np.zeros(10), 1)
    taken = [made.add_burst(replace(burst, sequence=n)) for n in range(1, 19)]
    assert taken == [True] * 16 + [False] * 2
    block = made.add(START, 0, Reading([1, 1.0]))
    assert block is not None
    assert [b.sequence for b in through_the_wire(block).bursts] == list(range(1, 17))
    following = made.add(START, TICK, Reading([1, 1.0]))
    assert following is not None
    assert following.bursts == ()


def test_flush_gives_what_there_is() -> None:
    made = assembler(100)
    made.add(START, 0, Reading([1, 1.0]), True)
    block = made.flush()
    assert block is not None
    assert block.size == 1
    assert block.clock_synchronised is True
    assert made.flush() is None


@given(st.dictionaries(st.integers(0, 30), st.sampled_from([Reason.TORN, Reason.REFUSED])))
def test_runs_cover_exactly_the_failures(reasons: dict[int, Reason]) -> None:
    marks = runs(reasons)
    assert {m.first + i: m.reason for m in marks for i in range(m.count)} == reasons
    for one, two in itertools.pairwise(marks):
        assert one.first + one.count < two.first or one.reason is not two.reason
