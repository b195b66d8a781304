"""Dither lost and dither changed are two findings, and healthy dither of any wave is none."""

from __future__ import annotations

from dataclasses import replace

import pytest
from asleft.judge.judge import judge_log
from asleft.judge.types import Judgement, Verdict
from asleft.sim.faults import Fault, FaultKind
from asleft.sim.model import default_valve
from lanes import START_S, Lane, by_id, causes, record


def lost(amount: float) -> tuple[Fault, ...]:
    return (Fault(FaultKind.DITHER_LOST, START_S - 1000.0, amount),)


@pytest.fixture(scope="module")
def lanes() -> dict[str, Lane]:
    plain = default_valve()
    return record(
        {
            "sine": plain,
            "triangle": replace(plain, dither_shape="triangle"),
            "square": replace(plain, dither_shape="square"),
            "half": replace(plain, faults=lost(0.5), friction_dry_pct=0.6),
            "gone": replace(plain, faults=lost(1.0), friction_dry_pct=0.6),
        },
        duration_s=200.0,
        seed=8,
    )


def judged(lane: Lane, **left: float) -> Judgement:
    return judge_log(replace(lane.sheet, as_left={**lane.sheet.as_left, **left}), lane.samples)


@pytest.mark.parametrize("name", ["sine", "triangle", "square"])
def test_healthy_dither_of_any_wave_comes_out_as_it_is(lanes, name) -> None:
    found = by_id(judged(lanes[name]))
    for quantity, within in (("dither_frequency", 0.0005), ("dither_amplitude", 0.01)):
        assert found[quantity].as_found == pytest.approx(lanes[name].truth[quantity], rel=within)
        assert found[quantity].verdict is Verdict.IN


def test_half_of_the_dither_is_changed_dither(lanes) -> None:
    out = judged(lanes["half"])
    assert causes(out) == {"dither-changed"}
    assert by_id(out)["dither_amplitude"].as_found == pytest.approx(0.029, abs=5e-4)
    assert by_id(out)["dither_frequency"].verdict is Verdict.IN


def test_no_dither_is_lost_dither_and_has_no_frequency(lanes) -> None:
    out = judged(lanes["gone"])
    assert causes(out) == {"dither-lost"}
    assert by_id(out)["dither_frequency"].reason == "no dither in the bursts"


def test_dither_at_another_frequency_is_changed_dither(lanes) -> None:
    out = judged(lanes["sine"], dither_frequency=91.0)
    assert causes(out) == {"dither-changed"}
    (finding,) = out.findings
    assert "120.0 Hz, left at 91.0 Hz" in finding.evidence
