"""Certificates and the broker of a plant, and the helpers beside this file made importable."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from plant_broker import PlantBroker, make


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Certificates for the broker, a recorder, three agents (hall-3's is revoked) and the tests' observer."""
    folder = tmp_path_factory.mktemp("plant") / "certificates"
    for words in (["broker", "localhost", "127.0.0.1"], ["recorder"], ["recorder", "OBSERVER"],
                  ["agent", "hall-1", "hall-2", "hall-3"]):  # fmt: skip
        done = make(folder, *words)
        assert done.returncode == 0, done.stderr
    for file in ("hall-3.crt", "hall-3.key"):
        shutil.copy(folder / file, folder / f"revoked-{file}")
    assert make(folder, "revoke", "hall-3.crt").returncode == 0
    return folder


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory, certificates: Path) -> Iterator[PlantBroker]:
    """The broker of a plant, at work."""
    broker = PlantBroker(tmp_path_factory.mktemp("broker"), certificates)
    broker.start()
    yield broker
    broker.kill()
