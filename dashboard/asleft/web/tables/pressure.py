"""Pressure in tables: the unit stands in the column's name, so the value needs none."""

from __future__ import annotations

from collections.abc import Sequence

UNIT = "bar"


def named(before: str = "pressure", after: str = "") -> str:
    """A column's name with the unit in it, as in "pressure_bar" or "pressure_bar_mean"."""
    return "_".join(part for part in (before, UNIT.lower(), after) if part)


def value(value_bar: float | None) -> float | None:
    """What stands in such a column."""
    return value_bar


def values(values_bar: Sequence[float]) -> Sequence[float]:
    """`value` of many."""
    return values_bar
