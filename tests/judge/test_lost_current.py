"""A current that is lost for good, or for moments, through the judge as it works live: when and as what it comes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.catalogue.statuses import Status
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.state import dumps, loads
from asleft.judge.types import Judgement, Samples, State
from lanes import blocks
from synth import recording, sheet

LEFT = {
    name: value
    for name, value in sheet().as_left.items()
    if name in {"current_at_zero", "current_at_full", "ramp_up", "ramp_down"}
}
VALVE = sheet(as_left=LEFT)
OPENS_S = 92.0  # into the eighth hold at 18 mA


@pytest.fixture(scope="module")
def production() -> Samples:
    """Three minutes of cycles between 4 and 18 mA, held for six seconds each."""
    return recording([0.0, 0.875] * 15, hold_s=6.0, jitter_s=0.0)


def opened(samples: Samples, *, enable: bool, at_s: float = OPENS_S) -> Samples:
    time_s = samples.time_s - samples.time_s[0]
    rng = np.random.default_rng(8)
    current = np.where(time_s < at_s, samples.channels["current"], 5e-4 * rng.standard_normal(time_s.size))
    channels = {**samples.channels, "current": current}
    if enable:
        channels["enable"] = np.ones(time_s.size)
    return Samples(samples.time_s, channels)


def live(samples: Samples, size: int = 100) -> list[tuple[float, Judgement]]:
    """Seconds since the beginning and the judgement after each block, the state put into text between any two."""
    state, out = begin(VALVE), []
    for block in blocks(samples, [size]):
        outcome = step(VALVE, loads(dumps(state)), block)
        state = outcome.state
        out.append((float(block.time_s[-1] - samples.time_s[0]), outcome.judgement))
    return out


def has(judgement: Judgement, kind: str) -> bool:
    return any(finding.kind == kind and finding.consequence_of is None for finding in judgement.findings)


@pytest.mark.parametrize(("enable", "within_s"), [(True, 2.0), (False, 5.0)])
def test_a_coil_that_opens_while_18_ma_are_commanded_is_told_at_once_and_stays(production, enable, within_s) -> None:
    looks = live(opened(production, enable=enable))
    assert all(not judgement.findings for at_s, judgement in looks if at_s < OPENS_S)
    first_s = next(at_s for at_s, judgement in looks if has(judgement, "current-lost"))
    assert OPENS_S < first_s <= OPENS_S + within_s
    after = [judgement for at_s, judgement in looks if at_s >= first_s]
    assert all(has(judgement, "current-lost") for judgement in after)
    assert {judgement.current_state for judgement in after} == {State.PRODUCING}  # it does not flip with the cycle
    finding = next(f for f in after[-1].findings if f.kind == "current-lost")
    assert finding.severity == 3
    assert finding.onset_s == pytest.approx(production.time_s[0] + OPENS_S, abs=0.1)
    assert {Part.COIL, Part.COIL_WIRING} <= {finding.part, *finding.alternatives}
    assert after[-1].status is Status.FAILURE


def test_a_driver_that_is_switched_off_with_its_command_standing_for_three_seconds_is_not_enabled(production) -> None:
    samples = opened(production, enable=False)
    time_s = samples.time_s - samples.time_s[0]
    command = np.where(time_s < OPENS_S + 3.0, samples.channels["command"], 4.0)
    looks = live(replace(samples, channels={**samples.channels, "command": command}))
    assert not any(judgement.findings for _, judgement in looks)
    assert looks[-1][1].current_state is State.NOT_ENABLED


@pytest.mark.parametrize("enable", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_25_short_breaks_of_the_coil_are_a_loose_contact(production, enable, seed) -> None:
    """Breaks of 0.05 to 0.5 s while the command is up; a file and the live way say the same."""
    rng = np.random.default_rng(seed)
    time_s = production.time_s - production.time_s[0]
    begins_s = 12.0 * (np.arange(25) % 14) + 7.5 + 2.2 * (np.arange(25) // 14)
    away = np.zeros(time_s.size, dtype=bool)
    for begin_s, lasts_s in zip(begins_s, rng.uniform(0.05, 0.5, begins_s.size), strict=True):
        away |= (time_s >= begin_s) & (time_s < begin_s + lasts_s)
    channels = {**production.channels, "current": np.where(away, 0.0, production.channels["current"])}
    if enable:
        channels["enable"] = np.ones(time_s.size)
    samples = Samples(production.time_s, channels)
    for judgement in (judge_log(VALVE, samples), live(samples, 1000)[-1][1]):
        finding = next(f for f in judgement.findings if f.consequence_of is None)
        assert finding.kind == "current-lost"
        assert finding.part is Part.COIL_WIRING
        assert "times" in finding.evidence
        assert finding.onset_s == pytest.approx(production.time_s[0] + 7.5, abs=0.1)
        assert {f.kind for f in judgement.findings if f.consequence_of is None} == {"current-lost"}


def test_two_breaks_are_told_as_nothing(production) -> None:
    time_s = production.time_s - production.time_s[0]
    away = (np.abs(time_s - 8.0) < 0.1) | (np.abs(time_s - 32.0) < 0.1)
    current = np.where(away, 0.0, production.channels["current"])
    assert judge_log(VALVE, Samples(production.time_s, {**production.channels, "current": current})).findings == ()


def test_what_comes_back_after_seconds_is_told_as_a_second_time(production) -> None:
    """Twenty seconds apart are two events; less than a second apart is one."""
    time_s = production.time_s - production.time_s[0]
    command = production.channels["command"].copy()
    for begin_s in (20.0, 40.0, 41.7):
        command[(time_s >= begin_s) & (time_s < begin_s + 1.0)] = 3.0
    judgement = judge_log(VALVE, Samples(production.time_s, {**production.channels, "command": command}))
    finding = next(f for f in judgement.findings if f.kind == "command-failed")
    assert "(2 times)" in finding.evidence
    assert finding.onset_s == pytest.approx(production.time_s[0] + 20.0, abs=0.02)


@pytest.mark.parametrize("enable", [True, False])
def test_a_lost_current_needs_no_current_at_zero_on_the_sheet(production, enable) -> None:
    """As much must flow at least as if zero command asked for none."""
    sparse = sheet(as_left={name: value for name, value in LEFT.items() if name != "current_at_zero"})
    assert has(judge_log(sparse, opened(production, enable=enable)), "current-lost")
    assert not judge_log(sparse, production).findings
    stopped = opened(production, enable=False)
    rests = np.arange(stopped.time_s.size) >= np.searchsorted(stopped.time_s - stopped.time_s[0], OPENS_S)
    command = np.where(rests, 4.0, stopped.channels["command"])
    off = Samples(stopped.time_s, {**stopped.channels, "command": command})
    assert not has(judge_log(sparse, off), "current-lost"), "switched off with its command"
