from __future__ import annotations

from itertools import pairwise

from asleft.store.marks import advance, as_runs, count_upto, subtract
from hypothesis import given
from hypothesis import strategies as st

SETS = st.sets(st.integers(1, 30))


def numbers(runs):
    return {number for first, last in runs for number in range(first, last + 1)}


@given(seqs=SETS)
def test_runs_hold_the_same_numbers_and_do_not_touch(seqs):
    runs = as_runs(seqs)
    assert numbers(runs) == seqs
    assert all(after[0] > before[1] + 1 for before, after in pairwise(runs))


@given(run=st.tuples(st.integers(1, 30), st.integers(0, 15)), taken=SETS)
def test_subtract_leaves_the_rest(run, taken):
    first, last = run[0], run[0] + run[1]
    assert numbers(subtract((first, last), as_runs(taken))) == set(range(first, last + 1)) - taken


@given(mark=st.integers(0, 30), held=SETS)
def test_the_mark_advances_to_the_first_hole(mark, held):
    expected = mark
    while expected + 1 in held:
        expected += 1
    assert advance(mark, as_runs(seq for seq in held if seq > mark)) == expected


@given(mark=st.integers(0, 40), held=SETS)
def test_count_upto(mark, held):
    assert count_upto(mark, as_runs(held)) == len([seq for seq in held if seq <= mark])


def test_a_gap_of_any_size_costs_nothing():
    assert advance(0, [(1, 2**63 - 2)]) == 2**63 - 2
    assert subtract((1, 2**62), [(5, 5)]) == [(1, 4), (6, 2**62)]
