"""What is said of a valve, as metrics with engineering units; and a payload's bytes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum

from asleft.outlets.sparkplug import payload_pb2
from asleft.sheet.names import LABELS
from asleft.web.api.answers import Quantity
from asleft.web.presses.view import Row

LARGEST_COMMAND_BYTES = 65_536
_MINUTE_NS = 60 * 10**9


class Type(IntEnum):
    """Types of the specification (6.4.16) that are used here."""

    INT64 = 4
    UINT64 = 8
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATE_TIME = 13  # unix ms


_FIELDS = {
    Type.INT64: "long_value",
    Type.UINT64: "long_value",
    Type.DOUBLE: "double_value",
    Type.BOOLEAN: "boolean_value",
    Type.STRING: "string_value",
    Type.DATE_TIME: "long_value",
}


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric of an engineering unit. `value` None: there is none, which is said as null, never as a number."""

    name: str
    type: Type
    value: str | float | int | bool | None
    unit: str = ""

    @property
    def shape(self) -> tuple[str, Type, str]:
        """What a birth says of it for good."""
        return self.name, self.type, self.unit


def of_valve(row: Row, quantities: Sequence[Quantity], judged_until_ns: int | None) -> list[Metric]:
    """Everything that is said of a valve, in one order. Until when it was judged, to the minute (unix ns)."""
    until_ms = None if judged_until_ns is None else judged_until_ns // _MINUTE_NS * 60_000
    metrics = [
        Metric("Press", Type.STRING, row.name.press),
        Metric("Valve", Type.STRING, row.name.name),
        Metric("Status", Type.STRING, row.heard.status),
        Metric("Sentence", Type.STRING, row.heard.sentence),
        Metric("Machine State", Type.STRING, row.state or None),
        Metric("Judged Until", Type.DATE_TIME, until_ms),
    ]
    for one in quantities:
        about = LABELS.get(one.id, one.id).replace("/", " ")
        metrics += [
            Metric(f"{about}/As Left", Type.DOUBLE, one.as_left, one.unit),
            Metric(f"{about}/As Found", Type.DOUBLE, one.as_found, one.unit),
            Metric(f"{about}/Expanded Uncertainty", Type.DOUBLE, one.expanded_uncertainty, one.unit),
            Metric(f"{about}/Tolerance Used", Type.DOUBLE, one.tolerance_used_percent, "%"),
            Metric(f"{about}/Verdict", Type.STRING, one.verdict),
        ]
    return metrics


def payload(metrics: Iterable[Metric], at_ms: int, seq: int | None, *, units: bool) -> bytes:
    """As bytes. `units`: with engineering units, as births are; `seq` None for a node's death, which has none."""
    made = payload_pb2.Payload(timestamp=at_ms)
    if seq is not None:
        made.seq = seq
    for one in metrics:
        metric = made.metrics.add(name=one.name, timestamp=at_ms, datatype=int(one.type))
        if one.value is None:
            metric.is_null = True
        else:
            setattr(metric, _FIELDS[one.type], one.value)
        if units and one.unit:
            metric.properties.keys.append("engUnit")
            metric.properties.values.add(type=int(Type.STRING), string_value=one.unit)
    return made.SerializeToString()


def commands_in(raw: bytes) -> list[tuple[str, object]]:
    """Names and values that a command names; one without a name for what is no payload, or too long for one."""
    if len(raw) > LARGEST_COMMAND_BYTES:
        return [("", None)]
    try:
        found = payload_pb2.Payload.FromString(raw)
    except Exception:  # noqa: BLE001 - the decoder's own error differs between its implementations
        return [("", None)]
    named = [(one.name, getattr(one, one.WhichOneof("value") or "", None)) for one in found.metrics]
    return named or [("", None)]
