from __future__ import annotations

import re

import pytest
from asleft.judge.clipping import Clip
from asleft.judge.estimates import AsFound, Seen
from asleft.judge.findings import find
from asleft.judge.scene import Scene
from asleft.judge.types import Coverage, Finding, Part, QuantityResult, Verdict
from asleft.sheet.model import Sheet, Signal, SignalKind, Tolerance

LEFT = {"current_at_full": 1.1, "coil_resistance": 20.0, "supply_voltage": 22.0}


def clipped_at(limit_a: float, supply_v: float) -> Finding:
    """The finding of a current that stops at `limit_a` with that supply; no driver drop, cable or duty limit."""
    sheet = Sheet(
        "press-1.test", Signal(SignalKind.MA_4_20, "mA", 4.0, 20.0), LEFT, {n: Tolerance(1, 1) for n in LEFT}
    )
    supply = QuantityResult(
        "supply_voltage", "V", 22.0, supply_v, 0.1, 0.1, 2.2, 2.2, 0.0, Verdict.IN, "", None, None,
        Coverage(9, 0.0, 9.0, 0.0, 100.0),
    )  # fmt: skip
    seen = Seen((), (), (), True, False, True, 0.0, 1e-3, 0.01, None)
    found = AsFound(clip=Clip(limit_a, 1.1, 1.0, 0.0, 5))
    (finding,) = find(Scene(sheet, seen, found, {"supply_voltage": supply}, {}, (), {}, 1000, None), {})
    return finding


# Copper, IEC 60028: .00393 /K at 20 degC. 22 V on 20 ohm at 20 degC gives 1.1 A cold and .836884 A at 100 degC,
# R(100)/R(20) = 1.314400. Constant published, results closed form.
@pytest.mark.parametrize(
    ("temperature_degc", "current_a"), [(20.0, 1.1), (100.0, 0.836884), (180.0, 1.1 / (1.0 + 0.00393 * 160.0))]
)
def test_temperature_of_a_coil_from_the_current_it_still_takes(temperature_degc: float, current_a: float) -> None:
    finding = clipped_at(current_a, 22.0)
    told = re.search(r"at ([\d.]+) ohm: (\d+) degC for 20\.0 ohm at 20 degC", finding.evidence)
    assert told, finding.evidence
    assert float(told[1]) == pytest.approx(20.0 * (1.0 + 0.00393 * (temperature_degc - 20.0)), abs=0.05)
    assert float(told[2]) == temperature_degc
    assert finding.part is Part.COIL


def test_a_coil_cannot_have_less_resistance_than_copper_allows() -> None:
    """Closed form: less than at 20 degC means that something else limits."""
    finding = clipped_at(1.1, 21.5)
    assert finding.part is Part.DRIVER
