"""The whole way over a broker of somebody else's: the agent's spool and delivery, the recorder's link and store."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from asleft.edge.config import BrokerSettings
from asleft.edge.delivery import Delivery
from asleft.edge.spool import Spool
from asleft.edge.uplink import BrokerSession
from asleft.recorder.broker_link import BrokerAccess, BrokerLink
from asleft.recorder.hearing import Hearing, name_at_broker
from asleft.recorder.ingest import Ingest
from asleft.recorder.quarantine import Quarantine
from asleft.store.samples import EmbeddedSamples, open_samples
from asleft.wire.block import AgentState, Block, Channel
from asleft.wire.topics import ALL_BLOCKS, ALL_STATES

sys.path.insert(0, str(Path(__file__).parent))
from brokers import BROKERS, Broker, Limits, NotHere

AGENT = "hall-1"
S = 1_000_000_000
SCRIPT = Path(__file__).parents[2] / "compose" / "certificates.sh"


def until(condition: Callable[[], object], timeout_s: float = 120.0) -> None:
    """Wait until the condition holds."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.02)


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made by the plant's own script, for a broker on this machine."""
    folder = tmp_path_factory.mktemp("certificates")
    for words in (["broker", "localhost", "127.0.0.1"], ["recorder"], ["agent", AGENT]):
        subprocess.run([str(SCRIPT), "-d", str(folder), *words], check=True, capture_output=True)
    return folder


StartBroker = Callable[..., Broker]


@pytest.fixture(scope="session")
def brokers_of_session(
    tmp_path_factory: pytest.TempPathFactory, certificates: Path
) -> Iterator[Callable[[str], Broker]]:
    """A broker of each kind with no limits set, started when first asked for."""
    folder = tmp_path_factory.mktemp("brokers")
    running: dict[str, Broker] = {}

    def get(name: str) -> Broker:
        if name not in running:
            running[name] = BROKERS[name](folder / name, certificates).start()
        return running[name]

    yield get
    for one in running.values():
        one.stop()


def _here(name: str, request: pytest.FixtureRequest) -> None:
    try:
        version = BROKERS[name].version()
    except NotHere as why:
        pytest.skip(f"not here: {why}")
    request.node.user_properties.append(("server", f"{name} {version}"))


@pytest.fixture(params=BROKERS)
def broker(request: pytest.FixtureRequest, brokers_of_session: Callable[[str], Broker]) -> Broker:
    """Each kind in turn, shared by the tests: none of them ends it."""
    _here(request.param, request)
    try:
        return brokers_of_session(request.param)
    except NotHere as why:
        pytest.skip(f"not here: {why}")


@pytest.fixture
def start_broker(request: pytest.FixtureRequest, tmp_path: Path, certificates: Path) -> Iterator[StartBroker]:
    """Starts one of a kind for this test alone, with the limits given; it is ended after the test."""
    running: list[Broker] = []

    def start(name: str, limits: Limits | None = None) -> Broker:
        _here(name, request)
        one = BROKERS[name](tmp_path / name, certificates, limits or Limits())
        running.append(one)
        try:
            return one.start()
        except NotHere as why:
            pytest.skip(f"not here: {why}")

    yield start
    for one in running:
        one.stop()


def block(seq: int, readings: int = 20, agent: str = AGENT) -> Block:
    """A second of a valve; `seq` shows in its values. The spool gives it its number."""
    rng = np.random.default_rng(seq)
    return Block(
        agent=agent,
        valve=f"press-1.{agent}",
        stream="",
        seq=0,
        boot_id="boot",
        wall_ns=time.time_ns() - 3600 * S + seq * S,
        monotonic_ns=seq * S,
        clock_synchronised=True,
        offsets_us=(np.arange(readings) * (1_000_000 // readings)).astype(np.int32),
        channels=(Channel("current", "A", values=rng.normal(0.5, 0.1, readings).astype(np.float32).astype(float)),),
    )


class AgentSide:
    """A spool and its delivery in a thread, as the agent has them."""

    def __init__(self, folder: Path, name: str, settings: BrokerSettings) -> None:
        self.name = name
        self.spool = Spool(folder / f"{name}.db", name, 64 * 1024 * 1024, ballast_bytes=0)
        self._stop = threading.Event()
        self.sessions: list[BrokerSession] = []

        def session(will: bytes, on_ack: Callable[[bytes], None], *, mqtt5: bool) -> BrokerSession:
            made = BrokerSession(settings, name, will, on_ack, mqtt5=mqtt5)
            self.sessions.append(made)
            return made

        def state(online: bool) -> AgentState:
            spool = self.spool
            return AgentState(name, online, spool.stream, spool.highest_seq, spool.acknowledged, time.time_ns())

        self.delivery = Delivery(self.spool, session, state, self._stop, random.random, boot_id="boot")
        self._thread = threading.Thread(target=self.delivery.run, name="delivery")
        self._thread.start()
        self._made = 0

    def offer(self, count: int, readings: int = 20) -> None:
        """Spool so many more blocks."""
        self.spool.append([block(self._made + k, readings, self.name) for k in range(1, count + 1)])
        self._made += count

    @property
    def mark(self) -> int:
        """What the recorder has confirmed."""
        return self.spool.acknowledged

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.spool.close()


class RecorderSide:
    """A link, a writer in a thread and an embedded store, as the recorder has them."""

    def __init__(self, folder: Path, port: int, access: BrokerAccess) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.store: EmbeddedSamples = open_samples(folder)
        self.quarantine = Quarantine(folder)
        self.link = BrokerLink("127.0.0.1", port, "asleft-recorder", [ALL_BLOCKS, ALL_STATES], access)
        self.hearing = Hearing(self.link, name_at_broker(access.name(), "asleft-recorder"), time.monotonic)
        self.link.on_own = self.hearing.heard
        self.ingest = Ingest(self.store, self.quarantine, self.link)
        self._stop = threading.Event()
        self._writer = threading.Thread(target=self.ingest.run, name="writer")
        self._keeper = threading.Thread(target=self._keep, name="keeper")
        self._writer.start()
        self.link.start(self.ingest)
        self._keeper.start()

    def _keep(self) -> None:
        while not self._stop.wait(0.2):
            self.link.maintain()
            self.hearing.maintain()

    def close(self) -> None:
        self._stop.set()
        self._keeper.join()
        self.ingest.stop()
        self._writer.join()
        self.link.stop()
        self.quarantine.close()
        self.store.close()


class WholePath:
    """Makes both sides for a broker and a transport."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: list[AgentSide | RecorderSide] = []

    def agent(self, broker: Broker, transport: str = "tcp", name: str = AGENT) -> AgentSide:
        secure = transport in ("tls", "wss")
        files = [
            broker.certificates / name if secure else None for name in ("ca.crt", f"{AGENT}.crt", f"{AGENT}.key")
        ]
        path = broker.path if transport.startswith("ws") else ""
        settings = BrokerSettings("127.0.0.1", broker.ports[transport], "", None, 15, *files, path)
        return self._keep(AgentSide(self._folder, name, settings))

    def recorder(self, broker: Broker, transport: str = "tcp") -> RecorderSide:
        files = [broker.certificates / name for name in ("ca.crt", "RECORDER.crt", "RECORDER.key")]
        path = broker.path if transport.startswith("ws") else ""
        access = BrokerAccess(*(files if transport in ("tls", "wss") else ()), websocket_path=path)
        return self._keep(RecorderSide(self._folder / "data", broker.ports[transport], access))

    def end(self, side: AgentSide | RecorderSide) -> None:
        self._made.remove(side)
        side.close()

    def _keep(self, side):
        self._made.append(side)
        return side

    def close(self) -> None:
        for side in reversed(self._made):
            side.close()


@pytest.fixture
def whole(tmp_path: Path) -> Iterator[WholePath]:
    made = WholePath(tmp_path)
    yield made
    made.close()


def everything_arrived(recorder: RecorderSide, agent: AgentSide, count: int) -> None:
    """Nothing missing, nothing twice, nothing unreadable; the readings are those that were sent."""
    (mark,) = (mark for mark in recorder.store.marks() if mark.agent == agent.name)
    assert (mark.mark, mark.stored, mark.declared_gap) == (count, count, 0)
    assert recorder.ingest.counters.unusable == 0
    found = recorder.store.blocks_after(f"press-1.{agent.name}", {}, count + 1)
    assert [ref.seq for ref, _ in found] == list(range(1, count + 1))
    for ref, stored in (found[0], found[-1]):
        np.testing.assert_array_equal(
            stored.channels[0].as_values(), block(ref.seq, stored.size).channels[0].as_values()
        )


class _Tools:
    until = staticmethod(until)
    everything_arrived = staticmethod(everything_arrived)
    limits = Limits


@pytest.fixture
def tools() -> type[_Tools]:
    """The helpers of this file, for tests."""
    return _Tools
