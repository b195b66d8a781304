"""Nothing is silently lost and nothing hangs, whatever fails; a protocol without one of its rules is caught."""

from __future__ import annotations

import logging
import os
import time

import pytest
from mutants import MUTANTS, SAFE
from simulate import run_many, run_seeds
from world import World

#: Ten times as many runs as catch the best hidden of the protocols without one of their rules: about one run in fifty
#: tells that numbers begin anew, or that the mark of another stream is taken. `make test-long` has 20,000.
SEEDS = 500


def test_nothing_is_lost_or_stuck_whatever_fails(capsys):
    began_s = time.monotonic()
    total = run_many(SEEDS, workers=min(2, os.cpu_count() or 1))
    with capsys.disabled():
        print(f"\n{total.text()}\n({time.monotonic() - began_s:.0f} s)")
    assert total.runs == SEEDS
    assert total.generated > 40 * SEEDS
    assert total.stored > total.generated / 2
    assert min(total.faults.values()) > SEEDS / 10, "a fault is hardly ever tried"
    assert total.bad_seeds == [], "look at one with: python tests/delivery/simulate.py --seed N"


@pytest.mark.parametrize("name", MUTANTS)
def test_a_protocol_without_this_rule_is_caught(name):
    logging.disable(logging.CRITICAL)
    try:
        with MUTANTS[name]():
            caught = next((seed for seed in range(SEEDS) if World(seed).run().bad), None)
    finally:
        logging.disable(logging.NOTSET)
    assert caught is not None


@pytest.mark.parametrize("name", SAFE)
def test_what_is_no_rule_is_not_needed(name):
    with SAFE[name]():
        assert run_seeds(range(150)).bad_seeds == []


def test_a_seed_gives_the_same_run_every_time():
    told: list[list[str]] = [[], []]
    outcomes = [World(7, lines.append).run() for lines in told]
    assert outcomes[0] == outcomes[1]
    assert told[0] == told[1]
    assert len(told[0]) > 20
