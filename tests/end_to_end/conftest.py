from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from asleft.store.protocols import RecordStore, SampleReader
from asleft.store.records import open_records
from asleft.store.samples import open_samples_reader

sys.path.insert(0, str(Path(__file__).parent))
from demo_process import Demo, free_port


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Demo]:
    one = Demo(tmp_path / "demo", "--no-history", "--port", str(free_port()), "--broker", "mosquitto")
    yield one
    one.end()


@pytest.fixture
def stores(demo: Demo) -> Iterator[tuple[RecordStore, SampleReader]]:
    demo.address()
    records = open_records(demo.folder / "data" / "records.db")
    yield records, open_samples_reader(demo.folder / "data")
    records.close()
