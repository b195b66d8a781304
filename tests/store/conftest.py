"""Adapters under contract, and blocks to store. A further store is one more entry in a list here."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from asleft.store.engine import make_engine
from asleft.store.influx.place import InfluxPlace, place_from
from asleft.store.influx.samples import open_influx, open_influx_reader
from asleft.store.migrate import migrate
from asleft.store.protocols import RecordStore, SampleReader, SampleStore
from asleft.store.records import open_records
from asleft.store.retention import Retention
from asleft.store.samples import EmbeddedSamples, open_samples, open_samples_reader
from asleft.wire.block import Block, Burst, Channel, Mark, Reason

sys.path.insert(0, str(Path(__file__).parent.parent))
import influx2_server
from influx2_server import Influx2Server
from influx_server import InfluxServer
from postgres_server import PostgresServer

S = 1_000_000_000
T0 = 1_700_000_040 * S  # a whole minute


class SampleAdapter(NamedTuple):
    name: str
    open_store: Callable[[Path], SampleStore]
    open_reader: Callable[[Path], SampleReader]
    server: str = ""
    """Of whom, with its version, where it is somebody else's."""


class RecordAdapter(NamedTuple):
    name: str
    open_store: Callable[[Path], RecordStore]


def influx_adapter(server: InfluxServer) -> SampleAdapter:
    """Each folder has buckets of its own."""

    def place(folder: Path) -> InfluxPlace:
        return place_from(f"{server.url}/{hashlib.sha256(str(folder).encode()).hexdigest()[:12]}", {})

    def open_store(folder: Path) -> SampleStore:
        return open_influx(place(folder), folder / "records.db", folder)

    def open_reader(folder: Path) -> SampleReader:
        return open_influx_reader(place(folder), folder / "records.db")

    return SampleAdapter("influxdb", open_store, open_reader)


def influx2_adapter(server: Influx2Server) -> SampleAdapter:
    """Each folder has buckets of its own, and a token for nothing else."""
    places: dict[Path, InfluxPlace] = {}

    def place(folder: Path) -> InfluxPlace:
        if folder not in places:
            bucket = hashlib.sha256(str(folder).encode()).hexdigest()[:12]
            token = server.plant(bucket)
            places[folder] = place_from(server.url(bucket), {"ASLEFT_INFLUX_TOKEN": token})
        return places[folder]

    def open_store(folder: Path) -> SampleStore:
        return open_influx(place(folder), folder / "records.db", folder)

    def open_reader(folder: Path) -> SampleReader:
        return open_influx_reader(place(folder), folder / "records.db")

    return SampleAdapter("influxdb2", open_store, open_reader, f"InfluxDB {influx2_server.found()[1]}")


class EagerlyMerging(EmbeddedSamples):
    """The embedded store, merging what it can, in runs of three, after every commit."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, Retention(), run_blocks=3)

    def commit(self, blocks: Any, gaps: Any, now_ns: int) -> Any:
        marks = super().commit(blocks, gaps, now_ns)
        while self.maintain(now_ns):
            pass
        return marks


SAMPLE_ADAPTERS = ["embedded", "merging", "influxdb", "influxdb2"]
RECORD_ADAPTERS = ["sqlite", "postgresql"]


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    server = InfluxServer(tmp_path_factory.mktemp("influx")).start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def influx2(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx2Server]:
    program, why = influx2_server.found()
    if not program:
        pytest.skip(f"not here: {why}")
    server = Influx2Server(tmp_path_factory.mktemp("influx2")).start()
    yield server
    server.stop()


@pytest.fixture(autouse=True)
def counted_server(request: pytest.FixtureRequest) -> None:
    """What the end of the run says was used."""
    if "sample_adapter" in request.fixturenames:
        server = request.getfixturevalue("sample_adapter").server
    else:
        server = f"InfluxDB {influx2_server.found()[1]}" if "influx2" in request.fixturenames else ""
    if server:
        request.node.user_properties.append(("server", server))


@pytest.fixture(scope="session", params=SAMPLE_ADAPTERS)
def sample_adapter(request: pytest.FixtureRequest) -> SampleAdapter:
    if request.param == "embedded":
        return SampleAdapter("embedded", open_samples, open_samples_reader)
    if request.param == "merging":
        return SampleAdapter("merging", EagerlyMerging, open_samples_reader)
    if request.param == "influxdb2":
        return influx2_adapter(request.getfixturevalue("influx2"))
    return influx_adapter(request.getfixturevalue("influx"))


@pytest.fixture(scope="session", params=RECORD_ADAPTERS)
def record_adapter(request: pytest.FixtureRequest) -> RecordAdapter:
    if request.param == "sqlite":
        return RecordAdapter("sqlite", lambda folder: open_records(folder / "records.db"))
    server: PostgresServer = request.getfixturevalue("postgres")
    return RecordAdapter("postgresql", lambda folder: open_records(server.url(str(folder))))


@pytest.fixture(params=RECORD_ADAPTERS)
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Path | str:
    """A records store of the test's own: a file, or a database of a real server."""
    if request.param == "sqlite":
        return tmp_path / "records.db"
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.url(str(tmp_path))


@pytest.fixture
def store(sample_adapter: SampleAdapter, tmp_path: Path) -> Iterator[SampleStore]:
    opened = sample_adapter.open_store(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def reader(sample_adapter: SampleAdapter, tmp_path: Path) -> Iterator[SampleReader]:
    opened = sample_adapter.open_reader(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def records(record_adapter: RecordAdapter, tmp_path: Path) -> Iterator[RecordStore]:
    opened = record_adapter.open_store(tmp_path)
    yield opened
    opened.close()


class Making:
    """Blocks with readings that depend on their number, so that a mix-up shows."""

    s = S
    t0 = T0

    def block(
        self,
        seq: int,
        *,
        agent: str = "edge-1",
        stream: str = "spool-1",
        valve: str = "press-1.platen",
        at_ns: int | None = None,
        size: int = 10,
        clock: bool | None = True,
        channels: tuple[Channel, ...] | None = None,
        bursts: tuple[Burst, ...] = (),
        boot_id: str = "boot-1",
    ) -> Block:
        rng = np.random.default_rng(seq)
        if channels is None:
            channels = (
                Channel(
                    "command",
                    "mA",
                    counts=(4000 + 100 * (seq % 100) + rng.integers(-3, 4, size)).astype(np.int16),
                    scale=0.001,
                    offset=0.5,
                ),
                Channel("pressure", "bar", values=(seq + rng.normal(0, 0.2, size)).astype(np.float32).astype(float)),
            )
        return Block(
            agent=agent,
            valve=valve,
            stream=stream,
            seq=seq,
            boot_id=boot_id,
            wall_ns=T0 + (seq - 1) * S if at_ns is None else at_ns,
            monotonic_ns=seq * S,
            clock_synchronised=clock,
            offsets_us=(np.arange(size) * (1_000_000 // max(size, 1))).astype(np.int32),
            channels=channels,
            bursts=bursts,
        )

    def failing(self, size: int = 10) -> tuple[Channel, ...]:
        counts = np.arange(size).astype(np.int16)
        values = np.linspace(0.0, 1.0, size).astype(np.float32).astype(float)
        values[2] = np.nan
        return (
            Channel(
                "current", "A", None, counts, 0.01, -0.1, (Mark(0, 2, Reason.NO_ANSWER), Mark(5, 1, Reason.TORN))
            ),
            Channel("supply", "V", values=values, marks=(Mark(2, 1, Reason.NOT_FINITE),)),
        )

    def burst(self, start_ns: int, sequence: int = 1, n: int = 200) -> Burst:
        values = np.sin(np.arange(n)).astype(np.float32).astype(float)
        return Burst("current", "A", start_ns, 4000.0, values, sequence)


@pytest.fixture(scope="session")
def make() -> Making:
    return Making()


@pytest.fixture(scope="session")
def same_block() -> Callable[[Block, Block], None]:
    """Raises where two blocks differ in anything."""

    def check(one: Block, other: Block) -> None:
        plain: list[dict[str, Any]] = []
        for block in (one, other):
            fields = {name: getattr(block, name) for name in block.__slots__}
            del fields["offsets_us"], fields["channels"], fields["bursts"]
            plain.append(fields)
        assert plain[0] == plain[1]
        np.testing.assert_array_equal(one.offsets_us, other.offsets_us)
        assert [channel.name for channel in one.channels] == [channel.name for channel in other.channels]
        for a, b in zip(one.channels, other.channels, strict=True):
            assert (a.unit, a.scale, a.offset, a.marks) == (b.unit, b.scale, b.offset, b.marks)
            for one_form, other_form in ((a.counts, b.counts), (a.values, b.values)):
                assert (one_form is None) == (other_form is None)
                if one_form is not None:
                    np.testing.assert_array_equal(one_form, other_form)
            np.testing.assert_array_equal(a.as_values(), b.as_values())
        assert len(one.bursts) == len(other.bursts)
        for a, b in zip(one.bursts, other.bursts, strict=True):
            for name in ("channel", "unit", "start_ns", "rate_hz", "sequence"):
                assert getattr(a, name) == getattr(b, name)
            np.testing.assert_array_equal(a.values, b.values)

    return check


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request, tmp_path):
    """A records store with its tables, in a file and in a server."""
    where = tmp_path / "records.db"
    made = make_engine(where if request.param == "sqlite" else request.getfixturevalue("postgres").url(str(tmp_path)))
    migrate(made)
    yield made
    made.dispose()
