"""What raises at a threshold goes only below it, so that nothing raises and returns again and again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import test_misfit
import test_reaction
from asleft.judge.finding.context import DEADBAND_FACTOR
from asleft.judge.finding.watched import stroke_findings
from asleft.judge.judge import begin, step
from asleft.judge.types import Samples
from test_misfit import after, sheet

RATE_HZ = 20.0
STEP_S = 10.0


def minutes(share: float, calls: int, seed: int = 4):
    """Calls of ten seconds of a press of which a share of all readings fails, by chance."""
    rng = np.random.default_rng(seed)
    n = round(STEP_S * RATE_HZ)
    for k in range(calls):
        time_s = 1_700_000_000.0 + (k * n + np.arange(n)) / RATE_HZ
        up = (time_s % 10.0 >= 2.0) & (time_s % 10.0 < 7.0)
        channels = {"command": np.where(up, 16.8, 4.0), "current": np.where(up, 0.77, 0.18)}
        for values in channels.values():
            values[rng.random(n) < share] = np.nan
        yield Samples(time_s, channels)


def test_readings_that_fail_round_the_threshold_are_told_once() -> None:
    state, there, raised, returned = begin(sheet()), False, 0, 0
    for samples in minutes(0.05, 72):
        outcome = step(sheet(), state, samples)
        state = outcome.state
        now = "data-missing" in {finding.kind for finding in outcome.judgement.findings}
        raised, returned, there = raised + (now and not there), returned + (there and not now), now
    assert (raised, returned) == (1, 0)


def test_readings_that_come_again_end_it() -> None:
    state = begin(sheet(), horizon_s=60.0)
    for share in (0.2, 0.0):
        for samples in minutes(share, 15):
            time_s = samples.time_s if state.to_s is None else samples.time_s - samples.time_s[0] + state.to_s + 0.05
            outcome = step(sheet(), state, Samples(time_s, samples.channels))
            state = outcome.state
        if share:
            assert "data-missing" in state.findings
    assert "data-missing" not in state.findings


def misfit_of(share: float, *, standing: bool):
    chi2 = share * 2.0
    found = test_misfit.context(chi2, after(1.0, 1.0, 1.0, 1.0, 1.0, chi2, chi2, chi2))
    return replace(found, standing=frozenset({"model-misfit"} if standing else ()))


def response_of(share: float, *, standing: bool):
    left = test_reaction.left()
    found = test_reaction.context(test_reaction.fit(0.030 + share * 0.010, u_s=1e-6), left)
    return replace(found, standing=frozenset({"response-changed"} if standing else ()))


@pytest.mark.parametrize("of", [misfit_of, response_of])
def test_a_finding_of_strokes_stays_until_it_is_well_below(of) -> None:
    """`of` gives what is seen at so many times the threshold."""
    between = (1.0 + DEADBAND_FACTOR) / 2.0
    assert stroke_findings(of(1.1, standing=False))
    assert not stroke_findings(of(between, standing=False))
    assert stroke_findings(of(between, standing=True))
    assert not stroke_findings(of(0.7, standing=True))
