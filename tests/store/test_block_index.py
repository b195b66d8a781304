"""What a commit reads and writes of a stream's gaps: as much as it is about, however many there are."""

from __future__ import annotations

import pytest
from asleft.store.engine import make_engine
from asleft.store.influx.block_index import BlockIndex
from asleft.store.migrate import migrate
from asleft.wire.block import Gap
from sqlalchemy import event, text

KEY = ("hall-1", "s")


@pytest.fixture
def engine(tmp_path):
    made = make_engine(tmp_path / "records.db")
    migrate(made)
    yield made
    made.dispose()


@pytest.fixture
def ledger(engine):
    return BlockIndex(engine)


def commit(ledger, seq, *, lost):
    """Store a number, or declare it lost."""
    work = ledger.load({KEY: seq}, [])
    row, stream = work.rows[KEY], work.streams[KEY]
    held = len(stream.gaps)
    if lost:
        row.declare(Gap(*KEY, seq, seq, "put aside"))
    elif row.takes(seq):
        stream.added.add(seq)
    mark = row.finish(seq)
    ledger.keep(work, [mark])
    return mark, held


def test_every_second_block_refused_costs_the_last_commit_no_more_than_the_first(ledger, engine):
    written = []

    @event.listens_for(engine, "before_cursor_execute")
    def count(_connection, _cursor, statement, parameters, _context, executemany):
        if statement.startswith("INSERT INTO sample_gap"):
            written.append(len(parameters) if executemany else 1)

    held = []
    for seq in range(1, 201):
        mark, gaps = commit(ledger, seq, lost=seq % 2 == 0)
        held.append(gaps)
    assert (mark.mark, mark.declared_gap) == (200, 100)
    assert max(held) <= 1
    assert max(written) <= 2
    with engine.connect() as connection:
        assert connection.execute(text("SELECT COUNT(*) FROM sample_gap")).scalar() == 100


def test_a_block_far_below_the_mark_still_fills_its_gap(ledger):
    for seq in range(1, 61):
        mark, _ = commit(ledger, seq, lost=seq % 2 == 0)
    assert mark.declared_gap == 30
    mark, _ = commit(ledger, 4, lost=False)
    assert (mark.mark, mark.declared_gap, mark.duplicates) == (60, 29, 0)
    mark, _ = commit(ledger, 61, lost=False)
    assert (mark.mark, mark.declared_gap) == (61, 29)
