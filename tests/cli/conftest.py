from __future__ import annotations

import importlib.util
from functools import partial
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from asleft.catalogue.parts import Part
from asleft.catalogue.statuses import Status
from asleft.judge.types import Coverage, Finding, Judgement, QuantityResult, State, Verdict
from asleft.sheet.model import Sheet
from asleft.sheet.reader import read_sheet

SHEET = """\
[valve]
id = "press-4.platen"
press = "Press 4"
name = "platen pressure"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
ramp_down = 2.0
pressure_at_zero = 12.0
pressure_at_full = 210.0
supply_voltage = 24.0
coil_resistance = 11.0
[revision]
number = 3
at = 2026-03-02T08:10:00Z
by = "kl"
why = "pump replaced"
"""


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash passwords with little work: what the work is has a test of its own, and here nobody guesses."""
    quick = partial(PasswordHasher, time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr("asleft.web.access.passwords.PasswordHasher", quick)


@pytest.fixture(scope="session")
def sheet_text() -> str:
    return SHEET


@pytest.fixture
def sheet() -> Sheet:
    return read_sheet(SHEET)


@pytest.fixture
def quantity():
    """Makes one line of a judgement with sensible defaults."""

    def make(name: str = "ramp_up", **values: object) -> QuantityResult:
        usual: dict[str, object] = {
            "unit": "s",
            "as_left": 1.2,
            "as_found": 1.23,
            "uncertainty": 0.012,
            "change_uncertainty": 0.01,
            "tolerance_below": 0.12,
            "tolerance_above": 0.12,
            "tolerance_used_pct": 25.0,
            "verdict": Verdict.IN,
            "reason": "",
            "bound_below": None,
            "bound_above": None,
            "coverage": Coverage(9, 0.0, 600.0, 0.0, 100.0),
        }
        return QuantityResult(id=name, **{**usual, **values})  # type: ignore[arg-type]

    return make


@pytest.fixture
def judgement(quantity) -> Judgement:
    """A valve whose ramp up was changed, with one undecided and two settings not observed."""
    none = {"as_found": None, "uncertainty": None, "tolerance_used_pct": None, "verdict": Verdict.NOT_OBSERVED}
    onset = 1772439130.0
    return Judgement(
        valve="press-4.platen",
        sheet_revision=3,
        from_s=1772439000.0,
        to_s=1772439599.99,
        samples=60000,
        status=Status.OUT_OF_SPECIFICATION,
        sentence="Ramp up takes 1.55 s; it was left at 1.20 s. Since 2 Mar 08:12. Likely the driver's setting.",
        state_hours={"producing": 0.153, "not-enabled": 0.0137, "stopped": 0.0},
        quantities=(
            quantity(
                "current_at_zero",
                unit="A",
                as_left=0.18,
                as_found=0.1807,
                uncertainty=0.002,
                tolerance_below=0.0148,
                tolerance_above=0.0148,
                tolerance_used_pct=4.7,
            ),
            quantity(
                "current_at_full",
                unit="A",
                as_left=0.92,
                as_found=0.9168,
                uncertainty=0.0018,
                tolerance_below=0.0148,
                tolerance_above=0.0148,
                tolerance_used_pct=-21.6,
            ),
            quantity("ramp_up", as_found=1.55, tolerance_used_pct=292.0, verdict=Verdict.OUT),
            quantity(
                "ramp_down",
                as_left=2.0,
                tolerance_below=0.2,
                tolerance_above=0.2,
                bound_below=0.8,
                reason="the command never outruns the ramp",
                **none,
            ),
            quantity(
                "pressure_at_zero",
                unit="bar",
                as_left=12.0,
                as_found=15.7,
                uncertainty=0.9,
                tolerance_below=4.2,
                tolerance_above=4.2,
                tolerance_used_pct=88.0,
                verdict=Verdict.UNDECIDED,
            ),
            quantity(
                "pressure_at_full",
                unit="bar",
                as_left=210.0,
                as_found=204.5,
                uncertainty=0.8,
                tolerance_below=4.2,
                tolerance_above=4.2,
                tolerance_used_pct=-131.0,
                verdict=Verdict.OUT,
            ),
            quantity(
                "coil_resistance",
                unit="ohm",
                as_left=11.0,
                tolerance_below=1.1,
                tolerance_above=1.1,
                reason="neither coil voltage nor full saturation was recorded",
                **none,
            ),
            quantity(
                "supply_voltage",
                unit="V",
                as_left=24.0,
                as_found=23.9,
                uncertainty=0.1,
                tolerance_below=2.4,
                tolerance_above=float("inf"),
                tolerance_used_pct=-4.0,
            ),
            quantity(
                "headroom",
                unit="%",
                as_left=None,
                tolerance_below=10.0,
                tolerance_above=float("inf"),
                reason="no resistance known",
                **none,
            ),
        ),
        findings=(
            Finding(
                "ramp-up-changed",
                Part.DRIVER_SETTING,
                (Part.DRIVER,),
                onset,
                2,
                "All 9 rises take 1.55 s for the full span, with nothing else moved.",
            ),
            Finding(
                "pressure-changed",
                Part.VALVE,
                (),
                None,
                1,
                "Pressure at full reads 204.5 bar, 5.5 bar below as left.",
                consequence_of="ramp-up-changed",
            ),
        ),
        remarks=("The first ramp after enabling is set aside.",),
        basis={"producing": "enable channel and moving command"},
        current_state=State.PRODUCING,
    )


@pytest.fixture(scope="session")
def hands():
    """The module that makes somebody at the command of a valve, full strokes and a sweep, shared with the pages."""
    path = Path(__file__).parents[1] / "web" / "fixture_hand.py"
    spec = importlib.util.spec_from_file_location("cli_fixture_hand", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
