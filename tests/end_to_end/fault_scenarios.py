"""What is done to a plant, scenario by scenario; each gives one row of the table."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import paho.mqtt.client as mqtt
from asleft.wire.topics import block_topic
from fault_parts import AGENT, VALVES
from fault_plant import Plant, Row
from paho.mqtt.enums import CallbackAPIVersion

_VICTIMS = (
    *(("agent",), ("broker",), ("recorder",)),
    *(("agent", "broker"), ("broker", "recorder"), ("recorder", "agent")),
)


def kills(folder: Path, broker: str, count: int, seed: int) -> Row:
    """`kill -9` of agent, broker and recorder in random order, alone and in pairs; the broker's disk wiped too."""
    rng = random.Random(seed)
    with Plant(folder, broker=broker) as plant:
        while plant.kills < count:
            victims = rng.choice(_VICTIMS)
            plant.kill(*victims)
            if "broker" in victims and rng.random() < 0.5:
                plant.wipe_broker()
            time.sleep(rng.uniform(0.0, 0.6))
            plant.start(*rng.sample(victims, len(victims)))
            if rng.random() < 0.5:  # struck while it comes up, or once blocks flow again
                plant.flows(within_s=6.0)
            time.sleep(rng.uniform(0.1, 1.2))
        return plant.count(f"kill -9, {broker} broker", plant.healed())


def links(folder: Path, seed: int) -> Row:
    """Both links cut, black-holed and slowed to a trickle, in random order and together."""
    rng = random.Random(seed)
    with Plant(folder) as plant:
        faults = [(link, how) for link in ("agent_link", "recorder_link") for how in ("cut", "black_hole", "slow")]
        rng.shuffle(faults)
        for link, how in faults:
            getattr(getattr(plant, link), how)()
            time.sleep(rng.uniform(0.8, 2.4))
            if rng.random() < 0.6:
                getattr(plant, link).heal()
        return plant.count("links cut, black-holed, slowed", plant.healed())


def restored(folder: Path) -> Row:
    """The recorder's database is put back to a copy some seconds old, while the agent goes on."""
    with Plant(folder) as plant:
        copy = plant.backup()
        had = plant.mark()
        plant.until(lambda: plant.mark() > had + 30, "more blocks")
        plant.kill("recorder")
        plant.restore(copy)
        assert plant.mark() <= had
        return plant.count("recorder's database restored", plant.healed())


def clock_steps(folder: Path) -> Row:
    """The agent's wall clock goes an hour back, then two days ahead; every block's time is corrected all the same."""
    with Plant(folder) as plant:

        def wrong_times_are_stored(many: int) -> bool:
            time.sleep(0.5)
            return plant.wrong_times(0.5)[0] >= many

        for step_s, many in ((-3600, 12), (172_800, 24)):
            plant.clock_offset.write_text(str(step_s))
            plant.until(lambda many=many: wrong_times_are_stored(many), "blocks of the wrong time")  # type: ignore[misc]
        plant.clock_offset.write_text("0")
        row = plant.count("agent's clock stepped", plant.healed())
        raw_wrong, wrong = plant.wrong_times(0.5)
        assert raw_wrong > 20, "raw times are stored as they came"
        assert wrong <= 2 * VALVES, f"{wrong} of {raw_wrong} wrong times are not corrected"
        return row


def poison(folder: Path) -> Row:
    """Somebody publishes what is no block, blocks of nobody, and 5 MiB of nothing, on the agent's topic."""
    with Plant(folder) as plant:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", plant.port)
        client.loop_start()
        rng = random.Random(1)
        payloads = [
            rng.randbytes(40),
            b"",
            b"\xff" * 300,
            bytes(5 * 1024 * 1024),
            *(rng.randbytes(n) for n in range(1, 250)),
        ]
        for payload in payloads:
            client.publish(block_topic(AGENT), payload, 1).wait_for_publish(120.0)
        client.disconnect()
        client.loop_stop()
        return plant.count("poison and oversized payloads", plant.healed())


def slow_recorder(folder: Path) -> Row:
    """Every commit takes 0.4 s, and the recorder is killed once behind."""
    with Plant(folder, slow_recorder=True) as plant:
        plant.kill("recorder")
        time.sleep(2.0)
        plant.start("recorder")
        time.sleep(1.0)
        return plant.count("slow recorder", plant.healed())


def full_disk_of_recorder(folder: Path) -> Row:
    """The disk of the recorder's data is filled by something else for a while."""
    with small_disk(folder / "disk", 64) as disk, Plant(folder, data=disk / "data") as plant:
        filler = fill(disk)
        had = plant.mark()
        plant.until(lambda: _stands_still(plant), "a full disk")
        assert plant.mark() >= had
        filler.unlink()
        return plant.count("recorder's disk full", plant.healed())


def full_disk_of_spool(folder: Path) -> Row:
    """The spool's disk is filled by something else while the recorder is away: the spool lives on its reserve."""
    with small_disk(folder / "disk", 24) as disk, Plant(folder, spool=disk / "spool.db", spool_mb=16) as plant:
        plant.kill("recorder")
        fill(disk)
        time.sleep(4.0)
        return plant.count("spool's disk full", plant.healed())


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A small file system of its own, where we are allowed to mount one. Raises `PermissionError` elsewhere."""
    folder.mkdir(parents=True)
    if os.geteuid() != 0:
        raise PermissionError("mounting a small disk needs root")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        raise PermissionError(f"a small disk could not be mounted: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


def fill(disk: Path) -> Path:
    """Fill it to the last byte; the file that does."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (1024 * 1024, 4096, 256):
            with suppress(OSError):
                while True:
                    file.write(bytes(size))
    return filler


def _stands_still(plant: Plant) -> bool:
    before = plant.mark()
    time.sleep(1.5)
    return plant.mark() == before


def scenarios(kill_count: int, seed: int) -> dict[str, Callable[[Path], Row]]:
    """All of them by name, with so many kills in all."""
    persistent, forgetful = kill_count * 2 // 5, kill_count * 3 // 10
    return {
        "kills-persistent": lambda folder: kills(folder, "persistent", persistent, seed),
        "kills-forgetful": lambda folder: kills(folder, "forgetful", forgetful, seed + 1),
        "kills-embedded": lambda folder: kills(folder, "embedded", kill_count - persistent - forgetful, seed + 2),
        "links": lambda folder: links(folder, seed + 3),
        "restored": restored,
        "clock": clock_steps,
        "poison": poison,
        "slow-recorder": slow_recorder,
        "full-recorder": full_disk_of_recorder,
        "full-spool": full_disk_of_spool,
    }


def why_not(name: str) -> str:
    """Why a scenario cannot be run here; empty if it can."""
    if name.startswith("full-") and (sys.platform != "linux" or os.geteuid() != 0):
        return "a small disk can only be mounted by root"
    return ""
