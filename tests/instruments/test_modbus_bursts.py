from __future__ import annotations

import struct
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from asleft.instruments.modbus_bursts import BadBurst, BurstLayout, BurstReader, TornBurst, parse_burst
from asleft.instruments.modbus_registers import Read

LAYOUT = BurstLayout("current", "A", "input", (1000, 3000), 600, 0.001, 0.5)


def buffer(sequence: int, numbers: Sequence[int], rate_hz: float = 5000.0, start_us: int = 10**15) -> list[int]:
    words = [sequence, *struct.unpack(">HH", struct.pack(">f", rate_hz))]
    words += [start_us >> shift & 0xFFFF for shift in (48, 32, 16, 0)]
    words += [len(numbers), *(n & 0xFFFF for n in numbers)]
    words += [0] * (LAYOUT.readings - len(numbers))
    return [*words, sequence]


class Device:
    """Two buffers in registers; a hook may change them between two requests."""

    def __init__(self) -> None:
        self.words = {1000 + i: 0 for i in range(LAYOUT.length)} | {3000 + i: 0 for i in range(LAYOUT.length)}
        self.reads: list[Read] = []
        self.before: Callable[[int], None] = lambda _count: None

    def fill(self, first: int, words: Sequence[int]) -> None:
        self.words.update({first + i: word for i, word in enumerate(words)})

    def read(self, read: Read) -> list[int]:
        self.before(len(self.reads))
        self.reads.append(read)
        assert read.count <= 125
        return [self.words[read.address + i] for i in range(read.count)]


def test_a_buffer_is_taken_apart() -> None:
    burst = parse_burst(LAYOUT, buffer(7, [0, 1000, -1000]))
    assert (burst.sequence, burst.rate_hz, burst.start_ns) == (7, 5000.0, 10**18)
    np.testing.assert_allclose(burst.values, [0.5, 1.5, -0.5])


def test_a_torn_or_senseless_buffer_is_refused() -> None:
    torn = buffer(7, [1])
    torn[-1] = 8
    with pytest.raises(TornBurst):
        parse_burst(LAYOUT, torn)
    too_many = buffer(7, [1])
    too_many[LAYOUT.count] = 601
    with pytest.raises(BadBurst, match="601 readings"):
        parse_burst(LAYOUT, too_many)
    with pytest.raises(BadBurst, match="Hz"):
        parse_burst(LAYOUT, buffer(7, [1], rate_hz=0.0))
    with pytest.raises(BadBurst, match="start"):
        parse_burst(LAYOUT, buffer(7, [1], start_us=2**63))


def test_only_new_sequence_numbers_are_taken_and_oldest_first() -> None:
    device = Device()
    reader = BurstReader(LAYOUT, device.read)
    assert reader.take_new() == []
    device.fill(1000, buffer(6, [6] * 600, start_us=2_000_000))
    device.fill(3000, buffer(5, [5] * 600, start_us=1_000_000))
    assert [burst.sequence for burst in reader.take_new()] == [5, 6]
    device.reads.clear()
    assert reader.take_new() == []
    assert len(device.reads) == 2  # one register of each buffer is all it takes to see that nothing is new
    device.fill(3000, buffer(7, [7] * 600, start_us=3_000_000))
    assert [burst.sequence for burst in reader.take_new()] == [7]
    assert reader.torn == 0


@pytest.mark.parametrize("overtaken_at", range(2, 10))
def test_a_writer_in_between_is_seen_wherever_it_strikes(overtaken_at: int) -> None:
    device = Device()
    device.fill(1000, buffer(5, [5] * 600))
    device.fill(3000, buffer(4, [4] * 600))
    reader = BurstReader(LAYOUT, device.read)

    def strike(count: int) -> None:
        if count == overtaken_at:
            device.fill(1000, buffer(7, [7] * 600))

    device.before = strike
    for burst in reader.take_new():
        assert set(np.round((burst.values - 0.5) / 0.001).astype(int)) == {burst.sequence}


def test_a_slow_writer_that_is_overtaken_does_not_slip_through() -> None:
    # The writer has put its new number in front and half the readings, the reader overtakes it, the writer then
    # finishes with the number behind before the reader gets there: within one pass the pair looks equal.
    device = Device()
    new = buffer(6, [6] * 600)
    device.fill(1000, [*new[:300], *buffer(5, [5] * 600)[300:]])
    reader = BurstReader(LAYOUT, device.read)

    def finish(_count: int) -> None:
        if any(read.address > 1400 for read in device.reads):
            device.fill(1000, new)

    device.before = finish
    bursts = reader.take_new()
    for burst in bursts:
        assert set(np.round((burst.values - 0.5) / 0.001).astype(int)) == {6}
    assert reader.torn >= 1


def test_a_buffer_that_stays_torn_is_given_up_and_counted() -> None:
    device = Device()
    torn = buffer(5, [5])
    torn[-1] = 4
    device.fill(1000, torn)
    reader = BurstReader(LAYOUT, device.read, tries=3)
    assert reader.take_new() == []
    assert (reader.torn, reader.lost) == (3, 1)


def test_a_writer_that_starts_behind_the_readers_back_and_is_overtaken_does_not_slip_through() -> None:
    # Complete when the reader looks; then the writer puts its new number and half its readings, the reader overtakes
    # it, and the writer finishes before the reader reaches the end: in what was read, front and end are both new.
    device = Device()
    new = buffer(6, [6] * 600)
    device.fill(1000, buffer(5, [5] * 600))
    reader = BurstReader(LAYOUT, device.read)

    def write(count: int) -> None:
        if count == 3:
            device.fill(1000, new[:200])
        if any(1300 < read.address < 1500 and read.count > 1 for read in device.reads):
            device.fill(1000, new)

    device.before = write
    bursts = reader.take_new()
    assert [burst.sequence for burst in bursts] == [6]
    for burst in bursts:
        assert set(np.round((burst.values - 0.5) / 0.001).astype(int)) == {6}
    assert reader.torn >= 1
