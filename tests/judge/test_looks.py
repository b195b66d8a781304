"""When a live valve is judged anew: what is told at once comes as soon as if all were worked out at every second."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asleft.judge.judge import advance, begin, step, summarise
from asleft.judge.state import Said, dumps, loads
from asleft.judge.steps.looks import LONGEST_S, is_due
from asleft.judge.types import Judgement, Samples
from lanes import blocks, part
from synth import recording, sheet

VALVE = sheet()
SEEN_S, AT_S, END_S = 692.0, 704.0, 720.0  # a fault begins into a hold at 18 mA


@pytest.fixture(scope="module")
def production() -> Samples:
    """Cycles between 4 and 18 mA, held for six seconds each."""
    whole = recording([0.0, 0.875] * 61, hold_s=6.0, jitter_s=0.0)
    return part(whole, 0, int(END_S * 100))


def changed(samples: Samples, name: str, value: float) -> Samples:
    """A channel that reads `value` from `AT_S` on, with the noise it had."""
    time_s = samples.time_s - samples.time_s[0]
    noise = 1e-4 * value * np.random.default_rng(8).standard_normal(time_s.size)
    before = samples.channels.get(name, np.ones(time_s.size))
    return Samples(samples.time_s, {**samples.channels, name: np.where(time_s < AT_S, before, value + noise)})


def lived(samples: Samples, *, all_of_them: bool) -> list[tuple[float, Judgement]]:
    """As a recorder works: after a first look second by second, judged where it is due, or each time."""
    begins = int(SEEN_S * 100)
    state, out = step(VALVE, begin(VALVE), part(samples, 0, begins)).state, []
    for block in blocks(part(samples, begins, samples.time_s.size), [100]):
        taken = advance(VALVE, state, block)
        state = taken.state
        if taken.due or all_of_them:
            out.append((float(block.time_s[-1] - samples.time_s[0]), summarise(VALVE, state)))
    return out


def both(samples: Samples) -> tuple[list[tuple[float, Judgement]], list[tuple[float, Judgement]]]:
    return lived(samples, all_of_them=False), lived(samples, all_of_them=True)


def first(said: list[tuple[float, Judgement]], kind: str) -> float:
    return next(at_s for at_s, judgement in said if kind in {finding.kind for finding in judgement.findings})


@pytest.mark.parametrize(
    ("channel", "value", "kind"),
    [
        ("current", 1e-6, "current-lost"),
        ("command", 3.0, "command-failed"),
        ("pressure", 290.0, "pressure-unwanted"),
    ],
)
def test_what_is_told_at_once_comes_as_if_all_were_worked_out_at_every_second(
    production, channel, value, kind
) -> None:
    few, every = both(changed(production, channel, value))
    assert first(few, kind) == first(every, kind)
    assert len(few) < len(every)


def test_a_condition_that_is_over_is_seen_to_be_gone_as_soon() -> None:
    """For a minute it still counts, see `watching.watch`; all else waits while nothing moves."""
    whole = recording([0.0, 0.875] * 65, hold_s=6.0, jitter_s=0.0)
    time_s = whole.time_s - whole.time_s[0]
    gone = (time_s >= SEEN_S + 3.0) & (time_s < SEEN_S + 5.0)
    few, every = both(
        replace(whole, channels={**whole.channels, "command": np.where(gone, 3.0, whole.channels["command"])})
    )

    def last(said: list[tuple[float, Judgement]]) -> float:
        return next(at_s for at_s, judgement in said if at_s > SEEN_S + 6.0 and not judgement.findings)

    assert last(few) == last(every)
    assert len(few) < len(every)


def test_all_else_waits_for_a_tenth_more_evidence_and_half_a_minute_at_most(production) -> None:
    assert lived(production, all_of_them=False) == []
    state = begin(VALVE)
    state.to_s, state.last_state = 1000.0, 0
    for produced_s, stands_s in ((100.0, 10.0), (900.0, LONGEST_S)):
        state.clock_s, state.said = produced_s, Said(1000.0 - stands_s + 0.1, 0.0, ("0",))
        assert not is_due(VALVE, state)
        state.said = Said(1000.0 - stands_s, 0.0, ("0",))
        assert is_due(VALVE, state)
    state.clock_s, state.said = 100.0, Said(1000.0 - LONGEST_S + 0.1, 100.0, ("0",))
    assert not is_due(VALVE, state)  # nothing was produced meanwhile


@pytest.mark.parametrize("missing", [{"failed": [(990.0, 10, 100)]}, {"last_state": 1}])
def test_readings_that_are_missing_and_another_state_of_the_machine_do_not_wait(missing) -> None:
    state = begin(VALVE)
    state.to_s, state.last_state, state.said = 1000.0, 0, Said(1000.0, 0.0, ("0",))
    assert not is_due(VALVE, state)
    for name, value in missing.items():
        setattr(state, name, value)
    assert is_due(VALVE, state)


def test_a_judgement_that_is_due_says_what_it_says_where_none_is_left_out(production) -> None:
    few, every = both(changed(production, "pressure", 290.0))
    at_s, judgement = few[-1]
    other = dict(every)[at_s]
    assert judgement.quantities == other.quantities
    assert judgement.sentence == other.sentence
    assert judgement.state_hours == other.state_hours


def test_when_it_was_judged_is_remembered_through_text(production) -> None:
    state = begin(VALVE)
    for block in blocks(production, [1000]):
        state = step(VALVE, state, block).state
    assert state.said is not None
    assert loads(dumps(state)).said == state.said
    quiet = replace(state.said, at_s=state.to_s)
    state.said = quiet
    more = Samples(np.array([state.to_s + 0.01]), {name: v[-1:] for name, v in production.channels.items()})
    assert not advance(VALVE, loads(dumps(state)), more).due
    state.said = None
    assert advance(VALVE, state, more).due
