"""Tables that hold readings already, against a real PostgreSQL, a real InfluxDB 1.x and Parquet files of pyarrow."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
import weakref
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import influx2_server
import psycopg
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from asleft.edge import main as command
from asleft.edge.spool import Spool
from asleft.instruments.feed import TimedReading
from asleft.instruments.influxdb_rows import InfluxRows, rows_of, statement
from asleft.instruments.parquet_rows import ParquetRows
from asleft.instruments.postgresql_rows import PostgresRows
from asleft.instruments.table_feed import RowError, TableFeed
from asleft.instruments.table_settings import (
    Column,
    InfluxAddress,
    PostgresAddress,
    TableSettings,
    TableValve,
    read_influxdb,
    read_parquet,
    read_postgres,
)
from asleft.wire.block import Block, Reason
from asleft.wire.codec import decode_upload
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from feed_waiting import PATIENCE_S, take_until, until
from influx2_server import AnyInflux
from influx_server import InfluxServer
from mosquitto_server import free_port

if TYPE_CHECKING:
    from plant_authority import Authority
    from postgres_server import PostgresServer

BEGIN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
BEGIN_NS = round(BEGIN.timestamp()) * 10**9
MS = 1_000_000
COLUMNS = (Column("command", "mA", "command"), Column("current", "A", "i_ma", 0.001))
QUERY = "SELECT at AS time, command, i_ma FROM readings WHERE valve = 'press-4'"


def settings(valve: TableValve, **more: object) -> TableSettings:
    usual: dict[str, object] = {
        "name": "history",
        "follow": True,
        "since_ns": BEGIN_NS,
        "late_s": 0.0,
        "every_s": 0.2,
        "timeout_s": 5.0,
    }
    return TableSettings(**{**usual, **more}, valves=(valve,))  # type: ignore[arg-type]


looks: weakref.WeakKeyDictionary[TableFeed, int] = weakref.WeakKeyDictionary()
"""How often each feed has begun to look at its table."""


def after_a_look(made: TableFeed) -> None:
    """A look at the table that began and ended after now."""
    for _ in range(2):
        seen = looks[made]
        until(lambda seen=seen: looks[made] > seen)  # type: ignore[misc]


def times_ms(rows: list[TimedReading]) -> list[float]:
    return [(row.wall_ns - BEGIN_NS) / MS for row in rows]


READINGS = "CREATE TABLE readings (at timestamptz NOT NULL, valve text, command float8, i_ma float8)"


@pytest.fixture
def database(postgres: PostgresServer, request: pytest.FixtureRequest) -> Iterator[psycopg.Connection]:
    with psycopg.connect(postgres.url(request.node.name), autocommit=True) as connection:
        connection.execute(READINGS)
        yield connection


@pytest.fixture(scope="module")
def timescale_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresServer]:
    from postgres_server import PostgresServer, timescale_programs

    programs = timescale_programs()
    if isinstance(programs, str):
        pytest.skip(f"not here: {programs}")
    server = PostgresServer(tmp_path_factory.mktemp("timescale"), programs=programs).start()
    yield server
    server.stop()


@pytest.fixture
def timescale(timescale_server: PostgresServer, request: pytest.FixtureRequest) -> Iterator[psycopg.Connection]:
    """Its table of readings in chunks of ten seconds."""
    with psycopg.connect(timescale_server.url(request.node.name), autocommit=True) as connection:
        connection.execute("CREATE EXTENSION timescaledb")
        (version,) = connection.execute(
            "SELECT extversion FROM pg_extension WHERE extname = 'timescaledb'"
        ).fetchone()
        request.node.user_properties.append(("server", f"TimescaleDB {version}"))
        connection.execute(READINGS)
        connection.execute("SELECT create_hypertable('readings', 'at', chunk_time_interval => INTERVAL '10 s')")
        yield connection


def address(database: psycopg.Connection) -> PostgresAddress:
    info = database.info
    return PostgresAddress("127.0.0.1", info.port, info.dbname, "asleft", None, None)


def insert(database: psycopg.Connection, first: int, count: int, valve: str = "press-4") -> None:
    rows = [(BEGIN + timedelta(milliseconds=20 * n), valve, 12.0, float(n)) for n in range(first, first + count)]
    with database.cursor() as cursor:
        cursor.executemany("INSERT INTO readings VALUES (%s, %s, %s, %s)", rows)


def of_postgres(
    database: psycopg.Connection, query: str = QUERY, now_ns: Callable[[], int] | None = None, **more: object
) -> TableFeed:
    """`now_ns`: instead of the database's clock."""
    valve = TableValve("press-4.platen", COLUMNS, query=query)
    told = settings(valve, **more)

    class Counted(PostgresRows):
        def now_ns(self) -> int:
            looks[made] += 1
            return super().now_ns() if now_ns is None else now_ns()

    made = TableFeed(told, lambda: Counted(address(database), told.timeout_s))
    looks[made] = 0
    return made


def test_postgresql_is_read_from_since_and_followed_and_nothing_comes_twice(database: psycopg.Connection) -> None:
    insert(database, 0, 6000)
    insert(database, 0, 10, valve="press-5")
    made = of_postgres(database)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 6000)
    insert(database, 6000, 5)
    rows += take_until(made, lambda more: len(more) >= 5)
    after_a_look(made)
    rows += made.take(0)
    assert times_ms(rows) == [20.0 * n for n in range(6005)]
    assert [row.reading.numbers[1] for row in rows] == pytest.approx([n / 1000 for n in range(6005)])
    made.close()
    again = of_postgres(database)
    again.open({"press-4.platen": rows[-3].wall_ns})
    assert times_ms(take_until(again, bool)) == [20.0 * n for n in (6003, 6004)]
    again.close()


def test_timescaledb_is_read_over_its_chunks_compressed_or_not_and_followed(timescale: psycopg.Connection) -> None:
    insert(timescale, 0, 6000)
    timescale.execute(
        "ALTER TABLE readings SET (timescaledb.compress, timescaledb.compress_segmentby = 'valve',"
        " timescaledb.compress_orderby = 'at')"
    )
    chunks = timescale.execute(
        "SELECT compress_chunk(c) FROM show_chunks('readings') c ORDER BY 1 LIMIT 6"
    ).fetchall()
    assert len(chunks) == 6
    made = of_postgres(timescale)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 6000)
    insert(timescale, 6000, 5)
    rows += take_until(made, lambda more: len(more) >= 5)
    made.close()
    assert times_ms(rows) == [20.0 * n for n in range(6005)]
    assert [row.reading.numbers[1] for row in rows] == pytest.approx([n / 1000 for n in range(6005)])
    buckets = "SELECT time_bucket('100 ms', at) AS time, avg(command) AS command, avg(i_ma) AS i_ma FROM readings"
    made = of_postgres(timescale, query=f"{buckets} GROUP BY 1", follow=False)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 1200)
    made.close()
    assert times_ms(rows) == [100.0 * n for n in range(1201)]
    assert [row.reading.numbers[1] for row in rows] == pytest.approx([0.005 * n + 0.002 for n in range(1201)])


def test_rows_that_come_late_within_the_window_find_their_place(database: psycopg.Connection) -> None:
    clock = [time.time_ns()]
    made = of_postgres(database, late_s=1.5, since_ns=None, now_ns=lambda: clock[0])
    made.open({})
    began_ns = clock[0] = time.time_ns() // MS * MS + MS
    for late_ms in (0, 400, 200, 600):  # the third is written behind the second
        at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=began_ns // 1000 + 1000 * late_ms)
        database.execute("INSERT INTO readings VALUES (%s, 'press-4', 1, %s)", (at, float(late_ms)))
        after_a_look(made)
        clock[0] += 200 * MS
    assert made.take(0) == []
    clock[0] = began_ns + 2099 * MS
    after_a_look(made)
    rows = made.take(0)
    assert [row.reading.numbers[1] for row in rows] == pytest.approx([0.0, 0.2, 0.4])
    clock[0] += MS
    after_a_look(made)
    assert [row.reading.numbers[1] for row in made.take(0)] == pytest.approx([0.6])
    made.close()


def test_a_read_once_ends(database: psycopg.Connection) -> None:
    insert(database, 0, 50)
    made = of_postgres(database, follow=False)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 50)
    assert made._thread is not None
    made._thread.join(PATIENCE_S)
    assert not made._thread.is_alive(), "nobody is left to read more"
    assert made.take(0) == []
    assert made.trouble(0) == ""
    assert len(rows) == 50
    made.close()


def test_empty_and_wrong_cells_are_failed_readings_and_equal_times_count_once(database: psycopg.Connection) -> None:
    at = BEGIN + timedelta(seconds=1)
    for command_ma, current in ((12, None), (None, 500), (13, "NaN")):
        database.execute("INSERT INTO readings VALUES (%s, 'press-4', %s, %s)", (at, command_ma, current))
        at += timedelta(milliseconds=20)
    database.execute("INSERT INTO readings VALUES (%s, 'press-4', 1, 1)", (at - timedelta(milliseconds=20),))
    made = of_postgres(database)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 3)
    made.close()
    not_finite = Reason.NOT_FINITE
    assert [row.reading.failed for row in rows[:2]] == [{1: not_finite}, {0: not_finite}]
    assert made.counts.repeated == 1


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("SELECT at AS time, command, write_it() AS i_ma FROM readings", "read-only transaction"),
        ("SELECT at AT TIME ZONE 'UTC' AS time, command, i_ma FROM readings", "timestamp without time zone"),
        ("SELECT at AS time, command FROM readings", 'column "i_ma" does not exist'),
        ("SELECT at AS time, command, i_ma FROM readings) AS x; DROP TABLE readings; --", "the query fails"),
        ("SELECT at AS time, command, pg_sleep(30)::text AS i_ma FROM readings", "statement timeout"),
    ],
)
def test_what_cannot_be_read_is_trouble_and_nothing_is_written(
    database: psycopg.Connection, query: str, words: str
) -> None:
    insert(database, 0, 3)
    database.execute(
        "CREATE FUNCTION write_it() RETURNS float8 LANGUAGE sql AS "
        "$$ INSERT INTO readings VALUES (now(), 'x', 1, 1) RETURNING 1.0::float8 $$"
    )
    made = of_postgres(database, query=query, timeout_s=1.0)
    made.open({})
    until(lambda: words in made.trouble(0))
    assert made.take(0) == []
    made.close()
    assert database.execute("SELECT count(*) FROM readings").fetchone() == (3,)


def test_postgresql_that_goes_away_and_comes_back(database: psycopg.Connection) -> None:
    insert(database, 0, 3)
    made = of_postgres(database)
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 3)
    database.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'asleft'")
    insert(database, 3, 3)
    rows += take_until(made, lambda more: len(more) >= 3)
    made.close()
    assert times_ms(rows) == [20.0 * n for n in range(6)]


def over_tls(server: PostgresServer, name: str, authority: Authority | None, host: str = "127.0.0.1") -> TableFeed:
    with psycopg.connect(server.url(name), autocommit=True) as connection:
        connection.execute("CREATE TABLE readings (at timestamptz, valve text, command float8, i_ma float8)")
        insert(connection, 0, 3)
        database = connection.info.dbname
    ca_file = None if authority is None else authority.folder / "ca.crt"
    where = PostgresAddress(host, server.port, database, "asleft", None, ca_file)
    return TableFeed(settings(TableValve("v", COLUMNS, query=QUERY)), lambda: PostgresRows(where, 5.0))


def test_postgresql_over_tls_with_its_certificate_checked(
    postgres_tls: PostgresServer, authorities: tuple[Authority, Authority], request: pytest.FixtureRequest
) -> None:
    made = over_tls(postgres_tls, request.node.name, authorities[0])
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 3)
    with psycopg.connect(postgres_tls.url(request.node.name)) as connection:
        used = connection.execute(
            "SELECT version FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) WHERE application_name = 'asleft'"
        ).fetchall()
    made.close()
    assert used == [("TLSv1.3",)]
    assert times_ms(rows) == [0.0, 20.0, 40.0]


def test_a_postgresql_with_a_certificate_of_others_or_another_name_is_refused(
    postgres_tls: PostgresServer, authorities: tuple[Authority, Authority], request: pytest.FixtureRequest
) -> None:
    name = request.node.name
    for authority, host, words in (
        (
            authorities[1],
            "127.0.0.1",
            "certificate verify failed: the server's certificate is not accepted; is ca_file",
        ),
        (
            authorities[0],
            "127.0.0.2",
            'does not match host name "127.0.0.2": the server',
        ),
    ):
        made = over_tls(postgres_tls, f"{name} {host}", authority, host)
        made.open({})
        until_s = time.monotonic() + 15
        while words not in made.trouble(0):
            assert time.monotonic() < until_s, made.trouble(0)
            time.sleep(0.05)
        assert made.take(0) == []
        made.close()


def test_a_silent_table_is_told(database: psycopg.Connection) -> None:
    insert(database, 0, 1)
    made = of_postgres(database)
    made.open({})
    take_until(made, bool)
    until(lambda: made.trouble(0) == "history has no row after 2026-03-02 08:00:00 UTC")
    made.close()


def _waiting_blocks(port: int) -> int:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=PATIENCE_S) as answer:
            text = answer.read().decode()
    except OSError:  # it does not listen yet
        return 0
    found = re.search(r"^asleft_agent_waiting_blocks ([0-9.e+]+)$", text, re.MULTILINE)
    assert found, text
    return int(float(found[1]))


@pytest.mark.end_to_end
def test_an_agent_that_is_killed_stores_every_row_once(database: psycopg.Connection, tmp_path: Path) -> None:
    insert(database, 0, 6000)
    info, port = database.info, free_port()
    (tmp_path / "box.toml").write_text(
        f'agent = "hall-2"\n[metrics]\naddress = "127.0.0.1:{port}"\n[broker]\nport = 1\n'
        '[[instrument]]\nfamily = "postgresql"\n'
        f'port = {info.port}\ndatabase = "{info.dbname}"\nuser = "asleft"\nlate_s = 0\n'
        f"since = 2026-03-02T08:00:00Z\n[[instrument.valve]]\n"
        f'id = "press-4.platen"\nquery = "{QUERY}"\n'
        'channel = [{ name = "command", unit = "mA" },\n'
        '  { name = "current", unit = "A", column = "i_ma", scale = 0.001 }]\n'
    )
    for least in (1, 60, 115):  # of 120 blocks of a second
        process = subprocess.Popen([sys.executable, "-m", "asleft.edge.main", str(tmp_path / "box.toml")])
        until(lambda least=least: _waiting_blocks(port) >= least)  # type: ignore[misc]
        process.send_signal(signal.SIGKILL)
        process.wait(PATIENCE_S)
    spool = Spool(tmp_path / "spool.db", "hall-2", 2**29)
    blocks = [decode_upload(item.payload) for item in spool.items(1, spool.highest_seq, 10_000)]
    spool.close()
    found = [
        at
        for one in blocks
        if isinstance(one, Block)
        for at in one.offsets_us.astype(int) // 1000 + one.wall_ns // MS
    ]
    assert len(found) >= 115 * 50
    assert found == [BEGIN_NS // MS + 20 * n for n in range(len(found))]


@dataclass(frozen=True)
class Influx:
    """A real one, with the database (or bucket) `plant`; `settings` is what an agent is told of it."""

    server: AnyInflux
    settings: dict[str, str]

    def write(self, lines: list[str]) -> None:
        self.server.write("plant", lines)


@pytest.fixture(params=["InfluxDB 1", "InfluxDB 2"])
def influx(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Influx]:
    second = request.param == "InfluxDB 2"
    program, version = influx2_server.found() if second else (shutil.which("influxd"), "1: influxd is not installed")
    if not program:
        pytest.skip(f"not here: {version}")
    server = influx2_server.server_of(tmp_path / "influx", second=second)
    settings = {"url": f"http://127.0.0.1:{server.port}", "database": "plant"}
    if isinstance(server, InfluxServer):
        server.create("plant")
        version = "1"
    else:
        (tmp_path / "token").write_text(server.token(("read", server.create("plant"))) + "\n")
        settings["token_file"] = "token"
    request.node.user_properties.append(("server", f"InfluxDB {version}"))
    yield Influx(server, settings)
    server.stop()


def test_influxdb_is_read_and_followed(influx: Influx, tmp_path: Path) -> None:
    faults: list[Fault] = []
    raw = {
        **influx.settings,
        "since": BEGIN,
        "late_s": 0,
        "valve": [
            {
                "id": "press-4.platen",
                "measurement": "press data",
                "tags": {"valve": "plat'en"},
                "channel": [{"name": "command"}, {"name": "current", "column": "i_ma", "scale": 0.001}],
            }
        ],
    }
    where, made_of = read_influxdb(Section(faults, "", "instrument[1]", raw), tmp_path.joinpath)
    assert faults == []

    def line(n: int, valve: str = "plat'en") -> str:
        return f"press\\ data,valve={valve} command=12,i_ma={n} {BEGIN_NS + 20 * MS * n}"

    influx.write([line(n) for n in range(3000)] + [line(n, "other") for n in range(10)])
    made = TableFeed(made_of, partial(InfluxRows, where, 5.0))
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 3000)
    influx.write([line(3000), f"press\\ data,valve=plat'en command=13 {BEGIN_NS + 20 * MS * 3001}"])
    rows += take_until(made, lambda more: len(more) >= 2)
    made.close()
    assert times_ms(rows) == [20.0 * n for n in range(3002)]
    assert [row.reading.numbers[1] for row in rows[:3001]] == pytest.approx([n / 1000 for n in range(3001)])
    assert rows[-1].reading.failed == {1: Reason.NOT_FINITE}


def test_an_influxdb_that_is_not_there_or_says_no_is_trouble(influx: Influx, tmp_path: Path) -> None:
    valve = TableValve("v", COLUMNS, measurement="m")
    token = tmp_path / "token" if "token_file" in influx.settings else None
    there = InfluxAddress(influx.settings["url"], "plant", token, "", None, None)
    assert InfluxRows(there, 5.0).rows(valve, 0, 1, 1) == []
    with pytest.raises(RowError, match="not found"):
        InfluxRows(replace(there, database="nowhere"), 5.0).rows(valve, 0, 1, 1)
    if token is not None:
        with pytest.raises(RowError, match="401"):
            InfluxRows(replace(there, token_file=None), 5.0).rows(valve, 0, 1, 1)
    influx.server.stop()
    with pytest.raises(RowError, match="no connection"):
        InfluxRows(there, 5.0).rows(valve, 0, 1, 1)


def test_names_and_tags_of_influxql_can_end_nothing() -> None:
    valve = TableValve("v", (Column("c", "A", 'a"; DROP'),), measurement='m"', tags={"t": "x' OR '1'='1"})
    said = statement(valve, 1, 2, 3)
    assert said == (
        'SELECT "a\\"; DROP" FROM "m\\"" WHERE time > 1 AND time <= 2 AND "t" = \'x\\\' OR \\\'1\\\'=\\\'1\' '
        "ORDER BY time ASC LIMIT 3"
    )


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"[]",
        b"{}",
        b'{"results": [{"series": [{"columns": ["time"], "values": [[1]]}]}]}',
        b'{"results": [{"series": [{"columns": ["time", "c"], "values": [["2026", 1]]}]}]}',
        b"<html>",
    ],
)
def test_an_answer_that_is_none_is_an_error(body: bytes) -> None:
    with pytest.raises(RowError):
        rows_of(body, ["c"])


def write_parquet(path: Path, first: int, count: int, unit: str = "us") -> None:
    times = pa.array([BEGIN + timedelta(milliseconds=20 * n) for n in range(first, first + count)])
    table = pa.table(
        {
            "time": times.cast(pa.timestamp(unit, "UTC")),
            "command": [12.0] * count,
            "i_ma": pa.array(range(first, first + count), pa.int16()),
            "note": ["x"] * count,
        }
    )
    pq.write_table(table, path)


def test_a_folder_of_parquet_is_read_and_followed(tmp_path: Path) -> None:
    write_parquet(tmp_path / "b.parquet", 100, 100, "ns")
    write_parquet(tmp_path / "a.parquet", 0, 100)
    whole = (tmp_path / "a.parquet").read_bytes()
    (tmp_path / "c.parquet").write_bytes(whole[: len(whole) // 2])  # being written
    made = TableFeed(settings(TableValve("v", COLUMNS)), lambda: ParquetRows(tmp_path))
    made.open({})
    rows = take_until(made, lambda rows: len(rows) >= 200)
    (tmp_path / "day").mkdir()
    write_parquet(tmp_path / "day" / "c.parquet", 200, 50, "ms")
    rows += take_until(made, lambda more: len(more) >= 50)
    made.close()
    assert times_ms(rows) == [20.0 * n for n in range(250)]
    assert rows[-1].reading.numbers == pytest.approx([12.0, 0.249])


def test_parquet_that_cannot_be_read_names_file_and_column(tmp_path: Path) -> None:
    valve = TableValve("v", COLUMNS, time_column="t")
    source = ParquetRows(tmp_path)
    write_parquet(tmp_path / "a.parquet", 0, 3)
    with pytest.raises(RowError, match=r"a\.parquet: no column 't'; there are time, command, i_ma, note"):
        source.rows(valve, 0, 2**62, 10)
    pq.write_table(pa.table({"t": [BEGIN.replace(tzinfo=None)], "command": [1], "i_ma": [1]}), tmp_path / "a.parquet")
    with pytest.raises(RowError, match="a timestamp with a zone is needed"):
        source.rows(valve, 0, 2**62, 10)
    with pytest.raises(RowError, match="no folder"):
        ParquetRows(tmp_path / "nowhere").rows(valve, 0, 1, 1)


@pytest.mark.parametrize(
    ("read", "raw", "part"),
    [
        (read_postgres, {}, "database: missing: the name of the database"),
        (read_postgres, {"database": "d", "user": "u", "follow": False}, "since: missing: where to begin"),
        (read_postgres, {"database": "d", "user": "u", "late_s": -1}, "late_s = -1: must be from 0 to 86400 s"),
        (read_influxdb, {"url": "ftp://h", "database": "d"}, 'must be "http://HOST:PORT" or https'),
        (
            read_influxdb,
            {"url": "http://192.0.2.9:8086", "database": "d", "token_file": "t"},
            "is not sent over http to another machine",
        ),
    ],
)
def test_faulty_settings(read: Callable[..., object], raw: dict[str, object], part: str, tmp_path: Path) -> None:
    faults: list[Fault] = []
    valve = {"id": "v", "query": "SELECT 1; DELETE", "measurement": "m", "channel": [{"name": "current"}]}
    read(Section(faults, "", "instrument[1]", {"valve": [valve], **raw}), tmp_path.joinpath)
    said = [str(fault) for fault in faults]
    assert any(part in one for one in said), said
    if read is read_postgres:
        assert any("query" in one and "must be one SELECT" in one for one in said), said


def test_check_names_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faults: list[Fault] = []
    raw = {"folder": "logs", "valve": [{"id": "v", "channel": [{"name": "current"}]}]}
    folder, _ = read_parquet(Section(faults, "", "instrument[1]", raw), tmp_path)
    assert (faults, folder) == ([], tmp_path / "logs")
    (tmp_path / "box.toml").write_text(
        'agent = "hall-2"\n[[instrument]]\nfamily = "parquet"\nfolder = "logs"\n'
        '[[instrument.valve]]\nid = "v"\nchannel = [{ name = "current" }]\n'
    )
    assert command.main([str(tmp_path / "box.toml"), "--check"]) == 2
    assert "logs: there is no such file or folder" in capsys.readouterr().err
