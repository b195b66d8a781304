from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from asleft.web.source import Source
from asleft.web.when import PlantTime

NOW_NS = 1_795_532_527 * 10**9
WEB = Path(__file__).parents[1] / "web"


def load(name):
    """A fixture module of the pages' tests: the same plant."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, WEB / f"{name}.py")
        module = sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture
def plant():
    return load("fixture_plant").Plant(NOW_NS)


@pytest.fixture
def door(plant, tmp_path):
    made = load("fixture_door").Door(tmp_path / "door", lambda: plant.now)
    yield made
    made.close()


@pytest.fixture
def desked(plant, door, tmp_path):
    made = load("fixture_operator_actions").Desked(plant, door, tmp_path / "door")
    yield made
    made.close()


@pytest.fixture
def source(plant, desked):
    return Source(plant, desked, PlantTime.named("Europe/Madrid"), lambda: plant.now)


def until(true, longest_s=120.0):
    """Wait for something; fails if it does not come."""
    end = time.monotonic() + longest_s
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited {longest_s:g} s in vain")


class Mosquitto:
    """A real broker on a free port of loopback, without persistence."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\n")
        self._process = None
        self.start()

    def start(self) -> None:
        binary = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        assert binary, "the tests need the broker mosquitto (Debian package mosquitto)"
        self._process = subprocess.Popen([binary, "-c", str(self._conf)], stderr=subprocess.DEVNULL)
        until(self._answers)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


@pytest.fixture
def mosquitto(tmp_path):
    broker = Mosquitto(tmp_path)
    yield broker
    broker.kill()
