"""What an earlier program left on the disks, and an agent and a recorder over them without a network."""

from __future__ import annotations

import importlib.util
import sys
import tarfile
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from asleft.recorder.ingest_core import IngestCore
from asleft.recorder.judge_process import sheet_of
from asleft.recorder.judging import Judging
from asleft.recorder.quarantine import Quarantine
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.codec import decode_ack

HERE = Path(__file__).parent


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    sys.modules[name] = made
    spec.loader.exec_module(made)
    return made


@pytest.fixture(scope="session")
def writing() -> ModuleType:
    return _load("write_stores")


@pytest.fixture(params=sorted(path.name for path in HERE.glob("stores_*.tar.xz")))
def left_behind(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder as a program of an earlier version left it."""
    folder = tmp_path / "data"
    with tarfile.open(HERE / request.param) as archive:
        archive.extractall(folder, filter="data")
    return folder


class Plant:
    """Stores of one folder, their judging and their delivery; a broker that only remembers."""

    def __init__(self, folder: Path, judge: Any, version: int, now_ns: int) -> None:
        self.samples = open_samples(folder)
        self.records = open_records(folder / "records.db")
        self.quarantine = Quarantine(folder)
        self.now_ns, self.now_s = now_ns, 0.0
        self.said: list[bytes] = []
        self.core = IngestCore(self.samples, self.quarantine, self)
        self.judging = Judging(
            self.samples, self.records, judge, version, sheet_of,
            wall_ns=lambda: now_ns, monotonic_s=lambda: self.now_s,
        )  # fmt: skip
        self.core.connected(0.0)
        self.closed = False

    def acknowledge(self, packet: int) -> None:
        pass

    def publish(self, topic: str, payload: bytes) -> None:
        self.said.append(payload)

    def take(self, messages: list[Any]) -> None:
        self.now_s += 1.0
        ready = self.core.prepare(messages, self.now_ns)
        self.core.store(ready, self.now_ns, lambda: self.now_s)
        self.core.confirm(ready, self.now_s)
        self.core.say_due(self.now_s)

    def acks(self) -> list[Any]:
        said, self.said = self.said, []
        return [decode_ack(payload) for payload in said]

    def judge(self) -> None:
        self.judging.round()
        for _ in range(10):
            self.now_s += 10.0
            self.judging.round()

    def close(self) -> None:
        if self.closed:
            return
        self.closed = True
        self.samples.close()
        self.records.close()
        self.quarantine.close()


@pytest.fixture
def plants():
    opened: list[Plant] = []

    def make(*given: Any) -> Plant:
        opened.append(Plant(*given))
        return opened[-1]

    yield make
    for plant in opened:
        plant.close()
