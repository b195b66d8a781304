"""When a pressure is not the setting's doing: a driver that is off, oil that may be cold."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from asleft.judge.drift import OilThermalState
from asleft.judge.judge import begin, step
from asleft.judge.types import Samples
from lanes import record
from scenes import default_valve
from synth import dwell


def test_below_its_off_threshold_the_pressure_is_not_judged() -> None:
    lane = record({"off": replace(default_valve(), off_below_pct=5.0)}, duration_s=300.0, seed=1)["off"]
    judgement = step(lane.sheet, begin(lane.sheet), lane.samples).judgement
    by_name = {q.id: q for q in judgement.quantities}
    assert by_name["pressure_at_zero"].verdict.value == "not-observed"
    assert by_name["pressure_at_zero"].reason == "the driver is off below 5 % command"
    assert by_name["pressure_at_full"].verdict.value == "in"
    assert judgement.findings == ()


def test_after_a_night_pressure_waits_where_the_oil_is_not_recorded() -> None:
    warmth = OilThermalState()
    evening = [dwell(0.5, 0.6, from_s=100.0 * k, to_s=100.0 * k + 3.0, clock_s=100.0 * k) for k in range(5)]
    warmth.see(evening)
    morning = [dwell(0.5, 0.6, from_s=30_000.0, to_s=30_003.0, clock_s=500.0)]
    hours = (1800.0, 3600.0, 5400.0)
    day = [dwell(0.5, 0.6, from_s=30_000.0 + s, to_s=30_003.0 + s, clock_s=500.0 + s) for s in hours]
    later = [dwell(0.5, 0.6, from_s=37_300.0, to_s=37_303.0, clock_s=7_800.0)]
    assert not warmth.cold_as_far_as_known(evening)
    assert warmth.cold_as_far_as_known(morning)
    assert warmth.cold_as_far_as_known(evening + morning)
    assert warmth.last_s == 403.0  # looking does not remember
    warm = [replace_oil(morning[0], 44.0)]
    assert not warmth.cold_as_far_as_known(warm)
    warmth.see(morning)
    assert warmth.cold_as_far_as_known(morning)
    assert warmth.cold_as_far_as_known(day)
    warmth.see(day)
    assert not warmth.cold_as_far_as_known(later)


def replace_oil(one, oil_degc: float):
    assert math.isnan(one.oil_degc)
    return one._replace(oil_degc=oil_degc)


def test_a_cold_morning_without_an_oil_reading_is_said_and_raises_nothing() -> None:
    """Two stretches of production with three hours' stop between them, the second with 3 % more pressure."""
    lane = record({"one": default_valve()}, duration_s=700.0, seed=3)["one"]
    channels = {k: v for k, v in lane.samples.channels.items() if k != "oil_temperature"}
    evening = Samples(lane.samples.time_s, channels)
    rest_s, n = float(lane.samples.time_s[-1]) + 1.0, 10_800
    stop_s = rest_s + np.arange(n, dtype=np.float64)
    resting = dict.fromkeys(channels, 0.0 * stop_s)
    resting["command"] = resting["command"] + lane.sheet.signal.at_zero
    morning_s = stop_s[-1] + 1.0 + (lane.samples.time_s[:30_000] - lane.samples.time_s[0])
    cold = {k: v[:30_000] * (1.03 if k == "pressure" else 1.0) for k, v in channels.items()}
    state = step(lane.sheet, begin(lane.sheet), evening).state
    state = step(lane.sheet, state, Samples(stop_s, resting)).state
    judgement = step(lane.sheet, state, Samples(morning_s, cold)).judgement
    by_name = {q.id: q for q in judgement.quantities}
    assert by_name["pressure_at_full"].reason.startswith("less than two hours of production since a stop")
    assert [f.kind for f in judgement.findings] == []
