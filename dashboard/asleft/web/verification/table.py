"""What was graded as a table: a verification in progress or found, or a record. In the reader's unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from asleft.web.csv_text import Cell, Csv, both
from asleft.web.units import Pressures
from asleft.web.when import PlantTime, parse_iso_ns

Json = Mapping[str, Any]

COLUMNS = (
    "part", "what", "name", "time_utc", "time_plant", "wanted", "found", "uncertainty", "tolerance_low",
    "tolerance_high", "unit", "verdict", "reason", "command_stayed_s", "ramp_seen_percent",
)  # fmt: skip


def check_table(name: str, parts: Sequence[tuple[str, Json]], time: PlantTime, shown: Pressures) -> Csv:
    """Settings, steps and ramps of one graded stretch or of both of a record; `parts`: ("as found", its JSON)."""
    return Csv(name, COLUMNS, [row for part, check in parts for row in _rows(part, check, time, shown)])


def _rows(part: str, check: Json, time: PlantTime, shown: Pressures) -> Iterator[list[Cell]]:
    whole = both(parse_iso_ns(check["to"]), time)
    for q in check["quantities"]:
        low, high = _sides(q["tolerance"])
        values = [
            _in(q["unit"], value, shown) for value in (q["as_left"], q["as_found"], q["uncertainty"], low, high)
        ]
        yield [
            part,
            "setting",
            q["id"],
            *whole,
            *values,
            _unit(q["unit"], shown),
            q["verdict"],
            q["reason"] or "",
            None,
            None,
        ]
    for step in check["steps"]:
        at = both(parse_iso_ns(step["at"]), time)
        name = f"{step['way']} {max(step['command_pct'], 0.0):.1f} %"
        for what, key, unit in (
            ("current of a step", "current_a", "A"),
            ("pressure of a step", "pressure_bar", "bar"),
        ):
            yield [part, what, name, *at, *_graded(step[key], unit, shown), None, None]
    for step in check["ramp_steps"]:
        at = both(parse_iso_ns(step["at"]), time)
        name = f"{step['way']} {max(step['from_pct'], 0.0):.0f} to {max(step['to_pct'], 0.0):.0f} %"
        seen: list[Cell] = [step.get("stayed_s"), step.get("seen_pct")]
        yield [part, "ramp of a step", name, *at, *_graded(step["ramp_s"], "s", shown), *seen]


def _graded(one: Json, unit: str, shown: Pressures) -> list[Cell]:
    low, high = _sides(one["tolerance"])
    values = [_in(unit, value, shown) for value in (one["wanted"], one["found"], one["uncertainty"], low, high)]
    return [*values, _unit(unit, shown), one["verdict"], one["reason"]]


def _sides(tolerance: float | Sequence[float | None] | None) -> tuple[float | None, float | None]:
    if tolerance is None:
        return None, None
    if isinstance(tolerance, (int, float)):
        return -float(tolerance), float(tolerance)
    return tolerance[0], tolerance[1]


def _in(unit: str, value: float | None, shown: Pressures) -> float | None:
    return shown.pressure(value) if unit == "bar" and value is not None else value


def _unit(unit: str, shown: Pressures) -> str:
    return shown.unit if unit == "bar" else unit
