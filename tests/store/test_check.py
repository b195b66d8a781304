"""A store says whether it is there without a page having to ask it for something."""

from __future__ import annotations

import socket

import pytest
from asleft.store.influx.place import place_from
from asleft.store.influx.query import Influxql
from asleft.store.protocols import StoreUnavailable
from asleft.store.records import SqlRecords
from sqlalchemy import create_engine
from sqlalchemy.exc import OperationalError


def test_a_store_that_is_there_passes(store, reader, make):
    reader.check()
    store.commit([make.block(1)], [], 1)
    reader.check()


def test_records_that_are_there_pass(record_adapter, tmp_path):
    records = record_adapter.open_store(tmp_path)
    records.check()
    records.close()


@pytest.fixture
def closed_port():
    with socket.socket() as taken:  # bound and not listening: every connection is refused
        taken.bind(("127.0.0.1", 0))
        yield taken.getsockname()[1]


def test_a_server_that_is_not_there_is_told(closed_port):
    samples = Influxql(place_from(f"influx://127.0.0.1:{closed_port}/plant", {}))
    with pytest.raises(StoreUnavailable, match="cannot be reached"):
        samples.ping()
    records = SqlRecords(create_engine(f"postgresql+psycopg://asleft@127.0.0.1:{closed_port}/asleft"))
    with pytest.raises(OperationalError):
        records.check()
