"""Merging blocks into runs: nothing changes for who reads, whatever was stored and whenever he looks."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from asleft.store.retention import DAY_NS, Retention
from asleft.store.runs import RUN_BLOCKS, RUN_NS, RUN_SEQS, Stand, leading_run, pack_run
from asleft.store.samples import EmbeddedSamples, open_samples, open_samples_reader
from asleft.wire.block import Channel, Gap, Mark, Reason
from hypothesis import given, settings
from hypothesis import strategies as st

VALVE = "press-1.platen"
VALVES = (VALVE, "press-2.clamp")


def maintained(store, now_ns=1):
    while store.maintain(now_ns):
        pass


def rows(folder, table):
    connection = sqlite3.connect(folder / "samples.db")
    try:
        return connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
    finally:
        connection.close()


def kinds(size):
    """Channels of several layouts, with and without failures."""
    counts = np.arange(size, dtype=np.int16)
    values = np.linspace(-1.0, 1.0, size).astype(np.float32).astype(float)
    last = (Mark(size - 1, 1, Reason.TORN),) if size else ()
    return (
        None,
        (Channel("current", "A", None, counts, 0.01, -0.1, last), Channel("supply", "V", values=values)),
        (Channel("pressure", "bar", values=values, marks=(Mark(0, size, Reason.NO_ANSWER),) if size else ()),),
        (),
    )


STEPS = st.lists(
    st.tuples(
        st.sampled_from([1, 1, 1, 1, 1, 2]),  # valve
        st.sampled_from([1, 1, 1, 1, 7, 90, -3, -40]),  # seconds after the block before
        st.sampled_from([0, 0, 0, 0, 1, 2, 3]),  # layout
        st.sampled_from([10, 10, 10, 1, 33]),  # readings
        st.sampled_from([True, True, True, False, None]),
        st.booleans(),  # with bursts
    ),
    min_size=1,
    max_size=25,
)


@settings(max_examples=40, deadline=None)
@given(steps=STEPS, held=st.sets(st.integers(1, 20), max_size=4), run_blocks=st.sampled_from([1, 2, 5, RUN_BLOCKS]))
def test_a_store_that_merges_answers_as_one_that_does_not(make, same_block, steps, held, run_blocks):
    """Blocks whose numbers are `held` arrive late, after a gap was declared in their place."""
    at_ns, blocks = make.t0, []
    for seq, (valve, later_s, kind, size, clock, burst) in enumerate(steps, 1):
        at_ns += later_s * make.s
        bursts = (make.burst(at_ns + seq), make.burst(at_ns + 3 * make.s, seq)) if burst else ()
        channels = kinds(size)[kind]
        block = make.block(
            seq, valve=VALVES[valve - 1], at_ns=at_ns, size=size, clock=clock, channels=channels, bursts=bursts
        )
        blocks.append(replace(block, boot_id=f"boot-{seq // 9}"))
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        plain = open_samples(Path(one))
        merging = EmbeddedSamples(Path(other), Retention(), run_blocks)
        late = [block for block in blocks if block.seq in held]
        gaps = [Gap("edge-1", "spool-1", block.seq, block.seq, "late") for block in late]
        for commit, lost in (([block for block in blocks if block.seq not in held], gaps), (late, [])):
            assert plain.commit(commit, lost, 1) == merging.commit(commit, lost, 1)
            maintained(merging)
            answer_alike(plain, merging, same_block, len(blocks), make)
        plain.close()
        merging.close()


def answer_alike(plain, merging, same_block, count, make):
    ends = [0, make.t0 - 20 * make.s, make.t0 + 3 * make.s + 250_000_000, make.t0 + 95 * make.s, 2**62]
    assert plain.valves() == merging.valves()
    for valve in VALVES:
        assert plain.span(valve) == merging.span(valve)
        for after in (0, 3, count):
            for limit in (1, 4, 100):
                for from_ns in (None, ends[2]):
                    wanted = plain.blocks_after(valve, {"spool-1": after}, limit, from_ns)
                    found = merging.blocks_after(valve, {"spool-1": after}, limit, from_ns)
                    assert [ref for ref, _ in found] == [ref for ref, _ in wanted]
                    assert merging.refs_after(valve, {"spool-1": after}, limit, from_ns) == [ref for ref, _ in wanted]
                    for (_, a), (_, b) in zip(found, wanted, strict=True):
                        same_block(a, b)
        for first in ends:
            for last in ends:
                same_readings(plain.samples(valve, first, last), merging.samples(valve, first, last))
                assert len(plain.bursts(valve, first, last)) == len(merging.bursts(valve, first, last))
        for channel in ("pressure", "current"):
            for points in (1, 5, 400):
                for span in ((ends[1], ends[3]), (ends[2], ends[3] + 300 * make.s)):
                    wanted = plain.overview(valve, channel, *span, points)
                    found = merging.overview(valve, channel, *span, points)
                    for name in ("time_ns", "minimum", "maximum"):
                        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name))
                    np.testing.assert_allclose(found.mean, wanted.mean, rtol=1e-12)


def same_readings(one, other):
    np.testing.assert_array_equal(one.time_ns, other.time_ns)
    assert one.units == other.units
    for name, values in one.channels.items():
        order, other_order = (np.lexsort((store.channels[name], store.time_ns)) for store in (one, other))
        np.testing.assert_array_equal(values[order], other.channels[name][other_order])


def test_a_store_of_ordinary_minutes_answers_alike(tmp_path, make, same_block):
    blocks = [make.block(seq) for seq in range(1, 151)]
    plain, merging = open_samples(tmp_path / "plain"), open_samples(tmp_path / "merging")
    for store in (plain, merging):
        store.commit(blocks, [], 1)
    maintained(merging)
    assert rows(tmp_path / "merging", "run") == 2
    answer_alike(plain, merging, same_block, 150, make)
    plain.close()
    merging.close()


def test_late_blocks_come_between_their_neighbours_although_they_are_in_a_later_run(tmp_path, make):
    store = EmbeddedSamples(tmp_path, Retention(), 3)
    store.commit([make.block(seq) for seq in range(1, 12) if seq != 5], [Gap("edge-1", "spool-1", 5, 5, "late")], 1)
    maintained(store)
    store.commit([make.block(5), *(make.block(seq) for seq in range(12, 20))], [], 2)
    maintained(store)
    assert rows(tmp_path, "block") <= 3
    for after in range(19):
        for limit in (1, 3, 50):
            found = [ref.seq for ref in store.refs_after(VALVE, {"spool-1": after}, limit)]
            assert found == list(range(after + 1, 20))[:limit]
    store.close()


def test_blocks_of_a_minute_become_one_row(tmp_path, make):
    store = open_samples(tmp_path)
    store.commit([make.block(seq, bursts=(make.burst(make.t0 + seq),)) for seq in range(1, 201)], [], 1)
    assert store.about()["unmerged_blocks"] == 200
    maintained(store)
    assert (rows(tmp_path, "run"), rows(tmp_path, "block")) == (3, 20)
    assert rows(tmp_path, "block_figure") == 2 * 20
    assert store.about()["unmerged_blocks"] == 20
    assert len(store.blocks_after(VALVE, {"spool-1": 30}, 50)) == 50
    store.close()


def test_failed_readings_stay_with_their_blocks(tmp_path, make, same_block):
    blocks = [make.block(seq, channels=make.failing() if seq % 4 else kinds(10)[1]) for seq in range(1, 70)]
    alike = [
        make.block(seq, stream="spool-2", at_ns=make.t0 + (100 + seq) * make.s, channels=make.failing())
        for seq in range(1, 90)
    ]
    store = open_samples(tmp_path)
    store.commit([*blocks, *alike], [], 1)
    maintained(store)
    assert rows(tmp_path, "run") == 2
    for (_, found), wanted in zip(store.blocks_after(VALVE, {}, 200), [*blocks, *alike], strict=True):
        same_block(found, wanted)
    failed = np.isnan(store.samples(VALVE, make.t0 + 101 * make.s, make.t0 + 103 * make.s).channels["current"])
    np.testing.assert_array_equal(failed, [1, 1, 0, 0, 0, 1, 0, 0, 0, 0] * 2)
    store.close()


def test_blocks_left_by_an_earlier_process_are_merged_too(tmp_path, make):
    store = open_samples(tmp_path)
    store.commit([make.block(seq) for seq in range(1, 201)], [], 1)
    store.close()
    store = open_samples(tmp_path)
    maintained(store)
    assert rows(tmp_path, "run") == 3
    store.close()


def test_what_lies_beyond_a_hole_is_not_merged(tmp_path, make):
    store = EmbeddedSamples(tmp_path, Retention(), 2)
    store.commit([make.block(seq) for seq in (1, 2, 3, 5, 6, 7, 8)], [], 1)
    maintained(store)
    assert rows(tmp_path, "block") == 5
    assert store.commit([make.block(4)], [], 2)[0].mark == 8
    store.commit([make.block(9), make.block(10)], [], 2)
    maintained(store)
    assert rows(tmp_path, "block") <= 2
    assert [ref.seq for ref in store.refs_after(VALVE, {}, 100)] == list(range(1, 11))
    assert store.commit([make.block(2)], [], 3)[0].duplicates == 1
    store.close()


def stand(seq, from_s, to_s=None, layout=1, boot=1):
    to_s = from_s + 0.99 if to_s is None else to_s
    return Stand(seq, seq, round(from_s * 1e9), round(to_s * 1e9), layout, boot)


def test_where_a_run_ends():
    minute = [stand(k, k) for k in range(1, 100)]
    assert leading_run(minute) == (minute[:RUN_BLOCKS], True)
    assert leading_run(minute[:20]) == (minute[:20], False)
    assert leading_run([]) == ([], False)
    for other in (
        stand(3, 3, layout=2),
        stand(3, 3, boot=2),
        stand(3, 2.5),  # the clock was put back
        stand(3, 3, 1 + RUN_NS / 1e9 + 0.01),
        stand(1 + RUN_SEQS, 3),
    ):
        assert leading_run([*minute[:2], other, stand(4, 4)]) == (minute[:2], True)
    long = [stand(1, 0, 640), stand(2, 641)]
    assert leading_run(long) == (long[:1], True)


def test_a_run_takes_fewer_bytes_than_its_blocks(make):
    from asleft.store.packing import pack

    blocks = [make.block(seq, size=100) for seq in range(1, 61)]
    run = pack_run(blocks)
    singly = sum(len(pack(block).payload) for block in blocks)
    assert len(run.packed.payload) + len(run.heads) + len(run.figures) < singly


def test_every_reading_is_seen_once_while_blocks_are_merged(tmp_path, make):
    store = EmbeddedSamples(tmp_path, Retention(), 4)
    store.commit([make.block(seq) for seq in range(1, 401)], [], 1)
    done, wrong, looks = threading.Event(), [], [0]

    def look():
        reader = open_samples_reader(tmp_path)
        while not done.is_set():
            times = reader.samples(VALVE, 0, 2**62).time_ns
            seqs = [ref.seq for ref in reader.refs_after(VALVE, {}, 1000)]
            points = reader.overview(VALVE, "pressure", make.t0, make.t0 + 400 * make.s, 400).time_ns.size
            if times.size != 4000 or np.unique(times).size != 4000 or seqs != list(range(1, 401)) or points != 400:
                wrong.append((times.size, len(seqs), points))
            looks[0] += 1
        reader.close()

    threads = [threading.Thread(target=look) for _ in range(2)]
    for thread in threads:
        thread.start()
    while store.maintain(1):
        time.sleep(0.005)
    done.set()
    for thread in threads:
        thread.join()
    assert rows(tmp_path, "run") >= 99
    assert looks[0] >= 4
    assert wrong == []
    store.close()


MERGE = """
import sys
from pathlib import Path
from asleft.store.retention import Retention
from asleft.store.samples import EmbeddedSamples
store = EmbeddedSamples(Path(sys.argv[1]), Retention(), 3)
print("ready", flush=True)
while store.maintain(1):
    pass
print("done", flush=True)
"""


def test_a_kill_in_the_middle_of_merging_loses_and_doubles_nothing(tmp_path, make):
    store = open_samples(tmp_path)
    store.commit([make.block(seq) for seq in range(1, 1501)], [], 1)
    store.close()
    made = [0]
    for pause_s in (0.02, 0.05, 0.1, 0.15):
        process = subprocess.Popen([sys.executable, "-c", MERGE, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        assert process.stdout.readline() == "ready\n"
        time.sleep(pause_s)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        made.append(rows(tmp_path, "run"))
        reader = open_samples_reader(tmp_path)
        assert [ref.seq for ref in reader.refs_after(VALVE, {}, 10_000)] == list(range(1, 1501))
        assert np.unique(reader.samples(VALVE, 0, 2**62).time_ns).size == 15_000
        assert reader.marks()[0].stored == 1500
        reader.close()
    assert made == sorted(made)
    assert made[-1] > 0


def test_a_step_that_fails_changes_nothing_and_is_made_later(tmp_path, make, monkeypatch):
    store = open_samples(tmp_path)
    store.commit([make.block(seq) for seq in range(1, 200)], [], 1)
    with monkeypatch.context() as patched:
        patched.setattr("asleft.store.merging.pack_run", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            store.maintain(1)
    assert (rows(tmp_path, "run"), rows(tmp_path, "block")) == (0, 199)
    maintained(store)
    assert rows(tmp_path, "run") == 3
    assert store.commit([make.block(200)], [], 2)[0].mark == 200
    store.close()


def test_a_file_of_the_first_version_is_brought_up_to_date(tmp_path, make, same_block):
    store = open_samples(tmp_path)
    blocks = [make.block(seq, bursts=(make.burst(make.t0 + seq, seq),) * (seq % 2)) for seq in range(1, 90)]
    store.commit(blocks, [], 1)
    store.close()
    old = sqlite3.connect(tmp_path / "samples.db")
    old.executescript("""
        CREATE TABLE old (id INTEGER PRIMARY KEY, block INTEGER NOT NULL REFERENCES block (id),
            valve INTEGER NOT NULL REFERENCES valve (id), channel TEXT NOT NULL, unit TEXT NOT NULL,
            start_ns INTEGER NOT NULL, rate_hz REAL NOT NULL, sequence INTEGER NOT NULL, payload BLOB NOT NULL);
        INSERT INTO old SELECT burst.id, block.id, burst.valve, channel, unit, start_ns, rate_hz, sequence,
            burst.payload FROM burst JOIN block ON block.stream = burst.stream AND block.seq = burst.seq;
        DROP TABLE burst; ALTER TABLE old RENAME TO burst; DROP TABLE run;
        CREATE INDEX burst_by_time ON burst (valve, start_ns); CREATE INDEX burst_by_block ON burst (block);
        PRAGMA user_version = 1;
    """)
    old.close()
    reader = open_samples_reader(tmp_path)
    assert reader.valves() == []  # not before the recorder has brought it up to date
    store = open_samples(tmp_path)
    maintained(store)
    assert rows(tmp_path, "run") == 1
    for opened in (store, reader):
        for (_, found), wanted in zip(opened.blocks_after(VALVE, {}, 100), blocks, strict=True):
            same_block(found, wanted)
        assert len(opened.bursts(VALVE, 0, 2**62)) == 45
    reader.close()
    store.close()


def test_what_is_too_old_goes_and_overviews_of_it_stay_longer(tmp_path, make):
    store = open_samples(tmp_path, Retention(raw_days=1.0, overview_days=10.0))
    day = DAY_NS // make.s
    at_s = [*range(200), *range(day, day + 200)]
    blocks = [
        make.block(k + 1, at_ns=make.t0 + at * make.s, bursts=(make.burst(make.t0 + at * make.s),))
        for k, at in enumerate(at_s)
    ]
    store.commit(blocks, [], 1)
    maintained(store, make.t0 + 300 * make.s)
    assert store.span(VALVE)[0] == make.t0
    before = store.overview(VALVE, "pressure", make.t0, make.t0 + 180 * make.s, 3)
    maintained(store, make.t0 + DAY_NS + 400 * make.s)
    assert store.span(VALVE)[0] == make.t0 + DAY_NS
    assert store.samples(VALVE, 0, make.t0 + DAY_NS).time_ns.size == 0
    assert store.bursts(VALVE, 0, make.t0 + DAY_NS) == []
    after = store.overview(VALVE, "pressure", make.t0, make.t0 + 180 * make.s, 3)
    np.testing.assert_array_equal(before.mean, after.mean)
    fine = store.overview(VALVE, "pressure", make.t0, make.t0 + 240 * make.s, 240)
    assert fine.time_ns.tolist() == [make.t0 + minute * 60 * make.s for minute in range(4)]
    assert store.marks()[0].stored == 400
    assert store.commit([make.block(5)], [], 2)[0].duplicates == 1
    assert rows(tmp_path, "block_figure") == 2 * rows(tmp_path, "block")
    maintained(store, make.t0 + 10 * DAY_NS + 500 * make.s)
    assert store.valves() == []
    left = store.overview(VALVE, "pressure", make.t0, make.t0 + 2 * DAY_NS, 10_000).time_ns
    assert left.size
    assert left.min() >= make.t0 + DAY_NS
    store.close()


def test_blocks_beyond_a_hole_outlast_their_time(tmp_path, make):
    store = open_samples(tmp_path, Retention(raw_days=1.0))
    store.commit([make.block(1), make.block(3)], [], 1)
    maintained(store, make.t0 + 3 * DAY_NS)
    assert rows(tmp_path, "block") == 1
    assert store.commit([make.block(2)], [], 2)[0].mark == 3
    store.close()


@pytest.mark.parametrize(("raw", "overview"), [(0.0, None), (-1.0, None), (5.0, 4.0), (None, 5.0), (1e9, None)])
def test_days_that_make_no_sense_are_refused(raw, overview):
    with pytest.raises(ValueError, match="kept"):
        Retention(raw, overview)
