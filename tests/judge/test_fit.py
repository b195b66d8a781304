"""Readings that do not fit the sheet are told as that, and the largest faults of the machine are not taken for it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from asleft.catalogue.statuses import Status
from asleft.judge.fit.fit import of_another_valve
from asleft.judge.judge import begin, judge_log, step
from asleft.judge.published import judgement_json
from asleft.judge.state import dumps, loads
from asleft.judge.types import Coverage, Fit, Judgement, QuantityResult, Samples, Verdict
from asleft.sheet.model import Instrument, Revision, Sheet, Signal, SignalKind, Tolerance
from synth import MA, curved, recording, sheet

V10 = Signal(SignalKind.V_0_10, "V", 0.0, 10.0)
MA_0_20 = Signal(SignalKind.EXPLICIT, "mA", 0.0, 20.0)
NOTHING_SEEN = Coverage(0, None, None, None, None)
CYCLE = (0.0, 0.3, 0.7, 1.0, 0.5, 0.2)
Channels = Mapping[str, np.ndarray]


def machine(
    *, seed: int = 1, cycles: int = 6, signal: Signal = MA, start_s: float = 1000.0, **drive_as: float
) -> Samples:
    """A healthy machine of the sheet, its pressure following the current in a straight line."""
    log = recording(list(CYCLE) * cycles, hold_s=2.5, seed=seed, start_s=start_s, **drive_as)
    rng = np.random.default_rng(seed)
    demand = (log.channels["command"] - 4.0) / 16.0
    share = (log.channels["current"] - 0.2) / 0.8
    pressure = 10.0 + 190.0 * share + rng.normal(0.0, 0.3, share.size)
    command = signal.at_zero + demand * (signal.at_full - signal.at_zero)
    return Samples(log.time_s, {"command": command, "current": log.channels["current"], "pressure": pressure})


def read_as(samples: Samples, **how: Callable[[Channels], np.ndarray]) -> Samples:
    """The samples with some channels made anew from all of them."""
    channels = samples.channels
    return replace(samples, channels={**channels, **{name: make(channels) for name, make in how.items()}})


def demand_of(channels: Channels) -> np.ndarray:
    return (channels["command"] - 4.0) / 16.0


def assert_only_told(judgement: Judgement, cause: str, *words: str) -> None:
    """The cause stands first, and nothing is claimed of the machine."""
    assert judgement.fit.fits is False
    assert judgement.fit.cause == cause
    assert judgement.status is Status.FUNCTION_CHECK
    assert judgement.findings == ()
    assert {q.verdict for q in judgement.quantities} == {Verdict.NOT_OBSERVED}
    assert not any("fit" in q.reason for q in judgement.quantities)  # that is said once
    for word in words:
        assert word in judgement.sentence


MISREAD: dict[str, tuple[Callable[[Channels], dict[str, np.ndarray]], str, tuple[str, ...]]] = {
    "current in mA": (
        lambda c: {"current": c["current"] * 1e3},
        "current-unit",
        ("1,000 times", "mA?", 'current = { unit = "mA" }', "[column]"),
    ),
    "current in A read as mA": (
        lambda c: {"current": c["current"] / 1e3},
        "current-unit",
        ("a thousandth", 'current = { unit = "A" }'),
    ),
    "current of the other sign": (
        lambda c: {"current": -c["current"]},
        "current-scale",
        ("sign", "current = { scale = -1"),
    ),
    "command in percent": (
        lambda c: {"command": 100.0 * demand_of(c)},
        "command-unit",
        ("percent", "command = { scale = 0.16, offset = 4 }"),
    ),
    "command in volts": (
        lambda c: {"command": 10.0 * demand_of(c)},
        "command-unit",
        ("0 to 10 V", "command = { scale = 1.6, offset = 4 }"),
    ),
    "command of 0 to 20 mA": (
        lambda c: {"command": 20.0 * demand_of(c)},
        "command-signal",
        ("0 to 20 mA", "at_zero = 0, at_full = 20", "[signal]"),
    ),
    "pressure in psi": (
        lambda c: {"pressure": c["pressure"] * 14.5037738},
        "pressure-unit",
        ("14.5 times", 'pressure = { unit = "psi" }'),
    ),
    "pressure in MPa": (
        lambda c: {"pressure": c["pressure"] / 10.0},
        "pressure-unit",
        ("0.1 times", 'pressure = { unit = "MPa" }'),
    ),
    "pressure in kPa": (
        lambda c: {"pressure": c["pressure"] * 100.0},
        "pressure-unit",
        ("100 times", 'pressure = { unit = "kPa" }'),
    ),
    "a transmitter's mA": (
        lambda c: {"pressure": 4.0 + 16.0 * c["pressure"] / 250.0},
        "transmitter-signal",
        ("4 to 20 mA", "0 to 250 bar", "pressure = { scale = 15.62, offset = -62.5 }"),
    ),
    "command and current swapped": (
        lambda c: {"command": c["current"], "current": c["command"]},
        "columns-swapped",
        ("command and current",),
    ),
    "current and pressure swapped": (
        lambda c: {"current": c["pressure"], "pressure": c["current"]},
        "columns-swapped",
        ("current and pressure",),
    ),
    "command and pressure swapped": (
        lambda c: {"command": c["pressure"], "pressure": c["command"]},
        "columns-swapped",
        ("command and pressure",),
    ),
    "counts of the current": (
        lambda c: {"current": np.round(c["current"] / 2.0 * 4095.0)},
        "raw-counts",
        ("counts", "current = { scale = 0.0004"),
    ),
    "counts of the pressure": (
        lambda c: {"pressure": np.round(c["pressure"] / 400.0 * 32767.0)},
        "raw-counts",
        ("counts", "pressure = { scale = 0.0122"),
    ),
    "counts of command and current": (
        lambda c: {"command": np.round(2000.0 * (1.0 + demand_of(c))), "current": np.round(c["current"] * 2047.0)},
        "raw-counts",
        ("the command reads whole numbers", "the current reads whole numbers"),
    ),
}


@pytest.mark.parametrize("name", MISREAD)
def test_a_column_read_wrongly_is_said_first(name: str) -> None:
    how, cause, words = MISREAD[name]
    samples = machine()
    judgement = judge_log(sheet(), replace(samples, channels={**samples.channels, **how(samples.channels)}))
    assert_only_told(judgement, cause, *words)
    assert judgement_json(judgement)["fit"]["fits"] is False


@pytest.mark.parametrize(
    "name", ["current in mA", "current in A read as mA", "pressure in psi", "command in percent"]
)
def test_a_fault_of_three_tolerances_beside_it_changes_nothing(name: str) -> None:
    how, cause, _ = MISREAD[name]
    samples = machine(full_a=1.0 - 3 * 0.016, up_s=1.3)
    judgement = judge_log(sheet(), replace(samples, channels={**samples.channels, **how(samples.channels)}))
    assert_only_told(judgement, cause)


def test_a_sheet_of_0_to_20_mA_on_a_live_zero() -> None:  # noqa: N802 - the unit's own letters
    judgement = judge_log(sheet(signal=MA_0_20), machine())
    assert_only_told(judgement, "command-signal", "4 to 20 mA", 'kind = "4-20mA"')


def test_a_signal_of_volts_on_a_sheet_in_mA() -> None:  # noqa: N802
    judgement = judge_log(sheet(signal=V10), machine())
    assert_only_told(judgement, "command-unit", "4 to 20 mA", "command = { scale = 0.625, offset = -2.5 }")


def test_columns_swapped_on_a_press_whose_ramps_outlast_its_stays() -> None:
    """The current is hardly ever at its level; that each column lies where only the other can says it."""
    log = machine(up_s=9.0, down_s=12.0, cycles=12)
    slow = sheet(as_left={**sheet().as_left, "ramp_up": 9.0, "ramp_down": 12.0})
    turned = read_as(log, command=lambda c: c["current"], current=lambda c: c["command"])
    assert_only_told(judge_log(slow, turned), "columns-swapped", "command", "current")
    assert judge_log(slow, log).fit.fits is not False


@pytest.mark.parametrize(
    ("channel", "times", "end", "cause", "word"),
    [
        ("current", 1000.0, 1.5, "current-unit", "in mA?"),
        ("pressure", 14.5038, 250.0, "pressure-unit", "in psi?"),
        ("pressure", 131.07, 250.0, "raw-counts", "counts?"),
    ],
)
def test_readings_past_the_end_of_their_instrument_need_no_setting_to_be_told(
    channel: str, times: float, end: float, cause: str, word: str
) -> None:
    left = {name: value for name, value in sheet().as_left.items() if name.startswith("ramp")}
    sparse = sheet(as_left=left, instruments={channel: Instrument(range_low=0.0, range_high=end)})
    digits = 0 if cause == "raw-counts" else 6
    misread = read_as(machine(), **{channel: lambda c: np.round(c[channel] * times, digits)})
    assert_only_told(judge_log(sparse, misread), cause, word)
    assert judge_log(sparse, machine()).fit.fits is not False
    ends_low = read_as(machine(), **{channel: lambda c: np.minimum(c[channel], 0.5 * c[channel].max())})
    assert judge_log(sparse, ends_low).fit.fits is not False


def test_a_healthy_machine_fits() -> None:
    for signal in (MA, V10, MA_0_20):
        judgement = judge_log(sheet(signal=signal), machine(signal=signal))
        assert judgement.fit == Fit(True)
        assert judgement.findings == ()


def test_without_a_current_the_pressure_tells() -> None:
    samples = machine()
    plain = {name: samples.channels[name] for name in ("command", "pressure")}
    assert judge_log(sheet(), replace(samples, channels=plain)).fit == Fit(True)
    psi = {**plain, "pressure": plain["pressure"] * 14.5037738}
    assert_only_told(judge_log(sheet(), replace(samples, channels=psi)), "pressure-unit", "psi")
    percent = {**plain, "command": 100.0 * demand_of(plain)}
    assert_only_told(judge_log(sheet(), replace(samples, channels=percent)), "command-unit", "percent")


def noise(sd: float, c: Channels) -> np.ndarray:
    return np.random.default_rng(5).normal(0.0, sd, c["command"].size)


def broken_half_of_the_time(samples: Samples) -> Samples:
    broken = samples.time_s % 20.0 < 10.0
    return read_as(
        samples,
        command=lambda c: np.where(broken, 0.0, c["command"]),
        current=lambda c: np.where(broken, 0.2, c["current"]),
    )


LARGEST: dict[str, Callable[[Samples], Samples]] = {
    "coil open": lambda s: read_as(s, current=lambda c: noise(5e-4, c), pressure=lambda c: 2.0 + noise(0.3, c)),
    "coil open, a quiet sensor": lambda s: read_as(s, current=lambda c: 1e-3 + noise(1e-5, c)),
    "pressure gone": lambda s: read_as(s, pressure=lambda c: 3.0 + 0.01 * c["pressure"] + noise(0.3, c)),
    "spool stuck near zero": lambda s: read_as(s, pressure=lambda c: 10.0 + 7.0 * demand_of(c) + noise(0.3, c)),
    "pressure sensor at its top": lambda s: read_as(s, pressure=lambda c: np.full(c["current"].size, 400.0)),
    "current sensor at its top": lambda s: read_as(s, current=lambda c: np.full(c["current"].size, 5.0)),
    "clipped to half": lambda s: read_as(s, current=lambda c: np.minimum(c["current"], 0.6)),
    "driver full on": lambda s: read_as(s, current=lambda c: 2.4 + noise(5e-4, c)),
    "command failed": lambda s: read_as(s, command=lambda c: 3.58 + noise(0.016, c)),
    "wire broken half of the time": broken_half_of_the_time,
}


@pytest.mark.parametrize("name", LARGEST)
def test_the_largest_faults_are_not_taken_for_a_unit(name: str) -> None:
    judgement = judge_log(sheet(), LARGEST[name](machine()))
    assert judgement.fit.fits is not False


@pytest.mark.parametrize("tolerances", [-6.0, 6.0])
@pytest.mark.parametrize("levels", ["whole range", "40 to 60 % only", "on and off"])
def test_currents_turned_by_six_tolerances_are_found_as_that(tolerances: float, levels: str) -> None:
    cycle = {"whole range": CYCLE, "40 to 60 % only": (0.4, 0.6, 0.5), "on and off": (0.0, 1.0)}[levels]
    for zero_a, full_a in ((0.2, 1.0 + tolerances * 0.016), (0.2 + tolerances * 0.016, 1.0)):
        samples = recording(list(cycle) * 10, hold_s=2.5, zero_a=zero_a, full_a=full_a)
        judgement = judge_log(sheet(), samples)
        assert judgement.fit.fits is not False


def test_an_own_tolerance_may_be_so_wide_that_a_live_zero_cannot_be_told() -> None:
    """Current at zero lower by 20 % of span is within what a fault may be where the tolerance is 4 % of it."""
    wide = {**sheet().tolerance, "current_at_zero": Tolerance(0.032, 0.032)}
    samples = machine(signal=MA_0_20, zero_a=0.2 - 0.16, full_a=1.0)
    assert judge_log(sheet(signal=MA_0_20, tolerance=wide), samples).fit.fits is not False


def test_ramps_three_times_as_slow_are_found_as_that() -> None:
    judgement = judge_log(sheet(), machine(up_s=3.0, down_s=3.0))
    assert judgement.fit.fits is not False
    assert {"ramp-up-changed", "ramp-down-changed"} <= {f.kind for f in judgement.findings}


def other_valve() -> Sheet:
    """A sheet that differs in everything."""
    left = {"current_at_zero": 0.35, "current_at_full": 1.6, "ramp_up": 0.4, "ramp_down": 2.5}
    left |= {"pressure_at_zero": 5.0, "pressure_at_full": 120.0}
    width = {name: Tolerance(w, w) for name, w in zip(left, (0.025, 0.025, 0.05, 0.25, 2.4, 2.4), strict=True)}
    return sheet(as_left=left, tolerance=width)


def test_the_sheet_of_another_valve() -> None:
    assert_only_told(judge_log(other_valve(), machine()), "another-valve", "another valve", "press-1.test")


def test_two_faults_at_once_are_not_another_valve() -> None:
    gain = {"zero_a": 0.2 * 0.9, "full_a": 0.9}
    judgement = judge_log(sheet(), machine(up_s=1.6, down_s=1.6, **gain))
    assert judgement.fit.fits is not False
    assert {"ramp-up-changed", "current-full-changed"} <= {f.kind for f in judgement.findings}


@pytest.mark.parametrize(
    ("supply_v", "zero_a", "other"),
    [(9.6, 0.2, False), (24.0, 0.2, True), (16.8, 0.2, True), (9.6, 0.3, True)],
    ids=["short", "as left", "not so short", "zero moved too"],
)
def test_a_supply_that_cuts_all_but_low_commands_off_is_no_other_valve(
    supply_v: float, zero_a: float, *, other: bool
) -> None:
    """What is left of a supply drives that share of the current at full at least, and does not touch zero."""
    plain = curved()
    found = {"current_at_zero": zero_a, "current_at_full": 0.6, "ramp_up": 0.5, "ramp_down": 1.0}
    found |= {"pressure_at_zero": 10.0, "pressure_at_full": 60.0, "supply_voltage": supply_v}
    results = {}
    for name, value in found.items():
        left, width = plain.as_left[name], plain.tolerance[name].below
        verdict = Verdict.OUT if abs(value - left) > width else Verdict.IN
        used_pct = 100.0 * (value - left) / width
        results[name] = QuantityResult(
            name, "", left, value, 0.0, 0.0, width, width, used_pct, verdict, "", None, None, NOTHING_SEEN
        )
    assert of_another_valve(plain, results, steady=True) is other


@pytest.mark.parametrize(("later_days", "fits"), [(-30.0, True), (0.5, True), (30.0, False)])
def test_a_log_from_before_the_sheet_was_left(later_days: float, fits: bool) -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
    left = datetime.fromtimestamp(start + later_days * 86_400.0, UTC)
    judgement = judge_log(sheet(revision=Revision(2, left)), machine(start_s=start))
    assert judgement.fit.fits is fits
    if not fits:
        assert_only_told(judgement, "before-the-sheet", "1 March 2026", "31 March 2026", "[revision]")


def test_times_that_are_no_dates_say_nothing_of_the_sheets_date() -> None:
    left = datetime(2026, 3, 31, tzinfo=UTC)
    assert judge_log(sheet(revision=Revision(2, left)), machine(start_s=0.0)).fit.fits is True


def blocks(samples: Samples, seconds: float) -> list[Samples]:
    cuts = np.arange(samples.time_s[0], samples.time_s[-1] + seconds, seconds)
    at = np.searchsorted(samples.time_s, cuts)
    return [
        Samples(samples.time_s[a:b], {n: v[a:b] for n, v in samples.channels.items()})
        for a, b in zip(at, [*at[1:], samples.time_s.size], strict=True)
        if b > a
    ]


def test_live_it_is_told_within_a_cycle_and_stays_through_text() -> None:
    samples = read_as(machine(cycles=3), current=lambda c: 1e3 * c["current"])
    state, said = begin(sheet()), []
    for block in blocks(samples, 5.0):
        outcome = step(sheet(), loads(dumps(state)), block)
        state = outcome.state
        said.append(outcome.judgement.fit.fits)
    first = said.index(False)
    assert first * 5.0 <= 15.0
    assert set(said[first:]) == {False}
    assert "agent's file" in outcome.judgement.sentence


def test_live_it_is_taken_back_once_the_readings_are_right_and_nothing_wrong_is_remembered() -> None:
    wrong = read_as(machine(cycles=12), current=lambda c: 1e3 * c["current"])
    right = machine(cycles=45, start_s=float(wrong.time_s[-1]) + 5.0, seed=2)
    state = begin(sheet())
    said: list[tuple[bool | None, int]] = []
    for block in (*blocks(wrong, 10.0), *blocks(right, 10.0)):
        outcome = step(sheet(), state, block)
        state = outcome.state
        said.append((outcome.judgement.fit.fits, len(outcome.judgement.findings)))
        assert all(abs(point.value) < 300.0 for point in outcome.points)
    fits = [fit for fit, _ in said]
    changes = sum(a is not b for a, b in itertools.pairwise(fits) if None not in (a, b))
    assert changes == 1, "told once, taken back once"
    assert outcome.judgement.fit.fits is True
    assert outcome.judgement.findings == ()
    assert outcome.judgement.status is Status.GOOD
    full = next(q for q in outcome.judgement.quantities if q.id == "current_at_full")
    assert full.as_found == pytest.approx(1.0, abs=0.005)
    assert full.as_left_measured is None or abs(full.as_left_measured - 1.0) < 0.01


def test_the_same_however_the_samples_are_cut() -> None:
    samples = read_as(machine(cycles=3), pressure=lambda c: c["pressure"] / 10.0)
    whole = step(sheet(), begin(sheet()), samples)
    state = begin(sheet())
    for block in blocks(samples, 1.7):
        outcome = step(sheet(), state, block)
        state = outcome.state
    assert state.fit_points.rest.exponent == whole.state.fit_points.rest.exponent
    assert np.allclose(state.fit_points.rest.rows, whole.state.fit_points.rest.rows, rtol=1e-12)
    assert outcome.judgement.fit == whole.judgement.fit
