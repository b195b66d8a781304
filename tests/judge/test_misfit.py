from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.driver.answer import Misfit, median_chi2
from asleft.judge.estimates.as_found import AsFound, Seen
from asleft.judge.features import Stroke
from asleft.judge.finding.context import FindingContext
from asleft.judge.finding.watched import stroke_findings, strokes_unclear
from asleft.judge.judge import begin, step
from asleft.judge.types import Samples
from asleft.judge.watching.stretches import Stretch
from stored import stored
from synth import recording, sheet


def strokes(chi2: float, n: int = 12, excluded: float = 0.0) -> list[Stroke]:
    empty = Stroke._make([0.0] * len(Stroke._fields))
    return [empty._replace(chi2=chi2, excluded=excluded) for _ in range(n)]


def context(chi2: float, misfit: Misfit, n: int = 12, stretches: tuple[Stretch, ...] = ()) -> FindingContext:
    seen = Seen([], strokes(chi2, n), [], True, False, False, 1e-3, 3e-4, 0.01, None)
    return FindingContext(sheet(), seen, AsFound(), {}, {}, stretches, {}, 100, None, misfit=misfit)


def after(*points: float) -> Misfit:
    misfit = Misfit()
    for chi2 in points:
        misfit = misfit.seen(strokes(chi2))
    return misfit


def test_the_median_counts_and_too_few_or_first_strokes_do_not() -> None:
    assert median_chi2(strokes(1.0, 6) + strokes(9.0, 5)) == 1.0
    assert median_chi2(strokes(1.0, 9)) is None
    assert median_chi2(strokes(1.0, 12, excluded=1.0)) is None
    assert median_chi2(strokes(float("nan"), 12)) is None


def test_as_left_is_measured_once_and_survives_text() -> None:
    misfit = after(1.0, 1.1, 0.9, 1.0, 1.0)
    assert misfit.limit == pytest.approx(2.0)
    assert misfit.seen(strokes(50.0)).limit == pytest.approx(2.0)
    assert after(1.6, 1.5, 1.6, 1.7, 1.6).limit == pytest.approx(3.2)
    assert after(1.0, 1.0).limit is None
    assert misfit.seen(strokes(5.0, 3)) is misfit
    assert stored("misfit", misfit) == misfit


def test_three_points_in_a_row_and_the_present_make_a_finding() -> None:
    left = (1.0, 1.0, 1.0, 1.0, 1.0)
    (finding,) = stroke_findings(context(9.0, after(*left, 9.0, 8.0, 9.0)))
    assert finding.kind == "model-misfit"
    assert "3.0 times the noise" in finding.evidence
    assert "1.0 times when left" in finding.evidence
    for misfit, now in (
        (after(*left, 9.0, 9.0), 9.0),
        (after(*left, 9.0, 1.0, 9.0), 9.0),
        (after(*left, 9.0, 9.0, 9.0), 1.5),
        (after(9.0, 9.0, 9.0, 9.0, 9.0, 9.0), 9.0),  # as it was left
        (after(1.0, 9.0, 9.0, 9.0), 9.0),
    ):
        assert stroke_findings(context(now, misfit)) == []
    assert stroke_findings(context(9.0, after(*left, 9.0, 9.0, 9.0), n=4)) == []
    assert strokes_unclear(context(9.0, Misfit(), n=4), "model-misfit")
    lost = (Stretch("current-lost", 0.0, 1.0),)
    assert stroke_findings(context(9.0, after(*left, 9.0, 9.0, 9.0), stretches=lost)) == []


def test_a_driver_whose_ramps_are_no_straight_lines_misfits_and_a_true_one_does_not() -> None:
    levels = [0.0, 0.6, 1.0, 0.3] * 5
    straight = recording(levels, hold_s=2.2, up_s=0.8, down_s=0.8, seed=8)
    share = (straight.channels["current"] - 0.2) / 0.8
    # right at 0, 50 and 100 % only, and bent by twice what is taken for the law of a driver
    bent = 0.2 + 0.8 * (share + 0.10 * np.sin(2.0 * np.pi * share))
    valve = sheet(as_left={**sheet().as_left, "ramp_up": 0.8, "ramp_down": 0.8})

    def seen(current_a: np.ndarray) -> float | None:
        data = Samples(straight.time_s, {**straight.channels, "current": current_a})
        return median_chi2(step(valve, begin(valve), data).state.strokes)

    healthy, odd = seen(straight.channels["current"]), seen(bent)
    assert healthy is not None
    assert odd is not None
    assert healthy < 1.5
    assert odd > 2.0  # what counts as misfit; the law is known where the command rested, and bends between
    assert stroke_findings(replace(context(odd, after(*[healthy] * 5, odd, odd, odd)), charts={}))
