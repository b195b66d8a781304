"""The catalogue of faults, put together from its four tables."""

from __future__ import annotations

from strangers.fault_row import Row
from strangers.faults_coil import COIL
from strangers.faults_driver import DRIVER
from strangers.faults_hydraulic import VALVE
from strangers.faults_readings import READINGS

CATALOGUE: dict[str, Row] = {**DRIVER, **COIL, **VALVE, **READINGS}
FAULTS: tuple[str, ...] = tuple(CATALOGUE)
