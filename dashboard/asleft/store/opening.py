"""The sample store that a plant has chosen, found in a table: a further kind is one more entry of `KINDS`."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from asleft.store.influx.place import FORM, BadPlace, is_influx, place_from
from asleft.store.lease_types import HeldLeases
from asleft.store.protocols import SampleReader, SampleStore
from asleft.store.retention import Retention

EMBEDDED = "embedded"
"""What `--samples` says for the store in the data folder."""

__all__ = [
    "EMBEDDED",
    "KINDS",
    "BadPlace",
    "Kind",
    "Site",
    "check_samples",
    "kind_of",
    "open_chosen",
    "open_chosen_reader",
    "shared",
]


class Site(NamedTuple):
    """What a store may be opened with."""

    samples: str
    """What `--samples` says."""
    data_dir: Path
    records: Path | str
    retention: Retention = Retention()
    held_leases: HeldLeases | None = None
    """Where several recorders write there too."""


class Kind(NamedTuple):
    """One kind of sample store."""

    form: str
    """How `--samples` names it, as an error says it."""
    names: Callable[[str], bool]
    """Whether a `--samples` names it."""
    check: Callable[[str, Mapping[str, str]], object]
    """Raises `BadPlace` unless a `--samples` and the environment say all that is needed."""
    many_writers: bool
    """Whether several recorders may write there."""
    in_folder: bool
    """Whether the readings are in the data folder."""
    open_store: Callable[[Site], SampleStore]
    open_reader: Callable[[Site], SampleReader]


def _embedded(site: Site) -> SampleStore:
    from asleft.store.samples import open_samples

    return open_samples(site.data_dir, site.retention)


def _embedded_reader(site: Site) -> SampleReader:
    from asleft.store.samples import open_samples_reader

    return open_samples_reader(site.data_dir)


def _influx(site: Site) -> SampleStore:
    from asleft.store.influx.samples import open_influx

    place = place_from(site.samples, os.environ)
    return open_influx(place, site.records, site.data_dir, site.retention, site.held_leases)


def _influx_reader(site: Site) -> SampleReader:
    from asleft.store.influx.samples import open_influx_reader

    return open_influx_reader(place_from(site.samples, os.environ), site.records)


#: In the order in which an error names them.
KINDS = (
    Kind(
        form=repr(EMBEDDED),
        names=lambda samples: samples == EMBEDDED,
        check=lambda _samples, _environment: None,
        many_writers=False,
        in_folder=True,
        open_store=_embedded,
        open_reader=_embedded_reader,
    ),
    Kind(
        form=FORM.partition(" ")[0],
        names=is_influx,
        check=place_from,
        many_writers=True,
        in_folder=False,
        open_store=_influx,
        open_reader=_influx_reader,
    ),
)


def kind_of(samples: str) -> Kind:
    """The kind that a `--samples` names. Raises `BadPlace`."""
    for kind in KINDS:
        if kind.names(samples):
            return kind
    raise BadPlace(f"--samples {samples}: {' or '.join(kind.form for kind in KINDS)} is expected")


def shared(samples: str, records: Path | str) -> bool:
    """Whether several recorders may work over these stores: both take many writers."""
    return isinstance(records, str) and kind_of(samples).many_writers


def check_samples(samples: str, environment: Mapping[str, str] = os.environ) -> None:
    """Raise `BadPlace` unless it names a store that can be opened."""
    kind_of(samples).check(samples, environment)


def open_chosen(
    samples: str, data_dir: Path, records: Path | str, retention: Retention, held_leases: HeldLeases | None = None
) -> SampleStore:
    """The store for writing; `held_leases` where it is `shared`. Raises `BadPlace`, and what the store raises."""
    check_samples(samples)
    return kind_of(samples).open_store(Site(samples, data_dir, records, retention, held_leases))


def open_chosen_reader(samples: str, data_dir: Path, records: Path | str) -> SampleReader:
    """The store for reading. Raises `BadPlace`."""
    check_samples(samples)
    return kind_of(samples).open_reader(Site(samples, data_dir, records))
