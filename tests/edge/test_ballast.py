"""A spool on a full disk: the reserve keeps it going, oldest out first, and it is laid up again later."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from asleft.edge import spool as spool_module
from asleft.edge.ballast import Ballast
from asleft.edge.spool import Spool
from asleft.wire.block import Block, Channel, Gap
from asleft.wire.codec import decode_upload

MB = 1024 * 1024


def block() -> Block:
    channel = Channel("current", "A", values=np.random.default_rng(1).normal(size=500))
    return Block("hall-2", "v", "", 0, "b", 1, 1, None, np.arange(500, dtype=np.int32), (channel,))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a small disk can only be mounted by root")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(disk: Path) -> Path:
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (MB, 4096, 256):
            with suppress(OSError):
                while True:
                    file.write(bytes(size))
    return filler


def test_the_reserve_is_real_bytes_and_leaves_room(tmp_path: Path) -> None:
    ballast = Ballast(tmp_path / "spool.db", 3 * MB)
    assert not ballast.there
    assert ballast.lay_up()
    file = tmp_path / "spool.db.ballast"
    assert file.stat().st_size == 3 * MB
    assert file.stat().st_blocks * 512 >= 3 * MB
    assert ballast.give_back()
    assert not ballast.there
    assert not ballast.give_back()


def test_no_reserve_is_laid_up_where_it_would_fill_the_disk(small_disk: Path) -> None:
    assert not Ballast(small_disk / "spool.db", 4 * MB).lay_up()
    assert list(small_disk.iterdir()) == []


def test_on_a_full_disk_the_spool_goes_on_and_declares_what_had_to_go(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spool = Spool(small_disk / "spool.db", "hall-2", 6 * MB)
    spool.append([block() for _ in range(300)])
    filler = fill(small_disk)
    for _ in range(60):  # far more than there is room for
        spool.append([block() for _ in range(20)])
    assert spool.disk_full
    assert spool.highest_seq == 1500
    assert spool.counters().blocks_dropped > 0
    expected = 1
    while expected <= spool.highest_seq:
        for item in spool.items(expected, spool.highest_seq, 200):
            assert item.first == expected
            said = decode_upload(item.payload)
            assert not isinstance(said, Gap) or said.why == "the spool was full"
            expected = item.last + 1
    filler.unlink()
    monkeypatch.setattr(spool_module, "_LAY_UP_EVERY_S", -1.0)
    spool._lay_up_at_s = float("-inf")
    spool.append([block()])
    assert not spool.disk_full
    assert (small_disk / "spool.db.ballast").exists()
    dropped = spool.counters().blocks_dropped
    for _ in range(20):
        spool.append([block() for _ in range(20)])
    assert spool.counters().blocks_dropped == dropped, "there is room again"
    spool.close()


def test_a_killed_spool_opens_again_on_a_full_disk_and_goes_on(small_disk: Path) -> None:
    """Its write-ahead log is still there, and what it held is folded in rather than written on at its end."""
    spool = Spool(small_disk / "spool.db", "hall-2", 6 * MB)
    spool.append([block() for _ in range(300)])
    fill(small_disk)
    for _ in range(60):
        spool.append([block() for _ in range(20)])
    left = {name: (small_disk / name).read_bytes() for name in ("spool.db", "spool.db-wal")}
    assert left["spool.db-wal"]
    spool.close()
    for name, content in left.items():  # as `kill -9` leaves them
        (small_disk / name).write_bytes(content)
    spool = Spool(small_disk / "spool.db", "hall-2", 6 * MB)
    assert spool.highest_seq == 1500
    for _ in range(60):
        seq = spool.append([block() for _ in range(20)])
        (last,) = spool.items(seq, seq, 1)
        assert not isinstance(decode_upload(last.payload), Gap)
    spool.close()


def test_without_a_reserve_a_full_disk_loses_blocks(small_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the reserve is for: the same without it."""
    monkeypatch.setattr(Ballast, "lay_up", lambda _self: False)
    spool = Spool(small_disk / "spool.db", "hall-2", 6 * MB)
    spool.append([block() for _ in range(300)])
    fill(small_disk)

    def go_on() -> None:
        for _ in range(60):
            spool.append([block() for _ in range(20)])

    with pytest.raises(spool_module.SpoolError, match="full"):
        go_on()
    spool.close()
