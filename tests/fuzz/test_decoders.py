"""No bytes from outside crash a decoder, hang it, or make it take memory out of proportion."""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from mutate import NASTY, spoilt
from targets import TARGETS, Target

MOST_S = 5.0
"""A decoder that takes more processor time over some kilobytes hangs; usual are milliseconds."""


def feed(target: Target, data: bytes) -> None:
    """Feed and hold the three promises."""
    tracemalloc.start()  # for the decoder alone: while examples are searched for it would double what they cost
    began_s = time.process_time()
    said = "understood"
    try:
        target.feed(data)
    except target.refusals as error:
        said = str(error).strip()
    finally:
        took_s, (_, peak) = time.process_time() - began_s, tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert said, "refused without a word"
    assert took_s < MOST_S
    assert peak < 8_000_000 + target.grows * len(data), f"{peak} bytes taken for {len(data)}"


@pytest.mark.parametrize("name", TARGETS)
def test_good_ones_are_understood(name: str) -> None:
    for seed in TARGETS[name].seeds:
        TARGETS[name].feed(seed)
    assert TARGETS[name].seeds


@pytest.mark.parametrize("name", TARGETS)
def test_nasty_pieces_in_every_place(name: str) -> None:
    target = TARGETS[name]
    for seed in target.seeds[:1]:
        for piece in NASTY:
            for at in range(0, len(seed) + 1, max(1, len(seed) // 8)):
                feed(target, seed[:at] + piece + seed[at:])


@pytest.mark.parametrize("name", TARGETS)
def test_spoilt_ones_are_understood_or_refused(name: str) -> None:
    target = TARGETS[name]

    @settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
    @given(spoilt(target.seeds) | st.binary(max_size=300))
    def check(data: bytes) -> None:
        feed(target, data)

    check()
