"""Whatever arrives in whatever order: marks, gaps and stored blocks agree with a plain model of the protocol."""

from __future__ import annotations

import tempfile
from pathlib import Path

from asleft.wire.block import Gap
from hypothesis import given, settings
from hypothesis import strategies as st

SEQS = st.integers(1, 12)
RUNS = st.tuples(SEQS, SEQS).map(lambda ends: (min(ends), max(ends)))
ARRIVALS = st.lists(
    st.tuples(st.lists(SEQS, max_size=4), st.lists(RUNS, max_size=2), st.booleans()), min_size=1, max_size=8
)


class Model:
    def __init__(self) -> None:
        self.stored: set[int] = set()
        self.declared: set[int] = set()
        self.duplicates = 0

    def commit(self, blocks: list[int], gaps: list[tuple[int, int]]) -> None:
        for seq in blocks:
            self.duplicates += seq in self.stored
            self.stored.add(seq)
            self.declared.discard(seq)
        for first, last in gaps:
            self.declared |= set(range(first, last + 1)) - self.stored

    @property
    def mark(self) -> int:
        mark = 0
        while mark + 1 in self.stored | self.declared:
            mark += 1
        return mark


@settings(max_examples=30, deadline=None)
@given(arrivals=ARRIVALS)
def test_store_and_model_agree(sample_adapter, make, arrivals):
    with tempfile.TemporaryDirectory() as folder:
        store = sample_adapter.open_store(Path(folder))
        model = Model()
        for blocks, gaps, reopen in arrivals:
            if not blocks and not gaps:
                continue
            model.commit(blocks, gaps)
            runs = [Gap("edge-1", "spool-1", first, last, "") for first, last in gaps]
            (mark,) = store.commit([make.block(seq) for seq in blocks], runs, 1)
            assert mark.mark == model.mark
            assert mark.declared_gap == len([seq for seq in model.declared if seq <= model.mark])
            assert mark.stored == len([seq for seq in model.stored if seq <= model.mark])
            assert mark.duplicates == model.duplicates
            seen = [ref.seq for ref in store.refs_after("press-1.platen", {}, 100)]
            assert seen == sorted(seq for seq in model.stored if seq <= model.mark)
            if reopen:
                store.close()
                store = sample_adapter.open_store(Path(folder))
        store.close()
