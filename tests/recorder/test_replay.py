"""Stored history judged again: from readings in memory to the alarms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from asleft.alarms.states import AlarmView
from asleft.judge.judge import advance, begin
from asleft.judge.types import Samples
from asleft.recorder.effective_sheet import WrongUnit
from asleft.recorder.replay import FINE_S, HOUR_NS, Course, Setting, hours, replay, split
from asleft.sheet.reader import read_sheet
from asleft.sim.model import default_valve
from asleft.sim.recording import Recording, simulate
from asleft.store.protocols import StoredSamples

START_S = 1_764_070_200.0
START_NS = round(START_S) * 1_000_000_000
S = 1_000_000_000
VALVE = default_valve()
SHEET = read_sheet(
    f"""
[valve]
id = "{VALVE.valve_id}"
[signal]
kind = "4-20mA"
[as_left]
current_at_zero = 0.18
current_at_full = 0.92
ramp_up = 1.2
ramp_down = 2.0
[revision]
number = 1
at = 2025-11-20T08:00:00Z
by = "kl"
why = "first"
"""
)


@pytest.fixture(scope="module")
def recording() -> Recording:
    (made,) = simulate([VALVE], [START_S], 420.0, burst_every_s=0.0)
    return made


class Held:
    """A reader over one recording, that counts what it is asked."""

    def __init__(
        self, recording: Recording, changed: Mapping[str, np.ndarray] | None = None, unit: str = "mA"
    ) -> None:
        self.time_ns = np.round(recording.time_s * 1e9).astype(np.int64)
        self.channels = {name: recording.values(name) for name in recording.counts} | dict(changed or {})
        self.units = {**recording.units, "command": unit}
        self.longest = 0

    def samples(self, valve: str, from_ns: int, to_ns: int) -> StoredSamples:
        a, b = np.searchsorted(self.time_ns, (from_ns, to_ns))
        self.longest = max(self.longest, int(b - a))
        return StoredSamples(valve, self.time_ns[a:b], {k: v[a:b] for k, v in self.channels.items()}, self.units)

    def bursts(self, _valve: str, _from_ns: int, _to_ns: int) -> list[object]:
        return []


def alarms(reader: Held, *settings: Setting, to_s: float = 420.0) -> list[list[AlarmView]]:
    return replay(reader, VALVE.valve_id, settings, START_NS, START_NS + round(to_s) * S)  # type: ignore[arg-type]


def setting(sheet=SHEET, from_s: float = 0.0) -> Setting:
    return Setting(((START_NS + round(from_s) * S, sheet),))


def test_a_healthy_valve_alarms_nobody_and_progress_is_told(recording) -> None:
    told: list[int] = []
    reader = Held(recording)
    end_ns = START_NS + HOUR_NS + 420 * S
    found = replay(reader, VALVE.valve_id, (setting(),), START_NS - HOUR_NS, end_ns, told.append)  # type: ignore[arg-type]
    assert found == [[]]
    assert told == [START_NS, START_NS + HOUR_NS, end_ns]


def test_what_lasts_seconds_alarms_to_within_the_fine_steps(recording) -> None:
    """A current lost for 20 s within ten minutes that are looked at once: raised and ended as live."""
    current, pressure = recording.values("current").copy(), recording.values("pressure").copy()
    noise = np.random.default_rng(3).standard_normal((2, 2_000))
    current[20_000:22_000] = 1e-3 * noise[0]
    pressure[20_000:22_000] = pressure.min() + 0.1 * noise[1]  # a current that does flow would show in it
    (found,) = alarms(Held(recording, {"current": current, "pressure": pressure}), setting())
    lost = [alarm for alarm in found if alarm.kind == "current-lost"]
    assert len(lost) == 1
    assert 0.0 <= lost[0].raised_ns / 1e9 - (START_S + 200.0) <= 2.0 * FINE_S
    assert lost[0].returned_ns is not None
    assert lost[0].returned_ns / 1e9 < START_S + 420.0


def test_two_settings_side_by_side(recording) -> None:
    tight = replace(SHEET, as_left={**SHEET.as_left, "ramp_up": 1.05})
    now, other = alarms(Held(recording), setting(), setting(tight))
    assert now == []
    assert [alarm.kind for alarm in other] == ["ramp-up-changed"]


def test_each_sheet_counts_from_its_time_on(recording) -> None:
    """A sheet that does not fit raises its alarm after it has come into force."""
    wrong = replace(SHEET, as_left={**SHEET.as_left, "ramp_up": 1.05}, revision=replace(SHEET.revision, number=2))
    both = Setting(((START_NS, SHEET), (START_NS + 200 * S, wrong)))
    (found,) = alarms(Held(recording), both)
    assert [alarm.kind for alarm in found] == ["ramp-up-changed"]
    assert found[0].raised_ns >= START_NS + 200 * S
    assert alarms(Held(recording), both, to_s=200.0) == [[]]
    assert alarms(Held(recording), setting(wrong, from_s=500.0)) == [[]]


def test_what_was_declared_as_work_alarms_under_no_setting(recording) -> None:
    wrong = setting(replace(SHEET, as_left={**SHEET.as_left, "ramp_up": 1.05}))
    reader = Held(recording)
    until_ns = START_NS + 420 * S
    work = ((START_S + 30.0, START_S + 1000.0),)
    assert replay(reader, VALVE.valve_id, [wrong], START_NS, until_ns, work=work) == [[]]  # type: ignore[arg-type]
    ends_early = ((START_S + 30.0, START_S + 120.0),)
    ((found,),) = replay(reader, VALVE.valve_id, [wrong], START_NS, until_ns, work=ends_early)  # type: ignore[arg-type]
    assert found.kind == "ramp-up-changed"


def test_a_command_of_another_unit_is_refused(recording) -> None:
    with pytest.raises(WrongUnit, match="recorded in 'V', the sheet's signal is in 'mA'"):
        alarms(Held(recording, unit="V"), setting())


def test_nothing_new_is_what_changes_no_finding() -> None:
    still = Samples(
        START_S + np.arange(0.0, 60.0, 0.01), {"command": np.full(6000, 4.0), "current": np.full(6000, 0.18)}
    )
    first = advance(SHEET, begin(SHEET), still)
    assert not first.nothing_new
    off = Samples(
        still.time_s + 60.0,
        {
            "command": np.full(6000, 4.0),
            "current": np.zeros(6000),
            "enable": np.zeros(6000),
            "pump_running": np.zeros(6000),
        },
    )
    ended = advance(SHEET, first.state, off)
    assert not ended.nothing_new  # the machine's state changed
    assert advance(SHEET, ended.state, replace(off, time_s=off.time_s + 60.0)).nothing_new


def test_cut_at_whole_multiples(recording) -> None:
    samples = Samples(recording.time_s + 3.7, {"command": recording.values("command")})
    parts = list(split(samples, 60.0))
    assert np.array_equal(np.concatenate([part.time_s for part in parts]), samples.time_s)
    assert all(part.time_s[0] // 60.0 == part.time_s[-1] // 60.0 for part in parts)
    assert list(split(Samples(np.zeros(0), {}), 60.0)) == []
    assert list(hours(0, HOUR_NS + 1)) == [(0, HOUR_NS), (HOUR_NS, HOUR_NS + 1)]


def test_no_samples_change_nothing() -> None:
    course = Course(setting())
    course.take(SHEET, Samples(np.zeros(0), {}))
    assert course.state is None
