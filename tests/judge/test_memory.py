from __future__ import annotations

import json

import numpy as np
import pytest
from asleft.judge.features import Dwell, Stroke
from asleft.judge.judge import begin, step
from asleft.judge.packing import pack_rows, unpack_rows
from asleft.judge.state import copied, dumps, loads
from asleft.judge.types import JUDGE_VERSION
from hypothesis import given
from hypothesis import strategies as st
from lanes import part, run
from synth import sheet


@pytest.fixture(scope="module")
def lived_in(faulty):
    """A state with everything in it: segments, charts, findings, open conditions."""
    lane = faulty["coil-unplugged"]
    return lane, run(lane.sheet, part(lane.samples, 0, 81_734), [66_500, 15_234], horizon_s=300.0).state


def test_a_state_survives_its_text_form_exactly(lived_in) -> None:
    _, state = lived_in
    text = dumps(state)
    again = loads(text)
    assert dumps(again) == text
    assert again.learner == state.learner
    assert again.scale == state.scale
    assert again.carry == state.carry
    assert again.charts == state.charts
    assert again.findings == state.findings
    assert again.control == state.control
    assert np.array_equal(again.tail, state.tail, equal_nan=True)
    assert repr(again.dwells) == repr(
        [d._replace(**{k: float(v) for k, v in d._asdict().items()}) for d in state.dwells]
    )


def test_it_is_json_and_small(lived_in) -> None:
    _, state = lived_in
    text = dumps(state)
    assert json.loads(text)["version"] == JUDGE_VERSION
    assert len(text) < 40_000


def test_a_fresh_state_survives_too() -> None:
    state = begin(sheet())
    assert dumps(loads(dumps(state))) == dumps(state)


def test_another_version_is_refused_in_words() -> None:
    text = dumps(begin(sheet())).replace(f'"version": {JUDGE_VERSION}', '"version": 999')
    with pytest.raises(ValueError, match=f"state of version 999, this judge is version {JUDGE_VERSION}: judge again"):
        loads(text)


def test_a_step_does_not_change_the_state_it_was_given(lived_in) -> None:
    lane, state = lived_in
    before = dumps(state)
    step(lane.sheet, state, part(lane.samples, 81_734, 87_000))
    assert dumps(state) == before


def test_a_copy_shares_no_list(lived_in) -> None:
    _, state = lived_in
    copy = copied(state)
    copy.dwells.clear()
    copy.watch.since["x"] = 1.0
    copy.hours["producing"] = -1.0
    assert state.dwells
    assert "x" not in state.watch.since
    assert state.hours["producing"] > 0


@given(st.lists(st.lists(st.floats(allow_nan=True), min_size=23, max_size=23), max_size=6))
def test_rows_are_packed_exactly(rows) -> None:
    assert len(Dwell._fields) == 23
    out = unpack_rows(pack_rows([Dwell(*row) for row in rows], 23), 23)
    assert repr(out) == repr(rows)


def test_strokes_are_packed_in_the_order_of_their_fields() -> None:
    row = Stroke(*np.arange(len(Stroke._fields), dtype=float))
    assert unpack_rows(pack_rows([row], len(row)), len(row)) == [list(row)]
