"""Real processes, real brokers, real faults: nothing silently lost, nothing stored twice."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest
from fault_plant import Row, table
from fault_scenarios import scenarios, why_not

pytestmark = pytest.mark.end_to_end

KILLS = 30
SEED = 1 if os.environ.get("CI") else random.randrange(10**6)
_SCENARIOS = scenarios(KILLS, SEED)
_rows: list[Row] = []


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Row]]]:
    """All scenarios, two at a time: most of a run is waiting."""
    with ThreadPoolExecutor(2) as pool:
        yield {
            name: pool.submit(run, tmp_path_factory.mktemp(name) / "plant")
            for name, run in _SCENARIOS.items()
            if not why_not(name)
        }
        pool.shutdown(cancel_futures=True)


@pytest.mark.parametrize("name", _SCENARIOS)
def test_nothing_is_silently_lost_or_stored_twice(name: str, runs: dict[str, Future[Row]]) -> None:
    if why_not(name):
        pytest.skip(why_not(name))
    row = runs[name].result()
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
