"""Machines the judge has never seen, on the live way through the recorder: the same findings as from their files."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))
from bench_strangers_live import both_ways
from strangers_live import Finding, same
from strangers_rows import Job


@pytest.mark.parametrize(
    ("job", "kind"),
    [
        (Job(7, "three minutes"), None),
        (Job(8, "three minutes", "open coil", course="step"), "current-lost"),
        (Job(9, "three minutes", "command failed", course="step"), "command-failed"),
    ],
)
def test_live_and_file_say_the_same(job, kind) -> None:
    outcome = both_ways(job)
    assert outcome.differences == ()
    assert ([f.kind for f in outcome.file_findings][:1] or [None]) == [kind]
    if kind is not None:
        assert kind in outcome.live.alarm_s
        assert outcome.live.returned == 0
        assert outcome.alarm_delay_s is not None
        assert np.isfinite(outcome.alarm_delay_s)


def test_a_difference_is_seen() -> None:
    one, other = Finding("current-lost", "coil", 3, 1.0), Finding("current-lost", "driver", 2, 1.0)
    assert same((one,), (one,)) == []
    assert same((one,), ()) == ["current-lost only from the file"]
    assert same((), (one,)) == ["current-lost only live"]
    assert same((one,), (other,)) == [
        "current-lost: coil from the file, driver live",
        "current-lost: severity 3 and 2",
    ]
