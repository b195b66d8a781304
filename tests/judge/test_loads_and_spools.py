"""What a load makes, what comes and goes, and what a spool that stands still does: each told from the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.features import Dwell
from asleft.judge.finding import within
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.pressure_symptoms import stays_stood, stood_still
from asleft.judge.finding.signatures import ANY_SHAPE
from asleft.judge.finding.symptoms import observe
from presses import judged, press
from synth import dwell, sheet
from test_findings import context
from test_parts import STAYS, left_bar

CYCLES = 8


def stays(off_bar: dict[tuple[int, int], float], se_bar: float = 0.05) -> list[Dwell]:
    """Eight cycles of five stays; `off_bar`: (cycle, stay) -> how far the pressure lies off its usual place there."""
    return [
        dwell(
            u, 0.2 + 0.8 * u, pressure_bar=left_bar(u) - 3.0 * arrival + off_bar.get((cycle, stay), 0.0),
            pressure_se_bar=se_bar, arrival=arrival, from_s=40.0 * cycle + 7.0 * stay,
            to_s=40.0 * cycle + 7.0 * stay + 5.0,
        )
        for cycle in range(CYCLES)
        for stay, (u, arrival) in enumerate(STAYS)
    ]  # fmt: skip


def on(dwells: list[Dwell], **changes: object) -> FindingContext:
    base = context({"pressure_at_full": 190.0})
    seen, found = replace(base.seen, dwells=dwells), replace(base.found, judged_pressure=dwells)
    return replace(base, seen=seen, found=found, **changes)


# ------------------------------------------------------------------------------------------ two places of a level


def test_a_pressure_that_comes_and_goes_has_any_shape_and_scatters_as_a_sticking_spool_does() -> None:
    at_times = {(cycle, stay): -12.0 for cycle in (1, 4, 5) for stay in range(5)}
    seen = observe(on(stays(at_times)))
    assert seen["pressure"] >= ANY_SHAPE
    assert "as left" in seen["scatter"]


@pytest.mark.parametrize(
    "off_bar",
    [
        {},
        {(cycle, stay): -12.0 for cycle in range(CYCLES) for stay in range(5)},  # all along: one place
        {(cycle, stay): -1.5 * cycle for cycle in range(CYCLES) for stay in range(5)},  # creeping: many
        {(cycle, stay): -2.0 for cycle in (1, 4, 5) for stay in range(5)},  # two that are too near
    ],
)
def test_a_level_with_one_place_or_many_keeps_the_shape_that_was_seen(off_bar: dict[tuple[int, int], float]) -> None:
    assert not observe(on(stays(off_bar)))["pressure"] >= ANY_SHAPE


# ------------------------------------------------------------------------------------------ far below, at times


def falls(*, held_by_load: bool) -> set[str]:
    """The pressure is far down in half a minute of two: by one share at all levels, or at one height of a load."""
    rows = press(cycles=8)
    there = (rows["time"] - rows["time"][0]) % 115.0 < 30.0
    down = np.minimum(rows["pressure"], 60.0) if held_by_load else 0.55 * rows["pressure"]
    judgement = judged({**rows, "pressure": np.where(there, down, rows["pressure"])})
    return {finding.kind for finding in judgement.findings}


def test_what_falls_far_at_times_and_keeps_its_levels_apart_is_no_load(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "pressure-changed" in falls(held_by_load=False)
    monkeypatch.setattr(within, "_beyond_any_load", lambda *_: None)
    assert "pressure-changed" not in falls(held_by_load=False)  # by nothing else


def test_what_falls_as_far_to_one_height_is_a_load() -> None:
    assert "pressure-changed" not in falls(held_by_load=True)


# ------------------------------------------------------------------------------------------ standing still


BARE = replace(
    sheet(),
    as_left={name: value for name, value in sheet().as_left.items() if not name.startswith("pressure")},
    tolerance={name: value for name, value in sheet().tolerance.items() if not name.startswith("pressure")},
)
#: The third stay stands where the second was, in three cycles.
STANDS = {(cycle, 2): left_bar(0.7) - left_bar(1.0) for cycle in (1, 4, 6)}


def test_a_spool_stands_still_whether_the_sheet_has_pressures_or_not() -> None:
    assert len(stays_stood(on(stays(STANDS), sheet=BARE))) == 3
    assert stays_stood(on(stays({}), sheet=BARE)) == []
    assert stays_stood(on(stays(STANDS), sheet=replace(BARE, controls="flow"))) == []


def test_a_load_that_wanders_is_no_spool_that_stands_still_however_unsure_its_pressures_are() -> None:
    """1.5 bar off the stay before, where each is known to half a bar: no two of them are one pressure."""
    wander = {key: off + 1.5 for key, off in STANDS.items()}
    assert stood_still(on(stays(wander, se_bar=0.5)), 4.0) == []
    assert len(stood_still(on(stays(STANDS, se_bar=0.5)), 4.0)) == 3
