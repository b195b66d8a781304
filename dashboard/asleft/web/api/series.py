"""What is answered of a stretch of time: the history of settings, and readings. Long ones as Arrow or Parquet.

A stream is made as it is read: of an hour or a week some minutes stand in memory.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt
from asleft.sheet.model import QUANTITY_UNITS
from asleft.store.protocols import StoredSamples
from asleft.web.access.programs import BadQuestion
from asleft.web.api import answers
from asleft.web.api.answers import HistorySpan, ReadingsSpan, Some, place, stretch, written
from asleft.web.api.plant import Plant, part
from asleft.web.csv_text import utc
from asleft.web.when import Stretch
from flask import Response

LONGEST_HISTORY_S = 3 * 366 * 86_400.0
LONGEST_JSON_S = 86_400.0
LONGEST_READINGS_S = 7 * 86_400.0
_DAY_NS, _MINUTE_NS = 86_400 * 10**9, 60 * 10**9
_PIECE_NS = 120 * 10**9
_MOST_PIECE_ROWS = 50_000
MEDIA_TYPES: Mapping[str, str] = {
    "arrow": "application/vnd.apache.arrow.stream",
    "parquet": "application/vnd.apache.parquet",
}
_ENDINGS: Mapping[str, str] = {"arrow": "arrows", "parquet": "parquet"}

FloatArray = npt.NDArray[np.float64]


def history(
    plant: Plant, asked: HistorySpan, valve: str, form: answers.Form
) -> answers.Page[answers.Point] | Response:
    """Every point of the settings of a valve, setting by setting, oldest first; the last month by itself."""
    plant.check(valve)
    if asked.quantity and asked.quantity not in QUANTITY_UNITS:
        raise BadQuestion(
            "quantity", f"quantity = {asked.quantity[:40]!r}: wanted is one of {', '.join(QUANTITY_UNITS)}."
        )
    span = stretch(asked, plant.source.now_ns(), 30 * _DAY_NS, LONGEST_HISTORY_S)
    wanted = [asked.quantity] if asked.quantity else list(QUANTITY_UNITS)
    if asked.format != "json":
        return _file(f"{valve}-history", asked.format, *_history_table(plant, valve, wanted, span, form))
    after = place(asked.cursor, tuple[int, int])
    some = Some(asked.limit, asked.cursor)
    points = _points(plant, valve, wanted, span, None if after is None else after[0])
    data, following = part(points, some)
    return answers.Page(form, {}, data, following)


def _points(
    plant: Plant, valve: str, wanted: list[str], span: Stretch, first: int | None
) -> Iterator[tuple[tuple[int | str, ...], answers.Point]]:
    order = list(QUANTITY_UNITS)
    for quantity in wanted:
        at = order.index(quantity)
        if first is not None and at < first:
            continue
        for point in plant.source.records.points(valve, quantity, span.from_ns, span.to_ns):
            at_ns = round(point.at_s * 1e9)
            unit = QUANTITY_UNITS[quantity]
            yield (
                (at, at_ns),
                answers.Point(quantity, unit, utc(at_ns), point.value, point.standard_uncertainty),
            )


def _history_table(
    plant: Plant, valve: str, wanted: list[str], span: Stretch, form: answers.Form
) -> tuple[Any, Iterator[Any]]:
    import pyarrow as pa

    schema = pa.schema(
        [
            pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False),
            pa.field("quantity", pa.string(), nullable=False),
            pa.field("unit", pa.string(), nullable=False),
            pa.field("value", pa.float64()),
            pa.field("standard_uncertainty", pa.float64()),
        ],
        metadata=_about(form, valve, {quantity: QUANTITY_UNITS[quantity] for quantity in wanted}),
    )

    def batches() -> Iterator[Any]:
        for quantity in wanted:
            points = plant.source.records.points(valve, quantity, span.from_ns, span.to_ns)
            if points:
                columns = [
                    pa.array([round(point.at_s * 1e9) for point in points], schema.field("time").type),
                    pa.array([quantity] * len(points)),
                    pa.array([QUANTITY_UNITS[quantity]] * len(points)),
                    pa.array([point.value for point in points], pa.float64()),
                    pa.array([point.standard_uncertainty for point in points], pa.float64()),
                ]
                yield pa.record_batch(columns, schema=schema)

    return schema, batches()


def readings(
    plant: Plant, asked: ReadingsSpan, valve: str, form: answers.Form
) -> tuple[answers.Form, dict[str, str], answers.Readings, str | None] | Response:
    """Readings as they are stored; the last minute by itself."""
    plant.check(valve)
    most_s = LONGEST_JSON_S if asked.format == "json" else LONGEST_READINGS_S
    span = stretch(asked, plant.source.now_ns(), _MINUTE_NS, most_s)
    units = _units(plant, valve, span)
    if asked.format != "json":
        return _file(f"{valve}-readings", asked.format, *_readings_table(plant, valve, span, units, form))
    after = place(asked.cursor, int)
    from_ns = span.from_ns if after is None else after + 1
    if not span.from_ns <= from_ns <= span.to_ns:
        raise BadQuestion("cursor", "cursor: no answer has given this one for this stretch; begin without it.")
    taken: list[StoredSamples] = []
    rows = 0
    for piece in _pieces(plant, valve, Stretch(from_ns, span.to_ns) if from_ns < span.to_ns else None):
        taken.append(piece)
        rows += piece.time_ns.size
        if rows > asked.limit:
            break
    time_ns = np.concatenate([one.time_ns for one in taken]) if taken else np.empty(0, np.int64)
    following = written(int(time_ns[asked.limit - 1])) if rows > asked.limit else None
    texts = np.datetime_as_string(time_ns[: asked.limit].astype("datetime64[ns]"), unit="us").tolist()
    channels = {
        name: _nulls(np.concatenate([_channel(one, name) for one in taken])[: asked.limit]) if taken else []
        for name in units
    }
    found = answers.Readings(valve, [f"{text}Z" for text in texts], channels)
    return form, units, found, following


def _units(plant: Plant, valve: str, span: Stretch) -> dict[str, str]:
    units: dict[str, str] = {}
    for name, unit in plant.source.samples.channels(valve, span.from_ns, span.to_ns):
        if units.setdefault(name, unit) != unit:
            raise BadQuestion(
                "from",
                f"from, to: {name} was recorded in {units[name]} and in {unit}; ask for the times apart.",
            )
    return units


def _pieces(plant: Plant, valve: str, span: Stretch | None) -> Iterator[StoredSamples]:
    if span is None:
        return
    for from_ns in range(span.from_ns, span.to_ns, _PIECE_NS):
        found = plant.source.samples.samples(valve, from_ns, min(from_ns + _PIECE_NS, span.to_ns))
        if found.time_ns.size:
            yield found


def _channel(found: StoredSamples, name: str) -> FloatArray:
    values = found.channels.get(name)
    return np.full(found.time_ns.size, np.nan) if values is None else values


def _nulls(values: FloatArray) -> list[float | None]:
    return [value if value == value else None for value in values.tolist()]


def _readings_table(
    plant: Plant, valve: str, span: Stretch, units: Mapping[str, str], form: answers.Form
) -> tuple[Any, Iterator[Any]]:
    import pyarrow as pa

    fields = [pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False)]
    fields += [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in units.items()]
    schema = pa.schema(fields, metadata=_about(form, valve, units))

    def batches() -> Iterator[Any]:
        for piece in _pieces(plant, valve, span):
            columns = [pa.array(piece.time_ns, schema.field("time").type)]
            for name in units:
                values = _channel(piece, name)
                columns.append(pa.array(values, mask=np.isnan(values)))
            yield pa.record_batch(columns, schema=schema)

    return schema, batches()


def _about(form: answers.Form, valve: str, units: Mapping[str, str]) -> dict[str, str]:
    attrs = json.dumps({"valve": valve, "units": dict(units)})  # where pandas looks for them in Parquet
    return {"schema": form.name, "version": str(form.version), "valve": valve, "PANDAS_ATTRS": attrs}


def _file(name: str, kind: str, schema: Any, batches: Iterator[Any]) -> Response:  # noqa: ANN401 - pyarrow has no types
    pieces = _written(kind, schema, batches)
    first = next(pieces)  # whatever is wrong with the store shows now, while it can still be said
    answer = Response(chain([first], pieces), mimetype=MEDIA_TYPES[kind])
    answer.headers["Content-Disposition"] = f'attachment; filename="asleft-{name}.{_ENDINGS[kind]}"'
    return answer


def _written(kind: str, schema: Any, batches: Iterator[Any]) -> Iterator[bytes]:  # noqa: ANN401 - pyarrow has no types
    import pyarrow as pa
    import pyarrow.parquet as pq

    paper = _Paper()
    # What is written is taken away at once; neither form ever goes back in what it wrote.
    sink = pa.PythonFile(paper, mode="w")
    writer = (
        pa.ipc.new_stream(sink, schema) if kind == "arrow" else pq.ParquetWriter(sink, schema, compression="zstd")
    )
    with writer:
        for batch in batches:
            writer.write_batch(batch)
            yield paper.taken()
    yield paper.taken()


class _Paper(io.RawIOBase):
    """Takes what is written, and gives it away."""

    def __init__(self) -> None:
        super().__init__()
        self._pieces: list[bytes] = []
        self._at = 0

    def writable(self) -> bool:
        return True

    def write(self, piece: Any) -> int:  # noqa: ANN401 - whatever is a buffer
        self._pieces.append(bytes(piece))
        self._at += len(self._pieces[-1])
        return len(self._pieces[-1])

    def tell(self) -> int:
        return self._at

    def taken(self) -> bytes:
        """What was written since the last time."""
        pieces, self._pieces = self._pieces, []
        return b"".join(pieces)
