"""Simulated lanes shared by the tests of the judge, and the helpers beside this file made importable."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from lanes import Lane, record
from scenes import FAULTS, HEALTHY, fault_models, healthy_models


@pytest.fixture(scope="session")
def healthy() -> dict[str, Lane]:
    """Ten minutes of healthy production of many valves with random sheets, by name."""
    return record(dict(zip(HEALTHY, healthy_models(), strict=True)), duration_s=600.0, seed=11)


@pytest.fixture(scope="session")
def faulty() -> dict[str, Lane]:
    """Fourteen and a half minutes of production each, a fault beginning after 660 s, by the fault's name."""
    return record(dict(zip(FAULTS, fault_models(), strict=True)), duration_s=870.0, seed=12)
