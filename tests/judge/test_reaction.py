from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.driver.answer import Misfit, Reaction, answer_of
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.watched import response_change, stroke_findings, strokes_unclear
from asleft.judge.judge import begin, step
from asleft.judge.ramp_fit.descent import DELAY, LAG
from asleft.judge.ramp_fit.ramps import Combined, combine
from asleft.judge.watching.stretches import Stretch
from stored import stored
from synth import recording, sheet

SEEN = Seen([], [], [], True, False, False, 1e-3, 3e-4, 0.01, None)


def fit(lag_s: float = 0.03, delay_s: float = -0.01, u_s: float = 1e-4) -> Combined:
    """A joint fit with that lag and delay, their errors opposed as they are in truth."""
    theta = np.array([1.0, 1.0, lag_s, delay_s, 0.5])
    covariance = np.diag([1e-6, 1e-6, 1e-6, 1e-6, 1e-2])
    covariance[LAG, DELAY] = covariance[DELAY, LAG] = 0.5 * u_s**2 - 1e-6
    return Combined(theta, covariance, 20, 20, 1.0)


def left(scatter_s: float = 0.0) -> Reaction:
    reaction = Reaction()
    for k in range(5):
        reaction = reaction.seen(fit(delay_s=-0.01 + scatter_s * (k - 2)))
    return reaction


def context(combined: Combined | None, reaction: Reaction, **changes: object) -> FindingContext:
    base = FindingContext(
        sheet(), SEEN, AsFound(combined=combined), {}, {}, [], {}, 100, None, reaction=reaction, misfit=Misfit()
    )
    return replace(base, **changes)


def test_the_sum_is_known_far_better_than_lag_and_delay() -> None:
    answer = answer_of(fit(u_s=5e-5))
    assert answer is not None
    assert answer.response_s == pytest.approx(0.02)
    assert answer.u_s == pytest.approx(5e-5, rel=1e-6)
    assert answer_of(None) is None
    assert answer_of(replace(fit(), covariance=np.full((5, 5), np.nan))) is None


def test_as_left_is_the_mean_of_five_adequate_points_and_never_learnt_again() -> None:
    reaction = Reaction()
    for lag_s in (0.03, 0.031, 0.029, 0.030):
        reaction = reaction.seen(fit(lag_s))
        assert reaction.left is None
    assert reaction.seen(None) is reaction
    assert reaction.seen(fit(u_s=0.01)) is reaction  # too poor
    reaction = reaction.seen(fit(0.030))
    assert reaction.left is not None
    assert reaction.left.lag_s == pytest.approx(0.030)
    assert reaction.left.u_s == pytest.approx(np.std([30, 31, 29, 30, 30], ddof=1) * 1e-3 / np.sqrt(5))
    assert reaction.seen(fit(0.09)) is reaction
    assert stored("reaction", reaction) == reaction


@pytest.mark.parametrize(
    ("lag_s", "delay_s", "part", "words"),
    [
        (0.045, -0.010, Part.DRIVER, "settles more slowly"),
        (0.015, -0.010, Part.DRIVER, "settles more quickly"),
        (0.030, 0.010, Part.DATA, "as when a reading comes late"),
    ],
)
def test_a_response_that_moved_is_found_and_says_how(lag_s, delay_s, part, words) -> None:
    (finding,) = stroke_findings(context(fit(lag_s, delay_s), left()))
    assert finding.kind == "response-changed"
    assert finding.part is part
    assert words in finding.evidence
    assert f"{1e3 * abs(lag_s + delay_s - 0.02):.0f} ms" in finding.evidence
    assert finding.severity == 1


def test_what_is_small_uncertain_or_not_yet_left_is_no_finding() -> None:
    assert stroke_findings(context(fit(0.037), left())) == []  # 7 ms; a quarter of the lag is 7.5
    assert stroke_findings(context(fit(0.041, u_s=0.002), left())) == []  # 11 ms less 4 ms is under one interval
    assert stroke_findings(context(fit(0.041), left(scatter_s=0.002))) == []
    assert stroke_findings(context(fit(0.060), Reaction())) == []
    assert stroke_findings(context(None, left())) == []


def test_a_known_cause_is_left_to_its_own_finding() -> None:
    for kind in ("stuck:current", "pinned:command", "current-lost"):
        assert stroke_findings(context(fit(0.060), left(), stretches=[Stretch(kind, 0.0, 9.0)])) == []


def test_without_strokes_nothing_can_be_said() -> None:
    assert strokes_unclear(context(None, left()), "response-changed")
    assert not strokes_unclear(context(fit(), left()), "response-changed")
    assert not strokes_unclear(context(fit(), left()), "pressure-changed")


def test_from_strokes_a_slower_lag_and_a_late_reading_are_told_apart() -> None:
    levels = [0.0, 0.6, 1.0, 0.3] * 6

    def fitted(lag_s: float, late_samples: int, seed: int) -> Combined | None:
        data = recording(levels, hold_s=1.6, up_s=0.5, down_s=0.5, lags_s=(lag_s, 0.01), seed=seed)
        if late_samples:
            data.channels["current"][late_samples:] = data.channels["current"][:-late_samples].copy()
        valve = sheet(as_left={**sheet().as_left, "ramp_up": 0.5, "ramp_down": 0.5})
        return combine([s for s in step(valve, begin(valve), data).state.strokes if s.excluded < 0.5])

    reaction = Reaction((answer_of(fitted(0.02, 0, 3)),) * 5)
    assert stroke_findings(context(fitted(0.02, 0, 4), reaction)) == []
    (slow,) = stroke_findings(context(fitted(0.05, 0, 5), reaction))
    (late,) = stroke_findings(context(fitted(0.02, 3, 6), reaction))
    assert (slow.part, late.part) == (Part.DRIVER, Part.DATA)
    for finding in (slow, late):
        assert re.search(r" (29|30|31) ms later than when left", finding.evidence)


@pytest.mark.parametrize(
    ("combined", "seen"),
    [
        (fit(), (False, False, False)),
        (fit(0.045), (True, False, True)),
        (fit(0.015), (True, False, False)),
        (fit(0.041, u_s=0.002), (False, False, True)),
        (fit(delay_s=0.010), (True, True, True)),
        (None, None),
    ],
)
def test_what_the_fault_table_sees_of_it(combined, seen) -> None:
    assert response_change(context(combined, left())) == seen
    assert response_change(context(combined, Reaction())) is None
