"""The files that `asleft export` writes: readings in pieces, to CSV or Parquet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Protocol

import numpy as np
import numpy.typing as npt

SUFFIXES = (".csv", ".parquet")

Int64Array = npt.NDArray[np.int64]
Columns = Mapping[str, npt.NDArray[np.float64]]


class Table(Protocol):
    """A file being written."""

    def write(self, time_ns: Int64Array, columns: Columns) -> None:
        """Append rows: times of shape (n,), channels of shape (n,) with NaN where there is no reading."""
        ...


def header(channel: str, unit: str) -> str:
    """The name of a column."""
    return f"{channel} ({unit})" if unit else channel


@contextmanager
def open_table(path: Path, suffix: str, units: Mapping[str, str]) -> Iterator[Table]:
    """A file with a time and these channels. Raises `OSError`; without pyarrow `ModuleNotFoundError` for Parquet."""
    if suffix == ".parquet":
        import pyarrow.parquet as pq

        schema = parquet_schema(units)
        with pq.ParquetWriter(path, schema, compression="zstd") as writer:
            yield ParquetTable(writer, schema, list(units))
    else:
        with path.open("w", encoding="utf-8", newline="") as file:
            yield CsvTable(file, units)


class CsvTable:
    """RFC 4180, comma and decimal point."""

    def __init__(self, file: IO[str], units: Mapping[str, str]) -> None:
        """Write the header."""
        self._file = file
        self._channels = list(units)
        names = ["time (UTC)", *(header(channel, unit) for channel, unit in units.items())]
        file.write(",".join(_cell(name) for name in names) + "\r\n")

    def write(self, time_ns: Int64Array, columns: Columns) -> None:
        """Append rows. Readings are written with the fewest digits that tell them from any other number."""
        times = np.datetime_as_string(time_ns.astype("datetime64[ns]"), unit="us").tolist()
        cells = [_numbers(columns.get(channel), time_ns.size) for channel in self._channels]
        self._file.writelines(
            f"{at}Z,{','.join(row)}\r\n" for at, row in zip(times, zip(*cells, strict=True), strict=True)
        )


def parquet_schema(units: Mapping[str, str]) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Columns of a Parquet file; channel and unit also stand in each field's metadata, and in pandas' `attrs`."""
    import json

    import pyarrow as pa

    fields = [pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False)]
    fields += [
        pa.field(header(channel, unit), pa.float64(), metadata={"channel": channel, "unit": unit})
        for channel, unit in units.items()
    ]
    attrs = {"units": {header(channel, unit): unit for channel, unit in units.items()}}
    return pa.schema(fields, metadata={"PANDAS_ATTRS": json.dumps(attrs)})


class ParquetTable:
    """A row group for each piece."""

    def __init__(self, writer: Any, schema: Any, channels: list[str]) -> None:  # noqa: ANN401 - pyarrow has no types
        self._writer, self._schema, self._channels = writer, schema, channels

    def write(self, time_ns: Int64Array, columns: Columns) -> None:
        """Append rows."""
        import pyarrow as pa

        arrays = [pa.array(time_ns, type=self._schema.field(0).type)]
        for channel in self._channels:
            values = columns.get(channel)
            arrays.append(
                pa.nulls(time_ns.size, pa.float64()) if values is None else pa.array(values, mask=np.isnan(values))
            )
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))


def _numbers(values: npt.NDArray[np.float64] | None, count: int) -> list[str]:
    if values is None:
        return [""] * count
    return ["" if value != value else repr(value) for value in values.tolist()]


def _cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(mark in text for mark in ',"\r\n') else text
