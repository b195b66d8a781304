from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest
from asleft.edge.uplink_core import PATIENCE_S, AckOutcome, Span, UplinkCore
from asleft.wire.block import Ack


def core(mark: int = 0, window: int = 400) -> UplinkCore:
    made = UplinkCore("s", mark, lambda: 1.0, window)
    made.connected(0.0)
    return made


def ack(mark: int, *, fresh: bool = False, stream: str = "s") -> Ack:
    return Ack("hall-2", stream, mark, fresh)


def test_nothing_is_sent_without_a_connection() -> None:
    made = UplinkCore("s", 0, lambda: 1.0)
    assert made.plan(10, 0, 0.0) is None
    made.connected(1.0)
    assert made.plan(10, 0, 1.0) == Span(1, 10)
    made.disconnected()
    assert made.plan(10, 0, 1.0) is None


def test_the_window_bounds_what_is_beyond_the_mark() -> None:
    made = core()
    assert made.plan(1000, 0, 0.0) == Span(1, 400)
    made.sent(400, 0.0)
    assert made.plan(1000, 0, 0.0) is None
    assert made.acknowledged(ack(50), 1000, 0.1) is AckOutcome.RAISED
    assert made.plan(1000, 0, 0.1) == Span(401, 450)


def test_what_the_broker_has_not_taken_counts_against_the_window() -> None:
    made = core(window=10)
    assert made.plan(100, 7, 0.0) == Span(1, 3)
    assert made.plan(100, 10, 0.0) is None


def test_a_higher_mark_always_counts_and_skips_what_need_not_be_sent() -> None:
    made = core()
    assert made.acknowledged(ack(20), 100, 0.0) is AckOutcome.RAISED
    assert made.plan(100, 0, 0.0) == Span(21, 100)
    assert made.acknowledged(ack(20), 100, 0.0) is AckOutcome.SAME


def test_a_lower_mark_counts_only_when_fresh() -> None:
    made = core(mark=50)
    assert made.acknowledged(ack(30), 100, 0.0) is AckOutcome.STALE
    assert made.mark == 50
    assert made.acknowledged(ack(30, fresh=True), 100, 0.0) is AckOutcome.LOWERED
    assert made.mark == 30
    assert made.plan(100, 0, 0.0) == Span(31, 100)


@pytest.mark.parametrize("fresh", [False, True])
def test_foreign_and_impossible_marks_are_refused(fresh: bool) -> None:
    made = core(mark=5)
    assert made.acknowledged(ack(7, fresh=fresh, stream="other"), 10, 0.0) is AckOutcome.FOREIGN
    assert made.acknowledged(ack(11, fresh=fresh), 10, 0.0) is AckOutcome.IMPOSSIBLE
    assert made.mark == 5


def test_without_progress_it_goes_back_ever_more_patiently() -> None:
    made = core()
    made.sent(10, 0.0)
    back_at = []
    now = 0.0
    while now < 40:
        span = made.plan(10, 0, now)
        if span is not None:
            assert span == Span(1, 10)
            back_at.append(now)
            made.sent(10, now)
        now += 0.125
    gaps = [b - a for a, b in zip([0.0, *back_at], back_at, strict=False)]
    assert gaps[0] == PATIENCE_S
    assert gaps == sorted(gaps)
    assert max(gaps) <= 10.125
    assert made.go_backs == len(back_at)


def test_progress_restores_patience() -> None:
    made = core()
    made.sent(10, 0.0)
    for now in (1.9, 3.8, 5.7):
        assert made.plan(10, 0, now) is None
        made.acknowledged(ack(made.mark + 1), 10, now)
    assert made.go_backs == 0


def test_an_idle_time_is_no_lack_of_progress() -> None:
    made = core()
    made.sent(1, 0.0)
    made.acknowledged(ack(1), 1, 0.1)
    assert made.plan(2, 0, 100.0) == Span(2, 2)
    made.sent(2, 100.0)
    assert made.plan(2, 0, 101.9) is None
    assert made.go_backs == 0


def test_a_new_connection_starts_from_the_mark() -> None:
    made = core()
    made.sent(10, 0.0)
    made.disconnected()
    made.connected(1.0)
    assert made.plan(10, 0, 1.0) == Span(1, 10)


@dataclass
class Recorder:
    """What the other side must do, in a few lines: store, raise the contiguous mark, acknowledge after storing."""

    stored: set[int] = field(default_factory=set)
    mark: int = 0

    def take(self, seq: int) -> None:
        self.stored.add(seq)
        while self.mark + 1 in self.stored:
            self.mark += 1


@pytest.mark.parametrize("seed", range(200))
def test_with_any_faults_everything_arrives(seed: int) -> None:
    """Blocks and acknowledgements vanish, connections break, the recorder is restored from an older copy."""
    rng = random.Random(seed)
    made = UplinkCore("s", 0, rng.random, window=20)
    recorder, backup = Recorder(), Recorder()
    highest, now, up = 0, 0.0, False
    for step in range(600):
        now += 0.05
        calm = step > 420
        if highest < 120 and not calm:
            highest += rng.random() < 0.5
        if not up and (calm or rng.random() < 0.2):
            up = True
            made.connected(now)
            made.acknowledged(ack(recorder.mark, fresh=True), highest, now)
        elif up and not calm and rng.random() < 0.05:
            up = False
            made.disconnected()
        if not calm and rng.random() < 0.01:
            recorder = Recorder(set(backup.stored), backup.mark)
            if up:
                made.acknowledged(ack(recorder.mark, fresh=True), highest, now)
        if rng.random() < 0.02:
            backup = Recorder(set(recorder.stored), recorder.mark)
        span = made.plan(highest, 0, now)
        if span is not None:
            assert up
            assert span.last <= made.mark + 20
            for seq in range(span.first, span.last + 1):
                if calm or rng.random() > 0.2:
                    recorder.take(seq)
            made.sent(span.last, now)
            if up and (calm or rng.random() > 0.3):
                made.acknowledged(ack(recorder.mark), highest, now)
        assert made.mark <= max(recorder.mark, backup.mark, made.mark)
    while made.mark < highest and now < 200:
        now += 0.5
        span = made.plan(highest, 0, now)
        if span is not None:
            for seq in range(span.first, span.last + 1):
                recorder.take(seq)
            made.sent(span.last, now)
        made.acknowledged(ack(recorder.mark, fresh=True), highest, now)
    assert recorder.mark == made.mark == highest
    assert recorder.stored >= set(range(1, highest + 1))
