from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
from asleft.web.source import Source
from asleft.web.when import PlantTime

NOW_NS = 1_795_532_527 * 10**9  # a Tuesday in November, 16:02:07 in Madrid


def load_plant() -> ModuleType:
    known = sys.modules.get("fixture_plant")
    if known is not None:
        return known
    spec = importlib.util.spec_from_file_location("fixture_plant", Path(__file__).parent / "fixture_plant.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fixture_plant"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def plants() -> ModuleType:
    return load_plant()


@pytest.fixture
def plant(plants):
    return plants.Plant(NOW_NS)


@pytest.fixture
def source(plant) -> Source:
    return Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)
