"""The whole benchmark of the judge in small: no goal is missed beyond chance, and a broken judge does miss some.

Seeds are fixed. Goals that are times are left to the command: they depend on how busy the machine is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement, QuantityResult, Samples
from asleft.sheet.model import Sheet

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

import judge_characteristic
import judge_estimators
from bench_judge import PARTS, run_part
from drift_false import interval
from report import Goal, Report


@pytest.mark.parametrize("part", PARTS)
def test_no_goal_is_missed_beyond_chance(part: str) -> None:
    report = run_part(part, full=False, workers=2)
    asked = [goal for goal in report.goals if not goal.timed]
    assert asked
    missed = [goal for goal in report.missed() if not goal.timed]
    assert not missed, report.text()


def test_alarms_that_come_in_company_tell_less() -> None:
    """Each life alike: the exact interval of a Poisson number (Garwood, 1936). All in one life: far wider."""
    low, high = interval([(5, 5, 5, 5)])
    assert (low, high) == pytest.approx((12.217, 30.888), abs=1e-3)  # 20 events, handbook tables of Poisson limits
    apart_low, apart_high = interval([(20, 0, 0, 0)])
    assert apart_low == 0.0
    assert apart_high > 2.0 * high


def broken(change: Callable[[QuantityResult], QuantityResult]) -> Callable[[Sheet, Samples], Judgement]:
    """The judge with what it says of every quantity changed."""

    def judge(sheet: Sheet, samples: Samples) -> Judgement:
        told = judge_log(sheet, samples)
        return replace(told, quantities=tuple(change(quantity) for quantity in told.quantities))

    return judge


def missed(report: Report) -> set[str]:
    report.small = True
    return {goal.name for goal in report.missed()}


def test_a_current_one_percent_off_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def off(quantity: QuantityResult) -> QuantityResult:
        if quantity.id != "current_at_full" or quantity.as_found is None:
            return quantity
        return replace(quantity, as_found=1.01 * quantity.as_found)

    monkeypatch.setattr(judge_estimators, "SCENES", judge_estimators.SCENES[:1])
    monkeypatch.setattr(judge_estimators, "table", lambda *_: ([], [("none", 1.0)]))
    monkeypatch.setattr(judge_estimators, "judge_log", broken(off))
    assert missed(judge_estimators.run(full=False)) == {"efficiency of current_at_full, two minutes"}


def test_uncertainties_of_half_their_size_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def halved(quantity: QuantityResult) -> QuantityResult:
        return quantity if quantity.uncertainty is None else replace(quantity, uncertainty=0.5 * quantity.uncertainty)

    monkeypatch.setattr(judge_characteristic, "SCENES", judge_characteristic.SCENES[::2])
    monkeypatch.setattr(judge_characteristic, "judge_log", broken(halved))
    found = missed(judge_characteristic.run(full=False))
    assert {"pressure_at_zero inside its uncertainty", "pressure_at_full inside its uncertainty"} <= found


def test_a_goal_is_missed_in_a_small_run_only_where_its_interval_rules_it_out() -> None:
    near, far, plain = (
        Goal("near", 0.7, at_least=0.8, interval=(0.5, 0.9)),
        Goal("far", 0.7, at_least=0.8, interval=(0.6, 0.79)),
        Goal("plain", 0.7, at_least=0.8),
    )
    assert Report("", goals=[near, far, plain], small=True).missed() == [far, plain]
    assert Report("", goals=[near, far, plain]).missed() == [near, far, plain]
    assert Goal("wide", 1.0, 0.93, 0.97, (0.98, 1.0)).ruled_out
    assert not Goal("nothing seen", float("nan"), at_least=0.9, interval=(0.0, 1.0)).ruled_out
