"""How many valves at 100 Hz and 4 channels one core records and judges, and what a thousand valves would need.

    python tests/bench/bench_load.py [--valves 8] [--minutes 20] [--looks 10 30 60 600] [--influx | --influxdb-2]

Blocks of a second, made beforehand from simulated production, go through the recorder's ingest in this process, eight
valves an agent and a second at a time, and are judged from the store as ever. A look at a valve costs much the same
however much is new, and a loaded core looks as rarely as it has to, every ten minutes at the worst; so the run is
made once for each of `--looks`, seconds from one look to the next, and the goal is for the longest of them. What is
counted is processor time. The floor, in the same run, is what recording itself takes: receive, decode, commit; no
upkeep and no judge. What receiving takes is measured beforehand, with the recorder's own connection to a real
mosquitto on loopback. With `--influx` samples go to a real InfluxDB 1.6 instead, with `--influxdb-2` to a 2 (see
tests/influx2_server.py), started for the run, whose own processor time is shown beside.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "judge"))
sys.path.insert(0, str(Path(__file__).parent.parent / "recorder"))
import conftest as recorder_tests
import plant
from asleft.judge import judge
from asleft.judge.types import JUDGE_VERSION
from asleft.recorder.broker_link import BrokerLink
from asleft.recorder.ingest import Ingest
from asleft.recorder.judging import Judging
from asleft.recorder.quarantine import Quarantine
from asleft.sim.model import default_valve
from asleft.sim.recording import simulate
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples
from asleft.wire.block import Block
from asleft.wire.codec import encode_block
from asleft.wire.topics import block_topic
from influx2_server import AnyInflux, server_of
from lanes import sheet_of
from report import Goal

CHANNELS = ("command", "current", "pressure", "supply")
PER_AGENT = 8
WARM_UP_S = 120
"""Not counted: imports, first pages, the judge's first look at a valve."""
MQTT_BYTES = 2 + 2 + 2 + 66
"""Beside payload and topic: MQTT's header, topic length and packet id; a TCP/IP segment and its Ethernet frame."""
DAY_S = 86_400


class SilentBroker:
    """Takes every acknowledgement."""

    def acknowledge(self, packet: int) -> None:
        """A packet that need not be sent again."""

    def publish(self, topic: str, payload: bytes) -> None:
        """A word to an agent."""


_SENDER = """
import sys
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
port, count, topic, payload = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.stdin.buffer.read()
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.max_queued_messages_set(count + 1)
client.connect("127.0.0.1", port)
client.loop_start()
for last in [client.publish(topic, payload, 1) for _ in range(count)]:
    last.wait_for_publish(120.0)
client.disconnect()
client.loop_stop()
"""


class Receiver:
    """Acknowledges every message to the broker, as the recorder does, and counts them."""

    def __init__(self) -> None:
        self.count = 0
        self.link: BrokerLink | None = None

    def connected(self) -> None:
        """A connection is up."""

    def disconnected(self) -> None:
        """It is gone."""

    def message(self, topic: str, payload: bytes, packet: int) -> None:
        """A message."""
        self.count += 1
        assert self.link is not None
        self.link.acknowledge(packet)


def receiving(folder: Path, topic: str, payload: bytes, count: int = 900) -> float:
    """Processor time (s) of this process for one message taken from a broker and acknowledged to it.

    `count` is less than what the broker queues for one that is slow (1000): the rest would be dropped.
    """
    broker = recorder_tests.Mosquitto(folder).start()
    listener = Receiver()
    link = listener.link = BrokerLink("127.0.0.1", broker.port, "bench", [topic])
    link.start(listener)
    try:
        recorder_tests.until(lambda: link.connected)
        time.sleep(0.5)  # the subscription follows the connection
        began_s = time.process_time()
        command = [sys.executable, "-c", _SENDER, str(broker.port), str(count), topic]
        subprocess.run(command, input=payload, check=True, timeout=300.0)
        recorder_tests.until(lambda: listener.count == count, 60.0, 0.1)
        return (time.process_time() - began_s) / count
    finally:
        link.stop()
        broker.kill()


def spent_by(server: AnyInflux | None) -> float:
    """Processor time (s) of a server's processes so far."""
    if server is None:
        return 0.0
    ticks = 0
    for process in server.processes:
        fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


@dataclass
class Spent:
    """Processor time of this process (s), by what it went into."""

    ingest: float = 0.0
    upkeep: float = 0.0
    judging: float = 0.0

    @contextmanager
    def on(self, what: str) -> Iterator[None]:
        """Add what is spent inside."""
        began_s = time.process_time()
        yield
        setattr(self, what, getattr(self, what) + time.process_time() - began_s)


class Rig:
    """A recorder's insides over a store, with a clock that runs with the data."""

    def __init__(self, folder: Path, valves: int, duration_s: int, server: AnyInflux | None = None) -> None:
        model = default_valve()
        (self.recording,) = simulate([model], [plant.T0_S], duration_s, rate_hz=plant.RATE_HZ, burst_every_s=0.0)
        sheet = sheet_of(model, self.recording.truth.as_left)
        self.valves = [f"press-{number}.valve" for number in range(1, valves + 1)]
        self.spent, self.now_s, self.bytes_sent, self.packet = Spent(), 0.0, 0, 0
        if server is None:
            self.store = open_samples(folder)
        else:
            self.store = open_influx(place_from(*server.plant_place("plant")), folder / "records.db", folder)
        self.records = open_records(folder / "records.db")
        for valve in self.valves:
            self.records.put_sheet(SheetRecord(valve, 1, 0, "bench", "bench", "", 0))
        self.ingest = Ingest(
            self.store, Quarantine(folder), SilentBroker(), wall_ns=self.wall_ns, monotonic_s=lambda: self.now_s
        )
        self.maintain = self.store.maintain
        self.store.maintain = lambda _now_ns: False  # type: ignore[method-assign]
        self.judging = Judging(
            self.store, self.records, judge, JUDGE_VERSION, lambda record: replace(sheet, valve=record.valve),
            wall_ns=self.wall_ns, monotonic_s=lambda: self.now_s,
        )  # fmt: skip
        self.ingest.connected()

    def wall_ns(self) -> int:
        """The plant's clock."""
        return round((plant.T0_S + self.now_s) * 1e9)

    def payloads(self, second: int) -> list[list[tuple[str, bytes]]]:
        """What each agent sends in one second."""
        block = four_channels(plant.block_of(self.recording, second))
        said = []
        for first in range(0, len(self.valves), PER_AGENT):
            agent = f"hall-{first // PER_AGENT + 1}"
            some = self.valves[first : first + PER_AGENT]
            said.append(
                [
                    (
                        block_topic(agent),
                        encode_block(replace(block, agent=agent, valve=valve, stream=agent, seq=seq)),
                    )
                    for seq, valve in enumerate(some, (second - 1) * len(some) + 1)
                ]
            )
        return said

    def second(self, second: int) -> None:
        """One second of every valve: received, decoded, committed; then the store's upkeep."""
        said = self.payloads(second)
        self.now_s = float(second)
        for messages in said:
            with self.spent.on("ingest"):
                for topic, payload in messages:
                    self.packet += 1
                    self.ingest.message(topic, payload, self.packet % 65_535 + 1)
                self.ingest.turn()
            self.bytes_sent += sum(len(topic) + len(payload) + MQTT_BYTES for topic, payload in messages)
        with self.spent.on("upkeep"):
            while self.maintain(self.wall_ns()):
                pass

    def judge(self) -> None:
        """Judge all that waits."""
        with self.spent.on("judging"):
            while self.judging.round():
                pass

    def close(self) -> None:
        """Close the stores."""
        self.records.close()
        self.store.close()


def four_channels(block: Block) -> Block:
    """Only the channels that every valve has."""
    return replace(block, channels=tuple(one for one in block.channels if one.name in CHANNELS))


@dataclass(frozen=True, slots=True)
class Load:
    """What one run took for each valve and second (s, bytes)."""

    look_s: int
    ingest: float
    upkeep: float
    judging: float
    server: float
    disk: float
    wire: float

    @property
    def total(self) -> float:
        """Processor time of recorder and judging process."""
        return self.ingest + self.upkeep + self.judging


def measure(folder: Path, valves: int, minutes: float, look_s: int, server: AnyInflux | None) -> Load:
    """One run; the warm-up is not counted."""
    counted_s = round(minutes * 60)
    rig = Rig(folder, valves, WARM_UP_S + counted_s, server)
    before, server_s = 0, 0.0
    topic, payload = rig.payloads(1)[0][0]
    received = receiving(folder, topic, payload)
    for second in range(1, WARM_UP_S + counted_s + 1):
        rig.second(second)
        if second % look_s == 0:
            rig.judge()
        if second == WARM_UP_S:
            rig.spent, rig.bytes_sent, before = Spent(), 0, rig.store.size_bytes()
            server_s = spent_by(server)
    rig.judge()
    stored = sum(mark.mark for mark in rig.store.marks())
    assert stored == valves * (WARM_UP_S + counted_s), "not everything was stored"
    behind = [name for name in rig.valves if rig.judging.valves[name].waiting or rig.judging.valves[name].failure]
    assert not behind, f"not judged to the end: {behind}"
    server_s = spent_by(server) - server_s
    disk = rig.store.size_bytes() - before
    rig.close()
    spent, per = rig.spent, 1.0 / (valves * counted_s)
    return Load(
        look_s, received + spent.ingest * per, spent.upkeep * per, spent.judging * per, server_s * per,
        disk * per, rig.bytes_sent * per,
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--valves", type=int, default=8, help="valves fed (default 8)")
    parser.add_argument("--minutes", type=float, default=20.0, help="minutes of each, beside two (default 20)")
    parser.add_argument("--looks", type=int, nargs="+", default=[10, 30, 60, 600], help="seconds from look to look")
    store = parser.add_mutually_exclusive_group()
    store.add_argument("--influx", action="store_true", help="samples in a real InfluxDB 1.6, started for the run")
    store.add_argument("--influxdb-2", action="store_true", help="in an InfluxDB 2")
    parser.add_argument("--folder", type=Path, help="where to make the data folder, which is removed again")
    args = parser.parse_args()
    influx = args.influx or args.influxdb_2
    loads = []
    for look_s in args.looks:
        with tempfile.TemporaryDirectory(dir=args.folder) as name:
            server = server_of(Path(name) / "influx", second=args.influxdb_2) if influx else None
            try:
                loads.append(measure(Path(name), args.valves, args.minutes, look_s, server))
            finally:
                if server is not None:
                    server.stop()
    where = "InfluxDB 2" if args.influxdb_2 else "InfluxDB" if influx else "the embedded store"
    print(f"{args.valves} valves at 100 Hz, 4 channels; {args.minutes:g} minutes of each, in {where}")
    print(f"{'judged every':<52}" + "".join(f"{load.look_s:>8} s" for load in loads))
    rows: list[tuple[str, Callable[[Load], str]]] = [
        ("for a valve and second: receive, decode, commit (ms)", lambda one: f"{1e3 * one.ingest:.2f}"),
        ("  the store's upkeep, merging (ms)", lambda one: f"{1e3 * one.upkeep:.2f}"),
        ("  judging (ms)", lambda one: f"{1e3 * one.judging:.2f}"),
        ("all over receive, decode, commit", lambda one: f"{one.total / one.ingest:.1f}"),
        ("valves one core records and judges", lambda one: f"{1 / one.total:,.0f}"),
        ("  records, without judging", lambda one: f"{1 / (one.ingest + one.upkeep):,.0f}"),
        ("a thousand valves: cores, busy throughout", lambda one: f"{1000 * one.total:.1f}"),
        ("  cores at half load, with room to catch up", lambda one: f"{2000 * one.total:.1f}"),
        ("  disk a day (GB)", lambda one: f"{1000 * one.disk * DAY_S / 1e9:.0f}"),
        ("  network into the recorders (Mbit/s)", lambda one: f"{1000 * one.wire * 8 / 1e6:.1f}"),
    ]
    if influx:
        rows.insert(8, ("  and InfluxDB's own, on the same kind of core", lambda one: f"{1000 * one.server:.1f}"))
    for name, figure in rows:
        print(f"{name:<52}" + "".join(f"{figure(load):>10}" for load in loads))
    loaded = max(loads, key=lambda load: load.look_s)
    name = f"a loaded core, judging every {loaded.look_s} s: processor time over receive + decode + commit"
    print(Goal(name, loaded.total / loaded.ingest, at_most=3.0, unit="x").line())


if __name__ == "__main__":
    main()
