"""What is written to files: the settings sheet as TOML text, and CSV files."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from strangers.driver import static_current
from strangers.hydraulics import characteristic, spool_input
from strangers.machine import Machine

FIRST_ROW = datetime(2026, 3, 10, 6, 0, 0, tzinfo=UTC)


def rounded(value: float, digits: int = 4) -> float:
    """To four significant digits, as a technician writes it down."""
    return float(f"{value:.{digits}g}")


def valve_id(m: Machine) -> str:
    """Identity of the valve, one for each seed."""
    return f"stranger-{m.seed}.valve"


def _swept(m: Machine) -> list[str]:
    demand = np.linspace(0.0, 1.0, 9)
    current = static_current(m, demand)
    x = spool_input(m, current)
    rising = characteristic(m, np.clip(x - m.valve.play_share, x[0] + m.valve.play_share, None))
    falling = characteristic(m, np.clip(x + m.valve.play_share, None, x[-1] - m.valve.play_share))
    shift = 1.0 + m.valve.neighbour_offset_share
    rows = {"current": current, "rising": rising * shift, "falling": falling * shift}
    return [f"{k} = [{', '.join(str(rounded(float(v))) for v in values)}]" for k, values in rows.items()]


def sheet_text(m: Machine, left: dict[str, float], tolerance: dict[str, tuple[float, float]]) -> str:
    """The sheet of a machine: `left` are the rounded values; `tolerance` is written where the plant has its own."""
    d, log = m.driver, m.logger
    lines = [
        "[valve]",
        f'id = "{valve_id(m)}"',
        f'press = "Press {m.seed}"',
        f'controls = "{m.valve.controls}"',
        "[signal]",
    ]
    if d.kind in ("mA", "V"):
        lines += [f'unit = "{d.kind}"', f"at_zero = {d.signal_zero}", f"at_full = {d.signal_full}"]
    else:
        lines += [f'kind = "{d.kind}"']
    made_by = "fixed steps" if m.programme.shape == "step" else "controller ramps"
    lines += [f"off_below = {d.off_below_pct:.4g}", f'made_by = "{made_by}"', "[as_left]"]
    lines += [f"{name} = {value}" for name, value in left.items()]
    if m.paper.own_tolerance:
        lines.append("[tolerance]")
        for name in left:
            below, above = tolerance[name]
            one_sided = not np.isfinite(below) or not np.isfinite(above)
            value = min(below, above) if one_sided or below == above else None
            lines.append(f"{name} = {value}" if value is not None else f"{name} = [{-below}, {above}]")
    if m.paper.characteristic and m.valve.controls == "pressure" and "pressure_at_full" in left:
        lines += ["[characteristic]", *_swept(m)]
    if m.paper.instruments:
        p_top, i_top = full_scale(m)
        lines += ["[instrument.command]", f'where = "{log.command_where}"']
        if log.current:
            lines += ["[instrument.current]", f'where = "{log.current_where}"']
            lines += [
                f"expanded_uncertainty = {rounded(0.003 * m.span_a, 2)}",
                f"low_pass_hz = {log.low_pass_hz:.3g}",
            ]
            lines += [f"range = [0.0, {rounded(i_top)}]"]
        if log.pressure:
            lines += ["[instrument.pressure]", f"expanded_uncertainty = {rounded(0.003 * p_top, 2)}"]
            lines += [f"low_pass_hz = {log.low_pass_hz:.3g}", f"range = [0.0, {rounded(p_top)}]"]
    if m.paper.oil_window_degc:
        lines += ["[conditions]", f"oil_temperature = {list(m.paper.oil_window_degc)}"]
    if "mode" in log.extra:
        lines += ["[mode]", "producing = [1, 3]", "in_control = [3]"]
    lines += ["[revision]", "number = 1", "at = 2026-03-02T08:10:00Z", 'by = "kl"', 'why = "first commissioning"']
    return "\n".join(lines) + "\n"


def full_scale(m: Machine) -> tuple[float, float]:
    """Largest pressure (bar) and current (A) that the instruments can show."""
    return m.logger.full_scale * m.valve.p_full_bar, m.logger.full_scale * m.valve.ref_full_a


DIGITS = {"command": 5, "current": 6, "pressure": 4, "supply": 3, "coil_voltage": 3, "oil_temperature": 2}


def write_csv(path: Path, columns: dict[str, np.ndarray]) -> None:
    """A CSV with ISO times; cells that are not finite are left empty."""
    stamps = np.datetime64(FIRST_ROW.replace(tzinfo=None), "us") + np.round(columns["time"] * 1e6).astype("m8[us]")
    cells = [[f"{text}Z" for text in np.datetime_as_string(stamps).tolist()]]
    for name, values in columns.items():
        if name == "time":
            continue
        pattern = f"%.{DIGITS.get(name, 0)}f"
        cells.append(["" if v != v else pattern % v for v in values.tolist()])
    text = "\n".join(map(",".join, zip(*cells, strict=True)))
    path.write_text(f"{','.join(columns)}\n{text}\n", encoding="utf-8")
