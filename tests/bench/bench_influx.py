"""Samples in InfluxDB: serialising against the client's own points, writing, reading back, bytes on disk.

    python tests/bench/bench_influx.py [--minutes 60] [--folder DIR] [--influxdb-2]

One valve at 100 Hz, 4 channels, one-second blocks, against a real InfluxDB (Debian's 1.6) behind the rewrite of
`compose/`, started for the run. Reading the points themselves, as any other tool would, is timed in the same run.
With `--influxdb-2` against one of those (see tests/influx2_server.py), and there our questions in InfluxQL against
the same ones in Flux through the client's own interface.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import plant
from asleft.store.influx.lines import Serialiser, ready
from asleft.store.influx.place import InfluxPlace, place_from
from asleft.store.influx.query import Influxql
from asleft.store.influx.samples import open_influx, open_influx_reader
from asleft.store.protocols import SampleReader
from asleft.wire.block import Block
from influxdb_client import InfluxDBClient, Point, WritePrecision
from report import Goal

sys.path.insert(0, str(Path(__file__).parent.parent))
from influx2_server import Influx2Server
from influx_server import InfluxServer

COLD_S = 10
"""The server compacts after so long without writing; its makers' setting is hours."""
CHANNELS = ("command", "current", "pressure", "supply")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0, help="stored before reading (default 60)")
    parser.add_argument("--folder", type=Path, help="where the server keeps its files, which are removed again")
    parser.add_argument("--influxdb-2", action="store_true", help="against an InfluxDB 2")
    args = parser.parse_args()
    recording = plant.record(600.0)
    count = round(args.minutes * 60)
    blocks = [four_channels(plant.block_of(recording, seq)) for seq in range(1, count + 1)]
    ours, theirs = serialising(blocks[: min(count, 600)])
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        server = server_of(Path(name) / "influx", second=args.influxdb_2)
        try:
            rows = stored(server, Path(name), blocks)
        finally:
            server.stop()
    plant.table(
        [
            ("points a second as lines: ours", f"{ours:,.0f}"),
            ("  the client's Point objects", f"{theirs:,.0f}"),
            ("  ratio", f"{ours / theirs:.0f}"),
            *rows,
        ]
    )
    print(Goal("lines against Point objects", ours / theirs, at_least=10.0, unit="times").line())


def four_channels(block: Block) -> Block:
    """Only the channels that every valve has."""
    return replace(block, channels=tuple(one for one in block.channels if one.name in CHANNELS))


def serialising(blocks: Sequence[Block]) -> tuple[float, float]:
    """Points a second of processor time: our lines (packed blocks and figures included), and Point objects."""
    serialiser = Serialiser()
    prepared = [ready(block) for block in blocks]

    def ours() -> None:
        for one in prepared:
            serialiser.lines(one, 0)

    few = blocks[: max(1, len(blocks) // 20)]

    def theirs() -> None:
        for block in few:
            "\n".join(point_lines(block))

    return per_second(ours, len(blocks)), per_second(theirs, len(few))


def point_lines(block: Block) -> list[str]:
    """A block through the client's own objects."""
    columns = [(channel.name, channel.as_values().tolist()) for channel in block.channels]
    times = (block.wall_ns + block.offsets_us.astype(np.int64) * 1000).tolist()
    lines = []
    for at, time_ns in enumerate(times):
        point = Point("sample").tag("valve", block.valve).tag("agent", block.agent).tag("stream", block.stream)
        for name, values in columns:
            point = point.field(name, values[at])
        lines.append(point.time(time_ns, WritePrecision.NS).to_line_protocol())
    return lines


def per_second(what: Callable[[], None], blocks: int) -> float:
    """Points a second, the best of three."""
    took = []
    for _ in range(3):
        begin = time.process_time()
        what()
        took.append(time.process_time() - begin)
    return blocks * plant.RATE_HZ / min(took)


def server_of(folder: Path, *, second: bool) -> InfluxServer | Influx2Server:
    """A server, started."""
    if not second:
        return InfluxServer(folder, COLD_S).start()
    cold = f"--storage-compact-full-write-cold-duration={COLD_S}s"
    return Influx2Server(folder, cold, f"--storage-cache-snapshot-write-cold-duration={COLD_S}s").start()


def stored(server: InfluxServer | Influx2Server, folder: Path, blocks: Sequence[Block]) -> list[tuple[str, str]]:
    """Write everything, read it back in every way."""
    place = place_from(*server.plant_place("bench"))
    store = open_influx(place, folder / "records.db", folder)
    commits = []
    for first in range(0, len(blocks), 20):
        begin = time.perf_counter()
        store.commit(blocks[first : first + 20], (), blocks[first].wall_ns)
        commits.append(time.perf_counter() - begin)
    reader = open_influx_reader(place, folder / "records.db")
    influxql = Influxql(place)
    valve, t0, end = blocks[0].valve, blocks[0].wall_ns, blocks[-1].wall_ns + plant.S
    fields = ", ".join(f'"{name}"' for name in CHANNELS)
    statement = f"SELECT {fields} FROM \"sample\" WHERE valve = '{valve}' AND time >= {t0} AND time < {end}"
    raw, raw_most = plant.timed(lambda: reader.samples(valve, t0, end), 3)
    by_point, by_point_most = plant.timed(lambda: influxql.ask(place.bucket, statement), 3)
    overview, overview_most = plant.timed(lambda: reader.overview(valve, "current", t0, end, 1000), 5)
    live, live_most = plant.timed(lambda: reader.blocks_after(valve, {blocks[0].stream: len(blocks) - 10}, 10), 5)
    rows = len(blocks) * plant.RATE_HZ
    flux = in_flux(place, reader, blocks) if isinstance(server, Influx2Server) else []
    size = smallest_size(reader)
    influxql.close()
    reader.close()
    store.close()
    hours = len(blocks) / 3600
    return [
        ("rows of 4 channels stored", f"{rows:,}"),
        ("commit of 20 blocks, median", f"{1e3 * float(np.median(commits)):.1f} ms"),
        ("  99 of 100 within", f"{1e3 * float(np.quantile(commits, 0.99)):.1f} ms"),
        ("rows a second", f"{rows / sum(commits):,.0f}"),
        (f"{hours:.3g} h raw from blocks, median (longest)", f"{raw:.0f} ({raw_most:.0f}) ms"),
        (f"{hours:.3g} h raw from points", f"{by_point:.0f} ({by_point_most:.0f}) ms"),
        (f"{hours:.3g} h overview", f"{overview:.1f} ({overview_most:.1f}) ms"),
        ("10 waiting blocks for the judge", f"{live:.1f} ({live_most:.1f}) ms"),
        ("bytes a row on the server, compacted", f"{size / rows:.1f}"),
        *flux,
    ]


def in_flux(place: InfluxPlace, reader: SampleReader, blocks: Sequence[Block]) -> list[tuple[str, str]]:
    """The same questions by the client's own interface; what they answer is compared before it is timed."""
    valve, t0, end = blocks[0].valve, blocks[0].wall_ns, blocks[-1].wall_ns + plant.S
    client = InfluxDBClient(place.url, token=place.token, org=place.org, timeout=600_000)
    api = client.query_api()

    def span(bucket: str, measurement: str) -> str:
        return (
            f'from(bucket: "{bucket}") |> range(start: time(v: {t0}), stop: time(v: {end})) '
            f'|> filter(fn: (r) => r._measurement == "{measurement}" and r.valve == "{valve}"'
        )

    packed = span(place.bucket, "block") + " and r._field =~ /^(payload|layout|size|seq|wall_ns|to_ns)$/) |> pivot("
    packed += 'rowKey: ["_time", "lap"], columnKey: ["_field"], valueColumn: "_value")'
    figures = span(place.overview_bucket, "figure") + ' and r.channel == "current" and r._field == "{field}")'
    width_ns = max(1, (end - t0) // 1000)

    def payloads() -> list[str]:
        return [record["payload"] for table in api.query(packed) for record in table.records]

    def overview() -> int:
        asked = ""
        for name, function in (("minimum", "min"), ("maximum", "max"), ("total", "sum"), ("count", "sum")):
            window = f"aggregateWindow(every: {width_ns}ns, fn: {function}, createEmpty: false)"
            asked += figures.replace("{field}", name) + f' |> {window} |> yield(name: "{name}")\n'
        return sum(len(table.records) for table in api.query(asked)) // 4

    ours = f"SELECT * FROM \"block\" WHERE valve = '{valve}' AND time >= {t0} AND time < {end}"
    last_ns = blocks[-10].wall_ns
    influxql = Influxql(place)
    live = (
        packed.replace(f"time(v: {t0})", f"time(v: {last_ns})") + " |> filter(fn: (r) => r.seq > 0) |> limit(n: 10)"
    )
    found = payloads()
    assert len(found) == len(blocks), (len(found), len(blocks))
    stretches = overview()
    assert abs(stretches - reader.overview(valve, "current", t0, end, 1000).time_ns.size) <= 2, stretches
    assert sum(len(series.rows) for series in influxql.ask(place.bucket, ours)) == len(blocks)
    assert sum(len(table.records) for table in api.query(live)) == 10
    raw, raw_most = plant.timed(payloads, 5)
    text, text_most = plant.timed(lambda: api.query_raw(packed).read(), 5)
    asked, asked_most = plant.timed(lambda: influxql.ask(place.bucket, ours), 5)
    waiting, waiting_most = plant.timed(lambda: api.query(live), 5)
    ten = ours.replace(f"time >= {t0}", f"time >= {last_ns}") + " AND seq > 0 ORDER BY time LIMIT 10"
    ours_waiting, ours_waiting_most = plant.timed(lambda: influxql.ask(place.bucket, ten), 5)
    seen, seen_most = plant.timed(overview, 3)
    client.close()
    influxql.close()
    return [
        ("packed blocks, not yet unpacked: InfluxQL", f"{asked:.0f} ({asked_most:.0f}) ms"),
        ("  Flux", f"{raw:.0f} ({raw_most:.0f}) ms"),
        ("  Flux, its text left unread", f"{text:.0f} ({text_most:.0f}) ms"),
        ("10 waiting blocks, not yet unpacked: InfluxQL", f"{ours_waiting:.1f} ({ours_waiting_most:.1f}) ms"),
        ("  Flux", f"{waiting:.1f} ({waiting_most:.1f}) ms"),
        ("Flux: overview", f"{seen:.1f} ({seen_most:.1f}) ms"),
    ]


def smallest_size(reader: SampleReader) -> int:
    """Bytes on the server's disk once it has compacted its files: when they have not shrunk for a while."""
    smallest, since = reader.size_bytes(), time.monotonic()
    while time.monotonic() - since < 3 * COLD_S:
        time.sleep(1.0)
        size = reader.size_bytes()
        if size < smallest:
            smallest, since = size, time.monotonic()
    return smallest


if __name__ == "__main__":
    main()
