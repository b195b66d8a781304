"""Readings that others hold already, the whole way as real processes: source, agent, broker, recorder, judge."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import fault_parts as parts
import numpy as np
import numpy.typing as npt
import paho.mqtt.client as mqtt
import psycopg
import pytest
from asleft.store.protocols import SheetRecord
from asleft.store.records import open_records
from asleft.store.samples import open_samples_reader
from asyncua import ua
from opcua_servers import OwnServer
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from postgres_server import PostgresServer

pytestmark = pytest.mark.end_to_end

S, MS = 1_000_000_000, 1_000_000
AT_ZERO_A, AT_FULL_A = 0.2, 0.8
OPCUA, MQTT, POSTGRES = "press-1.opcua", "press-1.mqtt", "press-1.postgresql"

SETTINGS = """
agent = "hall-1"
[broker]
port = {broker}
[[instrument]]
family = "opc-ua"
url = "{opcua}"
sampling_ms = 50
[[instrument.valve]]
id = "press-1.opcua"
channel = [
  {{ name = "command", unit = "mA", node = "ns=2;s=Press4.Command" }},
  {{ name = "current", unit = "A", node = "ns=2;s=Press4.Current", scale = 0.001 }},
]
[[instrument]]
family = "mqtt-in"
port = {broker}
time = "at"
time_form = "ms"
[[instrument.valve]]
id = "press-1.mqtt"
topic = "gateway/press-1"
channel = [
  {{ name = "command", unit = "mA", path = "values.command" }},
  {{ name = "current", unit = "A", path = "values.current", scale = 0.001 }},
]
[[instrument]]
family = "postgresql"
port = {postgres}
database = "{database}"
user = "asleft"
since = 2020-01-01T00:00:00Z
late_s = 0
[[instrument.valve]]
id = "press-1.postgresql"
query = "SELECT at AS time, command, current_ma FROM readings"
channel = [
  {{ name = "command", unit = "mA" }},
  {{ name = "current", unit = "A", column = "current_ma", scale = 0.001 }},
]
"""

SHEET = """
[valve]
id = "{valve}"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.2
current_at_full = 0.8
[revision]
number = 1
at = 2019-01-01T00:00:00Z
by = "ab"
why = "first"
"""


@dataclass(frozen=True, slots=True)
class Course:
    """What a source holds: times (ns since 1970), command (mA), current (mA); each of shape (n,)."""

    time_ns: npt.NDArray[np.int64]
    command_ma: npt.NDArray[np.float64]
    current_ma: npt.NDArray[np.float64]


def course(time_ns: npt.NDArray[np.int64], at_full_a: float, seed: int) -> Course:
    """Two seconds near either end of the command, by turns; the current of a valve with that much at full."""
    rng = np.random.default_rng(seed)
    demand = np.where(time_ns // S % 4 < 2, 0.05, 0.95)
    command_ma = 4 + 16 * demand + rng.normal(0, 0.005, time_ns.size)
    current_a = AT_ZERO_A + demand * (at_full_a - AT_ZERO_A) + rng.normal(0, 0.001, time_ns.size)
    return Course(time_ns, command_ma, 1000 * current_a)


def past(seconds: float, at_full_a: float, seed: int) -> Course:
    """A course at 50 readings a second that ended a minute ago."""
    end_ns = time.time_ns() // S * S - 60 * S
    return course(end_ns - np.arange(round(seconds * 50), 0, -1) * 20 * MS, at_full_a, seed)


@dataclass
class Plant:
    """The processes, and the stores that they fill."""

    folder: Path
    broker_port: int
    parts: list[parts.Part]

    def start(self, part: parts.Part) -> None:
        self.parts.append(part)
        part.start()

    def until(self, what: str, within_s: float, condition) -> None:
        end_s = time.monotonic() + within_s
        while not condition():
            logs = "\n".join(f"--- {part.name}\n{part.log()}" for part in self.parts)
            assert time.monotonic() < end_s, f"{what} did not come within {within_s} s\n{logs}"
            time.sleep(0.1)


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    made = Plant(tmp_path, parts.free_port(), [])
    made.start(parts.mosquitto(tmp_path, made.broker_port, persistent=False))
    parts.wait_for_port(made.broker_port)
    yield made
    for part in reversed(made.parts):
        part.kill()


@pytest.fixture
def controller() -> Iterator[OwnServer]:
    server = OwnServer({"Command": 0.0, "Current": 0.0})
    yield server
    server.stop()


def put_sheets(data: Path) -> None:
    data.mkdir()
    records = open_records(data / "records.db")
    for valve in (OPCUA, MQTT, POSTGRES):
        toml = SHEET.format(valve=valve)
        at_ns = round(datetime(2019, 1, 1, tzinfo=UTC).timestamp()) * S
        records.put_sheet(SheetRecord(valve, 1, at_ns, "ab", "first", toml, at_ns))
    records.close()


def fill_table(url: str, held: Course) -> str:
    """The rows of a database; its name."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CREATE TABLE readings (at timestamptz, command float8, current_ma float8)")
        rows = [
            (datetime.fromtimestamp(at // MS / 1000, UTC), command, current)
            for at, command, current in zip(held.time_ns.tolist(), held.command_ma, held.current_ma, strict=True)
        ]
        with connection.cursor() as cursor:
            cursor.executemany("INSERT INTO readings VALUES (%s, %s, %s)", rows)
        return connection.info.dbname


def publish(port: int, held: Course) -> None:
    """What a gateway publishes."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for at_ns, command, current in zip(held.time_ns.tolist(), held.command_ma, held.current_ma, strict=True):
        body = {"at": at_ns // MS, "values": {"command": command, "current": current}}
        said = client.publish("gateway/press-1", json.dumps(body), 1)
    said.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def write_live(controller: OwnServer, seconds: float, seed: int) -> Course:
    """What a controller writes while it runs, with its own times."""
    said: list[Course] = []

    async def write(one: Course) -> None:
        at = datetime.fromtimestamp(int(one.time_ns[0]) // 1000 / 1e6, UTC)
        for name, value in (("Command", one.command_ma[0]), ("Current", one.current_ma[0])):
            variant = ua.Variant(float(value), ua.VariantType.Double)
            await controller.nodes[name].write_value(ua.DataValue(variant, SourceTimestamp=at))

    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        # Made where it is written: a time that is older than what the server has published since would be late.
        said.append(controller.do(lambda: _made_now(write, seed + len(said))))
        time.sleep(0.05)
    return Course(*(np.concatenate([getattr(one, name) for one in said]) for name in Course.__slots__))


async def _made_now(write, seed: int) -> Course:
    one = course(np.array([time.time_ns() // 1000 * 1000]), AT_FULL_A, seed)
    await write(one)
    return one


def stored_of(data: Path, valve: str, until_ns: int) -> Course:
    """Up to a time: a source that says no more is marked from then on."""
    reader = open_samples_reader(data)
    found = reader.samples(valve, 0, until_ns + 1000)
    reader.close()
    return Course(found.time_ns, found.channels["command"], 1000 * found.channels["current"])


def assert_equal(stored: Course, source: Course) -> None:
    """To what 32 bits hold of a number."""
    np.testing.assert_array_equal(stored.time_ns, source.time_ns)
    np.testing.assert_allclose(stored.command_ma, source.command_ma, rtol=1e-6)
    np.testing.assert_allclose(stored.current_ma, source.current_ma, rtol=1e-6)


def test_rows_of_three_sources_reach_the_store_unchanged_and_are_judged(
    plant: Plant, controller: OwnServer, postgres: PostgresServer, request: pytest.FixtureRequest
) -> None:
    data = plant.folder / "data"
    put_sheets(data)
    tabled, published = past(120, 0.9 * AT_FULL_A, seed=1), past(120, AT_FULL_A, seed=2)
    settings = plant.folder / "agent.toml"
    settings.write_text(
        SETTINGS.format(
            broker=plant.broker_port,
            opcua=controller.url,
            postgres=postgres.port,
            database=fill_table(postgres.url(request.node.name), tabled),
        )
    )
    plant.start(parts.recorder(plant.folder, plant.broker_port, data))
    agent = parts.Part(
        "agent", [parts.sys.executable, "-m", "asleft.edge.main", str(settings)], plant.folder / "a.log"
    )
    plant.start(agent)
    for words in ("2 variables", f"127.0.0.1:{plant.broker_port}: connected"):
        plant.until(words, 180, lambda words=words: agent.said(words))
    publish(plant.broker_port, published)
    live = write_live(controller, 30, seed=3)

    sources = {POSTGRES: tabled, MQTT: published, OPCUA: live}
    ends = {valve: int(held.time_ns[-1]) for valve, held in sources.items()}
    for valve, end_ns in ends.items():
        plant.until(f"the end of {valve}", 180, lambda v=valve, end=end_ns: stored_until(data, v) >= end)
        # The end of a stretch that still lasts is judged when it is over.
        plant.until(f"the verdict on {valve}", 180, lambda v=valve, end=end_ns: judged_until(data, v) > end - 4 * S)
    assert agent.end() == 0

    assert_equal(stored_of(data, POSTGRES, ends[POSTGRES]), tabled)
    assert_equal(stored_of(data, MQTT, ends[MQTT]), published)
    found = stored_of(data, OPCUA, ends[OPCUA])
    # The first values are from before the subscription; a value that held for longer is written out in between.
    began = int(np.searchsorted(live.time_ns, found.time_ns[0]))
    kept = np.isin(found.time_ns, live.time_ns)
    assert began < 40, "seconds of the beginning are missing"
    held = ~kept & (found.time_ns > live.time_ns[began])
    assert set(found.command_ma[held].tolist()) <= set(found.command_ma[kept].tolist())
    assert_equal(
        Course(found.time_ns[kept], found.command_ma[kept], found.current_ma[kept]),
        Course(live.time_ns[began:], live.command_ma[began:], live.current_ma[began:]),
    )
    assert verdicts(data, OPCUA) == verdicts(data, MQTT) == {"current_at_zero": "in", "current_at_full": "in"}
    assert verdicts(data, POSTGRES)["current_at_full"] == "out"


def stored_until(data: Path, valve: str) -> int:
    if not (data / "samples.db").exists():
        return 0
    reader = open_samples_reader(data)
    span = reader.span(valve)
    reader.close()
    return span[1] if span else 0


def judgement(data: Path, valve: str):
    records = open_records(data / "records.db")
    found = records.judgement(valve)
    records.close()
    return found


def judged_until(data: Path, valve: str) -> int:
    found = judgement(data, valve)
    return 0 if found is None else round(datetime.fromisoformat(found["to"]).timestamp() * 1e6) * 1000


def verdicts(data: Path, valve: str) -> dict[str, str]:
    return {one["id"]: one["verdict"] for one in judgement(data, valve)["quantities"] if one["as_left"] is not None}
