"""A real InfluxDB 2, where there is one: rights, buckets, retention, a restart; asked by the test itself."""

from __future__ import annotations

import subprocess
import time
from contextlib import suppress

import numpy as np
import pytest
from asleft.store.influx.place import place_from
from asleft.store.influx.samples import open_influx, open_influx_reader
from asleft.store.protocols import StoreUnavailable
from asleft.store.retention import Retention
from influx2_server import Influx2Server

VALVE = "press-1.platen"
DAY_S = 86_400


@pytest.fixture
def bucket(request):
    return f"b{abs(hash(request.node.nodeid)):x}"


@pytest.fixture
def opened(influx2, bucket, tmp_path):
    """Opens the store with a token."""
    stores = []

    def open_with(token, retention=None, where=influx2):
        place = place_from(where.url(bucket), {"ASLEFT_INFLUX_TOKEN": token})
        stores.append(open_influx(place, tmp_path / "records.db", tmp_path, retention))
        return stores[-1]

    yield open_with
    for store in stores:
        store.close()


def keeps_s(server, name):
    """How long a bucket keeps, as the server tells its administrator; 0 for ever."""
    (found,) = server.api("GET", "buckets", name=name)["buckets"]
    return sum(rule["everySeconds"] for rule in found["retentionRules"])


def test_a_token_for_the_two_buckets_is_enough_and_ours_is_refused_elsewhere(influx2, bucket, opened, make):
    token = influx2.plant(bucket)
    store = opened(token)
    store.commit([make.block(seq) for seq in (1, 2, 3)], [], 1)
    assert store.samples(VALVE, 0, 2**62).time_ns.size == 30
    assert store.overview(VALVE, "pressure", make.t0, make.t0 + 3 * make.s, 3).time_ns.size == 3
    (series,) = influx2.query('SELECT COUNT("command") FROM "sample"', bucket)
    assert series["values"][0][1] == 30
    with pytest.raises(StoreUnavailable, match="403 for first: insufficient permissions"):
        store._writer._send("first", b"x y=1i")


def test_without_the_right_to_write_nothing_is_stored_and_the_bucket_is_named(influx2, bucket, opened, make):
    ids = [influx2.create(name) for name in (bucket, f"{bucket}-overview")]
    store = opened(influx2.token(*(("read", one) for one in ids)))
    with pytest.raises(StoreUnavailable, match=f"answers 40[13] for {bucket}: "):
        store.commit([make.block(1)], [], 1)
    assert store.marks() == []


def test_without_the_right_to_read_reading_says_so_and_is_never_empty(influx2, bucket, opened, make):
    ids = [influx2.create(name) for name in (bucket, f"{bucket}-overview")]
    store = opened(influx2.token(*(("write", one) for one in ids)))
    store.commit([make.block(1)], [], 1)
    for ask in (
        lambda: store.samples(VALVE, 0, 2**62),
        lambda: store.blocks_after(VALVE, {}, 10),
        lambda: store.overview(VALVE, "pressure", make.t0, make.t0 + make.s, 3),
    ):
        with pytest.raises(StoreUnavailable, match=bucket):
            ask()


@pytest.mark.parametrize("missing", ["", "-overview"])
def test_a_missing_bucket_is_named_and_nothing_is_put_aside(influx2, bucket, opened, make, missing):
    there = influx2.create(bucket if missing else f"{bucket}-overview")
    store = opened(influx2.token(("read", there), ("write", there)))
    with pytest.raises(StoreUnavailable, match=f"for {bucket}{missing}: "):
        store.commit([make.block(1)], [], 1)
    assert store.marks() == []


def test_a_bucket_that_was_dropped_is_an_outage_and_not_an_empty_history(influx2, bucket, opened, make):
    ids = [influx2.create(name) for name in (bucket, f"{bucket}-overview")]
    store = opened(influx2.token(*((action, one) for one in ids for action in ("read", "write"))))
    store.commit([make.block(1)], [], 1)
    influx2.drop(ids[0])
    with pytest.raises(StoreUnavailable, match=bucket):
        store.samples(VALVE, 0, 2**62)
    with pytest.raises(StoreUnavailable, match=bucket):
        store.commit([make.block(2)], [], 1)
    assert store.marks()[0].mark == 1


def test_how_long_it_keeps_is_said_as_the_server_has_it(influx2, bucket, opened, make):
    store = opened(influx2.plant(bucket, keep_s=90 * DAY_S))
    now_ns = time.time_ns()
    store.commit([make.block(1, at_ns=now_ns - make.s)], [], 1)
    assert store.about() | {"where": ""} == {"where": "", "keeps_raw": "90 days", "keeps_overview": "for ever"}
    store.maintain(now_ns + 89 * DAY_S * make.s)
    assert store.valves() == [VALVE]
    store.maintain(now_ns + 91 * DAY_S * make.s)
    assert store.valves() == []  # the server has forgotten it, so we forget where it stood


def test_retention_is_set_on_the_server_with_no_more_rights_than_the_buckets(influx2, bucket, opened, make):
    store = opened(influx2.plant(bucket), Retention(3, 365))
    store.commit([make.block(1, at_ns=time.time_ns() - make.s)], [], 1)
    assert (keeps_s(influx2, bucket), keeps_s(influx2, f"{bucket}-overview")) == (3 * DAY_S, 365 * DAY_S)
    assert store.about() | {"where": ""} == {"where": "", "keeps_raw": "3 days", "keeps_overview": "365 days"}


def test_a_block_older_than_the_bucket_keeps_is_refused_not_confirmed(influx2, bucket, opened, make):
    """The server drops such points; an acknowledgement for them would make an agent forget what nobody has."""
    store = opened(influx2.plant(bucket, keep_s=DAY_S))
    now_ns = time.time_ns()
    store.commit([make.block(1, at_ns=now_ns - make.s)], [], 1)
    assert store.samples(VALVE, 0, 2**62).time_ns.size == 10
    with pytest.raises(Exception, match="retention"):
        store.commit([make.block(2, at_ns=now_ns - 30 * DAY_S * make.s)], [], 1)


def test_the_servers_size_is_told_once_it_has_looked(influx2, bucket, opened, make):
    store = opened(influx2.plant(bucket))
    store.commit([make.block(seq) for seq in range(1, 100)], [], 1)
    deadline = time.monotonic() + 60
    while not store.size_bytes():
        assert time.monotonic() < deadline
        time.sleep(0.5)
    assert 10_000 < store.size_bytes() < 10_000_000


def test_nothing_is_lost_when_the_server_is_killed_and_comes_back(influx2_of_own, bucket, opened, tmp_path, make):
    server = influx2_of_own
    token = server.plant(bucket)
    store = opened(token, where=server)
    said = 0
    for seq in range(1, 21):
        if seq % 10 == 0:
            server.kill_database()
            with pytest.raises(StoreUnavailable):
                store.commit([make.block(seq)], [], seq)
            with pytest.raises(StoreUnavailable):
                store.samples(VALVE, 0, 2**62)
            assert [mark.mark for mark in store.marks()] == [said]
            server.start()
        said = store.commit([make.block(seq)], [], seq)[0].mark
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 100)] == list(range(1, 21))
    place = place_from(server.url(bucket), {"ASLEFT_INFLUX_TOKEN": token})
    reader = open_influx_reader(place, tmp_path / "records.db")
    assert reader.samples(VALVE, 0, 2**62).time_ns.size == 200
    reader.close()


@pytest.fixture
def influx2_on_a_small_disk(influx2, tmp_path):
    assert influx2.port
    if subprocess.run(["unshare", "--user", "--map-root-user", "--mount", "true"], check=False).returncode:
        pytest.skip("not here: this machine gives no disk of its own to a process (unshare)")
    server = Influx2Server(tmp_path / "server", disk_mb=256).start()
    yield server
    server.stop()


def test_a_full_disk_confirms_nothing_and_puts_nothing_aside(influx2_on_a_small_disk, bucket, opened, make):
    server = influx2_on_a_small_disk
    store = opened(server.plant(bucket), where=server)
    store.commit([make.block(1)], [], 1)
    filler = server.disk / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(bytes(65_536)):
            pass
    for seq in (2, 40):
        with pytest.raises(StoreUnavailable, match="answers 500 for b"):
            store.commit([make.block(one, size=500) for one in range(seq, seq + 38)], [], 2)
    assert [mark.mark for mark in store.marks()] == [1]
    assert store.samples(VALVE, 0, 2**62).time_ns.size == 10


@pytest.fixture
def influx2_of_own(influx2, tmp_path):
    """One that the test may kill; `influx2` skips where there is none."""
    assert influx2.port
    server = Influx2Server(tmp_path / "server").start()
    yield server
    server.stop()


def test_names_that_hide_a_bucket_from_influxql_are_mapped_by_hand(influx2, bucket, opened, make):
    """A mapping of the plant's own, as `influx v1 dbrp create` makes it, is used before the server's own."""
    ids = [influx2.create(name) for name in (bucket, f"{bucket}-overview")]
    influx2.map(ids[0], bucket)
    store = opened(influx2.token(*((action, one) for one in ids for action in ("read", "write"))))
    store.commit([make.block(1)], [], 1)
    np.testing.assert_array_equal(
        store.samples(VALVE, 0, 2**62).channels["command"], make.block(1).channels[0].as_values()
    )
