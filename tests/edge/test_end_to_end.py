from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from asleft.edge.spool import Spool

if TYPE_CHECKING:
    from conftest import Broker, FakeRecorder

pytestmark = pytest.mark.end_to_end


class AgentProcess:
    def __init__(self, settings: Path) -> None:
        self._settings = settings
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen([sys.executable, "-m", "asleft.edge.main", str(self._settings)])

    def end(self, how: signal.Signals) -> int:
        assert self._process is not None
        self._process.send_signal(how)
        code = self._process.wait(60)
        self._process = None
        return code

    def close(self) -> None:
        if self._process is not None:
            self.end(signal.SIGKILL)


@pytest.fixture
def agent(settings_file: Path) -> Iterator[AgentProcess]:
    made = AgentProcess(settings_file)
    yield made
    made.close()


def until(condition: object, timeout_s: float = 120.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.05)


def test_nothing_is_lost_when_broker_and_agent_are_killed(
    broker: Broker, agent: AgentProcess, tmp_path: Path, make_recorder: type[FakeRecorder]
) -> None:
    recorder = make_recorder(broker.port, "hall-2")
    agent.start()
    until(lambda: len(recorder.blocks) >= 6)
    broker.kill()
    time.sleep(1.5)
    broker.start()
    before = len(recorder.blocks)
    until(lambda: len(recorder.blocks) >= before + 6)
    agent.end(signal.SIGKILL)
    agent.start()
    before = len(recorder.blocks)
    until(lambda: len(recorder.blocks) >= before + 6)
    until(lambda: recorder.states and recorder.states[-1].online)
    assert agent.end(signal.SIGTERM) == 0
    until(lambda: not recorder.states[-1].online)
    # What was read last before the end may still wait in the spool; the next start sends it.
    spool = Spool(tmp_path / "spool.db", "hall-2", 512 * 1024 * 1024)
    highest, stream, acknowledged = spool.highest_seq, spool.stream, spool.acknowledged
    spool.close()
    assert 0 < acknowledged <= recorder.mark(stream) <= highest
    agent.start()
    until(lambda: recorder.mark(stream) > highest)
    agent.end(signal.SIGTERM)
    recorder.close()

    assert recorder.faults == []
    assert recorder.gaps == []
    assert {known for known, _ in recorder.blocks} == {stream}
    assert sorted(seq for _, seq in recorder.blocks)[:highest] == list(range(1, highest + 1))
    for block in recorder.blocks.values():
        command, current = block.channels
        assert (command.name, command.unit, current.name, current.unit) == ("command", "mA", "current", "A")
        np.testing.assert_allclose(command.as_values(), 4 + 10 * current.as_values(), atol=1e-5)
        assert 0 < block.offsets_us[-1] < 700_000
    assert len({block.boot_id for block in recorder.blocks.values()}) == 1


def test_the_broker_taking_a_block_is_not_enough(
    broker: Broker, agent: AgentProcess, make_recorder: type[FakeRecorder]
) -> None:
    recorder = make_recorder(broker.port, "hall-2")
    recorder.mute = True
    agent.start()
    until(lambda: len(recorder.blocks) >= 4)
    before = len(recorder.blocks)
    received = recorder.received
    until(lambda: recorder.received - received > 2 * (len(recorder.blocks) - before) + 4)  # they come again
    assert recorder.states[-1].acknowledged == 0
    recorder.mute = False
    stream = next(iter(recorder.blocks))[0]
    until(lambda: recorder.states[-1].acknowledged > 4)
    until(lambda: "sent_again" in recorder.states[-1].details and int(recorder.states[-1].details["sent_again"]) > 0)
    assert recorder.states[-1].acknowledged <= recorder.mark(stream)
    recorder.close()
