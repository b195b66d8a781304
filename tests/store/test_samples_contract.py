"""What every sample store promises."""

from __future__ import annotations

import time

import numpy as np
import pytest
from asleft.store.protocols import StreamMark
from asleft.wire.block import Channel, Gap, Mark, Reason

VALVE = "press-1.platen"


def test_a_reader_of_nothing_is_empty_and_sees_what_comes_later(sample_adapter, tmp_path, make):
    reader = sample_adapter.open_reader(tmp_path)
    assert reader.valves() == []
    assert reader.marks() == []
    assert reader.span(VALVE) is None
    assert reader.all_spans() == {}
    assert reader.samples(VALVE, 0, 2**62).time_ns.size == 0
    assert reader.bursts(VALVE, 0, 2**62) == []
    assert reader.overview(VALVE, "pressure", 0, 10**18, 10).time_ns.size == 0
    assert reader.blocks_after(VALVE, {}, 10) == []
    assert reader.refs_after(VALVE, {}, 10) == []
    assert reader.size_bytes() == 0
    store = sample_adapter.open_store(tmp_path)
    assert reader.valves() == []
    store.commit([make.block(1)], [], 5)
    assert reader.valves() == [VALVE]
    deadline = time.monotonic() + 60.0
    while not reader.size_bytes():  # a server may look at its disk only every ten seconds
        assert time.monotonic() < deadline
        time.sleep(0.1)
    store.close()
    assert reader.valves() == [VALVE]
    reader.close()


def test_a_block_comes_back_as_it_was(store, make, same_block):
    blocks = [
        make.block(1, bursts=(make.burst(make.t0 + 5), make.burst(make.t0 + 9, sequence=2**64 - 1))),
        make.block(2, clock=None, channels=make.failing()),
        make.block(3, clock=False, size=1, boot_id=""),
        make.block(4, channels=()),
        make.block(5, size=997),
    ]
    store.commit(blocks, [], 1)
    found = store.blocks_after(VALVE, {}, 10)
    assert [ref.seq for ref, _ in found] == [1, 2, 3, 4, 5]
    for (ref, block), wanted in zip(found, blocks, strict=True):
        same_block(block, wanted)
        assert (ref.valve, ref.stream) == (VALVE, "spool-1")
        assert ref.from_ns == wanted.wall_ns
        assert ref.to_ns == wanted.wall_ns + int(wanted.offsets_us[-1]) * 1000


def test_irregular_times_come_back_exactly(store, make):
    block = make.block(1, size=50)
    offsets = np.sort(np.random.default_rng(3).integers(0, 2_000_000_000, 50)).astype(np.int32)
    block = type(block)(**{name: getattr(block, name) for name in block.__slots__} | {"offsets_us": offsets})
    store.commit([block], [], 1)
    np.testing.assert_array_equal(store.blocks_after(VALVE, {}, 1)[0][1].offsets_us, offsets)
    np.testing.assert_array_equal(
        store.samples(VALVE, 0, 2**62).time_ns, block.wall_ns + offsets.astype(np.int64) * 1000
    )


def test_the_mark_is_contiguous_and_redeliveries_are_counted(store, make):
    assert store.commit([make.block(1), make.block(2), make.block(4)], [], 7) == [
        StreamMark("edge-1", "spool-1", 2, 0, 0, 7)
    ]
    assert store.commit([make.block(2), make.block(4), make.block(1)], [], 8) == [
        StreamMark("edge-1", "spool-1", 2, 0, 3, 8)
    ]
    assert store.commit([make.block(3), make.block(3)], [], 9) == [StreamMark("edge-1", "spool-1", 4, 0, 4, 9)]
    assert [ref.seq for ref, _ in store.blocks_after(VALVE, {}, 10)] == [1, 2, 3, 4]
    assert store.marks()[0].stored == 4


def test_every_stream_touched_is_reported_and_no_other(store, make):
    store.commit([make.block(1), make.block(1, stream="spool-2"), make.block(1, agent="edge-2")], [], 1)
    touched = store.commit([make.block(2)], [Gap("edge-2", "spool-1", 2, 3, "full")], 2)
    assert {(mark.agent, mark.stream, mark.mark) for mark in touched} == {
        ("edge-1", "spool-1", 2),
        ("edge-2", "spool-1", 3),
    }
    assert len(store.marks()) == 3


def test_declared_gaps_let_the_mark_pass_and_are_not_counted_as_stored(store, make):
    store.commit([make.block(1), make.block(5)], [], 1)
    (mark,) = store.commit([], [Gap("edge-1", "spool-1", 2, 4, "spool full")], 2)
    assert (mark.mark, mark.declared_gap, mark.stored) == (5, 3, 2)


def test_a_gap_counts_only_what_is_not_stored(store, make):
    store.commit([make.block(1), make.block(3)], [], 1)
    (mark,) = store.commit([], [Gap("edge-1", "spool-1", 1, 6, "a"), Gap("edge-1", "spool-1", 2, 7, "b")], 2)
    assert (mark.mark, mark.declared_gap) == (7, 5)
    (mark,) = store.commit([], [Gap("edge-1", "spool-1", 1, 7, "again")], 3)
    assert (mark.mark, mark.declared_gap) == (7, 5)


def test_a_block_that_arrives_after_its_gap_fills_it(store, make):
    store.commit([make.block(1)], [Gap("edge-1", "spool-1", 2, 4, "full"), Gap("edge-1", "spool-1", 8, 9, "full")], 1)
    (mark,) = store.commit([make.block(3), make.block(9)], [], 2)
    assert (mark.mark, mark.declared_gap, mark.duplicates) == (4, 2, 0)
    (mark,) = store.commit([make.block(3), make.block(9)], [], 3)
    assert (mark.mark, mark.declared_gap, mark.duplicates) == (4, 2, 2)
    (mark,) = store.commit([make.block(seq) for seq in (5, 6, 7)], [], 4)
    assert (mark.mark, mark.declared_gap, mark.stored) == (9, 3, 6)


def test_a_refused_block_leaves_nothing_behind(store, make):
    wrong = make.block(2, channels=(Channel("command", "mA", values=np.zeros(3)),))
    with pytest.raises(ValueError, match="command"):
        store.commit([make.block(1), wrong], [], 1)
    with pytest.raises(ValueError, match=r"5\.\.4"):
        store.commit([make.block(1)], [Gap("edge-1", "spool-1", 5, 4, "")], 1)
    assert store.marks() == []
    assert store.valves() == []
    (mark,) = store.commit([make.block(1)], [], 2)
    assert mark.mark == 1


def test_waiting_blocks_of_several_streams_come_in_the_order_of_time(store, make):
    live = [make.block(seq, at_ns=make.t0 + seq * make.s) for seq in range(1, 6)]
    history = [make.block(seq, stream="history", at_ns=make.t0 + (seq * 2 - 4) * make.s) for seq in range(1, 6)]
    other = [make.block(seq, stream="other", valve="press-2.clamp") for seq in range(1, 4)]
    store.commit(live + history + other, [], 1)
    found = store.blocks_after(VALVE, {}, 100)
    starts = [ref.from_ns for ref, _ in found]
    assert len(found) == 10
    assert starts == sorted(starts)
    assert [ref for ref, _ in found] == store.refs_after(VALVE, {}, 100)
    assert store.refs_after(VALVE, {}, 3) == [ref for ref, _ in found[:3]]
    rest = store.blocks_after(VALVE, {"spool-1": 4, "history": 2}, 100)
    assert [(ref.stream, ref.seq) for ref, _ in rest] == [
        ("history", 3),
        ("history", 4),
        ("spool-1", 5),
        ("history", 5),
    ]
    late = store.refs_after(VALVE, {}, 100, make.t0 + 4 * make.s)
    assert [ref for ref in store.refs_after(VALVE, {}, 100) if ref.to_ns >= make.t0 + 4 * make.s] == late
    assert [ref for ref, _ in store.blocks_after(VALVE, {}, 2, make.t0 + 4 * make.s)] == late[:2]


def test_blocks_beyond_a_hole_wait_for_it(store, make):
    store.commit([make.block(1), make.block(3), make.block(4)], [], 1)
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 10)] == [1]
    store.commit([], [Gap("edge-1", "spool-1", 2, 2, "full")], 2)
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 10)] == [1, 3, 4]


def test_within_a_stream_the_order_of_seq_stands_even_where_the_clock_was_put_back(store, make):
    at_s = [0, 1, 2, -500, -499]
    store.commit([make.block(k + 1, at_ns=make.t0 + at * make.s) for k, at in enumerate(at_s)], [], 1)
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 10)] == [1, 2, 3, 4, 5]
    times = store.samples(VALVE, 0, 2**62).time_ns
    assert times.size == 50
    assert bool(np.all(np.diff(times) >= 0))


def test_a_clock_put_back_overwrites_nothing(store, make, same_block):
    at_s = [0, 1, 2, 0, 1, 2, 3, 1, 4, 5]  # put back twice, over the very same nanoseconds
    blocks = [make.block(k + 1, at_ns=make.t0 + at * make.s) for k, at in enumerate(at_s)]
    for block in blocks:
        store.commit([block], [], 1)
    for (_, found), wanted in zip(store.blocks_after(VALVE, {}, 100), blocks, strict=True):
        same_block(found, wanted)
    assert store.samples(VALVE, 0, 2**62).time_ns.size == 100
    wanted = [value for block in blocks for value in block.channels[1].as_values()]
    assert sorted(store.samples(VALVE, 0, 2**62).channels["pressure"]) == sorted(wanted)


def test_one_stream_name_of_two_agents_is_two_streams(store, make):
    blocks = [make.block(1), make.block(1, agent="edge-2", size=12)]
    assert len(store.commit(blocks, [], 1)) == 2
    assert {block.agent for _, block in store.blocks_after(VALVE, {}, 10)} == {"edge-1", "edge-2"}
    assert store.samples(VALVE, 0, 2**62).time_ns.size == 22


def test_texts_of_any_kind_come_back(store, make, same_block):
    channel = Channel("oil_temperature", 'grd "C" \\ , = \n µ', values=np.arange(10.0))
    block = make.block(1, channels=(channel, Channel("time", "s", values=np.arange(10.0))))
    store.commit([block], [], 1)
    same_block(store.blocks_after(VALVE, {}, 1)[0][1], block)
    assert store.samples(VALVE, 0, 2**62).units["oil_temperature"] == channel.unit


def test_a_block_of_many_readings_and_marks_comes_back(store, make, same_block):
    rng = np.random.default_rng(1)
    marks = tuple(Mark(k, 1, Reason.NO_ANSWER) for k in range(0, 20_000, 4))
    noise = Channel("current", "A", counts=rng.integers(-30_000, 30_000, 20_000).astype(np.int16), marks=marks)
    block = make.block(1, size=20_000, channels=(noise,), bursts=(make.burst(make.t0, n=60_000),))
    store.commit([block], [], 1)
    same_block(store.blocks_after(VALVE, {}, 1)[0][1], block)


def test_samples_are_cut_to_the_span_and_missing_channels_are_nan(store, make):
    blocks = [make.block(1), make.block(2, channels=make.failing()), make.block(3)]
    store.commit(blocks, [], 1)
    whole = store.samples(VALVE, make.t0, make.t0 + 3 * make.s)
    assert whole.time_ns.shape == (30,)
    assert dict(whole.units) == {"command": "mA", "pressure": "bar", "current": "A", "supply": "V"}
    np.testing.assert_array_equal(whole.channels["pressure"][:10], blocks[0].channels[1].as_values())
    assert bool(np.isnan(whole.channels["pressure"][10:20]).all())
    np.testing.assert_array_equal(np.isnan(whole.channels["current"][10:20]), [1, 1, 0, 0, 0, 1, 0, 0, 0, 0])
    part = store.samples(VALVE, make.t0 + make.s // 2, make.t0 + 2 * make.s + 1)
    assert part.time_ns[0] == make.t0 + make.s // 2
    assert part.time_ns[-1] == make.t0 + 2 * make.s
    assert part.time_ns.size == 16
    assert store.samples(VALVE, make.t0 + 10 * make.s, make.t0 + 11 * make.s).time_ns.size == 0
    assert store.samples("press-9.none", 0, 2**62).time_ns.size == 0


def test_channels_and_units_of_a_span(store, make):
    volts = Channel("command", "V", counts=np.arange(10, dtype=np.int16), scale=0.01)
    store.commit([make.block(1), make.block(2, channels=make.failing()), make.block(3, channels=(volts,))], [], 1)

    def said(first_s, last_s):
        return set(store.channels(VALVE, make.t0 + first_s * make.s, make.t0 + last_s * make.s))

    assert said(0, 1) == {("command", "mA"), ("pressure", "bar")}
    assert said(0, 3) == {
        ("command", "mA"), ("pressure", "bar"), ("current", "A"), ("supply", "V"), ("command", "V"),
    }  # fmt: skip
    assert said(5, 9) == set()
    assert store.channels("press-9.none", 0, 2**62) == []


def test_the_spans_of_all_valves_are_those_of_each(store, make):
    other = "press-2.clamp"
    blocks = [make.block(1), make.block(2, valve=other), make.block(3), make.block(4, valve=other, size=40)]
    store.commit(blocks, [], 1)
    assert set(store.all_spans()) == {VALVE, other}
    assert store.all_spans() == {valve: store.span(valve) for valve in (VALVE, other)}
    assert store.all_spans()[VALVE] != store.all_spans()[other]


def test_each_valve_is_fed_by_the_agent_of_its_newest_samples(store, make):
    assert store.feeds() == {}
    store.commit([make.block(1, agent="edge-1", stream="a"), make.block(2, agent="edge-1", stream="a")], [], 1)
    other = make.block(3, agent="edge-2", stream="b", valve="press-2.platen")
    store.commit([other], [], 2)
    assert store.feeds() == {VALVE: "edge-1", "press-2.platen": "edge-2"}
    store.commit([make.block(9, agent="edge-3", stream="c")], [], 3)
    assert store.feeds() == {VALVE: "edge-3", "press-2.platen": "edge-2"}


def test_a_proof_that_something_can_be_stored_leaves_nothing_to_be_read(store, make):
    store.commit([make.block(1)], [], 1)
    before = store.valves(), store.marks(), store.all_spans()
    store.prove()
    assert (store.valves(), store.marks(), store.all_spans()) == before


def test_a_long_block_that_began_before_the_span_counts(store, make):
    store.commit([make.block(1, size=100)], [], 1)
    long = make.block(2, at_ns=make.t0 + 100 * make.s)
    offsets = (np.arange(10) * 60_000_000).astype(np.int32)
    long = type(long)(**{name: getattr(long, name) for name in long.__slots__} | {"offsets_us": offsets})
    store.commit([long], [], 2)
    found = store.samples(VALVE, make.t0 + 340 * make.s, make.t0 + 341 * make.s)
    assert found.time_ns.tolist() == [make.t0 + 340 * make.s]
    assert store.span(VALVE) == (make.t0, make.t0 + 640 * make.s)
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 5, make.t0 + 500 * make.s)] == [2]


def test_bursts_by_their_start(store, make):
    starts = [make.t0 + k * make.s for k in range(4)]
    store.commit([make.block(k + 1, bursts=(make.burst(at, k),)) for k, at in enumerate(starts)], [], 1)
    found = store.bursts(VALVE, starts[1], starts[3])
    assert [(burst.start_ns, burst.sequence) for burst in found] == [(starts[1], 1), (starts[2], 2)]
    np.testing.assert_array_equal(found[0].values, make.burst(0).values)


@pytest.mark.parametrize("points", [1, 7, 100, 1200])
def test_an_overview_says_what_the_readings_say(store, make, points):
    blocks = [make.block(seq) for seq in [*range(1, 200), *range(900, 1100)]]
    for k, block in enumerate(blocks):
        blocks[k] = type(block)(**{name: getattr(block, name) for name in block.__slots__} | {"seq": k + 1})
    store.commit(blocks, [], 1)
    span = (make.t0, make.t0 + 1200 * make.s)
    found = store.overview(VALVE, "pressure", *span, points)
    assert found.time_ns.size <= points + 1
    raw = store.samples(VALVE, *span)
    values = raw.channels["pressure"]
    assert found.minimum.min() == pytest.approx(values.min())
    assert found.maximum.max() == pytest.approx(values.max())
    assert bool(np.all(np.diff(found.time_ns) > 0))
    assert bool(np.all((found.minimum <= found.mean) & (found.mean <= found.maximum)))
    assert found.time_ns[0] >= span[0]
    for k, start in enumerate(found.time_ns):
        end = found.time_ns[k + 1] if k + 1 < found.time_ns.size else span[1]
        inside = values[(raw.time_ns >= start) & (raw.time_ns < end)]
        assert found.minimum[k] == pytest.approx(inside.min())
        assert found.mean[k] == pytest.approx(inside.mean())
        assert found.maximum[k] == pytest.approx(inside.max())


def test_an_overview_leaves_failed_readings_out(store, make):
    store.commit([make.block(1, channels=make.failing()), make.block(2)], [], 1)
    found = store.overview(VALVE, "current", make.t0, make.t0 + 10 * make.s, 10)
    assert found.time_ns.size == 1
    assert found.minimum[0] == pytest.approx(-0.08)
    assert found.maximum[0] == pytest.approx(-0.01)
    assert found.mean[0] == pytest.approx(np.mean([0.02, 0.03, 0.04, 0.06, 0.07, 0.08, 0.09]) - 0.1)
    nothing = Channel("supply", "V", values=np.full(10, np.nan))
    store.commit([make.block(3, channels=(nothing,))], [], 2)
    assert store.overview(VALVE, "supply", make.t0 + 2 * make.s, make.t0 + 9 * make.s, 10).time_ns.size == 0


def test_an_overview_of_nothing_or_of_no_points(store, make):
    store.commit([make.block(1)], [], 1)
    assert store.overview(VALVE, "coil_voltage", 0, 2**62, 10).time_ns.size == 0
    assert store.overview(VALVE, "pressure", make.t0 + make.s, make.t0, 10).time_ns.size == 0
    with pytest.raises(ValueError, match="points is 0"):
        store.overview(VALVE, "pressure", 0, 1, 0)


def test_a_redelivered_block_does_not_count_twice_in_an_overview(store, make):
    store.commit([make.block(1)], [], 1)
    before = store.overview(VALVE, "pressure", make.t0, make.t0 + 3600 * make.s, 5)
    store.commit([make.block(1)], [], 2)
    after = store.overview(VALVE, "pressure", make.t0, make.t0 + 3600 * make.s, 5)
    np.testing.assert_array_equal(before.mean, after.mean)


def test_everything_is_there_after_opening_again(sample_adapter, tmp_path, make, same_block):
    store = sample_adapter.open_store(tmp_path)
    store.commit([make.block(1), make.block(2, valve="press-2.clamp")], [Gap("edge-1", "spool-1", 3, 5, "full")], 4)
    store.close()
    store = sample_adapter.open_store(tmp_path)
    assert store.valves() == [VALVE, "press-2.clamp"]
    assert store.marks() == [StreamMark("edge-1", "spool-1", 5, 3, 0, 4)]
    same_block(store.blocks_after("press-2.clamp", {}, 1)[0][1], make.block(2, valve="press-2.clamp"))
    (mark,) = store.commit([make.block(6)], [], 5)
    assert mark.mark == 6
    store.close()
