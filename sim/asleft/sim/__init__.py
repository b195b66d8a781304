"""A simulated plant: driver, coil, valve, press, sensors and faults; it imports nothing else of this project.

Entry points (import them from their modules; this package itself imports nothing):

- `asleft.sim.model.ValveModel`: every parameter of one valve with symbol, unit, range and source;
  `asleft.sim.model.default_valve()`; build others with `dataclasses.replace(default_valve(), ramp_up_s=0.4)`.
- `asleft.sim.model.Sensor`: the measuring chain of one channel (`command_sensor`, `current_sensor`, ...).
- `asleft.sim.cycles.CyclePlan` / `Step`: what the press does in one cycle (`ValveModel.cycle`).
- `asleft.sim.faults.Fault(kind, onset_s, amount, shape="step")` with `FaultKind`; `ValveModel.faults` is a tuple.
- `asleft.sim.recording.simulate(valves, starts_s, duration_s, *, rate_hz=100.0, seed=1, programme="production",
  burst_every_s=20.0) -> list[Recording]`: one recording per (valve, start). Programmes: "production" (producing
  cycles only), "day" (the plant's calendar), "live" (round the clock, with its own events), "sweep" (0-100-0 steps).
- `Recording`: `valve_id`, `time_s` (n,), `counts` {channel: int16 (n,)}, `scale`, `offset`, `units` per channel,
  `values(channel) -> float64 (n,)`, `bursts` (`start_s`, `rate_hz`, `counts`, `scale`, `offset`, `values()`),
  `truth` (`state` int8 (n,), `state_names`, `in_control` and `clipped` bool (n,), `settings`, `as_left`, `faults`).
- `asleft.sim.truth.settings_at(model, time_s) -> dict`: the true settings at an instant, faults included.
- `asleft.sim.plant.valves(now_s) -> tuple[ValveModel, ...]`: the demo plant.
- `asleft.sim.history.plan(now_s, days=21) -> list[Window]`, `simulate_windows(windows) -> Iterator[Recording]`.
- `asleft.sim.registers`: the Modbus register map; `python -m asleft.sim --ports ...` serves it.
"""
