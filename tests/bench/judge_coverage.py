"""Honesty of the expanded uncertainty: how often the true value lies inside it, systematic errors drawn per log.

    python tests/bench/judge_coverage.py [--full] [--workers 2]

Every log has a valve, a sheet and calibration errors of its own. A channel's error at a reading x is

    e(x) = (U / 2) (z1 cos a + z2 sin a),   a = (pi / 2) (x - low) / (high - low),

with two standard normal numbers per log: an offset, a gain and a little bow, with the standard uncertainty U / 2 that
the sheet states for the channel at every reading of its range. (An offset and a gain drawn by themselves are surer at
one end of the range than at the other, which no sheet says.) Errors are added to the recorded values.

The table `QUANTITIES` names what is asked; each has the truth beside it. A log begins with six hours of rest, so that
the coil is measured cold; its winding does not heat itself, or a log would have to last hours.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from asleft.judge.coil.coil import output_of
from asleft.judge.coil.headroom import Need, point
from asleft.judge.dither import CLOCK
from asleft.judge.judge import judge_log
from asleft.judge.types import FastBurst, FloatArray, Samples
from asleft.sheet.model import Characteristic, Coil, Instrument, Sheet, Tolerance
from asleft.sim.model import Sensor, ValveModel
from asleft.sim.programme import oil_degc as oil_degc_at
from asleft.sim.recording import Recording, simulate
from asleft.sim.truth import branches_bar
from production import START_S, shared, sheet_of
from report import Goal, Report, main, share_interval
from scenes import random_model

RATE_HZ = 50.0
_LASTS_S = 60.0
_REST_S = 6.0 * 3600.0
_REST_EVERY_S = 30.0
_PER_JOB = 20
#: Oil off the temperature it had when the valve was left, and winding off its oil after a rest (K, k = 1).
_OIL_U_K = 3.0
#: Share of a pressure that follows the oil's viscosity, at most.
_MOST_VISCOSITY = 0.05


@dataclass(frozen=True, slots=True)
class Case:
    """One log: valve, recording, sheet, and the calibration errors already in `samples`."""

    model: ValveModel
    recording: Recording
    sheet: Sheet
    samples: Samples


def _setting(name: str) -> Callable[[Case], float]:
    return lambda case: float(case.recording.truth.settings[name])


def _headroom(case: Case) -> float:
    """At the corner that the sheet names, with what the valve truly needs."""
    model = case.model
    hot, low = case.sheet.coil.hot_temperature_degc, case.sheet.coil.supply_minimum_v
    if hot is None or low is None:
        raise ValueError("the sheet of a case must name hottest winding and lowest supply")
    truth = case.recording.truth.settings
    need = Need(truth["current_at_full"], 0.5 * truth["dither_amplitude"], 0.0)
    ohm = truth["coil_resistance"] * (1.0 + 0.00393 * (hot - 20.0))
    exact = replace(
        output_of(case.sheet),
        drop_v=model.driver_drop_v,
        duty=model.duty_max,
        cable_ohm=model.cable_resistance_ohm,
    )
    return point(case.sheet, need, exact, (low, 0.0), (ohm, 0.0), truth["coil_resistance"]).pct


#: Quantity -> its true value in a case.
QUANTITIES: Mapping[str, Callable[[Case], float]] = {
    **{
        name: _setting(name)
        for name in (
            "current_at_zero",
            "current_at_full",
            "ramp_up",
            "ramp_down",
            "dither_frequency",
            "dither_amplitude",
            "pressure_at_zero",
            "pressure_at_full",
            "hysteresis",
            "coil_resistance",
            "supply_voltage",
        )
    },
    "headroom": _headroom,
}


@dataclass(frozen=True, slots=True)
class ChainError:
    """Calibration error of one channel, the same for a whole log."""

    expanded: float
    low: float
    high: float
    z: tuple[float, float]

    def at(self, values: FloatArray) -> FloatArray:
        """Error at readings (n,)."""
        angle = 0.5 * np.pi * (values - self.low) / (self.high - self.low)
        return np.asarray(0.5 * self.expanded * (self.z[0] * np.cos(angle) + self.z[1] * np.sin(angle)))


def random_case_model(rng: random.Random, number: int) -> ValveModel:
    """A random valve whose supply is read without drop and whose coil has the temperature of its oil, nearly.

    Its oil is some kelvin off the 45 degC at which the gauge was read, and its pressure follows the viscosity by an
    unknown share.
    """
    model = random_model(rng)
    model = replace(model, oil_degc=0.0, viscosity_share=rng.uniform(0.0, _MOST_VISCOSITY))
    oil_degc = 45.0 + rng.gauss(0.0, _OIL_U_K)
    breath_k = oil_degc_at(model, START_S, "production")
    high = 1.1 * model.at_full
    return replace(
        model,
        valve_id=f"press-{number + 1}.valve",
        records=(*model.records, "coil_voltage"),
        command_sensor=Sensor(0.0, high, rng.uniform(0.5, 1.5) * high / 4095.0, low_pass_hz=rng.uniform(8.0, 30.0)),
        command_noise_pct=rng.choice((0.0, 0.02, 0.05)),
        dither_frequency_hz=rng.uniform(80.0, 180.0),
        supply_source_ohm=0.0,
        winding_k_per_w=0.0,
        body_k_per_w=0.0,
        ambient_degc=oil_degc + rng.gauss(0.0, _OIL_U_K),
        ambient_swing_k=0.0,
        oil_degc=oil_degc - breath_k,
    )


def instruments(model: ValveModel, rng: random.Random) -> dict[str, Instrument]:
    """What the sheet says of the chains, with uncertainties as instruments have them."""
    span = model.at_full - model.at_zero
    return {
        "current": Instrument(
            expanded_uncertainty=rng.uniform(0.002, 0.01),
            low_pass_hz=model.current_sensor.low_pass_hz,
            range_low=model.current_sensor.low,
            range_high=model.current_sensor.high,
        ),
        "command": Instrument(expanded_uncertainty=rng.uniform(0.0005, 0.002) * span),
        "pressure": Instrument(expanded_uncertainty=rng.uniform(0.5, 2.0)),
        "supply": Instrument(expanded_uncertainty=rng.uniform(0.05, 0.2)),
        "coil_voltage": Instrument(expanded_uncertainty=rng.uniform(0.05, 0.2)),
    }


def cases(seed: int, count: int) -> list[Case]:
    """Simulate `count` logs and put calibration errors on them."""
    rng = random.Random(seed)
    models = [random_case_model(rng, k) for k in range(count)]
    recordings = simulate(models, [START_S] * count, _LASTS_S, seed=seed, rate_hz=RATE_HZ, burst_every_s=8.0)
    return [_case(model, recording, rng) for model, recording in zip(models, recordings, strict=True)]


def _case(model: ValveModel, recording: Recording, rng: random.Random) -> Case:
    chains = instruments(model, rng)
    ranges = {
        "current": (0.0, 2.0),
        "command": (model.command_chain.low, model.command_chain.high),
        "pressure": (0.0, 400.0),
        "supply": (0.0, 36.0),
        "coil_voltage": (0.0, 36.0),
    }
    errors = {
        name: ChainError(chain.expanded_uncertainty or 0.0, *ranges[name], (rng.gauss(0.0, 1.0), rng.gauss(0.0, 1.0)))
        for name, chain in chains.items()
    }
    channels = {name: recording.values(name) for name in recording.counts}
    channels = {name: v + errors[name].at(v) if name in errors else v for name, v in channels.items()}
    time_s, channels = with_rest(recording.time_s, channels, model)
    rate = 1.0 + rng.gauss(0.0, CLOCK)  # the instrument's clock is off, and it does not know
    bursts = tuple(
        FastBurst(b.start_s, b.rate_hz * rate, b.values() + errors["current"].at(b.values()))
        for b in recording.bursts
    )
    left = recording.truth.as_left
    sheet = sheet_of(model, left)
    current = np.linspace(left["current_at_zero"], left["current_at_full"], 21)
    rising, falling = branches_bar(model, current)
    # Entered numbers are those of a technician with a multimeter: as good as the judge takes them for.
    entered_ohm = left["coil_resistance"] * (1.0 + rng.gauss(0.0, 0.01))
    sheet = replace(
        sheet,
        as_left={**sheet.as_left, "coil_resistance": entered_ohm},
        tolerance={**sheet.tolerance, "headroom": Tolerance(10.0, float("inf"))},
        instruments=chains,
        characteristic=Characteristic(tuple(current.tolist()), tuple(rising.tolist()), tuple(falling.tolist())),
        coil=Coil(
            hot_temperature_degc=90.0,
            supply_minimum_v=21.6,
            cable_resistance_ohm=model.cable_resistance_ohm * (1.0 + rng.gauss(0.0, 0.1)),
            driver_drop_v=model.driver_drop_v + rng.gauss(0.0, 0.1),
            duty_max=model.duty_max + rng.gauss(0.0, 0.005),
        ),
    )
    return Case(model, recording, sheet, Samples(time_s, channels, bursts))


def with_rest(
    time_s: FloatArray, channels: Mapping[str, FloatArray], model: ValveModel
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """The log with hours of rest before it: some seconds at the log's own rate, then a reading every half minute."""
    quick = np.arange(round(8.0 * RATE_HZ)) / RATE_HZ
    slow = np.arange(quick[-1] + _REST_EVERY_S, _REST_S, _REST_EVERY_S)
    rest = np.concatenate((quick, slow))
    rest = time_s[0] - 1.0 / RATE_HZ - rest[-1] + rest
    still = {
        "command": model.at_zero,
        "current": 0.0,
        "pressure": 0.0,
        "coil_voltage": 0.0,
        "enable": 0.0,
        "pump_running": 0.0,
    }
    out = {}
    for name, values in channels.items():
        level = still.get(name)
        before = np.full(rest.size, float(values[0]) if level is None else level)
        out[name] = np.concatenate((before, values))
    return np.concatenate((rest, time_s)), out


def inside_of(job: tuple[int, int]) -> list[dict[str, tuple[bool, float, float]]]:
    """Per log and quantity observed: whether the truth lies inside U, the error, and U."""
    seed, count = job
    out = []
    for case in cases(seed, count):
        row = {}
        for quantity in judge_log(case.sheet, case.samples).quantities:
            truth = QUANTITIES.get(quantity.id)
            if truth is not None and quantity.as_found is not None and quantity.uncertainty is not None:
                error = quantity.as_found - truth(case)
                row[quantity.id] = (abs(error) <= quantity.uncertainty, error, quantity.uncertainty)
        out.append(row)
    return out


def run(full: bool, workers: int = 1) -> Report:
    """One line per quantity."""
    count = 2000 if full else 40
    report = Report(f"Share of {count} logs with the true value inside the expanded uncertainty for 95 %")
    report.logs = count
    jobs = [(7000 + k, _PER_JOB) for k in range(count // _PER_JOB)]
    rows = [row for part in shared(inside_of, jobs, workers) for row in part]
    for name in QUANTITIES:
        found = [row[name] for row in rows if name in row]
        if len(found) < 0.2 * count:
            report.lines.append(f"{name:16} observed in {len(found)} logs only")
            continue
        hits = sum(hit for hit, _, _ in found)
        errors, expanded = np.array([f[1] for f in found]), np.array([f[2] for f in found])
        z = 2.0 * errors / expanded
        value, interval = hits / len(found), share_interval(hits, len(found))
        report.lines.append(
            f"{name:16} {100 * value:5.1f} % ({100 * interval[0]:.1f} to {100 * interval[1]:.1f})"
            f"  observed {len(found)}  median U {np.median(expanded):.4g}"
            f"  bias {z.mean():+.2f}  spread {z.std():.2f} (error / (U / 2))"
        )
        report.goals.append(
            Goal(
                f"true value inside U, {name}",
                100.0 * value,
                at_least=93.0,
                at_most=97.0,
                interval=(100.0 * interval[0], 100.0 * interval[1]),
                unit="%",
            )
        )
    return report


if __name__ == "__main__":
    main(run)
