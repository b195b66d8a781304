"""Many instruments on one thread: none waits for another, whatever it does."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from asleft.edge.config import folders_of, parse_config
from asleft.edge.sampler import Sampler
from asleft.edge.sampling import Sampling
from asleft.edge.service import Agent
from asleft.instruments.protocol import ChannelForm, Reading, ValveForm
from asleft.instruments.steps import NO_FILE, Steps, Wait
from asleft.wire.block import Block, Burst, Reason

PERIOD_NS = 10_000_000
BLOCK = 10
PATIENCE_S = 60.0
"""Only a test that fails waits so long."""


class Instrument:
    """One valve that answers over a pair of sockets; a hook does the device's part."""

    def __init__(self, name: str, device: Callable[[socket.socket], None]) -> None:
        self.name = name
        self.valves = (ValveForm(f"press-1.{name}", (ChannelForm("current", "A", True),)),)
        self.never_blocks = True
        self.device = device
        self.ours, self.theirs = socket.socketpair()
        self.asked = 0
        self.closed = 0

    def open(self) -> None:
        """Nothing to do."""

    def read_once(self, index: int) -> Reading | None:
        raise AssertionError("it is read in steps")

    def reading(self, index: int) -> Steps[Reading]:
        self.asked += 1
        self.device(self.theirs)
        yield Wait(self.ours.fileno(), 2**62)
        return Reading([self.ours.recv(1)[0]])

    def read_bursts(self, index: int) -> list[Burst]:
        return []

    def close(self) -> None:
        self.closed += 1
        self.ours.close()
        self.theirs.close()


def answers(device: socket.socket) -> None:
    device.send(b"\7")


def is_silent(device: socket.socket) -> None:
    """Nothing comes, for ever."""


class Hall:
    """Instruments on one thread, until blocks of so many have come."""

    def __init__(self, *instruments: Instrument) -> None:
        self.blocks: dict[str, list[Block]] = {}
        self._came = threading.Condition()
        self._stop = threading.Event()
        self.samplers = [Sampler(one, "hall-2", "boot", PERIOD_NS, BLOCK, self._take) for one in instruments]
        self.sampling = Sampling(self.samplers, self._stop)
        self._thread = threading.Thread(target=self.sampling.run, daemon=True)
        self._thread.start()

    def _take(self, block: Block) -> None:
        with self._came:
            self.blocks.setdefault(block.valve, []).append(block)
            self._came.notify()

    def wait_for(self, valve: str, blocks: int) -> list[Block]:
        with self._came:
            assert self._came.wait_for(lambda: len(self.blocks.get(valve, [])) >= blocks, PATIENCE_S)
            return self.blocks[valve]

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


@pytest.fixture
def hall() -> Iterator[Callable[..., Hall]]:
    made: list[Hall] = []

    def make(*instruments: Instrument) -> Hall:
        made.append(Hall(*instruments))
        return made[-1]

    yield make
    for one in made:
        one.stop()


def read_ticks(blocks: list[Block]) -> int:
    return sum(block.size - sum(mark.count for mark in block.channels[0].marks) for block in blocks)


def test_all_are_read_and_each_reading_is_of_its_own_valve(hall: Callable[..., Hall]) -> None:
    def says(number: int) -> Callable[[socket.socket], None]:
        return lambda device: device.send(bytes([number])) and None

    made = [Instrument(f"v{number}", says(number)) for number in range(16)]
    running = hall(*made)
    for number in range(16):
        for block in running.wait_for(f"press-1.v{number}", 3):
            values = block.channels[0].as_values()
            assert set(values[values == values]) == {number}
    running.stop()
    assert [one.closed for one in made] == [1] * 16


def test_one_that_never_answers_keeps_nobody_waiting(hall: Callable[..., Hall]) -> None:
    """Not a matter of time: while the one hangs for as long as the test likes, the other has all of its readings."""
    silent, good = Instrument("silent", is_silent), Instrument("good", answers)
    running = hall(silent, good)
    blocks = running.wait_for("press-1.good", 20)
    assert silent.asked == 1
    assert "press-1.silent" not in running.blocks
    missed = running.samplers[1].counters.missed_ticks
    assert read_ticks(blocks) >= 20 * BLOCK - missed, "only ticks that the machine itself missed"
    assert running.sampling.alive_at_s == running.samplers[0].alive_at_s, "who hangs is what a watchdog sees"


def test_one_that_is_slow_has_missed_ticks_of_its_own(hall: Callable[..., Hall]) -> None:
    """Slow by the count of readings that the other has meanwhile, so no matter of time."""
    good = Instrument("good", answers)

    class Slow(Instrument):
        def reading(self, index: int) -> Steps[Reading]:
            enough = good.asked + 5
            while good.asked < enough:
                yield Wait(NO_FILE, time.monotonic_ns() + PERIOD_NS // 10)
            return Reading([1])

    slow = hall(Slow("slow", answers), good).wait_for("press-1.slow", 5)
    reasons = {mark.reason for block in slow for mark in block.channels[0].marks}
    assert reasons == {Reason.MISSED_TICK}
    assert read_ticks(slow) <= sum(block.size for block in slow) / 4 + 1


def test_a_fault_of_one_is_told_and_the_others_go_on(
    hall: Callable[..., Hall], caplog: pytest.LogCaptureFixture
) -> None:
    def breaks(_: socket.socket) -> None:
        raise RuntimeError("a bug")

    running = hall(Instrument("bad", breaks), Instrument("good", answers))
    running.wait_for("press-1.good", 5)
    assert running.samplers[0].counters.faults >= 1
    assert running.samplers[1].counters.faults == 0
    assert "sampling of bad failed" in caplog.text


def test_a_stop_ends_all_of_them_though_one_hangs_and_one_breaks_at_its_end() -> None:
    class BreaksAtEnd(Instrument):
        def close(self) -> None:
            super().close()
            raise OSError("the port is gone")

    made = BreaksAtEnd("ends", answers), Instrument("silent", is_silent), Instrument("good", answers)
    running = Hall(*made)
    running.wait_for("press-1.good", 1)
    running.stop()
    assert [one.closed for one in made] == [1, 1, 1]


SETTINGS = """
agent = "hall-2"
[broker]
port = 1
[[instrument]]
family = "modbus-tcp"
host = "192.0.2.7"
[[instrument.valve]]
id = "press-1.one"
unit = 1
channel = [{ name = "current", unit = "A", register = 3 }]
[[instrument.valve]]
id = "press-1.two"
unit = 2
channel = [{ name = "current", unit = "A", register = 3 }]
[[instrument]]
family = "modbus-tcp"
host = "192.0.2.8"
valve = [{ id = "press-2.one", channel = [{ name = "current", unit = "A", register = 3 }] }]
[[instrument]]
family = "modbus-tcp"
host = "192.0.2.9"
framing = "rtu"
valve = [{ id = "press-3.one", channel = [{ name = "current", unit = "A", register = 3 }] }]
"""


def test_what_never_blocks_shares_a_thread_and_a_line_has_its_own(tmp_path: Path) -> None:
    agent = Agent(parse_config(SETTINGS, "agent.toml", folders_of(tmp_path, {})))
    names = [part.name for part in agent._sampling]
    assert names == ["sample 192.0.2.9:502", "sample 192.0.2.7:502 unit 1 and 2 more"]
    agent._spool.close()
