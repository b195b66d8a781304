"""Real processes, real brokers, real faults: nothing silently lost, nothing stored twice."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from fault_plant import Row, table
from fault_scenarios import scenarios, why_not

pytestmark = pytest.mark.end_to_end

KILLS = 30
SEED = 1 if os.environ.get("CI") else random.randrange(10**6)
_SCENARIOS = scenarios(KILLS, SEED)
_rows: list[Row] = []


@pytest.mark.parametrize("name", _SCENARIOS)
def test_nothing_is_silently_lost_or_stored_twice(name: str, tmp_path: Path) -> None:
    if why_not(name):
        pytest.skip(why_not(name))
    row = _SCENARIOS[name](tmp_path / "plant")
    _rows.append(row)
    print(table([row]))
    assert row.generated > 20
    assert row.lost == 0, f"seed {SEED}"
    assert row.twice == 0, f"seed {SEED}"
    assert row.declared_gap == 0, f"seed {SEED}"
    assert row.drain_s is not None, f"it never drained, seed {SEED}"


def test_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    """What the runs above did to the blocks."""
    assert sum(row.kills for row in _rows) >= KILLS or len(_rows) < len(_SCENARIOS)
    with capsys.disabled():
        print(f"\nseed {SEED}\n{table(_rows)}")
