from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
from asleft.web.app import create_app
from asleft.web.source import Source
from asleft.web.when import PlantTime

NOW_NS = 1_795_532_527 * 10**9  # a Tuesday in November, 16:02:07 in Madrid


def load(name: str) -> ModuleType:
    known = sys.modules.get(name)
    if known is not None:
        return known
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def plants() -> ModuleType:
    return load("fixture_plant")


@pytest.fixture
def doors() -> ModuleType:
    return load("fixture_door")


@pytest.fixture
def desks() -> ModuleType:
    return load("fixture_operator_actions")


@pytest.fixture
def recordings() -> ModuleType:
    return load("fixture_recording")


@pytest.fixture
def hands() -> ModuleType:
    return load("fixture_hand")


@pytest.fixture
def plant(plants):
    return plants.Plant(NOW_NS)


@pytest.fixture
def door(doors, plant, tmp_path):
    """A door without accounts, with the clock of the plant."""
    made = doors.Door(tmp_path / "door", lambda: plant.now)
    yield made
    made.close()


@pytest.fixture
def source(plant) -> Source:
    return Source(plant, plant, PlantTime.named("Europe/Madrid"), lambda: plant.now)


@pytest.fixture
def desked(desks, plant, door, tmp_path):
    """The plant over a real records store for what people enter."""
    made = desks.Desked(plant, door, tmp_path / "door")
    yield made
    made.close()


@pytest.fixture
def app(plant, desked, door):
    """The dashboard over it, with an account of each role."""
    door.add_one_of_each()
    return create_app(plant, desked, door.access, clock_ns=lambda: plant.now)


@pytest.fixture
def client(app, doors):
    """A technician, signed in."""
    made = app.server.test_client()
    assert doors.sign_in(made, "technician").status_code == 303
    return made
