"""The sample store that a plant has chosen: the embedded one of the data folder, or an InfluxDB."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from asleft.store.holding import Holding
from asleft.store.influx.place import BadPlace, is_influx, place_from
from asleft.store.protocols import SampleReader, SampleStore
from asleft.store.retention import Retention

EMBEDDED = "embedded"
"""What `--samples` says for the store in the data folder."""

__all__ = ["EMBEDDED", "BadPlace", "check_samples", "open_chosen", "open_chosen_reader", "shared"]


def shared(samples: str, records: Path | str) -> bool:
    """Whether several recorders may work over these stores: an InfluxDB and a PostgreSQL, which take many writers."""
    return samples != EMBEDDED and isinstance(records, str)


def check_samples(samples: str, environment: Mapping[str, str] = os.environ) -> None:
    """Raise `BadPlace` unless it is `embedded` or names an InfluxDB."""
    if samples != EMBEDDED:
        if not is_influx(samples):
            raise BadPlace(f"--samples {samples}: {EMBEDDED!r} or influx://HOST:PORT/BUCKET is expected")
        place_from(samples, environment)


def open_chosen(
    samples: str, data_dir: Path, records: Path | str, retention: Retention, holding: Holding | None = None
) -> SampleStore:
    """The store for writing; `holding` where it is `shared`. Raises `BadPlace`, and what the store itself raises."""
    check_samples(samples)
    if samples == EMBEDDED:
        from asleft.store.samples import open_samples

        return open_samples(data_dir, retention)
    from asleft.store.influx.samples import open_influx

    return open_influx(place_from(samples, os.environ), records, data_dir, retention, holding)


def open_chosen_reader(samples: str, data_dir: Path, records: Path | str) -> SampleReader:
    """The store for reading. Raises `BadPlace`."""
    check_samples(samples)
    if samples == EMBEDDED:
        from asleft.store.samples import open_samples_reader

        return open_samples_reader(data_dir)
    from asleft.store.influx.samples import open_influx_reader

    return open_influx_reader(place_from(samples, os.environ), records)
