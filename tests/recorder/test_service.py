"""The recorder as a process: real broker, real files, real kills."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time

import pytest
from asleft.recorder.service import Recorder
from asleft.store.records import open_records
from asleft.store.samples import open_samples_reader
from asleft.wire.block import AgentState
from asleft.wire.codec import encode_state
from asleft.wire.topics import state_topic

pytestmark = pytest.mark.end_to_end

BUSY_JUDGE = """
import time
from pathlib import Path
from tests_judge_types import summarise, taken
HOLD = Path(__file__).with_name("hold")
def begin(sheet):
    return 0
def advance(sheet, state, samples):
    end = time.perf_counter() + 0.4
    while time.perf_counter() < end or HOLD.exists():
        pass
    return taken(state + samples.time_s.size)
dumps = str
loads = int
"""

OUTCOME = """
from types import SimpleNamespace
from asleft.judge.types import Judgement, State, Status
def summarise(sheet, state):
    return Judgement(sheet.valve, 1, None, None, state, Status.GOOD, "As left.", {}, (), (),
                     current_state=State.PRODUCING)
def taken(state):
    return SimpleNamespace(state=state, intervals=(), points=(), due=True)
"""


@pytest.fixture
def busy_judge(tmp_path, monkeypatch):
    """A judge that keeps its processor busy for 0.4 s in every call, and while there is a file `hold` beside it."""
    folder = tmp_path / "judges"
    folder.mkdir()
    (folder / "busy_judge.py").write_text(BUSY_JUDGE)
    (folder / "tests_judge_types.py").write_text(OUTCOME)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, (str(folder), os.environ.get("PYTHONPATH")))))
    return "busy_judge"


class Process:
    """`asleft record` in a process of its own."""

    def __init__(self, data, port, *more):
        self.command = [sys.executable, "-m", "asleft.cli.main", "record", "--data", str(data)]
        self.command += ["--broker", f"127.0.0.1:{port}", *more]
        self.process = None

    def start(self):
        self.process = subprocess.Popen(
            self.command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, start_new_session=True
        )
        assert self.process.stdout.readline().startswith("recording into")

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def stop(self, by=signal.SIGTERM):
        self.process.send_signal(by)
        code = self.process.wait(30)
        self.process.stdout.close()
        return code


@pytest.fixture
def recording(tmp_path, mosquitto):
    made = Process(tmp_path / "data", mosquitto.port)
    made.start()
    yield made
    if made.process.poll() is None:
        made.kill()


def judging_pid(data):
    rows = {row.source: row for row in read(data)}
    return rows["judging"].details["pid"] if "judging" in rows else None


def sizes(data):
    (row,) = (row for row in read(data) if row.source == "recorder")
    store = row.details["store"]
    assert store["free_bytes"] > 0
    assert store["sizes"][0][1] <= store["folder_bytes"]
    return store["sizes"]


def read(data):
    records = open_records(data / "records.db")
    try:
        return records.health()
    finally:
        records.close()


def gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_kills_of_recorder_and_broker_lose_nothing(tmp_path, mosquitto, recording, agent, tools):
    data = tmp_path / "data"

    def passed(number):
        return tools.until(lambda: agent.mark > number)

    for before in (0, 300, 600):
        agent.offer(150)
        passed(before)
        recording.kill()
        agent.offer(50)
        recording.start()
        passed(before + 150)
        agent.offer(100)
        mosquitto.kill()
        time.sleep(0.2)
        mosquitto.start()
        tools.until(lambda: agent.mark == agent.highest)
    assert agent.highest == 900
    (mark,) = open_samples_reader(data).marks()
    assert (mark.mark, mark.declared_gap, mark.stored) == (900, 0, 900)
    seqs = [ref.seq for ref in open_samples_reader(data).refs_after("press-1.platen", {}, 10_000)]
    assert seqs == list(range(1, 901))
    assert agent.fresh >= 6
    assert recording.stop() == 0


def test_a_second_recorder_is_refused_and_a_stop_is_clean(tmp_path, recording, tools):
    data = tmp_path / "data"
    second = subprocess.run(recording.command, capture_output=True, text=True, timeout=300, check=False)
    assert second.returncode == 2
    assert f"in use by another recorder (process {recording.process.pid})" in second.stderr
    assert "Traceback" not in second.stderr
    pid = tools.until(lambda: judging_pid(data))
    assert recording.stop(signal.SIGINT) == 0
    assert gone(pid)
    before = sizes(data)
    recording.start()
    assert tools.until(lambda: sizes(data)) == before  # the day goes on over a restart
    assert recording.stop() == 0


def test_the_judging_process_dies_with_a_killed_recorder(tmp_path, recording, tools):
    pid = tools.until(lambda: judging_pid(tmp_path / "data"))
    assert not gone(pid)
    recording.kill()
    tools.until(lambda: gone(pid))


@pytest.mark.usefixtures("recording")
def test_health_rows_say_how_it_goes(tmp_path, agent, tools):
    agent.offer(20)
    tools.until(lambda: agent.mark == 20)
    state = AgentState("edge-1", True, "spool-1", 20, 20, time.time_ns(), "0.1")
    agent._client.publish(state_topic("edge-1"), encode_state(state), 1, retain=True)
    agent._client.publish("asleft/1/block/edge-1", b"\xff poison", 1)

    def settled():
        rows = {row.source: row.details for row in read(tmp_path / "data")}
        there = {"agent/edge-1", "judging", "recorder"} <= set(rows)
        return rows if there and rows["recorder"]["quarantined"] else None

    rows = tools.until(settled)
    recorder = rows["recorder"]
    assert recorder["broker_connected"] is True
    assert recorder["protocol"] == "MQTT 5"
    assert recorder["blocks"] >= 20
    assert recorder["store_bytes"] > 0
    assert recorder["streams"][0]["mark"] == 20
    assert recorder["judging_alive"] is True
    assert rows["judging"]["without_sheet"] == ["press-1.platen"]
    assert rows["agent/edge-1"]["balances"] is True
    assert rows["agent/edge-1"]["stored"] == 20


@pytest.fixture
def in_process(tmp_path, mosquitto, busy_judge, tools):
    """A recorder in this process, with a judging process that is always busy."""
    data = tmp_path / "data"
    records = open_records(data / "records.db")
    records.put_sheet(tools.sheet_record())
    records.close()
    recorder = Recorder(data, "127.0.0.1", mosquitto.port, judge_module=busy_judge)
    codes = []
    thread = threading.Thread(target=lambda: codes.append(recorder.run()))
    thread.start()
    yield recorder
    recorder.stop()
    thread.join(30)
    assert codes == [0]


@pytest.mark.usefixtures("in_process")
def test_a_busy_judge_does_not_delay_acknowledgements(tmp_path, agent, tools):
    """All are acknowledged while it is busy with the first of them."""
    hold = tmp_path / "judges" / "hold"
    hold.touch()
    for _ in range(60):
        agent.offer(1)
        time.sleep(0.05)
    tools.until(lambda: agent.mark == 60)
    records = open_records(tmp_path / "data" / "records.db")
    assert records.judge_cursor("press-1.platen") is None
    hold.unlink()
    tools.until(lambda: (cursor := records.judge_cursor("press-1.platen")) and cursor.cursor == {"spool-1": 60})
    assert records.judgement("press-1.platen")["samples"] == 600
    records.close()


def test_a_judging_process_that_is_killed_is_started_again(tmp_path, in_process, agent, tools):
    agent.offer(10)
    first = tools.until(lambda: in_process.child.pid)
    os.kill(first, signal.SIGKILL)
    tools.until(lambda: in_process.child.alive() and in_process.child.pid != first)
    agent.offer(10)
    records = open_records(tmp_path / "data" / "records.db")
    tools.until(lambda: (cursor := records.judge_cursor("press-1.platen")) and cursor.cursor == {"spool-1": 20})
    assert records.judgement("press-1.platen")["samples"] == 200
    records.close()
