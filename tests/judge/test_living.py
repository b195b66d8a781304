"""Readings that are dead or end too low, and commands beyond their range: never a number against the truth."""

from __future__ import annotations

import numpy as np
import pytest
from asleft.catalogue.parts import Part
from asleft.judge.types import Judgement, Verdict
from asleft.judge.valve.living import end_of_range_a, living
from asleft.judge.watching.stretches import Stretch
from lanes import by_id
from presses import LEVELS, judged, press
from synth import dwell


def verdicts(judgement: Judgement) -> dict[str, Verdict]:
    """Of what the channels of this press show."""
    names = ("current_at_zero", "current_at_full", "ramp_up", "ramp_down", "pressure_at_zero", "pressure_at_full")
    return {name: by_id(judgement)[name].verdict for name in names}


def dead_from(rows: dict[str, np.ndarray], channel: str, share: float) -> dict[str, np.ndarray]:
    """The channel holds one value from that share of the recording on."""
    first = round(share * rows["time"].size)
    values = rows[channel].copy()
    values[first:] = values[first]
    return {**rows, channel: values}


@pytest.mark.parametrize("share", [0.3, 0.53, 0.7])
@pytest.mark.parametrize("channel", ["command", "current", "pressure"])
def test_what_a_reading_measured_before_it_died_is_what_counts(channel: str, share: float) -> None:
    judgement = judged(dead_from(press(), channel, share))
    assert set(verdicts(judgement).values()) == {Verdict.IN}
    assert judgement.findings[0].kind == "reading-pinned"
    part = {"command": Part.COMMAND_WIRING, "current": Part.CURRENT_SENSOR, "pressure": Part.PRESSURE_SENSOR}
    assert judgement.findings[0].part is part[channel]


def test_a_reading_that_was_never_alive_measured_nothing() -> None:
    rows = press()
    judgement = judged({**rows, "pressure": np.full_like(rows["pressure"], 40.0)})
    for name in ("pressure_at_zero", "pressure_at_full"):
        assert by_id(judgement)[name].verdict is Verdict.NOT_OBSERVED
        assert by_id(judgement)[name].reason == "its reading stood still"
    assert verdicts(judgement)["ramp_up"] is Verdict.IN


def test_a_current_reading_that_ends_too_low_is_no_limit_and_no_dead_sensor() -> None:
    """Beyond its end nothing is known: neither a ramp nor a full current may be called out."""
    rows = press()
    judgement = judged({**rows, "current": np.minimum(rows["current"], 0.7)})
    assert Verdict.OUT not in verdicts(judgement).values()
    assert verdicts(judgement)["ramp_up"] is Verdict.IN
    assert [(f.kind, f.part, f.severity) for f in judgement.findings] == [("reading-pinned", Part.DATA, 1)]
    assert "0.7" in judgement.findings[0].evidence


def test_what_is_at_the_end_of_the_range_only_for_high_commands_is_an_end_and_else_dead() -> None:
    low = [dwell(u, 0.2 + 0.8 * u, from_s=10.0 * k) for k, u in enumerate((0.1, 0.3, 0.5))]
    top = [dwell(u, 0.9, current_sd_a=0.0, from_s=100.0 + 10.0 * k) for k, u in enumerate((0.9, 1.0, 0.95))]
    assert end_of_range_a([*low, *top]) == (0.9, pytest.approx(0.88))
    stray = dwell(0.2, 0.9, current_sd_a=0.0, from_s=200.0, to_s=203.0)
    assert end_of_range_a([*low, *top, stray])[0] == np.inf
    noisy = [d._replace(current_sd_a=8e-4) for d in top]  # a current limit: its ripple is there
    assert end_of_range_a([*low, *noisy])[0] == np.inf
    stuck = Stretch("stuck:current", 100.0, 130.0, {"value": 0.9})
    assert living([*low, *top], [], [stuck]).dead == frozenset()
    assert living([*low, *top, stray], [], [stuck]).dead == {"current"}


@pytest.mark.parametrize("goes_on", [False, True])
def test_more_than_full_command_is_not_full_command(goes_on: bool) -> None:
    """20.72 mA is 104.5 %: some drivers stop at 100 %, others go on; neither moved a setting of this valve."""
    levels = tuple(1.045 if u == 1.0 else u for u in LEVELS)
    judgement = judged(press(levels, goes_on=goes_on))
    assert Verdict.OUT not in verdicts(judgement).values()
    # How far beyond full a driver went is told by the current, and no better than full current is known.
    assert verdicts(judgement)["pressure_at_full"] in {Verdict.IN, *({Verdict.UNDECIDED} if goes_on else ())}
    assert verdicts(judgement)["ramp_up"] is Verdict.IN
    assert [(f.kind, f.part) for f in judgement.findings] == [("command-clipped", Part.CONTROLLER)]


def test_two_faults_of_the_readings_are_each_named_by_their_own() -> None:
    levels = tuple(1.045 if u == 1.0 else u for u in LEVELS)
    judgement = judged(dead_from(press(levels, goes_on=True), "pressure", 0.0))
    parts = {f.kind: f.part for f in judgement.findings}
    assert parts == {"command-clipped": Part.CONTROLLER, "reading-pinned": Part.PRESSURE_SENSOR}


def test_of_two_dead_readings_the_way_they_share_is_likelier_than_two_sensors() -> None:
    found = judged(dead_from(dead_from(press(), "pressure", 0.5), "current", 0.5)).findings[0]
    assert (found.kind, found.part) == ("reading-pinned", Part.DATA)
    assert set(found.alternatives) == {Part.CURRENT_SENSOR, Part.PRESSURE_SENSOR}
    assert "current reading" in found.evidence
    assert "pressure reading" in found.evidence


def test_a_current_reading_of_nothing_is_no_lost_current_and_no_unwanted_pressure_where_the_valve_works() -> None:
    rows = press()
    nothing = np.full_like(rows["current"], -0.002)
    judgement = judged({**rows, "current": nothing, "enable": np.ones_like(nothing)})
    leading = [f for f in judgement.findings if f.consequence_of is None]
    assert [(f.kind, f.part) for f in leading] == [("reading-pinned", Part.CURRENT_SENSOR)]


def test_a_command_that_is_read_late_tells_levels_and_no_ramps() -> None:
    """By 0.8 s: each stroke's current has gone most of its way before the command is seen to ask for it."""
    rows = press()
    late = np.concatenate((np.full(80, rows["command"][0]), rows["command"][:-80]))
    judgement = judged({**rows, "command": late})
    assert judgement.findings[0].kind == "response-changed"
    for name in ("ramp_up", "ramp_down"):
        assert by_id(judgement)[name].verdict is Verdict.NOT_OBSERVED
        assert by_id(judgement)[name].reason == "the command is read late"
    assert Verdict.OUT not in verdicts(judgement).values()


def test_an_end_stays_one_though_a_single_sample_fell_below_it() -> None:
    dwells = [dwell(u, 0.2 + 0.8 * u) for u in (0.0, 0.3, 0.6) for _ in range(3)]
    dwells += [dwell(u, 0.9, current_sd_a=0.0) for u in (0.9, 1.0) for _ in range(3)]
    dwells += [dwell(0.9, 0.9 - 2e-6, current_sd_a=3e-6)]
    assert end_of_range_a(dwells) == (0.9, pytest.approx(0.88))
